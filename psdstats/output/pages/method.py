"""How the numbers were made: the method in sentences and equations, references, cautions."""

from __future__ import annotations

from collections.abc import Sequence

from psdstats.output.content import Block, Bullets, Equation, Paragraph, Section
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation

_BETWEEN = "x_a and x_b are the apertures that bracket the level p, Q_a and Q_b the undersize there"
_RULES = {
    "semilog": "ln D_p = ln x_a + (ln x_b − ln x_a) (p − Q_a) / (Q_b − Q_a)",
    "linear": "D_p = x_a + (x_b − x_a) (p − Q_a) / (Q_b − Q_a)",
    "logprobit": "ln D_p = ln x_a + (ln x_b − ln x_a) (z_p − z_a) / (z_b − z_a)",
}
_VERDICTS = (
    "Changed: the interval of the ratio excludes 1; it holds for its whole family of contrasts "
    "together.",
    "Equivalent: no change was shown, and two one-sided tests place the ratio "
    "within the margin stated beforehand.",
    "Not shown: neither of the two. The smallest decrease that this trial would have shown with "
    "80 % power stands beside it.",
    "Cannot be told: the sieves do not bracket the size; or run-to-run variation is unknown and "
    "could undo what was seen; or a change as large as the margin could easily have been missed.",
)

REFERENCES = (
    "ISO 9276-1, Representation of results of particle size analysis: graphical representation.",
    "JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM).",
    "JCGM 101:2008, Propagation of distributions using a Monte Carlo method; "
    "JCGM 102:2011, Extension to any number of output quantities.",
    "ISO 3310-1, Test sieves: technical requirements and testing (tolerance formula from memory).",
    "M. G. Kenward, J. H. Roger, Small sample inference for fixed effects from restricted maximum "
    "likelihood, Biometrics 53 (1997) 983–997.",
    "C. W. Dunnett, A multiple comparison procedure for comparing several treatments with a "
    "control, J. Am. Stat. Assoc. 50 (1955) 1096–1121.",
    "D. J. Schuirmann, A comparison of the two one-sided tests procedure and the power approach, "
    "J. Pharmacokinet. Biopharm. 15 (1987) 657–680.",
    "P. M. Gy, Sampling of Particulate Materials: Theory and Practice, Elsevier, 1982.",
    "ISO 5725-2, Accuracy of measurement methods and results: basic method for repeatability and "
    "reproducibility.",
    "M. J. Anderson, A new method for non-parametric multivariate analysis of variance, Austral "
    "Ecology 26 (2001) 32–46.",
    "M. J. Lindstrom, D. M. Bates, Nonlinear mixed effects models for repeated measures data, "
    "Biometrics 46 (1990) 673–687.",
)

CAUTIONS = (
    "Fine dry powder can burn or explode as a dust cloud. Know the hazard data of your powder, "
    "earth the equipment, keep ignition sources away, and clean up dust layers.",
    "Do not breathe the dust: work under extraction and wear the protection your assessment asks "
    "for.",
    "Rollers, jars and belts draw in fingers, hair and sleeves: keep guards closed, and stop and "
    "isolate the drive before touching a jar.",
    "Mills and shakers are loud: wear hearing protection where the noise assessment asks for it.",
    "Local regulations, the safety data sheet and the people licensed to judge these hazards come "
    "before anything written here.",
)


def method_section(study: Study, propagation: Propagation) -> Section:
    """The method of this report, with the choices actually made."""
    left_out = _in_words(propagation.sources_left_out) or "none"
    tares = (
        "Every sieve was weighed empty before every run."
        if study.tares == "each run"
        else "Every sieve was weighed empty once; that error is shared by all its runs."
    )
    blocks: list[Block] = [
        Paragraph(
            "Each sieve and the pan is weighed empty (tare) and loaded (gross). "
            f"{tares} Net masses give mass fractions and the cumulative undersize at each "
            "aperture [1]:",
            cites=True,
        ),
        Equation(
            "m_i = g_i − t_i,   w_i = m_i / Σ m_j,   Q_{3}(x_i) = Σ_{j below i} w_j",
            "net mass, mass fraction, cumulative undersize",
        ),
        Paragraph(
            f"D10, D50 and D90 are read between the two apertures that bracket them (rule: "
            f"{study.rule}); span is (D90 − D10) / D50. Nothing is extrapolated: a percentile in "
            "the pan or above the top sieve is an open interval and stays one."
        ),
        *_rule_equation(str(study.rule)),
        Paragraph(
            f"Sources of uncertainty counted: {_in_words(propagation.sources)}; left out: "
            f"{left_out}. Every source carries the identity of what causes it, so a sieve used in "
            "several runs has one aperture error, and a tare weighed once is one error. All runs "
            f"are propagated together ({_propagation(propagation)}) [2] [3]; sieve tolerances "
            "follow [4] where there is no certificate, sampling follows [8].",
            cites=True,
        ),
        Paragraph(
            "Comparisons use a mixed model on ln D with the measurement covariance as a known part "
            "and Kenward–Roger inference [5]; intervals hold for each family of contrasts "
            "together (Dunnett against the first level [6], Tukey or the multivariate t "
            "otherwise). Equivalence is judged by two one-sided tests [7].",
            cites=True,
        ),
        Paragraph(
            "Where they appear above: precision within and between groups follows [9]; whole "
            "distributions are compared in log-ratio coordinates by permutation within groups "
            "[10]; curves of size against time are fitted with group and run variation estimated "
            "[11].",
            cites=True,
        ),
        Equation(
            "V = V_{known} + Σ θ_k Z_k Z_k^{T} + σ^{2} I",
            "covariance of ln D over the runs: measurement, groups, run to run",
        ),
    ]
    meaning = Section(heading="What the verdicts mean", blocks=(Bullets(_VERDICTS),))
    return Section(heading="Method", blocks=tuple(blocks), sections=(meaning,))


def _rule_equation(rule: str) -> tuple[Equation, ...]:
    """How a percentile is read between two apertures, where one formula says it."""
    if rule not in _RULES:
        return ()
    z = "; z is the normal quantile of an undersize" if rule == "logprobit" else ""
    return (Equation(_RULES[rule], _BETWEEN + z),)


def _in_words(sources: Sequence[str]) -> str:
    """Names of sources as they are read, e.g. "lost powder, interpolation"."""
    return ", ".join(source.replace("_", " ") for source in sources)


def _propagation(propagation: Propagation) -> str:
    if propagation.method == "linear":
        return "linear law"
    draws = f"{propagation.draws:,}".replace(",", "\u202f")
    return f"Monte Carlo, {draws} draws, seed {propagation.seed}"
