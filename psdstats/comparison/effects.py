"""Families of contrasts as effects with verdicts: one row a contrast, ready to be read.

Responses are natural logarithms of sizes, so every effect is a ratio.

One run per level: what the measurement alone can say, and what it cannot.

With a single run at each level nothing in the data shows how much two runs of the same kind would
differ.  The levels are compared by the joint covariance of the measurement, plus a repeatability
the laboratory declares.  Where none is declared, each effect is reported with the run-to-run
standard deviation that would undo it, and is called changed only if that is larger than
`PLAUSIBLE_RUN_TO_RUN_PERCENT`.

Intervals take ln ratios as normal and hold for a family together.  Where one rectangular aperture
error dominates they are up to a fifth too wide (1.96 against 1.65 standard uncertainties; two such
errors of one size, 1.90); `psdstats.uncertainty.ratio_intervals` gives a single ratio its own law.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import OverallTest, QuantityComparison, Response, Route, as_sizes
from psdstats.models.contrasts import ContrastResult, contrast_matrix, contrast_table, within_each
from psdstats.models.design_columns import level_text
from psdstats.models.equivalence import equivalence_test, smallest_detectable
from psdstats.models.verdicts import Evidence, verdict
from psdstats.uncertainty.linear import coverage_factor

POWER = 0.8

COLUMNS = [
    "family",
    "contrast",
    "high",
    "low",
    "ratio",
    "ratio_lower",
    "ratio_upper",
    "change_percent",
    "change_lower_percent",
    "change_upper_percent",
    "ratio_lower_single",
    "ratio_upper_single",
    "df",
    "p",
    "p_adjusted",
    "detectable_decrease_percent",
    "equivalence_p",
    "verdict",
    "sentence",
]


@dataclass(frozen=True, kw_only=True)
class EffectContext:
    """What a verdict needs beside the numbers of a contrast.

    Parameters
    ----------
    quantity : str
        The quantity.
    plan : ComparisonPlan
        What is compared with what, and the margin of equivalence.
    levels, at_levels : sequence of str
        All levels of both, in order.
    lost_column : str
        Column that the obstacles belong to: the factor or ``at_each``.
    obstacles : mapping of str to str
        Why a level of that column cannot be judged.
    level : float
        Confidence level.
    """

    quantity: str
    plan: ComparisonPlan
    levels: Sequence[str]
    at_levels: Sequence[str]
    lost_column: str
    obstacles: Mapping[str, str]
    level: float

    def subject(self, high: str, low: str) -> str:
        """Words for one comparison."""
        top, _, where = high.partition(" at ")
        bottom = low.partition(" at ")[0]
        each = f" ({self.plan.each_place(where)})" if where else ""
        return f"{self.quantity} at {self.plan.place(top)} against {self.plan.place(bottom)}{each}"


def families_for(levels: Sequence[object]) -> tuple[str, ...]:
    """Families that make sense: ordered numbers also step by step, names only pair by pair."""
    if len(levels) == 2:
        return ("all pairs",)
    if all(isinstance(level, (int, float, np.number)) for level in levels):
        return ("against first", "successive", "all pairs")
    return ("all pairs",)


def effect_rows(
    family: str,
    contrasts: ContrastResult | None,
    context: EffectContext,
    *,
    missing: str = "no run is left to estimate it from",
) -> pd.DataFrame:
    """Turn one family of contrasts into rows with verdicts."""
    planned = contrast_matrix(context.levels, family)
    if context.plan.at_each is not None:
        planned = within_each(planned, context.at_levels)
    estimated = {} if contrasts is None else _estimated(contrasts, context)
    first_is_lost = (
        family == "against first"
        and context.lost_column == context.plan.by
        and context.levels[0] in context.obstacles
    )
    rows = []
    for label, high, low in zip(planned.labels, planned.high, planned.low, strict=True):
        found = None if first_is_lost else estimated.pop((high, low), None)
        rows.append(found or _unjudged(label, high, low, context, missing))
    if not first_is_lost:
        rows.extend(estimated.values())
    return pd.DataFrame(rows).assign(family=family).reindex(columns=COLUMNS)


def _unjudged(
    label: str, high: str, low: str, context: EffectContext, missing: str
) -> dict[str, object]:
    by_level = context.lost_column == context.plan.by
    names = (
        [high.partition(" at ")[0], low.partition(" at ")[0]]
        if by_level
        else [high.partition(" at ")[2]]
    )
    reasons = tuple(context.obstacles[name] for name in names if name in context.obstacles)
    finding = verdict(
        Evidence(
            subject=context.subject(high, low),
            level=context.level,
            obstacles=reasons or (missing,),
        )
    )
    return {
        "contrast": label,
        "high": high,
        "low": low,
        "verdict": finding.verdict.value,
        "sentence": finding.sentence,
    }


def _estimated(
    contrasts: ContrastResult, context: EffectContext
) -> dict[tuple[str, str], dict[str, object]]:
    table = contrasts.as_ratios()
    critical = (contrasts.upper - contrasts.estimate) / contrasts.standard_error
    detectable = smallest_detectable(
        contrasts.standard_error, contrasts.df, critical=critical, power=POWER
    )
    table["detectable_decrease_percent"] = detectable.decrease_percent
    table["equivalence_p"] = np.nan
    if context.plan.margin_percent is not None:
        table["equivalence_p"] = equivalence_test(
            contrasts.estimate,
            contrasts.standard_error,
            contrasts.df,
            margin_percent=context.plan.margin_percent,
            alpha=1.0 - context.level,
        ).p
    rows: dict[tuple[str, str], dict[str, object]] = {}
    for record in table.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        finding = verdict(_evidence(row, context))
        rows[row["high"], row["low"]] = {
            **row,
            "verdict": finding.verdict.value,
            "sentence": finding.sentence,
        }
    return rows


def _evidence(row: Mapping[str, object], context: EffectContext) -> Evidence:
    number = {key: float(value) for key, value in row.items() if isinstance(value, float)}
    has_margin = context.plan.margin_percent is not None
    with np.errstate(divide="ignore"):  # an interval without end begins at a ratio of 0
        lower, upper = (float(np.log(number[f"ratio_{end}"])) for end in ("lower", "upper"))
    return Evidence(
        subject=context.subject(str(row["high"]), str(row["low"])),
        log_ratio=float(np.log(number["ratio"])),
        lower=lower,
        upper=upper,
        p_adjusted=number["p_adjusted"],
        level=context.level,
        margin_percent=context.plan.margin_percent,
        equivalence_p=number["equivalence_p"] if has_margin else None,
        detectable_decrease_percent=number["detectable_decrease_percent"],
        power=POWER,
    )


PLAUSIBLE_RUN_TO_RUN_PERCENT = 5.0
"""Run-to-run standard deviation a milling trial may well have (common practice, no source)."""


def by_measurement(
    response: Response,
    context: EffectContext,
    families: Sequence[str],
    *,
    declared_percent: float,
) -> QuantityComparison:
    """Compare single runs by their joint measurement covariance and a declared repeatability."""
    by, level = context.plan.by, context.level
    frame, joint = response.frame, response.covariance
    found = [
        level_contrasts(
            frame, joint, by=by, family=family, declared_percent=declared_percent, level=level
        )
        for family in families
    ]
    rows = [effect_rows(family, one, context) for family, one in zip(families, found, strict=True)]
    basis = f"a declared run-to-run standard deviation of {declared_percent:g} %"
    if not declared_percent:
        rows = [qualify(own, one) for own, one in zip(rows, found, strict=True)]
        basis = "nothing for run-to-run variation, which one run a level cannot show"
    means = level_means(frame, joint, by=by, declared_percent=declared_percent, level=level)
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.MEASUREMENT_ONLY,
        model=f"ln {response.quantity} of single runs compared by the joint covariance of the "
        f"measurement, with {basis}.",
        tests=(_chi_square(by, found[0].estimate, found[0].covariance),),
        effects=pd.concat(rows, ignore_index=True),
        means=as_sizes(means),
        fit=None,
        notes=response.remarks,
    )


def level_contrasts(
    frame: pd.DataFrame,
    covariance: NDArray[np.float64],
    *,
    by: str,
    family: str,
    declared_percent: float,
    level: float,
) -> ContrastResult:
    """Contrasts of single runs by their joint measurement covariance.

    Shapes: covariance (n, n).
    """
    ordered = frame.sort_values(by)
    order = ordered.index.to_numpy()
    joint = covariance[np.ix_(order, order)] + np.eye(len(order)) * (declared_percent / 100) ** 2
    wanted = contrast_matrix([level_text(value) for value in ordered[by]], family)
    return contrast_table(
        wanted.weights,
        ordered["ln_value"].to_numpy(),
        joint,
        np.inf,
        labels=wanted.labels,
        high=wanted.high,
        low=wanted.low,
        kind=wanted.kind,
        level=level,
    )


def level_means(
    frame: pd.DataFrame,
    covariance: NDArray[np.float64],
    *,
    by: str,
    declared_percent: float,
    level: float,
) -> pd.DataFrame:
    """The single run of each level with its own interval, on the log scale.

    Shapes: covariance (n, n).
    """
    error = np.sqrt(np.diag(covariance) + (declared_percent / 100) ** 2)
    half = coverage_factor(level) * error
    value = frame["ln_value"]
    means = frame[[by]].assign(estimate=value, lower=value - half, upper=value + half)
    return means.sort_values(by, ignore_index=True)


def undoing_percent(contrasts: ContrastResult) -> NDArray[np.float64]:
    """Run-to-run SD at which each interval would just reach "no change", per cent.

    Shapes: gives (m,).

    Notes
    -----
    Solves ``|estimate| = c sqrt(v + 2 s²)`` for s, with the family's critical value c.
    """
    critical = (contrasts.upper - contrasts.estimate) / contrasts.standard_error
    room = (contrasts.estimate / critical) ** 2 - contrasts.standard_error**2
    return np.asarray(100.0 * np.sqrt(np.maximum(room, 0.0) / 2.0), dtype=np.float64)


def qualify(effects: pd.DataFrame, contrasts: ContrastResult) -> pd.DataFrame:
    """Qualify verdicts that rest on the measurement alone, with no declared repeatability."""
    pairs = zip(contrasts.high, contrasts.low, strict=True)
    limits = dict(zip(pairs, undoing_percent(contrasts), strict=True))
    out = effects.assign(
        undone_by_run_to_run_percent=[
            limits.get(pair, np.nan) for pair in zip(effects["high"], effects["low"], strict=True)
        ]
    )
    for index, row in out.iterrows():
        verdict, sentence = _reworded(row)
        out.loc[index, ["verdict", "sentence"]] = [verdict, sentence]
    return out


def _reworded(row: pd.Series) -> tuple[str, str]:
    verdict, sentence = str(row["verdict"]), str(row["sentence"]).rstrip(".")
    limit = float(row["undone_by_run_to_run_percent"])
    unknown = "run-to-run variation was not estimated (one run at each level)"
    if verdict == "changed" and limit < PLAUSIBLE_RUN_TO_RUN_PERCENT:
        subject, _, effect = sentence.partition(": changed, ")
        return (
            "cannot be told",
            f"{subject}: cannot be told, because {unknown} and a run-to-run standard deviation of "
            f"{limit:.2g} % would undo it; the two samples differ by more than the measurement, "
            f"{effect}.",
        )
    if verdict == "changed":
        return verdict, (
            f"{sentence}; {unknown}; it would take a run-to-run standard deviation of "
            f"{limit:.2g} % to undo this."
        )
    return verdict, f"{sentence}; {unknown}."


def _chi_square(
    term: str, estimate: NDArray[np.float64], covariance: NDArray[np.float64]
) -> OverallTest:
    from scipy.special import chdtrc

    rank = int(np.linalg.matrix_rank(covariance))
    statistic = float(estimate @ np.linalg.pinv(covariance) @ estimate)
    return OverallTest(
        term=term,
        f=statistic / rank,
        df_num=float(rank),
        df_den=float("inf"),
        p=float(chdtrc(rank, statistic)),
    )
