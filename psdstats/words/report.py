"""The report in words: what was studied, how the numbers were made, verdicts, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from math import isfinite
from pathlib import PurePath

from psdstats.columns import TIME, column_words
from psdstats.comparison.ordered import BESIDE
from psdstats.comparison.plan import ComparisonPlan, LevelTest, columns_of
from psdstats.comparison.result import Comparison, QuantityComparison, Route
from psdstats.comparison.values import Values
from psdstats.models.design_columns import level_text
from psdstats.study.records import Study
from psdstats.study.settings import Declared
from psdstats.uncertainty.propagation import Propagation
from psdstats.words.comparison import DRIFT_OF, component_words, family_words
from psdstats.words.courses import way_of
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import capital, cautions, joined, phrases, told_of


class Works:
    """Works that a text cites by their names, numbered in the order in which it first does.

    Examples
    --------
    >>> cite = Works()
    >>> cite("gum"), cite("tolerance", "gum"), cite.cited[1]
    ('[1]', '[2] [1]', 'ISO 3310-1, Test sieves: technical requirements and testing.')
    """

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def __call__(self, *works: str) -> str:
        """The numbers of works, as they stand in the text."""
        own = (self._numbers.setdefault(one, len(self._numbers) + 1) for one in works)
        return " ".join(f"[{number}]" for number in own)

    @property
    def cited(self) -> tuple[str, ...]:
        """Every work that was cited, by its number."""
        return tuple(map(phrases("work").__getitem__, self._numbers))


CAUTIONS = cautions("dust", "breathing", "drives", "noise", "codes")

_RUN_TO_RUN = "run_to_run"

STUDY_HEADING = "The study"
ASSUMED_HEADING = "What had to be assumed"
GROUPS_CAPTION = "Runs, milling times, sieves and balance of each group."
MEANING_HEADING = "What the verdicts mean"

NET_MASSES = (
    "m_i = g_i − t_i,   w_i = m_i / Σ m_j,   Q_{3}(x_i) = Σ_{j below i} w_j",
    "net mass, mass fraction, cumulative undersize",
)
COVARIANCE = (
    "V = V_{known} + Σ θ_k Z_k Z_k^{T} + σ^{2} I",
    "covariance of ln D over the runs: measurement, groups, run to run",
)
_BETWEEN = "x_a and x_b are the apertures that bracket the level p, Q_a and Q_b the undersize there"
RULES = {
    "": (
        "P(ln D_p ≤ τ) = Σ_k w_k Φ((μ_k(τ) − g_k(p)) / s_k(τ))",
        "over scales g_k on which powders are nearly straight lines in ln x: μ_k and s_k are mean "
        "and standard deviation of the curve there, w_k how well the scale bears out the readings",
    ),
    "semilog": ("ln D_p = ln x_a + (ln x_b − ln x_a) (p − Q_a) / (Q_b − Q_a)", _BETWEEN),
    "linear": ("D_p = x_a + (x_b − x_a) (p − Q_a) / (Q_b − Q_a)", _BETWEEN),
    "logprobit": (
        "ln D_p = ln x_a + (ln x_b − ln x_a) (z_p − z_a) / (z_b − z_a)",
        f"{_BETWEEN}; z is the normal quantile of an undersize",
    ),
}
"""How a percentile is read between two apertures, and what the letters mean."""


def title(study: Study | Values, say: Numerals = PLAIN) -> str:
    """The title of the study; where it has only the name of its file, what was milled how long.

    That of values in hand names what is compared.
    """
    if isinstance(study, Values):
        names = capital(joined(list(study.measured.quantities)))
        return f"{names}: {study.title}" if study.title else names
    if study.title not in {PurePath(file.name).stem for file in study.files}:
        return study.title
    times = sorted({run.milling_time_min for run in study.runs})
    long = " to ".join(say(one, ".12g") for one in dict.fromkeys((times[0], times[-1])))
    return f"{capital(study.material or 'powder')} milled for {long} min"


def study_sentence(study: Study) -> str:
    """How many runs of what."""
    groups = len({run.group for run in study.runs})
    material = f"; material: {study.material}." if study.material else "."
    return f"{len(study.runs)} runs in {groups} group{'s' if groups > 1 else ''}{material}"


@told_of.register
def study_sentences(study: Study, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Title, how many runs of what, and the levels they were milled at."""
    runs = study.runs_frame()
    named = runs.columns[list(runs.columns).index("balance") + 1 :]
    levels = {name: list(dict.fromkeys(map(level_text, runs[name].dropna()))) for name in named}
    times = ", ".join(map(say, sorted(set(runs[TIME]))))
    return (
        title(study, say),
        study_sentence(study),
        f"Milled for {times} min.",
        *(
            f"{capital(column_words(name))}: {', '.join(own)}."
            for name, own in levels.items()
            if len(own) > 1
        ),
    )


