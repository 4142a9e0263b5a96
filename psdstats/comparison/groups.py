"""Whether the groups of a trial agree, read from its analysis, and their precision (ISO 5725-2).

Sizes are compared as ln D, so differences are ratios, each group against the plain mean of the
others (two groups: the first against the second); `benches` has the statistics.  A condition is a
level of the factor compared at levels of the further factors.  What groups share in measuring (a
sieve, a tare, a balance) cancels as far as it is shared, by the known covariance of the analysis.

A score compares a difference with its own uncertainty: zeta with the standard uncertainty, E_n with
the expanded one (ISO 13528, from memory).  The usual formulas take the two results as independent;
here the covariance is in the uncertainty, and so is the scatter between runs.

Repeatability, between-group and reproducibility SD are those of each milling time.  Values are
sizes in µm (or any positive quantity) and are taken as natural logarithms unless the raw scale is
asked for: then s_r, s_L and s_R are SDs of ln D, 100 s is close to a relative SD in
per cent, and a difference of ln D is a ratio of sizes.  Unequal numbers of results and groups with
a single result are allowed.  Outliers are neither sought nor removed here (`consistency`).

The within-group variance has the exact chi-square interval.  The others are modified large-sample
intervals on the between-group and within-group mean squares: A. Ting, R. K. Burdick,
F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu, "Confidence intervals on linear combinations of
variance components that are unrestricted in sign" (1990) for a difference, and F. A. Graybill and
C.-M. Wang, "Confidence intervals on nonnegative linear combinations of variances" (1980) for a sum
(formulas from memory; the tests hold them against the F test and against simulated coverage).
Unequal numbers of results enter through the unweighted mean square of the group means and the
harmonic mean number; the intervals then hold their coverage only nearly (94 to 98 % for a nominal
95 % with 6 groups of 1 to 6 results, 3,000 simulated trials).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from psdstats.columns import GROUP, RUN, TIME
from psdstats.comparison.analysis import Analysis, Spread, analyse
from psdstats.comparison.answers import differs
from psdstats.comparison.benches import GroupRemark, compare_groups, untold_group
from psdstats.comparison.plan import plan_comparison
from psdstats.errors import ModelError
from psdstats.findings import BenchAnswer, Finding, Numbers, Rule, Verdict
from psdstats.frozen import Array
from psdstats.limits import LEVEL, MARGIN_PERCENT
from psdstats.models.design_columns import need_columns
from psdstats.present import Shown
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation

_COVERAGE_FACTOR = 2.0  # of the expanded uncertainty in E_n
_WARNING, _ACTION = 2.0, 3.0  # of |zeta|, common use of ISO 13528 (from memory)


def zeta(numbers: Numbers) -> float:
    """A difference over its standard uncertainty."""
    return numbers.estimate / numbers.u if numbers.u > 0 else math.nan


def signal(score: float) -> str:
    """What |zeta| from 2 and from 3 is called (ISO 13528, from memory).

    Examples
    --------
    >>> signal(-3.2)
    'action signal'
    """
    size = abs(score)
    if size >= _ACTION:
        return "action signal"
    return "warning signal" if size >= _WARNING else ""


def overall(answer: BenchAnswer) -> Verdict:
    """One word for a group: a difference anywhere, else agreement at every condition."""
    if differs(answer):
        return Verdict.CHANGED
    for verdict in (Verdict.EQUIVALENT, Verdict.CANNOT_BE_TOLD):
        if all(one.verdict is verdict for one in answer.at):
            return verdict
    return Verdict.NOT_SHOWN


@dataclass(frozen=True, kw_only=True, repr=False)
class GroupAgreement(Shown):
    """Agreement of all groups in one quantity.

    Parameters
    ----------
    quantity : str
        What was compared.
    conditions : tuple of str
        Columns that define a condition.
    answers : tuple of BenchAnswer
        One a group, in the order of the study; one in all for two groups.
    by_condition : DataFrame
        Condition columns, group column, difference_percent with the limits of its joint interval,
        u_percent, p_adjusted, verdict, zeta, e_n, finding (the signal of zeta).
    spread : Spread
        Standard deviations between runs, cells, groups and of their drift.
    level : float
        Confidence level, joint over the groups (and conditions) of a question.
    margin_percent : float or None
        Difference that is too small to matter.
    set_aside : tuple of str
        Runs of cells with a size that is not bracketed.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.group_agreement(study)
    >>> print(found.summary().split(":")[0])
    Alder differs from the other groups
    """

    quantity: str
    conditions: tuple[str, ...]
    answers: tuple[BenchAnswer, ...]
    by_condition: pd.DataFrame
    spread: Spread
    level: float
    margin_percent: float | None
    set_aside: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a group: verdict, where it differs, and its average and rate.

        Columns: group, quantity, verdict, differs_at (number of conditions); for the average,
        without prefix, and for the rate, with ``rate_``: ratio, ratio_lower, ratio_upper,
        difference_percent, lower_percent, upper_percent, u_percent, df, p, p_adjusted.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("four_benches"))
        >>> found = psdstats.comparison.group_agreement(study)
        >>> found.to_frame()[["group", "difference_percent", "verdict"]].round(1)
           group  difference_percent    verdict
        0  Alder                 2.8    changed
        1  Birch                -0.1  not shown
        2  Cedar                -2.8  not shown
        3  Rowan                 0.2  not shown
        """
        return pd.DataFrame(
            [
                {
                    "group": one.group,
                    "quantity": self.quantity,
                    "verdict": overall(one).value,
                    "differs_at": sum(at.verdict is Verdict.CHANGED for at in one.at),
                    **_columns(one.average),
                    **{f"rate_{name}": value for name, value in _columns(one.rate).items()},
                }
                for one in self.answers
            ]
        )


