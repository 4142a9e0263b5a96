"""Mixed models in words: what was fitted, in which state, and what single groups do to a test."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd

from psdstats.columns import column_words
from psdstats.comparison.beside import FEWEST_UNITS, LeftOut
from psdstats.findings import Contrast
from psdstats.models.contrasts import ContrastResult
from psdstats.models.design_columns import FixedDesign, RandomSlope
from psdstats.models.diagnostics import Influence, Refit
from psdstats.models.likelihood import Criterion
from psdstats.models.mixed_model import MixedModelFit
from psdstats.planning.attained import Attained, AttainedKind, AttainedShare
from psdstats.words.numbers import MISSING, PLAIN, Numerals, p_words
from psdstats.words.remarks import fill, joined, phrases, told_of


@told_of.register
def fit_sentence(fit: MixedModelFit, say: Numerals = PLAIN) -> str:  # noqa: ARG001
    """The model actually fitted, in one or two sentences.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import MixedModel
    >>> frame = pd.DataFrame({"ln_d50": [5.9, 5.5, 6.0, 5.4], "time": ["0", "6"] * 2})
    >>> fit_sentence(MixedModel(frame, response="ln_d50", fixed=["time"]).fit())
    'Restricted maximum likelihood fit of ln_d50 to time (2 levels), with a residual variance; \
4 rows.'
    """
    terms = [_term(fit.fixed, term.variables) for term in fit.fixed.terms]
    restricted = fit.estimates.criterion is Criterion.REML
    text = f"{'Restricted maximum' if restricted else 'Maximum'} likelihood fit of "
    text += f"{fit.model.response} to {joined(terms) if terms else 'a common mean'}"
    parts = []
    for grouping, columns in zip(fit.random.groupings, _groupings(fit), strict=True):
        own = " and ".join(map(column_words, columns))
        what = f"a random intercept of {own} ({len(grouping.levels)} levels)"
        if len(grouping.column_names) > 1:
            link = "uncorrelated" if grouping.cross is None else "correlated"
            slopes = joined([column_words(one) for one in grouping.column_names[1:]])
            what += f" with {link} slopes in {slopes}"
        parts.append(what)
    if "residual" in fit.random.names:
        parts.append("a residual variance")
    if fit.random.parts.known is not None:
        parts.append("the known covariance of the measurements")
    text += f", with {joined(parts)}; {len(fit.response)} rows."
    if fit.fixed.added:
        text += f" Added because an interaction contains them: {joined(fit.fixed.added)}."
    return text


@told_of.register
def contrast_sentences(found: ContrastResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Every contrast with its simultaneous interval and p within the family."""
    return tuple(
        f"{row['contrast']}: {say.rounded(row['estimate'], row['standard_error'])} "
        f"({say.interval(row['lower'], row['upper'], u=row['standard_error'])}), "
        f"{p_words(row['p_adjusted'], say)}."
        for row in found.to_frame().to_dict("records")
    )


def _groupings(fit: MixedModelFit) -> list[tuple[str, ...]]:
    """Columns of each grouping, in their order."""
    named = (one.group if isinstance(one, RandomSlope) else one for one in fit.model.random)
    columns = ((one,) if isinstance(one, str) else tuple(one) for one in named)
    return list(dict.fromkeys(columns))


def _term(fixed: FixedDesign, variables: tuple[str, ...]) -> str:
    if len(variables) > 1:
        return f"the interaction of {joined([column_words(one) for one in variables])}"
    label = variables[0]
    if label in fixed.factors:
        return f"{column_words(label)} ({len(fixed.factors[label].levels)} levels)"
    parts = fixed.numerics[label].parts
    return f"the trend {column_words(label)}" + (
        "" if len(parts) == 1 else f" ({len(parts)} coefficients)"
    )


