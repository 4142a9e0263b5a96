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

What more of something would buy: how much shorter the intervals of the headlines would be.

A headline is taken by generalised least squares: its variance follows from the design, from what
every input of the measurement adds to every run (the linear law, with the sensitivities of each
run), and from the printed standard deviations of runs, cells and drift.  More runs, or more groups,
divide the parts that each run, or group, has by itself; another sieve, balance or sample changes
the inputs.  The ratio of the variances shortens the standard uncertainty of the headline; the law
of its t ratio is held as it is, although more runs would also know the spread better, so that what
is told is rather too little.  Nothing is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.columns import CHARGE, GROUP, QUANTITIES, RUN
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.plan import columns_of
from psdstats.comparison.response import cell_texts, same_level
from psdstats.comparison.result import Comparison, QuantityComparison, Route
from psdstats.findings import Contrast, Finding
from psdstats.frozen import Array, Indices
from psdstats.student import critical_t
from psdstats.study.records import Study
from psdstats.uncertainty.bootstrap import BootstrapMethod, bootstrap_interval
from psdstats.uncertainty.budget import changed_studies
from psdstats.uncertainty.law import JointLaw, prepare

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


def headline_rows(one: QuantityAnalysis, result: QuantityComparison) -> tuple[list[Finding], Array]:
    """Headlines whose ends both lie within the sieves, and the effects on the columns of x."""
    design, found, rows = one.design, list[Finding](), list[Array]()
    for finding in headlines(result):
        subject = finding.subject
        ends = [(subject.high, subject.where), (subject.low, subject.where)]
        if np.isfinite(finding.numbers.estimate) and all(end in design.cells for end in ends):
            found.append(finding)
            rows.append(design.mean_row(*ends[0]) - design.mean_row(*ends[1]))
    return found, np.array(rows)


Sets = Mapping[tuple[str, str], Indices]


def left_out(comparison: Comparison) -> tuple[LeftOut, ...]:
    """Every headline without each group and each run, the largest move first."""

    def each(one: QuantityAnalysis) -> Sets:
        return {
            (column, str(name)): np.asarray(rows)
            for column in (GROUP, RUN)
            if len(one.frame[column].unique()) > 1
            for name, rows in one.frame.groupby(column, sort=False, observed=True).indices.items()
        }

    return _without(comparison, each)


def without_runs(comparison: Comparison, runs: Collection[str]) -> tuple[LeftOut, ...]:
    """Every headline without several runs together, the largest move first.

    Runs that do not enter a quantity move nothing of it.
    """
    return _without(comparison, partial(_together, runs))


def conditions_without(
    comparison: Comparison, quantity: str, runs: Collection[str]
) -> tuple[LeftOut, ...]:
    """Mean ln size at each condition of several runs without them together; ``low`` is empty.

    Of what the fixed part holds beside the conditions (blocks, further factors) the mean over the
    runs counts.
    """
    one = comparison.analysis[quantity]
    sets, texts, design = _together(runs, one), cell_texts(one.frame, one.plan), one.design
    ((_, rows),) = sets.items()
    cells = [cell for cell in dict.fromkeys(texts[row] for row in rows) if cell in one.cells]
    if not cells:
        return ()
    means = np.array([design.mean_row(*cell) for cell in cells])
    means[:, len(design.cells) :] = design.x[:, len(design.cells) :].mean(axis=0)
    return tuple(
        _moved(one, [Contrast(high=high, where=where) for high, where in cells], means, sets)
    )


def _together(runs: Collection[str], one: QuantityAnalysis) -> Sets:
    rows = np.flatnonzero(one.frame[RUN].isin(list(runs)).to_numpy())
    return {(RUNS, ", ".join(runs)): rows}


def _without(
    comparison: Comparison, sets: Callable[[QuantityAnalysis], Sets]
) -> tuple[LeftOut, ...]:
    found: list[LeftOut] = []
    for result in comparison.results:
        one = comparison.analysis[result.quantity]
        findings, rows = headline_rows(one, result)
        if findings:
            effects = [finding.numbers.estimate for finding in findings]
            subjects = [finding.subject for finding in findings]
            found += _moved(one, subjects, rows, sets(one), effects)
    return tuple(sorted(found, key=lambda each: -each.moved))


