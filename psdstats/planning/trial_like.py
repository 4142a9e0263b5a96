"""A trial like a study, simulated from its own estimates on its own sieves and balances.

The curve of each condition goes through the D10, D50 and D90 estimated for it; groups, charges,
cells and runs differ, and groups drift, as the analysis found; sieves are as far from what is known
of them as tolerance or certificate allow; samples hold a finite number of particles and lose what
the runs lost; every plate is read empty and loaded with the errors of the balance of its run.  What
is not counted as a source is taken to be without error.

Not simulated: wear of a sieve, uncertainties of few degrees of freedom as a t.  A curve is smooth
between its three sizes: real powders may be less so.  Sizes in µm, masses in g; what differs
between runs is added to ln size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES, RUN
from psdstats.comparison.analysis import Analysis, QuantityAnalysis, analyse
from psdstats.comparison.answers import condition_means
from psdstats.comparison.plan import ComparisonPlan, columns_of
from psdstats.comparison.response import cell_texts, drifting_blocks, level_order
from psdstats.distribution.curves import StudyArrays, study_arrays
from psdstats.errors import ModelError
from psdstats.frozen import Array, Flags, Indices
from psdstats.models.design_columns import level_text
from psdstats.sieves.standards import tolerance_um
from psdstats.simulate.curve import (
    FLOOR_UM,
    LEVELS,
    PER_OCTAVE,
    STEP,
    TrueCurves,
    coarsest_um,
    undersize_through,
)
from psdstats.simulate.design import Powder
from psdstats.simulate.trial import quantities_of, round_to, sample_particles, true_classes
from psdstats.study.records import Reading, Run, Study, TareHandling
from psdstats.uncertainty.inputs import Source, measurement_sources
from psdstats.uncertainty.law import at_mean_curve, prepare
from psdstats.uncertainty.sources.instruments import largest_error_g

SIZES = QUANTITIES[:3]
_APART = np.log(1.02)  # sizes of one powder stand in order, at least so far apart
_BEYOND = np.log(1.2)  # how far beyond its bound an open size is put that nothing else places
_BESIDE = ("splitting", "end_point")  # sources added to ln size, as the study counts them
_TINY = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class Layer:
    """What runs of one code have in common: shifts of ln D10, ln D50 and ln D90.

    Shapes: code, weight (R,), sd (3,).
    """

    code: Indices
    weight: Array
    sd: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLike:
    """A study to be simulated again; R runs with a place in the design, C conditions, K classes.

    Attributes
    ----------
    study : Study
        The study.
    sources : tuple of Source
        Sources counted: what is not counted is taken to be without error.
    runs : tuple of int
        Positions of the R runs in the study; others stay as they are.
    cells : tuple of (str, str)
        Conditions.
    cell : ndarray of int, shape (R,)
        Condition of each run.
    ln_size : ndarray, shape (C, 3)
        Mean ln D10, ln D50, ln D90 of each condition.
    beside : ndarray, shape (R, 3)
        What further factors add.
    layers : tuple of Layer
        How groups, cells and runs differ.
    root : ndarray, shape (3, 3)
        Root of the correlation of the three sizes.
    joint : tuple of ndarray, shape (R, R)
        Roots of the covariance of what is not simulated bit by bit, one a size; or none.
    """

    study: Study
    sources: tuple[Source, ...]
    runs: tuple[int, ...]
    cells: tuple[tuple[str, str], ...]
    cell: Indices
    ln_size: Array
    beside: Array
    layers: tuple[Layer, ...]
    root: Array
    joint: tuple[Array, ...] = ()

    def counts(self, source: str) -> bool:
        """Whether a source is counted."""
        return any(one.name == source for one in self.sources)

    @property
    def truth(self) -> dict[str, dict[tuple[str, str], float]]:
        """True mean ln size of each condition, by quantity."""
        size = np.log(quantities_of(curves_through(self.ln_size, self.study).sizes()[0]))
        return {
            name: dict(zip(self.cells, size[:, place].tolist(), strict=True))
            for place, name in enumerate(QUANTITIES)
        }

    def draw(self, rng: np.random.Generator) -> Study:
        """The study with readings of a new trial."""
        return _weighed(self, curves_through(self._ln_sizes(rng), self.study), rng)

    def _ln_sizes(self, rng: np.random.Generator) -> Array:
        found = self.ln_size[self.cell] + self.beside
        for layer in self.layers:
            own = rng.standard_normal((int(layer.code.max()) + 1, 3)) @ self.root.T
            found = found + layer.weight[:, None] * layer.sd * own[layer.code]
        common = rng.standard_normal(len(self.cell))
        for place, root in enumerate(self.joint):
            found[:, place] += root @ common
        return np.asarray(found)


def trial_like(analysis: Analysis, sources: Iterable[str | Source] | None = None) -> TrialLike:
    """What a study tells of trials like it."""
    study, plan = analysis.study, analysis.plan
    if not isinstance(study, Study):
        raise ModelError(
            "Trials like one of values in hand cannot be weighed anew; leave out --attained, or "
            "give the study with its weighings."
        )
    counted = measurement_sources(study, sources)
    if not set(SIZES) <= set(analysis.quantities):
        analysis = analyse(study, plan, quantities=SIZES, level=analysis.level, sources=counted)
    runs = plan.with_where(study.runs_frame())
    placed = plan.placed(runs)
    runs = runs[placed].reset_index(drop=True)
    texts = cell_texts(runs, plan)
    cells = tuple(dict.fromkeys(texts))
    sizes = [analysis[name] for name in SIZES]
    ln_size = np.column_stack([_cell_sizes(one, cells, study) for one in sizes])
    return TrialLike(
        study=study,
        sources=counted,
        runs=tuple(np.flatnonzero(placed).tolist()),
        cells=cells,
        cell=np.array([cells.index(one) for one in texts], dtype=np.intp),
        ln_size=_in_order(ln_size),
        beside=np.column_stack([_further(one, runs) for one in sizes]),
        layers=tuple(_layers(sizes, runs)),
        root=_root(_correlation(sizes)),
        joint=_joint(study, plan, counted, placed),
    )


def _in_order(ln_size: Array) -> Array:
    """Sizes of one powder with D10 below D50 below D90."""
    low = np.minimum(ln_size[:, 0], ln_size[:, 1] - _APART)
    high = np.maximum(ln_size[:, 2], ln_size[:, 1] + _APART)
    return np.column_stack([low, ln_size[:, 1], high])


def _cell_sizes(one: QuantityAnalysis, cells: Sequence[tuple[str, str]], study: Study) -> Array:
    """Mean ln size of each condition; where a size is open, where its curve points."""
    plan, known = one.plan, dict[tuple[str, str], float]()
    if one.fit is not None:
        means = condition_means(one)
        where = [""] * len(means) if plan.where is None else means[plan.where].map(level_text)
        places = zip(means[plan.by].map(level_text), where, strict=True)
        known = dict(zip(places, means["estimate"].tolist(), strict=True))
    placed = one.response.placed
    level = LEVELS[SIZES.index(one.quantity)]
    by_name = {run.name: run for run in study.runs}
    ends = placed[["ln_lower", "ln_upper"]].to_numpy(dtype=float)
    told = [
        low if low == high else _pointed_at(by_name[str(name)], level, low, high)
        for name, (low, high) in zip(placed[RUN], ends, strict=True)
    ]
    means_of = pd.Series(told).groupby(pd.Series(cell_texts(placed, plan))).mean()
    return np.array([known.get(cell, float(means_of[cell])) for cell in cells])


def _pointed_at(run: Run, level: float, low: float, high: float) -> float:
    """Where an open size would lie on the probit line of the two nearest readings."""
    from scipy.special import ndtri

    net = np.maximum([reading.net_g for reading in run.readings], 0.0)
    x = np.log([reading.aperture_um for reading in run.readings[1:]])
    finer = np.cumsum(net)[:-1] / max(net.sum(), _TINY)
    use = np.flatnonzero((finer > _TINY) & (finer < 1 - _TINY))
    pair = use[-2:] if np.isfinite(low) else use[:2]
    nearest = high - _BEYOND if np.isfinite(high) else low + _BEYOND
    nearest = nearest if np.isfinite(nearest) else x.mean()
    if len(pair) < 2:
        return float(nearest)
    z = ndtri(finer[pair])
    if z[1] <= z[0]:
        return float(nearest)
    found = x[pair[0]] + (ndtri(level) - z[0]) * (x[pair[1]] - x[pair[0]]) / (z[1] - z[0])
    return float(np.clip(found, low, high))


def _further(one: QuantityAnalysis, runs: pd.DataFrame) -> Array:
    """What further factors that are set aside add to each run, shape (R,)."""
    found = np.zeros(len(runs))
    start = len(one.design.cells)
    beta = np.linalg.pinv(one.design.x) @ one.y
    for name in one.plan.also:
        levels = sorted(one.frame[name].unique())
        own = beta[start : start + len(levels)]
        start += len(levels)
        told = dict(zip(levels, own - own.mean(), strict=True))
        found += runs[name].map(told).fillna(0.0).to_numpy(dtype=float)
    return found


def _layers(sizes: Sequence[QuantityAnalysis], runs: pd.DataFrame) -> Iterator[Layer]:
    """Groups, charges, cells, lines and runs, each with its standard deviations."""
    plan, even = sizes[0].plan, np.ones(len(runs))

    def codes(columns: Sequence[str]) -> Indices:
        if not columns:
            return np.zeros(len(runs), dtype=np.intp)
        found = runs.groupby(list(columns), dropna=False, observed=True).ngroup()
        return np.asarray(found.to_numpy(), dtype=np.intp)

    def spread(name: str) -> Array:
        return np.nan_to_num([float(getattr(one.spread, name)) for one in sizes])

    for block in plan.blocks:
        columns = columns_of(block)
        sd = np.array([_between(one, ":".join(columns)) for one in sizes])
        yield Layer(code=codes(columns), weight=even, sd=sd)
    for cells in plan.cells[:1]:
        yield Layer(code=codes(columns_of(cells)), weight=even, sd=spread("cell"))
    place, lines = level_order(runs[plan.by]), drifting_blocks(runs, plan)
    sd = spread("drift")
    if plan.drift is not None:
        lines = columns_of(plan.blocks[-1]) if plan.blocks else ()
        sd = np.full(3, plan.drift.percent / 100)
    if place is not None and lines is not None:
        order = place.to_numpy(dtype=float)
        yield Layer(code=codes(lines), weight=order - order.mean(), sd=sd)
    yield Layer(code=np.arange(len(runs)), weight=even, sd=spread("run"))


def _between(one: QuantityAnalysis, label: str) -> float:
    """Standard deviation between the levels of a grouping; zero where none was estimated."""
    if one.fit is None:
        return 0.0
    return float(np.sqrt(max(float(one.fit.variance_components.get(label, 0.0)), 0.0)))


def _correlation(sizes: Sequence[QuantityAnalysis]) -> Array:
    """Correlation of the three sizes in the residuals of the runs that have them all."""
    names = [set(one.frame[RUN]) for one in sizes]
    common = set.intersection(*names)
    rows = []
    for one in sizes:
        left = one.y - one.design.x @ (np.linalg.pinv(one.design.x) @ one.y)
        rows.append(left[one.frame[RUN].isin(common).to_numpy()])
    table = np.array(rows)
    size = np.sqrt((table**2).sum(axis=1))
    if min(one.design.left for one in sizes) < 2 or not (size > _TINY).all():
        return np.ones((3, 3))
    return np.asarray(table @ table.T / np.outer(size, size))


def _root(matrix: Array) -> Array:
    """A root of a covariance, negative eigenvalues set to zero."""
    value, vector = np.linalg.eigh(matrix)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


def _joint(
    study: Study, plan: ComparisonPlan, counted: Sequence[Source], placed: Flags
) -> tuple[Array, ...]:
    """Roots of what sources add to ln size that no reading of a simulated run shows."""
    beside = [one for one in counted if one.name in _BESIDE]
    if not beside:
        return ()
    found = at_mean_curve(prepare(study, sources=beside), plan.factors)
    both = np.ix_(placed, placed)
    return tuple(_root(np.nan_to_num(found[name][0][both])) for name in SIZES)


def curves_through(ln_size: Array, study: Study) -> TrueCurves:
    """Smooth curves through three sizes each.

    Shapes: ln_size (R, 3); gives one trial of R curves.
    """
    three = [(float(a), float(b), float(c)) for a, b, c in np.exp(_in_order(ln_size))]
    powders = [Powder(breakage=None, feed_percentiles_um=one) for one in three]
    first = np.log(min(FLOOR_UM, min(one[0] for one in three) / 64))
    last = np.log(max(coarsest_um(one, per_octave=PER_OCTAVE) for one in powders))
    ln_edge = first + STEP * np.arange(int(np.ceil((last - first) / STEP)) + 1)
    edges_um = np.exp(ln_edge)
    undersize = np.array([undersize_through(one, edges_um) for one in three])
    return TrueCurves.of(
        edges_um,
        np.diff(undersize, axis=1, prepend=0.0)[None],
        np.zeros((1, len(three))),
        density_g_per_cm3=study.density_g_per_cm3,
        shape_factor=study.shape_factor,
    )


def _weighed(like: TrialLike, curves: TrueCurves, rng: np.random.Generator) -> Study:
    """The study with what its sieves and balances would show of these curves."""
    study, own = like.study, [like.study.runs[place] for place in like.runs]
    arrays = study_arrays(study, own)
    poured_g = np.array([run.sample_mass_g or max(run.total_g, _TINY) for run in own])
    fraction, particle_g = true_classes(curves, _true_um(like, arrays, rng)[None])
    if like.counts("sampling"):
        net_g = sample_particles(fraction[0], particle_g[0], poured_g, rng)
    else:
        net_g = fraction[0] * poured_g[:, None]
    net_g = _left(like, net_g, np.clip(poured_g - arrays.total_g, 0.0, 0.5 * poured_g), rng)
    tare_g, gross_g, sample_g = _read(like, arrays, net_g, poured_g, rng)
    runs = list(study.runs)
    for row, (place, run) in enumerate(zip(like.runs, own, strict=True)):
        column = {sieve: number for number, sieve in enumerate(arrays.sieves[row])}
        runs[place] = replace(
            run,
            readings=tuple(
                _read_anew(one, tare_g[row, column[one.sieve]], gross_g[row, column[one.sieve]])
                for one in run.readings
            ),
            sample_mass_g=None if run.sample_mass_g is None else float(sample_g[row]),
        )
    return replace(study, runs=tuple(runs))


def _read_anew(reading: Reading, tare_g: float, gross_g: float) -> Reading:
    """A reading of the new trial; one more shaking moves what it moved."""
    again = reading.gross_again_g
    if again is not None:
        again = max(float(gross_g) + again - reading.gross_g, 0.0)
    return replace(reading, tare_g=float(tare_g), gross_g=float(gross_g), gross_again_g=again)


def _true_um(like: TrialLike, arrays: StudyArrays, rng: np.random.Generator) -> Array:
    """True apertures of every run, 0 for pans, shape (R, K)."""
    true, shared = [], dict[tuple[str, str], float]()
    is_counted = like.counts("aperture")  # else sieves to which no tolerance applies may be in use
    for sieve in (like.study.sieves[key] for key in arrays.sieve_keys):
        *measured, together = sieve.measured_with
        normal, uniform = rng.standard_normal(), rng.uniform(-1.0, 1.0)
        common = shared.setdefault((measured[0], measured[1]), rng.standard_normal())
        error_um = 0.0
        if is_counted and sieve.u_um is None:
            error_um = uniform * tolerance_um(sieve.nominal_um, standard=sieve.standard)
        elif sieve.u_um is not None and is_counted:
            error_um = sieve.u_um * (np.sqrt(1 - together) * normal + np.sqrt(together) * common)
        true.append(max(sieve.best_um + error_um, 0.5 * sieve.best_um))
    return np.hstack([np.zeros((len(arrays.runs), 1)), np.array(true)[arrays.sieve_index]])


def _left(like: TrialLike, net_g: Array, lost_g: Array, rng: np.random.Generator) -> Array:
    """What is left of the powder: each run loses what it lost, from the pan or from all."""
    habit = like.study.uncertainty.get("lost_powder")
    from_pan = rng.uniform(0.0, 1.0, len(net_g))
    if habit == "pan":
        from_pan[:] = 1.0
    elif habit == "in proportion" or not like.counts("lost_powder"):
        from_pan[:] = 0.0
    pan_g = np.minimum(from_pan * lost_g, net_g[:, 0])
    left = net_g * (1.0 - (lost_g - pan_g) / net_g.sum(axis=1))[:, None]
    left[:, 0] = np.maximum(left[:, 0] - pan_g, 0.0)
    return np.asarray(left)


def _read(
    like: TrialLike, arrays: StudyArrays, net_g: Array, poured_g: Array, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Tare and gross readings, shape (R, K), and readings of the samples, shape (R,).

    The empty sieve is one load on each balance, with one error of linearity; every other load has
    its own.  A balance moves once between the empty and the loaded sieves of a run.
    """
    study, shape = like.study, net_g.shape
    names = [study.runs[place].balance for place in like.runs]
    balances = np.array([[study.balances[name]] for name in names], dtype=object)
    number = pd.factorize(np.array(names, dtype=object))[0]
    slope = rng.standard_normal(len(number))[number][:, None] * _each(balances, "slope_u")
    drift_g = rng.uniform(-1.0, 1.0, (shape[0], 1)) * _each(balances, "drift_g")
    largest_g = np.vectorize(largest_error_g, otypes=[float])
    repeatability_g = like.counts("repeatability") * _each(balances, "repeatability_g")

    def shown(load_g: Array, linearity: Array, moved_g: Array | float = 0.0) -> Array:
        error_g: Array = moved_g + load_g * slope + linearity * largest_g(balances, load_g)
        value = load_g + like.counts("calibration") * error_g
        value += repeatability_g * rng.standard_normal(load_g.shape)
        for row, balance in enumerate(balances[:, 0]):
            value[row] = round_to(value[row], balance.resolution_g)
        return np.asarray(np.maximum(value, 0.0))

    first = dict[tuple[str, str], int]()  # reading of each sieve on each balance
    loads = ((sieve, name) for name, row in zip(names, arrays.sieves, strict=True) for sieve in row)
    at = np.array([first.setdefault(one, place) for place, one in enumerate(loads)])
    tare_g = shown(arrays.tare_g, rng.uniform(-1.0, 1.0, at.size)[at].reshape(shape))
    if study.tares is TareHandling.ONCE:
        tare_g = tare_g.ravel()[at].reshape(shape)
    gross_g = shown(arrays.tare_g + net_g, rng.uniform(-1.0, 1.0, shape), drift_g)
    sample_g = shown(poured_g[:, None], rng.uniform(-1.0, 1.0, (shape[0], 1)))
    return tare_g, gross_g, np.maximum(sample_g, _each(balances, "resolution_g"))[:, 0]


def _each(balances: NDArray[np.object_], name: str) -> Array:
    """A number of each balance, shape (R, 1)."""
    return np.array([[getattr(one, name) for one in row] for row in balances], dtype=float)
