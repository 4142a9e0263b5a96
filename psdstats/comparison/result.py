"""What enters a comparison, and what it found: findings, tests, means and remarks, as records.

Effects are differences of ln size until the last table, where they are ratios.

Mean size at each condition of a trial, with an interval for comparing it with others.

The interval of a mean holds what all conditions share, such as the apertures of the sieves, and so
says little about differences.  Quasi-variances take the place of the joint covariance: two of them
add up to the squared interval of the difference of their means, so that each mean can carry a bar
of its own.  They are asked of the levels of further factors at one time, where there are several,
else of the times: differences of both kinds cannot be had from one set where blocks drift.

Source: D. Firth and R. X. de Menezes, Biometrika 91 (2004) 65 (quasi-variances; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from math import nan

import numpy as np
import pandas as pd

from psdstats.columns import RUN, TIME
from psdstats.comparison.analysis import Analysis
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.response import cell_texts
from psdstats.findings import (
    BalanceAnswer,
    BenchAnswer,
    Course,
    FactorAnswer,
    Finding,
    Numbers,
    Remark,
)
from psdstats.frozen import Array
from psdstats.models.contrasts import ratio_columns
from psdstats.models.design_columns import level_text
from psdstats.models.diagnostics import Influence
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.verdicts import VerdictRemark
from psdstats.present import Shown
from psdstats.student import critical_t


class Route(StrEnum):
    """What the comparison of one quantity rests on."""

    MIXED_MODEL = "mixed model"
    EACH_CONTRAST = "each contrast"
    SINGLE_RUNS = "single runs"
    MEASUREMENT_ONLY = "measurement only"
    NONE = "none"


@dataclass(frozen=True, kw_only=True)
class OverallTest:
    """Test that the factor changes nothing at all.

    Parameters
    ----------
    term : tuple of str
        The factor, or two factors for their interaction.
    f : float
        F; chi-square over its degrees of freedom where ``df_den`` is infinite.
    df_num, df_den : float
        Degrees of freedom; ``df_den`` is infinite by the measurement alone.
    p : float
        By the route that judges the contrasts.
    p_plain : float
        Upper tail of F (Kenward–Roger in a mixed model).
    """

    term: tuple[str, ...]
    f: float
    df_num: float
    df_den: float
    p: float
    p_plain: float = nan


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class QuantityComparison(Shown):
    """One quantity compared.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    route : Route
        What it rests on.
    basis : Remark
        The same with its data; what was fitted is in ``fit``.
    tests : tuple of OverallTest
        Of the factor, and of its interaction where one was fitted.
    findings : tuple of Finding
        One a contrast, family by family.
    means : DataFrame
        One row a level of the factor (within each level of ``at_each``): columns of the factors,
        then value, lower, upper: size in µm (span without unit) with its own interval.
    fit : MixedModelFit or None
        The fitted model; None for the other routes.
    remarks : tuple of Remark
        Runs set aside, variances at zero, and what else a reader must know.
    influence : Influence or None
        What single groups do, where the answer hangs on one of them or on their number.
    courses : tuple of Course
        What the size did over milling time and when to stop, one a level of the further factors.
    factors : tuple of FactorAnswer
        What the further factors do at each time.
    benches : tuple of BenchAnswer
        How each group compares with the others.
    balance : BalanceAnswer or None
        Whether the balance is good enough for the headline.
    advice : tuple of Remark
        What to do next.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> found = psdstats.compare(study, quantities=["D50"])
    >>> found["D50"].route
    <Route.SINGLE_RUNS: 'single runs'>
    """

    quantity: str
    route: Route
    basis: Remark
    tests: tuple[OverallTest, ...]
    findings: tuple[Finding, ...]
    means: pd.DataFrame
    fit: MixedModelFit | None = None
    remarks: tuple[Remark, ...] = ()
    influence: Influence | None = None
    courses: tuple[Course, ...] = ()
    factors: tuple[FactorAnswer, ...] = ()
    benches: tuple[BenchAnswer, ...] = ()
    balance: BalanceAnswer | None = None
    advice: tuple[Remark, ...] = ()

    def to_frame(self, family: str | None = None) -> pd.DataFrame:
        """One row a contrast, ready to be read.

        Parameters
        ----------
        family : str, optional
            Keep one family only: "against first", "successive" or "all pairs"; one not asked for
            has no rows.

        Returns
        -------
        DataFrame
            family, contrast, high, low, where, ratio with simultaneous and single limits, change
            in per cent, u, df, p, p_adjusted, detectable_decrease_percent with its range,
            equivalence_p with the interval of that test, verdict; undone_by_run_to_run_percent
            where run-to-run variation was neither estimated nor declared.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> found = psdstats.compare(study, quantities=["D50"])
        >>> found["D50"].to_frame("successive")["contrast"].tolist()
        ['6 - 0', '12 - 6', '24 - 12', '48 - 24']
        """
        own = [one for one in self.findings if family in (None, one.subject.family)]
        return _effects(own)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Comparison(Shown):
    """A factor compared over all quantities asked for.

    The contrasts lead: they say which levels differ and by how much, and each family holds its
    level by itself.  The test of all levels at once stands beside them; the summary says in one
    sentence why both are right where they part.

    Parameters
    ----------
    plan : ComparisonPlan
        What was compared with what.
    level : float
        Confidence level of the intervals; family-wise over the contrasts of a family.
    across_quantities : bool
        Whether the level also holds over the quantities together (Bonferroni).
    results : tuple of QuantityComparison
        One a quantity.
    analysis : Analysis
        What it was read from.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> found = psdstats.compare(study, quantities=["D50"])
    >>> found["D50"].courses[0].since
    '12'
    """

    plan: ComparisonPlan
    level: float
    across_quantities: bool
    results: tuple[QuantityComparison, ...]
    analysis: Analysis

    def __getitem__(self, quantity: str) -> QuantityComparison:
        for result in self.results:
            if result.quantity == quantity:
                return result
        known = ", ".join(result.quantity for result in self.results)
        raise KeyError(f"{quantity!r} was not compared; choose one of {known}.")

    @property
    def families(self) -> tuple[str, ...]:
        """Names of the families of contrasts, in their order."""
        found = (one.subject.family.value for result in self.results for one in result.findings)
        return tuple(dict.fromkeys(found))

    def to_frame(self, family: str | None = None) -> pd.DataFrame:
        """All effects of all quantities, one row a contrast.

        Parameters
        ----------
        family : str, optional
            Keep one family only: "against first", "successive" or "all pairs".

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> found = psdstats.compare(study, quantities=["D50"])
        >>> found.to_frame("against first")[["contrast", "ratio", "verdict"]].round(2)
          contrast  ratio    verdict
        0    6 - 0   0.90  not shown
        1   12 - 0   0.79    changed
        2   24 - 0   0.69    changed
        3   48 - 0   0.53    changed
        """
        frames = [
            result.to_frame().assign(quantity=result.quantity, route=result.route.value)
            for result in self.results
        ]
        whole = pd.concat(frames, ignore_index=True)
        front = ["quantity", "family", "contrast"]
        whole = whole[front + [name for name in whole.columns if name not in front]]
        return whole if family is None else whole[whole["family"] == family].reset_index(drop=True)

    def means_frame(self) -> pd.DataFrame:
        """Sizes at each level, every quantity: quantity, factor columns, value, lower, upper.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> found = psdstats.compare(study, quantities=["D50"])
        >>> found.means_frame().head(2).round(0)
          quantity milling_time_min  value  lower  upper
        0      D50                0  247.0  233.0  262.0
        1      D50                6  224.0  211.0  237.0
        """
        frames = [result.means.assign(quantity=result.quantity) for result in self.results]
        whole = pd.concat(frames, ignore_index=True)
        return whole[["quantity", *(name for name in whole.columns if name != "quantity")]]

    def tests_frame(self) -> pd.DataFrame:
        """One row a test: quantity, term, f, df_num, df_den, p, p_plain, route.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> found = psdstats.compare(study, quantities=["D50"])
        >>> found.tests_frame()[["quantity", "term", "df_num", "route"]]
          quantity              term  df_num        route
        0      D50  milling_time_min       4  single runs
        """
        numbers = ["f", "df_num", "df_den", "p", "p_plain"]
        rows = [
            (
                one.quantity,
                " and ".join(test.term),
                *(getattr(test, n) for n in numbers),
                str(one.route),
            )
            for one in self.results
            for test in one.tests
        ]
        return pd.DataFrame(rows, columns=["quantity", "term", *numbers, "route"])

    def variance_frame(self) -> pd.DataFrame:
        """One row a variance component of each fitted model, as a relative SD in per cent.

        The SD is missing where the estimate of the variance is below zero.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> found = psdstats.compare(study, quantities=["D50"])
        >>> found.variance_frame().columns.tolist()
        ['quantity', 'component', 'variance', 'sd_percent']
        """
        rows = [
            (result.quantity, str(name), float(value))
            for result in self.results
            if result.fit is not None
            for name, value in result.fit.variance_components.items()
        ]
        table = pd.DataFrame(rows, columns=["quantity", "component", "variance"])
        variance = table["variance"].astype(float)
        return table.assign(sd_percent=100.0 * variance.where(variance >= 0.0) ** 0.5)


def _effects(findings: Sequence[Finding]) -> pd.DataFrame:
    """Findings as the last table: ratios and per cent."""
    names = [one.name for one in fields(Numbers)]
    rows = [[getattr(one.numbers, name) for name in names] for one in findings]
    table = pd.DataFrame(rows, columns=names, dtype=float)
    number = {name: table[name].to_numpy() for name in names}
    ends = ("lower", "upper", "lower_single", "upper_single")
    margins = ("equivalence_lower", "equivalence_upper")
    subjects = [one.subject for one in findings]
    frame = pd.DataFrame(
        {
            "family": [one.family.value for one in subjects],
            "contrast": [one.label for one in subjects],
            **{name: [getattr(one, name) for one in subjects] for name in ("high", "low", "where")},
            **ratio_columns(estimate=number["estimate"], **{name: number[name] for name in ends}),
            **{name: number[name] for name in names if name not in ("estimate", *ends, *margins)},
            **{f"ratio_{name}": np.exp(number[name]) for name in margins},
            "verdict": [one.verdict.value for one in findings],
        }
    )
    undone = [_undone_percent(one) for one in findings]
    if None in undone:
        return frame
    return frame.assign(undone_by_run_to_run_percent=np.array(undone, dtype=float))


def _undone_percent(finding: Finding) -> float | None:
    """Run-to-run SD that would undo it; None where run-to-run variation is in its numbers."""
    kinds = (VerdictRemark.UNDONE, VerdictRemark.RUN_TO_RUN_UNKNOWN)
    found = (one["percent"] for one in finding.reasons if one.kind in kinds)
    return next((percent for percent in found if isinstance(percent, float)), None)


Cell = tuple[str, str]
Pair = tuple[Cell, Cell]

_APART = 2.0**0.5  # bars of two equal means just touch where their difference is just shown


def condition_sizes(comparison: Comparison) -> pd.DataFrame:
    """Mean size of each condition, with its own interval and one for comparing.

    Parameters
    ----------
    comparison : Comparison
        What was compared.

    Returns
    -------
    DataFrame
        One row a quantity and condition: quantity; at and level, as text: milling time and level of
        the further factors where the comparison knows a time, else level compared and level of the
        further factors; value, lower, upper (of the mean, in µm, span without unit); side ("<" or
        ">" where the value is the bound of a mean with runs beyond the sieves, no interval);
        comparing_lower, comparing_upper: bars that do not overlap where the difference of two means
        is shown for itself, NaN where nothing was compared; shared: half width in ln size of the
        measurement's interval that the compared means have in common.

    Notes
    -----
    A condition that could not be compared has the plain mean of its runs and no interval.

    Half widths h of the bars times √2 reproduce the intervals a of differences, h_i² + h_j² =
    a_ij²/2, by least squares of logarithms; exactly for two or three levels at a time.
    """
    frames = [_sizes(comparison, one) for one in comparison.results]
    whole = pd.concat(frames, ignore_index=True)
    if comparison.plan.where == TIME:
        whole = whole.rename(columns={"at": "level", "level": "at"})
    return whole[["quantity", "at", "level", *(c for c in whole.columns if c not in _KEYS)]]


_KEYS = ("quantity", "at", "level")


def _sizes(comparison: Comparison, result: QuantityComparison) -> pd.DataFrame:
    plan, means, one = comparison.plan, result.means, comparison.analysis[result.quantity]
    response, placed = one.response, one.response.placed
    where = [""] * len(means) if plan.where is None else means[plan.where].map(level_text)
    cells: list[Cell] = list(zip(means[plan.by].map(level_text), where, strict=True))
    values = means[["value", "lower", "upper"]].to_numpy(dtype=float).tolist()
    found = dict(zip(cells, values, strict=True))
    bounds = open_sizes(comparison, result.quantity)
    # plain means of the runs of conditions that no analysis has a mean of
    of_cell = placed["ln_lower"].groupby(pd.Series(cell_texts(placed, plan), dtype=object))
    plain = {cell: v for cell, v in np.exp(of_cell.mean()).items() if 0.0 < v < np.inf}
    compared = _compared(result, {*found} - {*bounds})
    bars, shared = comparing_halves(compared), _shared(comparison, result.quantity, compared)
    levels, at_levels = list(response.levels), list(response.at_levels)
    every = dict.fromkeys((*found, *bounds, *plain))
    order = {
        cell: tuple(
            own.index(name) if name in own else 0
            for own, name in zip((levels, at_levels), cell, strict=True)
        )
        for cell in every
    }
    rows = []
    for cell in sorted(every, key=order.__getitem__):
        value, lower, upper = found.get(cell, (plain.get(cell, np.nan), np.nan, np.nan))
        side = ""
        if cell in bounds:
            lower, upper = bounds[cell]
            side = "<" if lower == 0.0 else ">" if np.isinf(upper) else ""
            value = {"<": upper, ">": lower}.get(side, np.nan)
        reach = np.exp(bars.get(cell, np.nan))
        own = (value, lower, upper, side, value / reach, value * reach, shared)
        rows.append((result.quantity, *cell, *own))
    names = ("value", "lower", "upper", "side", "comparing_lower", "comparing_upper", "shared")
    return pd.DataFrame(rows, columns=[*_KEYS, *names])


def open_sizes(comparison: Comparison, quantity: str) -> dict[Cell, tuple[float, float]]:
    """Bounds of the mean of each condition some of whose runs lie beyond the sieves.

    In µm (span without unit); 0 and inf where there is none.  A condition is the level compared and
    the level of the further factors, as text.
    """
    placed = comparison.analysis[quantity].response.placed
    ends = placed[["ln_lower", "ln_upper"]].assign(is_open=placed["ln_lower"] != placed["ln_upper"])
    by_cell = ends.groupby(pd.Series(cell_texts(placed, comparison.plan)))
    return {
        cell: (float(np.exp(own["ln_lower"].mean())), float(np.exp(own["ln_upper"].mean())))
        for cell, own in by_cell
        if own["is_open"].any()
    }


def _compared(result: QuantityComparison, known: set[Cell]) -> dict[Pair, float]:
    """Half width of the interval of each difference that bars are asked to reproduce."""
    found: dict[Pair, float] = {}
    for one in (one for answer in result.factors for one in (answer.control, *answer.at)):
        own = one.subject
        found[(own.where, own.high), (own.where, own.low)] = _half(one)
    for one in () if found else result.findings:
        own = one.subject
        if own.low:
            found[(own.high, own.where), (own.low, own.where)] = _half(one)
    return {
        pair: half
        for pair, half in found.items()
        if np.isfinite(half) and half > 0.0 and set(pair) <= known
    }


def _half(finding: Finding) -> float:
    return float(finding.numbers.upper_single - finding.numbers.estimate)


def comparing_halves(compared: Mapping[Pair, float]) -> dict[Cell, float]:
    """Half width of the bar of each condition from those of the differences.

    Examples
    --------
    >>> a, b = ("48", "5"), ("48", "10")
    >>> {cell: round(half, 3) for cell, half in comparing_halves({(a, b): 0.04}).items()}
    {('48', '5'): 0.02, ('48', '10'): 0.02}
    """
    from scipy.optimize import least_squares

    cells = list(dict.fromkeys(cell for pair in compared for cell in pair))
    if not cells:
        return {}
    both = np.zeros((len(compared), len(cells)))
    for row, pair in enumerate(compared):
        both[row, [cells.index(cell) for cell in pair]] = 1.0
    wanted = np.array(list(compared.values())) ** 2

    def misfit(logs: Array) -> Array:
        return np.asarray(np.log(both @ np.exp(logs) / wanted))

    def slope(logs: Array) -> Array:
        parts = both * np.exp(logs)
        return np.asarray(parts / parts.sum(axis=1, keepdims=True))

    start = np.full(len(cells), np.log(wanted.mean() / 2.0))
    fitted = least_squares(misfit, start, jac=slope).x
    halves = np.exp(fitted / 2.0) / _APART
    return dict(zip(cells, halves.tolist(), strict=True))


def _shared(comparison: Comparison, quantity: str, pairs: Iterable[Pair]) -> float:
    """Half width of what the measurement gives both means of a pair alike, on average, ln size."""
    pairs = list(pairs)
    if not pairs or comparison.plan.in_hand:
        return float("nan")
    frame = comparison.analysis[quantity].frame
    joint = comparison.analysis.measured().covariance(quantity, log=True)
    both = joint.loc[frame[RUN], frame[RUN]].to_numpy()
    places = pd.Series(cell_texts(frame, comparison.plan))
    at = {cell: places.index[places == cell].to_numpy() for cell in {c for p in pairs for c in p}}
    alike = [float(both[np.ix_(at[high], at[low])].mean()) for high, low in pairs]
    half = critical_t(1.0 - comparison.level, np.inf) * np.sqrt(max(float(np.mean(alike)), 0.0))
    return float(half)