def _columns(finding: Finding | None) -> dict[str, float]:
    numbers = Numbers() if finding is None else finding.numbers
    ends = np.array([numbers.estimate, numbers.lower, numbers.upper])
    names = ("ratio", "ratio_lower", "ratio_upper")
    percents = ("difference_percent", "lower_percent", "upper_percent")
    return {
        **dict(zip(names, np.exp(ends).tolist(), strict=True)),
        **dict(zip(percents, (100 * np.expm1(ends)).tolist(), strict=True)),
        "u_percent": 100 * numbers.u,
        "df": numbers.df,
        "p": numbers.p,
        "p_adjusted": numbers.p_adjusted,
    }


def group_agreement(
    study: Study,
    propagation: Propagation | None = None,
    *,
    quantity: str = "D50",
    at_each: Sequence[str] | str | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
    analysis: Analysis | None = None,
) -> GroupAgreement:
    """Compare every group with the mean of the others: at each condition, in rate, on average.

    Parameters
    ----------
    study : Study
        The study.
    propagation : Propagation, optional
        A joint result of this study made with `measurement_sources`; its sources and rule count
        then.
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        What is compared.
    at_each : str or sequence of str, optional
        Further factors that make a condition beside milling time; by default all that are crossed
        with it.
    margin_percent : float or None, default=None
        Difference that is too small to matter, per cent; None where none was stated.
    level : float, default=0.95
        Confidence level, joint over the groups (and conditions) of a question.
    analysis : Analysis, optional
        That of the study, where it was made.

    Returns
    -------
    GroupAgreement
        What a comparison of the trial says of its groups, and the differences at every condition.

    Raises
    ------
    ModelError
        If a column is missing, or the runs of study and propagation differ.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.group_agreement(study)
    >>> found.conditions, len(found.by_condition)
    (('milling_time_min', 'ball_ratio'), 40)
    """
    LEVEL.require("level", level, ModelError)
    if margin_percent is not None:
        MARGIN_PERCENT.require("margin_percent", margin_percent, ModelError)
    runs = study.runs_frame()
    if propagation is not None and tuple(runs[RUN]) != propagation.runs:
        raise ModelError("The propagation does not hold the runs of this study; propagate it anew.")
    names = tuple(map(str, dict.fromkeys(runs[GROUP])))
    columns: tuple[str, ...] = (TIME,)
    spread, set_aside, rows = Spread(), tuple[str, ...](), list[dict[str, object]]()
    rule = Rule(level=level, margin_percent=margin_percent)
    alone = GroupRemark.ALONE(columns=columns)
    answers: tuple[BenchAnswer, ...] = (untold_group(names[0], quantity, alone, rule),)
    if len(names) > 1:
        if analysis is None:
            plan = plan_comparison(study, at_each=at_each, margin_percent=margin_percent)
            analysis = analyse(
                study, plan, quantities=[quantity], level=level, propagation=propagation
            )
        one = analysis[quantity]
        spread, set_aside = one.spread, one.response.set_aside
        columns, answers, found = compare_groups(one, rule)
        rows = [_of_condition(place, finding) for place, finding in found]
    return GroupAgreement(
        quantity=quantity,
        conditions=columns,
        answers=answers,
        # without a row the columns still say what a condition was
        by_condition=pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*columns, GROUP]),
        spread=spread,
        set_aside=set_aside,
        **rule,
    )


