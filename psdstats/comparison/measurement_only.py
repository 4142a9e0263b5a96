"""One run per level: what the measurement alone can say, and what it cannot.

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

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.effects import EffectContext, effect_rows
from psdstats.comparison.response import Response
from psdstats.comparison.result import OverallTest, QuantityComparison, Route, as_sizes
from psdstats.models import ContrastResult, contrast_table
from psdstats.models.contrast_matrices import contrast_matrix
from psdstats.models.design_columns import level_text
from psdstats.uncertainty import coverage_factor

__all__ = [
    "PLAUSIBLE_RUN_TO_RUN_PERCENT",
    "by_measurement",
    "level_contrasts",
    "level_means",
    "qualify",
    "undoing_percent",
]

PLAUSIBLE_RUN_TO_RUN_PERCENT = 5.0
"""Run-to-run standard deviation a milling trial may well have (common practice, no source)."""


def by_measurement(
    response: Response,
    context: EffectContext,
    families: Sequence[str],
    *,
    declared_percent: float,
) -> QuantityComparison:
    """Compare single runs by their joint measurement covariance and a declared repeatability.

    Parameters
    ----------
    response : Response
        One run a level, with its covariance.
    context : EffectContext
        What is compared with what, and how verdicts are worded.
    families : sequence of str
        Families of contrasts, one at least; the overall test is made from the first.
    declared_percent : float
        Declared run-to-run standard deviation of a size, per cent; 0 for none.

    Returns
    -------
    QuantityComparison
    """
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

    Parameters
    ----------
    frame : DataFrame, n rows
        One run a level, with the column ``ln_value``.
    covariance : ndarray, shape (n, n)
        Known covariance of ``ln_value``.
    by : str
        The factor.
    family : str
        Family of contrasts.
    declared_percent : float
        Declared run-to-run standard deviation of a size, per cent; 0 for none.
    level : float
        Confidence level over the family.

    Returns
    -------
    ContrastResult
        With infinite degrees of freedom: the covariance is taken as known.
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

    Parameters
    ----------
    frame : DataFrame, n rows
        One run a level, with the column ``ln_value``.
    covariance : ndarray, shape (n, n)
        Known covariance of ``ln_value``.
    by : str
        The factor.
    declared_percent : float
        Declared run-to-run standard deviation of a size, per cent; 0 for none.
    level : float
        Confidence level of each interval by itself.

    Returns
    -------
    DataFrame
        Columns of ``by``, estimate, lower, upper.
    """
    error = np.sqrt(np.diag(covariance) + (declared_percent / 100) ** 2)
    half = coverage_factor(level) * error
    value = frame["ln_value"]
    means = frame[[by]].assign(estimate=value, lower=value - half, upper=value + half)
    return means.sort_values(by, ignore_index=True)


def undoing_percent(contrasts: ContrastResult) -> NDArray[np.float64]:
    """Run-to-run SD at which each interval would just reach "no change", per cent.

    Parameters
    ----------
    contrasts : ContrastResult
        From `level_contrasts`.

    Returns
    -------
    ndarray, shape (m,)
        Zero where the interval holds "no change" already.

    Notes
    -----
    Solves ``|estimate| = c sqrt(v + 2 s²)`` for s, with the family's critical value c.
    """
    critical = (contrasts.upper - contrasts.estimate) / contrasts.standard_error
    room = (contrasts.estimate / critical) ** 2 - contrasts.standard_error**2
    return np.asarray(100.0 * np.sqrt(np.maximum(room, 0.0) / 2.0), dtype=np.float64)


def qualify(effects: pd.DataFrame, contrasts: ContrastResult) -> pd.DataFrame:
    """Qualify verdicts that rest on the measurement alone, with no declared repeatability.

    Parameters
    ----------
    effects : DataFrame
        Rows of `effect_rows`.
    contrasts : ContrastResult
        The contrasts they were made from.

    Returns
    -------
    DataFrame
        With the column ``undone_by_run_to_run_percent`` and reworded sentences.
    """
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