def not_computed(reason: str) -> str:
    """Why a page has no numbers; a reason is a sentence of an error."""
    return f"Not computed: {capital(reason)}"


def whether_heading(by: str) -> str:
    """The question of a comparison."""
    return f"Did {column_words(by)} change the size?"


def left_out_notes(sources: Sequence[str]) -> tuple[str, ...]:
    """Which sources of uncertainty are not in a result, and how to count them.

    Run-to-run variation is never among them: a comparison estimates it.

    Examples
    --------
    >>> left_out_notes(["run_to_run"])
    ()
    >>> len(left_out_notes(["sampling", "run_to_run"]))
    1
    """
    names = [name for name in sources if name != _RUN_TO_RUN]
    if not names:
        return ()
    example = "sampling" if "sampling" in names else names[0]
    switch = f"{example} = true" if len(names) == 1 else f"{example} = true and so on"
    return (
        f"Not counted: {sources_words(names)}. To count more, write {switch} under [uncertainty] "
        "in study.toml.",
    )


def sources_words(sources: Sequence[str]) -> str:
    """Names of sources as they are read, e.g. "lost powder, between sieves"."""
    return ", ".join(source.replace("_", " ") for source in sources)


def weighing_paragraph(study: Study, cite: Works) -> str:
    """How readings become a curve; an equation follows."""
    tares = (
        "Every sieve was weighed empty before every run."
        if study.tares == "each run"
        else "Every sieve was weighed empty once; that error is shared by all its runs."
    )
    return (
        f"Each sieve and the pan is weighed empty (tare) and loaded (gross). {tares} Net masses "
        f"give mass fractions and the cumulative undersize at each aperture {cite('curve')}:"
    )


def in_hand_paragraph(values: Values) -> str:
    """Where values in hand come from, and what is known of their uncertainty."""
    names = list(values.measured.quantities)
    without = [name for name in names if not values.known[name].any()]
    told = [
        f"{capital(joined(names))} of {len(values.runs)} runs were given, and nothing was weighed"
    ]
    if without != names:
        having = joined([name for name in names if name not in without])
        told.append(f"uncertainties of {having} are those given")
    if without:
        told.append(
            f"of {joined(without)} none was given: the scatter of runs alike holds that too"
        )
    return f"{'; '.join(told)}."


def percentile_paragraph(rule: str) -> str:
    """How sizes are read off the curve."""
    how = (
        f"read between the two apertures that bracket them by the {rule} rule, and are sizes by "
        "that rule"
        if rule
        else "those of the powder: medians of a law of its undersize curve, averaged over scales "
        "and bends between the sieves that the readings allow, with its spread in the uncertainty"
    )
    return (
        f"D10, D50 and D90 are {how}; span is (D90 − D10) / D50. Nothing is extrapolated: a "
        "percentile in the pan or above the top sieve is an open interval and stays one."
    )


