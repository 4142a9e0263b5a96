"""Mean size at each condition of a trial, with an interval for comparing it with others.

The interval of a mean holds what all conditions share, such as the apertures of the sieves, and so
says little about differences.  Quasi-variances take the place of the joint covariance: two of them
add up to the squared interval of the difference of their means, so that each mean can carry a bar
of its own.  They are asked of the levels of further factors at one time, where there are several,
else of the times: differences of both kinds cannot be had from one set where blocks drift.

Source: D. Firth and R. X. de Menezes, Biometrika 91 (2004) 65 (quasi-variances; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from psdstats.columns import RUN, TIME
from psdstats.comparison.response import cell_texts
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.findings import Finding
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.student import critical_t

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