def influence_sentence(found: Influence, say: Numerals = PLAIN) -> str:
    """Whether one group decides the verdict on a term."""
    term, grouping = column_words(found.term), column_words(found.grouping)
    others = found.table.iloc[1:]
    whole = p_words(float(found.table["p"].iloc[0]), say)
    if others["p"].isna().all():
        return f"The effect of {term} cannot be tested without any one level of {grouping}."
    if found.decided_by:
        rows = others[others["left_out"].isin(found.decided_by)]
        told = " and ".join(_without(row, say) for _, row in rows.iterrows())
        return (
            f"The verdict on {term} hangs on one level of {grouping}: {whole} with all, but {told}."
        )
    if not found.needed_by_number:
        ends = dict.fromkeys(p_words(float(others["p"].agg(end)), say) for end in ("min", "max"))
        return (
            f"No single level of {grouping} decides the verdict on {term}: {whole} with all, "
            f"{' to '.join(ends)} without one."
        )
    needed = others[others["left_out"].isin(found.needed_by_number)]
    which = "any one" if len(needed) == len(others) else " or ".join(needed["left_out"])
    low, high = (say(100.0 * one, ".0f") for one in needed["effect_left"].agg(["min", "max"]))
    return (
        f"The verdict on {term} hangs on no single level of {grouping}, but on their number: "
        f"{whole} with all; without {which} the effect hardly moves ({low} to {high} % of that "
        f"with all), yet the rest are too few to show it (p up to {say(needed['p'].max(), '.2g')})."
    )


def _without(row: pd.Series, say: Numerals) -> str:
    text = f"without {row['left_out']} {p_words(row['p'], say)}"
    if np.isfinite(row["effect_left"]):
        share = say(100.0 * row["effect_left"], ".0f")
        text += f", the effect being {share} % of that with all"
    return text


CHECKS_HEADING = "Can the models be believed?"
NO_MODEL = "No mixed model was fitted, so there is none to check."
OWN_TEST = "this analysis"
COMMON_TESTS = {"anova": "repeated measures", "friedman": "Friedman"}


