"""The headline effects looked at another way: without runs and groups, and by resampling.

A headline is the change by the end at each level of the further factors; where no milling time is
compared, the first family of contrasts.  Effects are differences of ln size.

Without a run, a group or several runs an effect moves by what generalised least squares says: the
fixed part of the analysis (blocks included), the known covariance, and the printed standard
deviations held as they are.  That is exact for this fit, from one inverse: rows left out are rows
with a parameter each.  An effect that the others no longer tell has no value then.

Resampled are the largest units that are independent and hold both ends of an effect: groups, else
charges, else runs where nothing binds them; one difference (or value) a unit, studentised.  That
covers 94 to 95 per cent from four normal units on, but with four or five it runs to intervals many
times those of t, so that six are asked for (tests; own rule).  With fewer, what replicates show is
resampled on all runs (their residuals within group and condition): this says nothing of how groups
differ.  Without replicates the readings vary by their own uncertainty alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import CHARGE, GROUP, RUN
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.plan import columns_of
from psdstats.comparison.response import cell_texts
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.findings import Finding
from psdstats.frozen import Array
from psdstats.student import critical_t
from psdstats.uncertainty.bootstrap import BootstrapMethod, bootstrap_interval

FEWEST_UNITS, FEWEST_RESIDUALS = 6, 8  # degrees of freedom of residuals
_TINY = 1e-9
RUNS = "runs"
_RESAMPLES = 9_999


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """What an effect would be without a run, several runs or a group.

    Parameters
    ----------
    quantity, where : str
        Which effect.
    high, low : str
        What is compared with what.
    column, name : str
        "run", "runs" or "group", and which.
    effect, without : float
        Difference of ln size with all runs, and without those; NaN where the others do not tell it.
    """

    quantity: str
    where: str
    high: str
    low: str
    column: str
    name: str
    effect: float
    without: float

    @property
    def moved(self) -> float:
        """How far the effect moves; infinite where it cannot be told without them."""
        moved = abs(self.without - self.effect)
        return moved if np.isfinite(moved) else np.inf

    @property
    def points(self) -> float:
        """How far the change in per cent moves, in points; infinite as ``moved``."""
        points = float(100.0 * abs(np.exp(self.without) - np.exp(self.effect)))
        return points if np.isfinite(points) else np.inf

    @property
    def percent(self) -> float:
        """How far the size or ratio itself moves, per cent with its sign; NaN as ``without``."""
        return float(100.0 * np.expm1(self.without - self.effect))


class Unit(StrEnum):
    """What was resampled."""

    GROUPS = "groups"
    CHARGES = "charges"
    RUNS = "runs"
    REPLICATES = "replicates"  # their residuals: too few of the larger units
    READINGS = "readings"  # by their uncertainty: too few units of any kind


@dataclass(frozen=True, kw_only=True)
class Resampled:
    """Interval of an effect by resampling.

    Parameters
    ----------
    quantity, where, high, low : str
        Which effect.
    unit : Unit
        What was resampled.
    units : int
        How many there are, degrees of freedom of replicates; 0 for readings.
    effect, lower, upper : float
        Mean difference of ln size over the units, with its interval.
    model, model_lower, model_upper : float
        The effect by the analysis, with its interval.
    """

    quantity: str
    where: str
    high: str
    low: str
    unit: Unit
    units: int
    effect: float
    lower: float
    upper: float
    model: float
    model_lower: float
    model_upper: float


def headlines(result: QuantityComparison) -> Iterator[Finding]:
    """The effects that lead."""
    if result.courses:
        yield from (course.fallen for course in result.courses)
        return
    first = [one.subject.family for one in result.findings[:1]]
    yield from (one for one in result.findings if one.subject.family in first and one.subject.low)


def headline_row(one: QuantityAnalysis, finding: Finding) -> Array | None:
    """The effect on the columns of x; None where its ends are not both within the sieves."""
    subject, design = finding.subject, one.design
    ends = [(subject.high, subject.where), (subject.low, subject.where)]
    if not np.isfinite(finding.numbers.estimate) or any(end not in design.cells for end in ends):
        return None
    return design.mean_row(*ends[0]) - design.mean_row(*ends[1])


def left_out(comparison: Comparison) -> tuple[LeftOut, ...]:
    """Every headline without each group and each run, the largest move first."""
    return _without(comparison, _units_of)


def without_runs(comparison: Comparison, runs: Collection[str]) -> tuple[LeftOut, ...]:
    """Every headline without several runs together, the largest move first.

    Runs that do not enter a quantity move nothing of it.
    """

    def together(one: QuantityAnalysis) -> Sets:
        rows = np.flatnonzero(one.frame[RUN].isin(list(runs)).to_numpy())
        return {(RUNS, ", ".join(runs)): rows}

    return _without(comparison, together)


def conditions_without(
    comparison: Comparison, quantity: str, runs: Collection[str]
) -> tuple[LeftOut, ...]:
    """Mean ln size at each condition of several runs without them together; ``low`` is empty.

    Of what the fixed part holds beside the conditions (blocks, further factors) the mean over the
    runs counts.
    """
    one = comparison.analysis[quantity]
    rows = np.flatnonzero(one.frame[RUN].isin(list(runs)).to_numpy())
    texts, design = cell_texts(one.frame, one.plan), one.design
    cells = [cell for cell in dict.fromkeys(texts[row] for row in rows) if cell in one.cells]
    if not cells:
        return ()
    means = np.array([design.mean_row(*cell) for cell in cells])
    means[:, len(design.cells) :] = design.x[:, len(design.cells) :].mean(axis=0)
    fit = least_squares(one, means)
    moves = fit.moves(rows)
    return tuple(
        LeftOut(
            quantity=quantity,
            where=where,
            high=level,
            low="",
            column=RUNS,
            name=", ".join(runs),
            effect=float(size),
            without=float(size + move),
        )
        for (level, where), size, move in zip(cells, fit.weights @ one.y, moves, strict=True)
    )


Sets = Mapping[tuple[str, str], NDArray[np.intp]]


def _units_of(one: QuantityAnalysis) -> Sets:
    """Rows of each group and of each run, where there are several."""
    return {
        (column, str(name)): np.asarray(rows)
        for column in (GROUP, RUN)
        if len(one.frame[column].unique()) > 1
        for name, rows in one.frame.groupby(column, sort=False, observed=True).indices.items()
    }


def _without(
    comparison: Comparison, sets: Callable[[QuantityAnalysis], Sets]
) -> tuple[LeftOut, ...]:
    found: list[LeftOut] = []
    for result in comparison.results:
        one = comparison.analysis[result.quantity]
        asked = [(finding, headline_row(one, finding)) for finding in headlines(result)]
        known = [(finding, row) for finding, row in asked if row is not None]
        if known:
            found += _left_out_of(one, known, sets(one))
    return tuple(sorted(found, key=lambda each: -each.moved))


def _left_out_of(
    one: QuantityAnalysis, asked: Sequence[tuple[Finding, Array]], sets: Sets
) -> Iterator[LeftOut]:
    fit = least_squares(one, np.array([row for _, row in asked]))
    for (column, name), rows in sets.items():
        moves = fit.moves(rows)
        for (finding, _), move in zip(asked, moves, strict=True):
            subject, effect = finding.subject, finding.numbers.estimate
            yield LeftOut(
                quantity=one.quantity,
                where=subject.where,
                high=subject.high,
                low=subject.low,
                column=column,
                name=name,
                effect=effect,
                without=effect + float(move),
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class LeastSquares:
    """Effects by generalised least squares, and what is left of the rows beside them.

    Parameters
    ----------
    weights : ndarray, shape (e, n)
        Of the effects on the rows.
    precision, residual : ndarray, shape (n, n)
        Inverse of the covariance V, and P - P X (X'PX)⁻ X'P with P this inverse.
    errors : ndarray, shape (n,)
        ``residual`` times the values.
    """

    weights: Array
    precision: Array
    residual: Array
    errors: Array

    def moves(self, rows: NDArray[np.intp]) -> Array:
        """How far the effects move without some rows (s,), (e,); NaN where the others do not tell.

        Notes
        -----
        A parameter d for each of these rows takes them out: R d = r with R and r the parts of
        ``residual`` and ``errors`` on them, and the effects move by -W d.  A direction of R that
        vanishes beside that of P is known from these rows alone.
        """
        both = np.ix_(rows, rows)
        factor = np.linalg.cholesky(self.precision[both])
        inner = np.linalg.solve(factor, np.linalg.solve(factor, self.residual[both]).T)
        share, vectors = np.linalg.eigh((inner + inner.T) / 2.0)
        kept = share > 1e-8
        along = np.linalg.solve(factor, self.weights[:, rows].T).T @ vectors
        solved = (vectors.T @ np.linalg.solve(factor, self.errors[rows]))[kept] / share[kept]
        size = np.maximum(np.linalg.norm(along, axis=1), _TINY)
        lost = (np.abs(along[:, ~kept]) > 1e-6 * size[:, None]).any(axis=1)
        return np.where(lost, np.nan, -(along[:, kept] @ solved))


def generalised(x: Array, v: Array) -> tuple[Array, Array, Array]:
    """Precision P of rows with covariance V, X'P, and the generalised inverse of X'PX."""
    floor = _TINY * (float(np.trace(v)) / len(v) or 1.0)
    precision = np.asarray(np.linalg.inv(v + floor * np.eye(len(v))), dtype=np.float64)
    onto = x.T @ precision
    core = np.asarray(np.linalg.pinv(onto @ x, hermitian=True, rcond=_TINY), dtype=np.float64)
    return precision, onto, core


def least_squares(one: QuantityAnalysis, rows: Array) -> LeastSquares:
    """Effects (e, p) on the columns of x, with the known covariance and the printed spread."""
    x, v = one.design.x, one.response.known + scatter(one).sum(axis=0)
    precision, onto, core = generalised(x, v)
    residual = precision - onto.T @ core @ onto
    return LeastSquares(
        weights=rows @ core @ onto,
        precision=precision,
        residual=residual,
        errors=residual @ one.y,
    )


def scatter(one: QuantityAnalysis) -> Array:
    """Covariance of the printed spread: between runs; of cells and drift, (2, n, n)."""
    run, drift = np.nan_to_num([one.spread.run, one.spread.drift]) ** 2
    own = run * np.eye(len(one.frame))
    declared = np.asarray(one.known) - np.asarray(one.response.known)
    lines = one.drift_lines
    other = one.total() - one.response.known - own + declared + drift * lines @ lines.T
    return np.array([own, other])


def resampled(comparison: Comparison, *, seed: int = 0) -> tuple[Resampled, ...]:
    """An interval of every headline by resampling, or from the readings alone."""
    found: list[Resampled] = []
    for result in comparison.results:
        one = comparison.analysis[result.quantity]
        for finding in headlines(result):
            row = headline_row(one, finding)
            if row is not None:
                generator = np.random.default_rng([seed, len(found)])
                found.append(_resampled(one, finding, row, generator))
    return tuple(found)


def _resampled(
    one: QuantityAnalysis, finding: Finding, row: Array, generator: np.random.Generator
) -> Resampled:
    level, numbers, subject = finding.level, finding.numbers, finding.subject
    unit, parts = _units(one, finding)
    effect, units = numbers.estimate, 0
    if parts:
        effect = float(parts[0].mean() - sum(part.mean() for part in parts[1:]))
        units = min(map(len, parts))
        lower, upper = bootstrap_interval(
            parts,
            method=BootstrapMethod.STUDENTISED,
            coverage=level,
            resamples=_RESAMPLES,
            generator=generator,
        )
    else:
        weights = row @ np.linalg.pinv(one.design.x, rcond=1e-10)
        residuals, units = _residuals(one)
        if units >= FEWEST_RESIDUALS:
            unit = Unit.REPLICATES
            picked = generator.choice(residuals, size=(_RESAMPLES, len(weights)))
            half = np.quantile(picked @ weights, [(1.0 - level) / 2, (1.0 + level) / 2])
        else:
            units = 0
            u = float(np.sqrt(weights @ one.known @ weights))
            half = float(critical_t(1.0 - level, np.inf)) * u * np.array([-1.0, 1.0])
        lower, upper = float(effect + half[0]), float(effect + half[1])
    return Resampled(
        quantity=one.quantity,
        where=subject.where,
        high=subject.high,
        low=subject.low,
        unit=unit,
        units=units,
        effect=effect,
        lower=lower,
        upper=upper,
        model=numbers.estimate,
        model_lower=numbers.lower,
        model_upper=numbers.upper,
    )


def _residuals(one: QuantityAnalysis) -> tuple[Array, int]:
    """Residuals of replicates about their cells, widened to their own variance, and their df."""
    cells = [
        (*text, *key) for text, key in zip(cell_texts(one.frame, one.plan), _keys(one), strict=True)
    ]
    own = pd.Series(one.y).groupby(pd.Series(cells, dtype=object))
    count = own.transform("size").to_numpy()
    left = one.y - own.transform("mean").to_numpy()
    several = count > 1
    return left[several] * np.sqrt(count[several] / (count[several] - 1)), len(left) - own.ngroups


def _keys(one: QuantityAnalysis) -> list[tuple[str, ...]]:
    """Group, charge where it is a block, and factors set aside, of each run."""
    blocks = {name for block in one.plan.blocks for name in columns_of(block)}
    table = one.frame[sorted({GROUP, *blocks, *one.plan.also})].astype(str)
    return [tuple(row) for row in table.to_numpy().tolist()]


def _units(one: QuantityAnalysis, finding: Finding) -> tuple[Unit, list[Array]]:
    """What to resample, and its values: one sample of differences, or two of runs."""
    frame, subject = one.frame, finding.subject
    texts = cell_texts(frame, one.plan)
    high, low = (
        np.array([text == (level, subject.where) for text in texts], dtype=np.bool_)
        for level in (subject.high, subject.low)
    )
    if len(frame[GROUP].unique()) > 1:
        differences = _differences(frame, [GROUP], high, low)
        if len(differences) >= FEWEST_UNITS:
            return Unit.GROUPS, [differences]
        return Unit.READINGS, []
    if frame[CHARGE].notna().all() and _differences(frame, [CHARGE], high, low).size:
        differences = _differences(frame, [CHARGE], high, low)
        if len(differences) >= FEWEST_UNITS:
            return Unit.CHARGES, [differences]
        return Unit.READINGS, []
    values = [frame["ln_value"].to_numpy(dtype=float)[rows] for rows in (high, low)]
    if min(map(len, values)) >= FEWEST_UNITS and not one.plan.also:
        return Unit.RUNS, values
    return Unit.READINGS, []


def _differences(
    frame: pd.DataFrame, columns: list[str], high: NDArray[np.bool_], low: NDArray[np.bool_]
) -> Array:
    """Difference of mean ln size within each unit that holds both ends."""
    means = [frame[rows].groupby(columns, observed=True)["ln_value"].mean() for rows in (high, low)]
    both = (means[0] - means[1]).dropna()
    return np.asarray(both.to_numpy(dtype=float))