def _of_condition(place: Mapping[str, object], finding: Finding) -> dict[str, object]:
    """One row a difference at a condition."""
    own, score = _columns(finding), zeta(finding.numbers)
    names = ("difference_percent", "lower_percent", "upper_percent", "u_percent", "p_adjusted")
    return {
        **place,
        GROUP: finding.subject.high,
        **{name: own[name] for name in names},
        "verdict": finding.verdict.value,
        "zeta": score,
        "e_n": score / _COVERAGE_FACTOR,
        "finding": signal(score),
    }


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it."""
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on=RUN)


class Scale(StrEnum):
    """Scale on which SDs and differences are computed."""

    LOG = "log"
    RAW = "raw"


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelCells:
    """All results at one level.

    Parameters
    ----------
    level : dict of str to object
        Column and value of each level column; empty where there is only one level.
    groups : tuple of str
        Groups with at least one result, in order of first appearance.
    count : ndarray, shape (n_groups,)
        Number of results of each group.
    mean, sd : ndarray, shape (n_groups,)
        Mean and SD of each group on the scale used; the SD of a single result is NaN.
    left_out : int
        Results that were not numbers (sizes the sieves do not bracket) and were left out.
    """

    level: dict[str, object]
    groups: tuple[str, ...]
    count: NDArray[np.int64]
    mean: Array
    sd: Array
    left_out: int

    @property
    def df(self) -> NDArray[np.int64]:
        """Degrees of freedom within each group."""
        return self.count - 1

    @property
    def within_sum_of_squares(self) -> float:
        """Sum of squares within groups."""
        return float(np.nansum(self.df * np.nan_to_num(self.sd) ** 2))


def cells_at_levels(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None,
    scale: Scale | str,
) -> list[LevelCells]:
    """Sort a tidy frame into cells, one record a level."""
    scale = Scale(scale)
    levels = [level] if isinstance(level, str) else list(level or ())
    need_columns(frame, (value, group, *levels))
    numbers = frame[value].astype(float)
    bad = frame.index[numbers.notna() & ((numbers <= 0) | np.isinf(numbers))].tolist()
    if scale is Scale.LOG and bad:
        raise ModelError(
            f"Column {value!r}, row {bad[0]!r} holds {float(numbers[bad[0]])!r}, which has no "
            "logarithm; correct it or use scale='raw'."
        )
    work = frame[[*levels, group]].assign(_y=np.log(numbers) if scale is Scale.LOG else numbers)
    if not work["_y"].notna().any():
        raise ModelError(f"Column {value!r} holds no number at all; nothing can be compared.")
    parts: Iterable[tuple[Any, pd.DataFrame]] = [((), work)]
    if levels:
        parts = work.groupby(levels, sort=True, observed=True)
    found = []
    for key, part in parts:
        known = part[part["_y"].notna()]
        by_group = known.groupby(group, sort=False, observed=True)["_y"]
        if len(known):
            found.append(
                LevelCells(
                    level=dict(zip(levels, key, strict=True)),
                    groups=tuple(str(name) for name in by_group.size().index),
                    count=np.asarray(by_group.size(), dtype=np.int64),
                    mean=np.asarray(by_group.mean(), dtype=np.float64),
                    sd=np.asarray(by_group.std(ddof=1), dtype=np.float64),
                    left_out=len(part) - len(known),
                )
            )
    return found


def interval_within(mean_square: float, df: float, *, coverage: float) -> tuple[float, float]:
    """Exact interval of a variance from its mean square.

    Examples
    --------
    >>> lower, upper = interval_within(4.0, 10, coverage=0.95)
    >>> round(lower, 3), round(upper, 3)
    (1.953, 12.319)
    """
    tail = (1 - coverage) / 2
    return (
        mean_square * df / float(special.chdtri(df, tail)),
        mean_square * df / float(special.chdtri(df, 1 - tail)),
    )


def _one_sided(df: float, tail: float) -> tuple[float, float]:
    """Relative distances of the two limits of a variance from its mean square."""
    lower, upper = interval_within(1.0, df, coverage=1 - 2 * tail)
    return 1 - lower, upper - 1


def interval_between(
    between: float, df_between: float, within: float, df_within: float, n: float, *, coverage: float
) -> tuple[float, float]:
    """Interval of the between-group variance (between - within) / n.

    Notes
    -----
    The uncut lower limit is zero exactly where the F test of no difference between groups reaches
    its one-sided significance (1 - coverage)/2.
    """
    tail = (1 - coverage) / 2
    g_1, h_1 = _one_sided(df_between, tail)
    g_2, h_2 = _one_sided(df_within, tail)
    f_high = float(special.fdtri(df_between, df_within, 1 - tail))
    f_low = float(special.fdtri(df_between, df_within, tail))
    g_12 = ((f_high - 1) ** 2 - g_1**2 * f_high**2 - h_2**2) / f_high
    h_12 = ((1 - f_low) ** 2 - h_1**2 * f_low**2 - g_2**2) / f_low
    down = g_1**2 * between**2 + h_2**2 * within**2 + g_12 * between * within
    up = h_1**2 * between**2 + g_2**2 * within**2 + h_12 * between * within
    difference = between - within
    lower = (difference - math.sqrt(max(down, 0.0))) / n
    upper = (difference + math.sqrt(max(up, 0.0))) / n
    return max(lower, 0.0), max(upper, 0.0)


def interval_total(
    between: float, df_between: float, within: float, df_within: float, n: float, *, coverage: float
) -> tuple[float, float]:
    """Interval of the variance of a single result, between/n + (1 - 1/n) within."""
    tail = (1 - coverage) / 2
    g_1, h_1 = _one_sided(df_between, tail)
    g_2, h_2 = _one_sided(df_within, tail)
    part_1 = between / n
    part_2 = (1 - 1 / n) * within
    total = part_1 + part_2
    return (
        total - math.hypot(g_1 * part_1, g_2 * part_2),
        total + math.hypot(h_1 * part_1, h_2 * part_2),
    )


_LIMIT = 2.8  # repeatability and reproducibility limit in SDs, ISO 5725-6 (from memory): 1.96 √2


class Told(StrEnum):
    """What the results of one level tell of precision."""

    ALL = "estimated"
    GROUPS_ALIKE = "estimated, groups alike"  # no farther apart than their repeatability explains
    ONE_GROUP = "only one group"
    ONE_RESULT = "a single result"
    NO_REPLICATE = "no replicates"


@dataclass(frozen=True, kw_only=True)
class Precision:
    """Precision at every level.

    Parameters
    ----------
    table : DataFrame
        One row a level: level columns, groups, results, left_out (results that are not numbers),
        mean (geometric on the log scale), then repeatability, between and reproducibility: _sd with
        _sd_lower and _sd_upper, and on the log scale _percent (100 s); repeatability_limit,
        reproducibility_limit, df_within, and in status a `Told`.  NaN where it cannot be told.
    scale : Scale
        Scale of every SD.
    coverage : float
        Coverage probability of the intervals.
    """

    table: pd.DataFrame
    scale: Scale
    coverage: float

    def to_frame(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()


def group_precision(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None = None,
    scale: Scale | str = Scale.LOG,
    coverage: float = 0.95,
) -> Precision:
    """Repeatability, between-group and reproducibility SD per level.

    Parameters
    ----------
    frame : DataFrame
        One row a result; rows whose value is NaN are left out and counted.
    value, group : str
        Column of the results; column of the groups.
    level : str, sequence of str or None, default=None
        Column or columns that define a level, such as "milling_time_min".
    scale : {"log", "raw"}, default="log"
        Whether SDs are those of ln(value) or of the value.
    coverage : float, default=0.95
        Coverage probability of the intervals.

    Returns
    -------
    Precision
        Table with one row a level.

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    Notes
    -----
    ISO 5725-2, 7.4 (formulas from memory), with group means ȳ_i of n_i results and p groups:
    ``s_r² = Σ(n_i-1)s_i² / Σ(n_i-1)``, ``m = Σ n_i ȳ_i / Σ n_i``,
    ``s_d² = Σ n_i (ȳ_i - m)² / (p-1)``, ``n̄ = (Σn_i - Σn_i²/Σn_i)/(p-1)``,
    ``s_L² = max(0, (s_d² - s_r²)/n̄)``, ``s_R² = s_r² + s_L²``.
    Intervals: see the module.

    Examples
    --------
    >>> runs = pd.DataFrame({"D50": [99.0, 101, 109, 111], "bench": ["A", "A", "B", "B"]})
    >>> table = group_precision(runs, value="D50", group="bench", scale="raw").to_frame()
    >>> table[["repeatability_sd", "between_sd", "reproducibility_sd"]].round(3).to_numpy()
    array([[1.414, 7.   , 7.141]])
    """
    LEVEL.require("coverage", coverage, ModelError)
    scale = Scale(scale)
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    return Precision(
        table=pd.DataFrame([_row(one, scale, coverage) for one in cells]),
        scale=scale,
        coverage=coverage,
    )


def _row(cells: LevelCells, scale: Scale, coverage: float) -> dict[str, object]:
    centre = float(np.sum(cells.count * cells.mean) / np.sum(cells.count))
    row = {
        **cells.level,
        "groups": len(cells.groups),
        "results": int(cells.count.sum()),
        "left_out": cells.left_out,
        "mean": math.exp(centre) if scale is Scale.LOG else centre,
    }
    found = _components(cells, coverage)
    for name, (variance, limits) in found.items():
        sd, lower, upper = map(math.sqrt, (variance, *limits))
        row |= {f"{name}_sd": sd, f"{name}_sd_lower": lower, f"{name}_sd_upper": upper}
        if scale is Scale.LOG:
            row[f"{name}_percent"] = 100 * sd
    replicated, several = bool(cells.df.sum()), len(cells.groups) > 1
    told = Told.GROUPS_ALIKE if found["between"][0] == 0.0 else Told.ALL
    if not replicated:
        told = Told.NO_REPLICATE if several else Told.ONE_RESULT
    elif not several:
        told = Told.ONE_GROUP
    return row | {
        "repeatability_limit": _LIMIT * math.sqrt(found["repeatability"][0]),
        "reproducibility_limit": _LIMIT * math.sqrt(found["reproducibility"][0]),
        "df_within": int(cells.df.sum()),
        "status": told,
    }


def _components(cells: LevelCells, coverage: float) -> dict[str, tuple[float, tuple[float, float]]]:
    """Variance within groups, between them and of a single result, each with its interval.

    NaN where the design does not tell.
    """
    n = cells.count.astype(float)
    groups, df = len(n), int(cells.df.sum())
    unknown = (math.nan, (math.nan, math.nan))
    found = dict.fromkeys(("repeatability", "between", "reproducibility"), unknown)
    spread = float(np.var(cells.mean, ddof=1)) if groups > 1 else math.nan
    if not df:
        if groups > 1:
            limits = interval_within(spread, groups - 1, coverage=coverage)
            found["reproducibility"] = (spread, limits)
        return found
    within = cells.within_sum_of_squares / df
    found["repeatability"] = (within, interval_within(within, df, coverage=coverage))
    if groups > 1:
        centre = np.sum(n * cells.mean) / n.sum()
        square = float(np.sum(n * (cells.mean - centre) ** 2)) / (groups - 1)
        number = float(n.sum() - np.sum(n**2) / n.sum()) / (groups - 1)
        between = max(0.0, (square - within) / number)
        harmonic = groups / float(np.sum(1 / n))
        parts = (harmonic * spread, groups - 1, within, df, harmonic)
        found["between"] = (between, interval_between(*parts, coverage=coverage))
        found["reproducibility"] = (within + between, interval_total(*parts, coverage=coverage))
    return found