def uncertainty_paragraph(
    study: Study, propagation: Propagation, cite: Works, say: Numerals = PLAIN
) -> str:
    """Which sources were counted, and how they were propagated."""
    left_out = sources_words(propagation.sources_left_out) or "none"
    if propagation.method == "linear":
        how, works = "by the linear law", cite("gum")
    else:
        draws = f"{propagation.draws:,}".replace(",", "\u202f")
        how = f"by Monte Carlo ({draws} draws, seed {propagation.seed})"
        works = cite("gum", "draws")
    follow = []
    if uses_tolerances(study, propagation):
        follow.append(
            " Apertures of sieves without a certificate lie within the tolerance "
            f"{cite('tolerance')}."
        )
    if "sampling" in propagation.sources:
        follow.append(f" Sampling follows {cite('sampling')}.")
    return (
        f"Sources of uncertainty counted: {sources_words(propagation.sources)}; left out: "
        f"{left_out}. Every source carries the identity of what causes it, so a sieve used in "
        "several runs has one aperture error, and a tare weighed once is one error. All runs are "
        f"propagated together {how} {works}, with intervals of "
        f"{say(100 * propagation.coverage, '.3g')} % coverage.{''.join(follow)}"
    )


def uses_tolerances(study: Study, propagation: Propagation) -> bool:
    """Whether the tolerance of a standard stands in for a certificate."""
    return "aperture" in propagation.sources and _has_tolerances(study)


def _has_tolerances(study: Study) -> bool:
    """Whether a sieve that was used has neither a certificate nor an effective aperture."""
    known = {
        key for key, one in study.sieves.items() if one.is_certified or one.effective_um is not None
    }
    return any(
        one.aperture_um > 0 and one.sieve not in known for run in study.runs for one in run.readings
    )


_ROUTES = phrases("route")
_CALIBRATED = phrases("report")["calibrated"]
_STUDENT = "Tests and intervals are those of Student's t."
_KENWARD_ROGER = "Tests and intervals are those of Kenward and Roger {}."
_ORDERED = phrases("report")["ordered"]
_FACTOR = " Levels of {} are compared at each time, from the last one back."
_LEVEL = "Intervals hold at {} %"
_ONE_FAMILY = ", and the questions hold one error together"
_ACROSS = ", over all sizes together"


class Further(StrEnum):
    """What else a report may answer."""

    GROUPS = "groups"
    WHOLE = "whole distributions"
    RATE = "rate"
    LIMITS = "limits"


_WORKS_OF = {
    Further.GROUPS: ("precision", "scores"),
    Further.WHOLE: ("permutation",),
    Further.RATE: ("selection",),
    Further.LIMITS: ("limits",),
}


def comparison_paragraphs(
    comparison: Comparison, cite: Works, say: Numerals = PLAIN
) -> tuple[str, ...]:
    """How sizes were compared, by what was done alone."""
    plan = comparison.plan
    routes: dict[Route, list[QuantityComparison]] = {}
    for one in comparison.results:
        routes.setdefault(one.route, []).append(one)
    said = []
    for route, own in routes.items():
        if route in _ROUTES:
            names = f"{joined([one.quantity for one in own])}: " if len(routes) > 1 else ""
            said.append(names + _route_words(route, own, plan, say))
    if Route.MIXED_MODEL in routes:
        is_calibrated = plan.test is LevelTest.CALIBRATED
        said.append(_CALIBRATED if is_calibrated else _KENWARD_ROGER.format(cite("small samples")))
    elif Route.SINGLE_RUNS in routes:
        said.append(_STUDENT)
    said += [f"{capital(one)}." for one in _declared(plan, say)]
    asked = [_ordered(comparison, say)] if any(one.courses for one in comparison.results) else []
    asked += _family_words(comparison, set(routes), cite)
    if plan.margin_percent is not None:
        margin = say(plan.margin_percent)
        asked.append(
            f"Equivalence is judged by two one-sided tests within ±{margin} % {cite('two tests')}."
        )
    level = _LEVEL.format(say(100 * comparison.level, ".3g"))
    level += _ACROSS if comparison.across_quantities else ""
    level += _ONE_FAMILY if plan.one_family else ""
    told = (" ".join(said), " ".join([*asked, f"{level}."]))
    return tuple(one for one in told if one)