def by_quantity(told: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Sentences with the quantity they are about; what is said of several alike is said once.

    Examples
    --------
    >>> by_quantity([("D10", "All is well."), ("D50", "All is well.")])
    ('D10, D50: All is well.',)
    """
    said: dict[str, list[str]] = {}
    for quantity, text in told:
        said.setdefault(text, []).append(quantity)
    return tuple(f"{', '.join(dict.fromkeys(own))}: {text}" for text, own in said.items())


def refit_names(fit: MixedModelFit, components: Mapping[str, str]) -> list[str]:
    """Coefficients, then variances, of a fit in words; ``components`` has those of the latter."""
    fixed, names = fit.fixed, []
    for one in fixed.coefficients:
        told = [f"{column_words(k)} {fixed.factors[k].levels[j]}" for k, j in one.levels]
        told += [column_words(fixed.numerics[k].parts[j]) for k, j in one.parts]
        names.append(", ".join(told) or "first levels")
    return names + [f"variance between {components[name]}" for name in fit.random.names]


def refit_sentence(found: Refit, say: Numerals = PLAIN) -> str:
    """How far the estimates of another package are from ours, for the same model."""
    percent = max(100 * found.largest_difference, 0.01)
    return fill(phrases("models")["refit"], say, percent=percent)


def bare_refit_sentences(found: Mapping[str, Refit], say: Numerals = PLAIN) -> tuple[str, ...]:
    """How far estimates move by a package that cannot take the covariance of the measurement."""
    how = "Refitted by statsmodels without the covariance of the measurement, which it cannot take"
    moved = {name: one.largest_difference for name, one in found.items() if one.converged}
    lines = []
    if moved:
        ends = (min(moved, key=moved.__getitem__), max(moved, key=moved.__getitem__))
        told = [f"{say.fixed(100 * moved[one], 0)} % ({one})" for one in dict.fromkeys(ends)]
        lines.append(
            f"{how}, a coefficient moves by up to {' to '.join(told)} of its standard error: what "
            "the measurement adds then counts as scatter of runs and groups, and sieves that runs "
            "share as independent."
        )
    failed = [name for name in found if name not in moved]
    if failed:
        lines.append(f"{how}, the fit of {joined(failed)} did not converge.")
    return tuple(lines)


def residuals_alternative(count: int, largest: float, say: Numerals = PLAIN) -> str:
    """What the figures of residuals show."""
    return fill(phrases("models")["residuals"], say, count=count, largest=largest)


def statistic_words(
    test: str, statistic: float, df: float, df_error: float, *, say: Numerals = PLAIN
) -> str:
    """The statistic of a common test with its degrees of freedom.

    Examples
    --------
    >>> statistic_words("anova", 51.234, 4, 12), statistic_words("friedman", 14.4, 4, np.nan)
    ('F(4, 12) = 51.2', 'Q(4) = 14.4')
    """
    if not np.isfinite(statistic):
        return MISSING
    freedom = say(df) if np.isnan(df_error) else f"{say(df)}, {say(df_error)}"
    return f"{'F' if test == 'anova' else 'Q'}({freedom}) = {say.significant(statistic, 3)}"


UNITS = phrases("resampled")
RESAMPLED_UNITS_NOTE = fill(phrases("models")["resampled units"], fewest=FEWEST_UNITS)


def contrast_words(high: str, low: str, where: str) -> str:
    """An effect as a table shows it."""
    return Contrast(high=high, low=low, where=where).label


def left_out_sentences(found: Sequence[LeftOut], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Without which runs the changes by the end move most, and which hang on one alone."""
    lines = []
    for one in found:
        if np.isfinite(one.moved):
            whole, rest = (say(100 * np.expm1(e), "+.1f") for e in (one.effect, one.without))
            lines.append(
                f"Without {one.column} {one.name} {one.quantity} changes by {rest} % instead of "
                f"{whole} % ({contrast_words(one.high, one.low, one.where)})."
            )
            break
    alone = list(dict.fromkeys(one.name for one in found if not np.isfinite(one.moved)))
    if alone:
        more = f" and {len(alone) - 4} more" if len(alone) > 4 else ""
        lines.append(
            f"Without {' or '.join(alone[:4])}{more} a change by the end has no value: no other "
            "run shows it."
        )
    return tuple(lines)


ATTAINED_HEADING = "What do these answers attain?"
ATTAINED = phrases("attained")
ATTAINED_NOTE = phrases("models")["attained note"]


def attained_sentences(found: Attained, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What answers attain in trials like a study."""
    level = say(100 * found.level)
    lines = []
    held = [one for one in found.shares if one.kind is AttainedKind.CHANGE]
    if held:
        lines.append(
            f"In {found.trials} simulated trials like this one the {level} % intervals of the "
            f"changes by the end hold the truth in {_range(held, say)}."
        )
    wrong = [one for one in found.shares if one.kind.is_error]
    if wrong:
        worst = max(wrong, key=lambda one: one.share)
        most = f"the most: {ATTAINED[worst.kind]}, {worst.quantity}"
        lines.append(
            f"No kind of false claim comes in more than {_share(worst, say)} of the trials"
            + (f" ({most})." if worst.hits else ": there was none.")
        )
    again = [one for one in found.shares if one.kind is AttainedKind.FALLEN_AGAIN]
    if again:
        lines.append(f"What is said of the end comes out again in {_range(again, say)}.")
    if found.failed:
        lines.append(f"{found.failed} of the trials could not be compared and do not count.")
    return tuple(lines)


def _share(one: AttainedShare, say: Numerals) -> str:
    return f"{say(100 * one.share, '.1f')} ± {say(100 * one.error, '.1f')} %"


def _range(shares: Sequence[AttainedShare], say: Numerals) -> str:
    """From the least to the largest, each with its Monte Carlo error."""
    ends = [pick(shares, key=lambda one: one.share) for pick in (min, max)]
    return " to ".join(dict.fromkeys(_share(one, say) for one in ends))