def _moved(
    one: QuantityAnalysis,
    subjects: Sequence[Contrast],
    rows: Array,
    sets: Sets,
    effects: Sequence[float] | None = None,
) -> Iterator[LeftOut]:
    """Effects (e, p) on the columns of x without each set of runs."""
    fit = least_squares(one, rows)
    for (column, name), places in sets.items():
        moves = fit.moves(places)
        known = fit.weights @ one.y if effects is None else effects
        for subject, effect, move in zip(subjects, known, moves, strict=True):
            yield LeftOut(
                quantity=one.quantity,
                where=subject.where,
                high=subject.high,
                low=subject.low,
                column=column,
                name=name,
                effect=float(effect),
                without=float(effect + move),
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

    def moves(self, rows: Indices) -> Array:
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
    run, cell, drift = np.nan_to_num([one.spread.run, one.spread.cell, one.spread.drift]) ** 2
    own = run * np.eye(len(one.frame))
    declared = np.asarray(one.known) - np.asarray(one.response.known)
    other = declared + drift * one.drift_lines @ one.drift_lines.T
    for columns in map(columns_of, one.plan.cells[:1]):
        other = other + cell * same_level(one.frame, columns)
    return np.array([own, other])


def resampled(comparison: Comparison, *, seed: int = 0) -> tuple[Resampled, ...]:
    """An interval of every headline by resampling, or from the readings alone."""
    found: list[Resampled] = []
    for result in comparison.results:
        one = comparison.analysis[result.quantity]
        for finding, row in zip(*headline_rows(one, result), strict=True):
            generator = np.random.default_rng([seed, len(found)])
            found.append(_resampled(one, finding, row, generator))
    return tuple(found)


def _resampled(
    one: QuantityAnalysis, finding: Finding, row: Array, generator: np.random.Generator
) -> Resampled:
    level, numbers, subject = finding.level, finding.numbers, finding.subject
    unit, parts = _units(one, finding)
    effect, units = numbers.estimate, min(map(len, parts), default=0)
    if parts:
        effect = float(parts[0].mean() - sum(part.mean() for part in parts[1:]))
        lower, upper = bootstrap_interval(
            parts,
            method=BootstrapMethod.STUDENTISED,
            coverage=level,
            resamples=_RESAMPLES,
            generator=generator,
        )
    else:
        weights = row @ np.linalg.pinv(one.design.x, rcond=1e-10)
        residuals, df = _residuals(one)
        if df >= FEWEST_RESIDUALS:
            unit, units = Unit.REPLICATES, df
            picked = generator.choice(residuals, size=(_RESAMPLES, len(weights)))
            half = np.quantile(picked @ weights, [(1.0 - level) / 2, (1.0 + level) / 2])
        else:
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
    """Residuals of replicates, widened to their own variance, and their degrees of freedom.

    Replicates share condition, group, charge where it is a block, and factors set aside.
    """
    blocks = {name for block in one.plan.blocks for name in columns_of(block)}
    table = one.frame[sorted({GROUP, *blocks, *one.plan.also})].astype(str)
    texts = zip(cell_texts(one.frame, one.plan), table.itertuples(index=False), strict=True)
    own = pd.Series(one.y).groupby(pd.Series([(*text, *key) for text, key in texts], dtype=object))
    count = own.transform("size").to_numpy()
    left = one.y - own.transform("mean").to_numpy()
    several = count > 1
    return left[several] * np.sqrt(count[several] / (count[several] - 1)), len(left) - own.ngroups


def _units(one: QuantityAnalysis, finding: Finding) -> tuple[Unit, list[Array]]:
    """What to resample, and its values: one sample of differences, or two of runs."""
    frame, subject, held = one.frame, finding.subject, list[tuple[Unit, str]]()
    texts = cell_texts(frame, one.plan)
    high, low = (
        frame[[text == (level, subject.where) for text in texts]]
        for level in (subject.high, subject.low)
    )
    if len(frame[GROUP].unique()) > 1:
        held.append((Unit.GROUPS, GROUP))
    elif frame[CHARGE].notna().all():
        held.append((Unit.CHARGES, CHARGE))
    for unit, column in held:  # difference of mean ln size within each that holds both ends
        ends = [part.groupby(column, observed=True)["ln_value"].mean() for part in (high, low)]
        differences = (ends[0] - ends[1]).dropna().to_numpy(dtype=float)
        if len(differences) >= FEWEST_UNITS:
            return unit, [differences]
        if len(differences) or unit is Unit.GROUPS:
            return Unit.READINGS, []
    values = [part["ln_value"].to_numpy(dtype=float) for part in (high, low)]
    if min(map(len, values)) >= FEWEST_UNITS and not one.plan.also:
        return Unit.RUNS, values
    return Unit.READINGS, []


_SHARED_BY_REPLICATES = "between_sieves"  # what the curve does there is that of the powder


class Remedy(StrEnum):
    """What there could be more of; those of the measurement are named as in the budget."""

    TWICE_RUNS = "twice the runs"
    ONE_MORE_GROUP = "one more group"
    CERTIFIED_SIEVES = "certified sieves"
    FINER_BALANCE = "balance ten times finer"
    TWICE_SAMPLE = "twice the sample"
    TARES_EACH_RUN = "tares weighed each run"


@dataclass(frozen=True, kw_only=True)
class Gain:
    """What one remedy would buy.

    Parameters
    ----------
    quantity : str
        Whose headlines: changes by the end, over all levels of the further factors.
    remedy : Remedy
        What there would be more of.
    u_now_percent, u_then_percent : float
        Standard uncertainty of the headline's ratio (root mean square over the headlines).
    """

    quantity: str
    remedy: Remedy
    u_now_percent: float
    u_then_percent: float

    @property
    def shorter_percent(self) -> float:
        """By how much the interval would shorten."""
        return 100.0 * (1.0 - self.u_then_percent / self.u_now_percent)


def gains(comparison: Comparison, quantity: str = "D50") -> tuple[Gain, ...]:
    """What each remedy would buy for the headlines of a quantity, the most first.

    Empty where no headline is a number, or no model and no spread stand behind it.
    """
    result, one = comparison[quantity], comparison.analysis[quantity]
    findings, rows = headline_rows(one, result)
    if not findings or result.route not in (Route.MIXED_MODEL, Route.SINGLE_RUNS):
        return ()
    u = np.array([finding.numbers.u for finding in findings])
    covariances = _covariances(comparison, one)
    variances = {
        remedy: np.einsum("ij,jk,ik->i", rows, generalised(one.design.x, v)[2], rows)
        for remedy, v in covariances.items()
    }
    now = variances.pop(None)

    def percent(share: Array | float) -> float:
        return float(100.0 * np.sqrt(np.mean(np.square(u * np.sqrt(share)))))

    found = [
        Gain(
            quantity=quantity,
            remedy=remedy,
            u_now_percent=percent(1.0),
            u_then_percent=percent(then / now),
        )
        for remedy, then in variances.items()
        if remedy is not None
    ]
    return tuple(sorted(found, key=lambda each: each.u_then_percent))


def _covariances(comparison: Comparison, one: QuantityAnalysis) -> dict[Remedy | None, Array]:
    """Covariance (n, n) of the runs of a quantity as it is (None), and as each remedy makes it."""
    run, other = scatter(one)  # between runs; of cells and drift
    study, code = comparison.analysis.study, one.frame[GROUP].factorize()[0]
    changed = dict[Remedy, Array]()
    if isinstance(study, Study):
        sources = comparison.analysis.measured()
        prepared = partial(prepare, sources=sources.sources, rule=sources.rule)
        law = prepared(study)
        inputs, named = _inputs(one, law), law.table.sources
        number = named.index(_SHARED_BY_REPLICATES) if _SHARED_BY_REPLICATES in named else -1
        own = (_touched(inputs) == 1) & (law.contributions.source != number)
        places = (code, np.arange(len(code)))
        of_group = sparse.csr_array((np.ones(len(code)), places), (code.max() + 1, len(code)))
        in_group = _touched(of_group @ abs(inputs)) == 1
        measured = _covariance(inputs)
        own_of_run = _covariance(inputs[:, np.flatnonzero(own)])
        own_of_group = _covariance(inputs[:, np.flatnonzero(in_group)])
        for name, then in changed_studies(study).items():
            changed[Remedy(name)] = _covariance(_inputs(one, prepared(then, curves=law.curves)))
    else:  # what values in hand share is not told, so none of it is divided
        measured = np.asarray(one.response.known)
        is_own = not (measured - np.diag(np.diagonal(measured))).any()
        own_of_run = own_of_group = measured if is_own else np.zeros_like(measured)
    total = run + other + measured
    found: dict[Remedy | None, Array] = {None: total}
    found[Remedy.TWICE_RUNS] = total - (run + own_of_run) / 2.0
    if (GROUP,) in map(columns_of, one.plan.blocks):
        own = run + other + own_of_group
        found[Remedy.ONE_MORE_GROUP] = total - own / (one.frame[GROUP].nunique() + 1.0)
    return found | {remedy: run + other + then for remedy, then in changed.items()}


def _inputs(one: QuantityAnalysis, law: JointLaw) -> sparse.csr_array:
    """What each input adds to ln size of the runs compared, (n, N)."""
    place = {name: number for number, name in enumerate(law.arrays.runs)}
    at = np.array([place[name] for name in one.frame[RUN]])
    column = QUANTITIES.index(one.quantity)
    return sparse.csr_array(law.contributions.rows(len(QUANTITIES) * at + column).matrix)


def _covariance(inputs: sparse.csr_array) -> Array:
    return np.asarray((inputs @ inputs.T).toarray(), dtype=np.float64)


def _touched(inputs: sparse.csr_array) -> Indices:
    """How many rows each input adds to, (N,)."""
    return np.asarray((inputs != 0).sum(axis=0)).ravel()