def _route_words(
    route: Route, own: Sequence[QuantityComparison], plan: ComparisonPlan, say: Numerals
) -> str:
    """One way of comparing, with what it held."""
    parts = dict.fromkeys(
        name
        for one in own
        if one.fit is not None
        for name in component_words(one.fit, plan, DRIFT_OF).values()
    )
    names = [" and ".join(map(column_words, columns_of(one))) for one in plan.blocks]
    spreads = [
        f"{say(percent, '.2g')} % ({', '.join(of)})" for percent, of in _spreads(own).items()
    ]
    where = "declared" if plan.run_to_run is not None else "that about smooth courses over time"
    return _ROUTES[route].format(
        ln="ln D" if plan.what == "size" else f"ln {plan.what}",
        blocks=f", {joined([f'{one}s' for one in names])} are blocks" if names else "",
        parts="; ".join(parts),
        spread=f"{where}: {joined(spreads)}" if spreads else where,
        units="within groups (paired t)" if names else "(Welch's t)",
    )


def _spreads(own: Sequence[QuantityComparison]) -> dict[float, list[str]]:
    """Quantities by the spread between single runs that they were compared with."""
    found: dict[float, list[str]] = {}
    for one in own:
        percent = dict(one.basis.data).get("percent")
        if isinstance(percent, float):
            found.setdefault(percent, []).append(one.quantity)
    return found


def _declared(plan: ComparisonPlan, say: Numerals) -> list[str]:
    """Spreads that were declared, with their degrees of freedom."""
    named = (("run-to-run variation", plan.run_to_run), ("drift of groups per step", plan.drift))
    return [
        f"{what} was declared as {_percent(one, say)}" for what, one in named if one is not None
    ]


def _percent(declared: Declared, say: Numerals) -> str:
    """A declared spread, size by size where they differ."""
    if declared.each:
        return joined([f"{_percent(one, say)} in {name}" for name, one in declared.each.items()])
    known = f" with {say(declared.df, '.3g')} degrees of freedom" if isfinite(declared.df) else ""
    return f"{say(declared.percent, '.4g')} %{known}"


def _family_words(comparison: Comparison, routes: set[Route], cite: Works) -> list[str]:
    """Families of contrasts, where one law holds each."""
    kinds = dict.fromkeys(
        one.subject.family for result in comparison.results for one in result.findings
    )
    if not kinds or routes <= {Route.EACH_CONTRAST}:
        return []
    names = joined([family_words(kind)[0] for kind in kinds])
    one_law = f"by the law of the largest of their t ratios {cite('families')}"
    several = "each of these families holds" if len(kinds) > 1 else "this family holds"
    return [f"Contrasts are {names}; {several} its level {one_law}."]


def _ordered(comparison: Comparison, say: Numerals) -> str:
    plan = comparison.plan
    way, alpha = way_of(plan), 100 * (1 - comparison.level)
    courses = [one for result in comparison.results for one in result.courses]
    stops = [one.stop.margin_percent for one in courses if one.stop is not None]
    if not stops:
        return "The last time is compared with the first, from both sides."
    told = _ORDERED.format(
        fallen=way.gone,
        margin=say(stops[0]),
        other=way.other,
        guard=say(alpha * BESIDE, ".2g"),
    )
    factors = any(one.factors for one in comparison.results)
    return told + (_FACTOR.format(" and ".join(map(column_words, plan.at_each))) if factors else "")


def further_paragraph(answered: Sequence[Further], cite: Works) -> str:
    """How everything else was found."""
    said = phrases("further")
    return " ".join(said[one].format(*map(cite, _WORKS_OF[one])) for one in answered)


class Unchecked(StrEnum):
    """What psdstats computes without its document having been read against it."""

    TOLERANCE = "the tolerance of ISO 3310-1"
    PRECISION = "the statistics of ISO 5725-2"
    SCORES = "the scores of ISO 13528"
    BALANCE = "the permissible errors of OIML R 76"
    CHECKS = "the check limits of USP <786>"


def unchecked_sentence(used: Sequence[Unchecked]) -> str:
    """Which formulas were not compared with the text of their documents; empty for none."""
    if not used:
        return ""
    names = joined([str(one) for one in used])
    return f"Taken from secondary sources, not compared with the documents themselves: {names}."
