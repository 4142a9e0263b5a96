"""The joint law of a study, prepared once: inputs, sensitivities and all that is linear in them.

Rows of a law are the runs in order of name, so that every sum is the same whatever the order of the
runs in the files; results are in the order of the study.  Sizes in µm, masses in g; what an input
adds to a size is added to its logarithm.  Linear propagation is that of JCGM 100, 5.1.2 (joint
results as in JCGM 102); draws of the same inputs are made in `psdstats.uncertainty.engine`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import QUANTITIES, RUN
from psdstats.covariance import Covariance, SharedErrors
from psdstats.distribution.borrowing import between_correlation, borrow
from psdstats.distribution.curves import InterpolationRule, StudyArrays, study_arrays
from psdstats.distribution.many_runs import borrow_many
from psdstats.distribution.percentiles import LEVELS, SizeTable, sizes_of_arrays
from psdstats.distribution.powder_curve import CurveLaw, at_scores, curve_law
from psdstats.distribution.trial_curves import TrialRuns
from psdstats.errors import PsdstatsError
from psdstats.findings import Remark
from psdstats.frozen import Array, Flags, Indices
from psdstats.processes import beside
from psdstats.room import ensure_room, one_thread
from psdstats.study.aside import every_note
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import (
    Actions,
    ChosenSources,
    InputTable,
    Source,
    Weighings,
    choose_sources,
    collect_inputs,
)
from psdstats.uncertainty.linear import (
    Contributions,
    OpenCurves,
    coverage_factor,
    curve_jacobian,
    of_inputs,
    on_ln_size,
    percentile_jacobian,
    shared_factor,
    span_ends,
    undersize_law,
    with_span,
)
from psdstats.uncertainty.propagation import (
    Joint,
    Method,
    Propagation,
    PropagationRemark,
    SizeDraws,
)

# the class that holds a percentile must weigh this many of its own u for the slope to be steady
_THIN = 5.0
_BETWEEN = "between_sieves"
# below this share of the mass, or this many u of a net mass, nothing passes or is left
_NOTHING, _SEEN = 2e-4, 4.0
_MOST_FOUND = 32  # laws of curves kept for the next call
MOST_AT_ONCE = 256  # runs whose joint law is found with matrices over all of them
MOST_WHOLE = 128  # runs compared with matrices over all of them
# measured: tests/calibration/results/large_studies.md; by a prescribed rule, and without
_BYTES_OF_READING = 8_000, 10_500
_FOUND: dict[bytes, OpenCurves] = {}


@dataclass(frozen=True, kw_only=True, eq=False)
class JointLaw:
    """A study ready for propagation: values at the best estimates, and what moves them together.

    Attributes
    ----------
    study : Study
        The whole study.
    runs : tuple of Run
        The runs propagated, in the order of the study.
    arrays : StudyArrays
        Their weighings; rows in order of name, as everywhere in the law.
    table : InputTable
        The independent inputs.
    sizes : SizeTable
        Sizes at the best estimates of the inputs.
    contributions : Contributions
        To ln D10, ln D50, ln D90 and ln span: row 4 r + q is quantity q of run r.
    sources : ChosenSources
        What is counted and what is not.
    curves : OpenCurves or None
        Law of the undersize curves of the rows; None where a rule is prescribed.
    """

    study: Study
    runs: tuple[Run, ...]
    arrays: StudyArrays
    table: InputTable
    sizes: SizeTable
    contributions: Contributions
    sources: ChosenSources
    curves: OpenCurves | None

    @property
    def order(self) -> Indices:
        """Row of each run of `runs`, shape (R,)."""
        row = {name: number for number, name in enumerate(self.arrays.runs)}
        return np.array([row[run.name] for run in self.runs], dtype=np.intp)

    @property
    def value(self) -> Array:
        """Sizes and span of `runs` at the best estimates, shape (R, 4); NaN where not bracketed."""
        return self.sizes.value[self.order]

    @property
    def notes(self) -> tuple[Remark | str, ...]:
        """What the study says and what had to be assumed before anything is propagated."""
        found = () if self.curves is None else _curve_notes(self.curves.curve, self.arrays)
        if self.curves is not None and len(self.study.runs) > MOST_AT_ONCE:
            found = (*found, PropagationRemark.MANY_RUNS(runs=len(self.study.runs)))
        return (*every_note(self.study), *self.sizes.notes, *self.table.notes, *found)

    def linear(self, coverage: float = 0.95) -> Propagation:
        """Value ± k u with k from the effective degrees of freedom."""
        return self.result(self.interval(coverage), coverage)

    def interval(self, coverage: float) -> Interval:
        """The linear law in the order of the rows."""
        value = self.sizes.value
        known = ~np.isnan(value)
        u = self.contributions.u.reshape(value.shape) * value
        u = np.where(u > value, np.nan, u) if self.curves is None else u
        k = coverage_factor(coverage, self.contributions.effective_df).reshape(value.shape)
        ends = self.ends(k)
        lower = np.where(known, ends[0], self.sizes.lower)
        upper = np.where(known, ends[1], self.sizes.upper)
        doubts, valid = self._doubts(lower, upper), np.full(value.shape, None)
        valid[doubts] = False
        return Interval(
            u=u,
            lower=lower,
            upper=upper,
            valid=valid,
            joint=Joint(of_logs=self.contributions),
            notes=tuple(
                PropagationRemark.LINEAR_DOUBTFUL(
                    run=self.arrays.runs[row], quantity=QUANTITIES[quantity]
                )
                for row, quantity in np.argwhere(doubts[:, : LEVELS.size])
                if self.curves is None  # the law of the curve has remarks of its own
            ),
        )

    def ends(self, k: Array) -> Array:
        """Value ∓ k u, or by the law of the curve its quantiles for that k; k (R, 4), (2, R, 4)."""
        value = self.sizes.value
        reach = k * self.contributions.u.reshape(value.shape) * value
        ends = np.stack([value - reach, value + reach])
        ends[:, reach > value] = np.array([[0.0], [np.inf]])  # a flat step: nothing is said
        if self.curves is not None:
            ends[:, :, : LEVELS.size] = self._curve_ends(self.curves.curve, k[:, : LEVELS.size])
            known = np.isfinite(ends[:, :, : LEVELS.size]).all(axis=(0, 2))
            ends[:, known, -1] = span_ends(self.contributions, value, ends[..., :-1])[:, known]
        return ends

    def _curve_ends(self, curve: CurveLaw, k: Array) -> Array:
        """Quantiles of the law of the curve, with what acts on sizes beside it, (2, R, 3)."""
        beside, levels = np.flatnonzero(self.acts_on_size), slice(LEVELS.size)
        squares = (own.power(2) for own in self.contributions.blocks())
        sums = [np.stack([own.sum(axis=1), own[:, beside].sum(axis=1)]) for own in squares]
        whole, direct = np.hstack(sums).reshape(2, *self.sizes.value.shape)
        through = np.maximum(whole - direct, 0.0)
        scores = np.nan_to_num(k * np.sqrt(through[:, levels]) / curve.u)
        further = k * np.sqrt(direct[:, levels])
        ends = []
        for sign in (-1.0, 1.0):
            reach = at_scores(curve.table, sign * scores[..., None])[..., 0] - curve.ln_size
            ends.append(curve.ln_size + sign * np.hypot(reach, further))
        return np.asarray(np.exp(ends))

    def on_sizes(self) -> InputTable:
        """The inputs as draws take them: with a law of the curve, all on its scores or beside it.

        Scores are in the first three places of each run, shifts of ln D in the next three.
        """
        if self.curves is None:
            return self.table
        rows = np.arange(len(QUANTITIES) * len(self.arrays.runs))
        levels = rows[rows % len(QUANTITIES) < LEVELS.size]
        scale = np.nan_to_num(self.curves.curve.u.ravel())
        acting = self.contributions.matrix[levels].tocoo()
        beside = self.acts_on_size[acting.col]
        run, level = np.divmod(acting.row, LEVELS.size)
        unit = np.where(beside, 1.0, scale[acting.row])
        taken = Actions(
            input=acting.col,
            run=run,
            place=level + LEVELS.size * beside,
            coefficient=acting.data / np.where(unit > 0, unit, np.inf),
        )
        return replace(self.table, on_mass=Actions.of(), on_aperture=Actions.of(), on_ln_size=taken)

    @property
    def acts_on_size(self) -> Flags:
        """Inputs that shift ln sizes beside the law of the curve, shape (N,)."""
        found = np.zeros(len(self.table.kind), dtype=bool)
        found[self.table.on_ln_size.input] = True
        if _BETWEEN in self.table.sources:
            found &= self.table.source != self.table.sources.index(_BETWEEN)
        return found

    def _doubts(self, lower: Array, upper: Array) -> Flags:
        """Quantities whose linear interval is known to be doubtful before any draw is made."""
        arrays, value = self.arrays, self.sizes.value
        if self.curves is not None:
            flat = self.curves.curve.flat
            return np.column_stack([flat, flat.any(axis=1)]) & ~np.isnan(value)
        beyond = (lower < arrays.aperture_um[:, :1]) | (upper > arrays.aperture_um[:, -1:])
        variance = np.zeros(arrays.net_g.shape)
        action = self.table.on_mass
        np.add.at(variance, (action.run, action.place), np.square(action.coefficient))
        thin = self.table.net_g < _THIN * np.sqrt(variance)
        doubts, place = beyond.copy(), np.arange(thin.shape[1])
        for level in range(LEVELS.size):  # no class that the interval touches may be thin
            ends = (value[:, level] * (1 - 1e-9), lower[:, level], upper[:, level])
            classes = np.array([(arrays.aperture_um < end[:, None]).sum(axis=1) for end in ends])
            first, last = classes.min(axis=0)[:, None], classes.max(axis=0)[:, None]
            doubts[:, level] |= (thin & (place >= first) & (place <= last)).any(axis=1)
        doubts[:, LEVELS.size] = doubts[:, : LEVELS.size].any(axis=1)
        return np.asarray(doubts & ~np.isnan(value))

    def result(
        self, found: Interval, coverage: float, *, seed: int = 0, draws: SizeDraws | None = None
    ) -> Propagation:
        """Put everything together, runs back in the order of the study."""
        order = self.order
        both = (len(QUANTITIES) * order[:, None] + np.arange(len(QUANTITIES))).ravel()
        shape = (*self.sizes.value.shape, -1)
        share = self.contributions.shares.reshape(shape)
        limited = [source.balance_limited for source in self.sources.included]
        return Propagation(
            runs=tuple(run.name for run in self.runs),
            groups=tuple(run.group for run in self.runs),
            milling_time_min=np.array([run.milling_time_min for run in self.runs], dtype=float),
            value=self.value,
            u=found.u[order],
            lower=found.lower[order],
            upper=found.upper[order],
            coverage=coverage,
            effective_df=self.contributions.effective_df.reshape(shape[:2])[order],
            balance_share=share[:, :, limited].sum(axis=2)[order],
            source_share=share[order],
            joint=found.joint if (np.diff(both) == 1).all() else found.joint.rows(both),
            status=tuple(self.sizes.status[row] for row in order),
            bound_lower=self.sizes.lower[order],
            bound_upper=self.sizes.upper[order],
            linear_valid=found.valid[order],
            method=Method.LINEAR if draws is None else Method.MONTE_CARLO,
            seed=seed,
            sources=tuple(source.name for source in self.sources.included),
            sources_left_out=self.sources.left_out,
            rule=str(self.sizes.rule or ""),
            notes=(*self.notes, *found.notes),
            monte_carlo=None if draws is None else draws.rows(order),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Interval:
    """Intervals of R runs in the rows of a law, shape (R, 4), and the joint law of their sizes."""

    u: Array
    lower: Array
    upper: Array
    valid: NDArray[np.object_]  # as `Propagation.linear_valid`
    joint: Joint
    notes: tuple[Remark, ...]


@one_thread
def prepare(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    runs: Iterable[Run] | None = None,
    curves: OpenCurves | None = None,
) -> JointLaw:
    """Joint law of a study, or of some of its runs.

    Give ``sources`` and ``rule`` of a propagation to get the law that it came from; values and the
    linear covariance need no draws.  A rule that is empty is the study's own.  The law of the
    curves is that of the whole study whichever runs are asked for; ``curves`` of another law of
    the same runs stand in for it.
    """
    prescribed = rule or study.rule
    chosen_rule = None if prescribed is None else InterpolationRule(prescribed)
    chosen = choose_sources(study, sources)
    wanted = study.runs if runs is None else tuple(runs)
    readings = sum(len(run.readings) for run in study.runs)
    fewer = "evaluate fewer runs at a time, such as some of the groups"
    ensure_room(
        _BYTES_OF_READING[prescribed is None] * readings,
        f"the joint law of {len(study.runs)} runs with {readings} readings",
        remedy=fewer + (", or prescribe a rule in study.toml" if chosen_rule is None else ""),
    )
    if chosen_rule is not None:
        arrays = study_arrays(study, sorted(wanted, key=lambda run: run.name))
        return law_of(study, wanted, arrays, chosen.without(_BETWEEN), chosen_rule)
    rows = sorted(study.runs, key=lambda run: run.name)
    whole = Weighings(study=study, runs=tuple(rows), arrays=study_arrays(study, rows))
    found = open_curves(whole, chosen) if curves is None else curves
    if len(wanted) == len(rows):
        return law_of(study, wanted, whole.arrays, chosen, None, found)
    names = {run.name for run in wanted}
    picked = [row for row, run in enumerate(rows) if run.name in names]
    return law_of(study, wanted, whole.arrays.take(picked), chosen, None, found.take(picked))


@contextmanager
def curves_beside(study: Study, sources: Iterable[str | Source] | None = None) -> Iterator[None]:
    """Find the law of the curves of a study in a copy of this process, while others do other work.

    Whatever asks for it afterwards finds it; what cannot be found is refused there.
    """
    before = set(_FOUND)

    def found() -> dict[bytes, OpenCurves]:
        with suppress(PsdstatsError):
            prepare(study, sources=sources)
        return {key: law for key, law in _FOUND.items() if key not in before}

    with beside(found) as known:
        yield
        _FOUND.update(known())


def open_curves(weighings: Weighings, chosen: ChosenSources) -> OpenCurves:
    """Law of the curves of all runs, with the errors of readings and apertures as its noise.

    The shape between the sieves is borrowed across the trial unless the study switches it off.
    Sources that only widen are no part of the noise: the law is what it is without them.  The same
    readings and errors give the law found before.
    """
    told = [one for one in chosen.included if not one.only_widens]
    table = replace(collect_inputs(weighings, told), on_ln_size=Actions.of())
    trial = _trial_runs(weighings, table)
    stacks = [
        tuple(sorted(weighings.study.sieves[each.sieve].nominal_um for each in run.readings[1:]))
        for run in weighings.runs
    ]
    alike = _numbered(zip(trial.minutes.tolist(), trial.condition.tolist(), stacks, strict=True))
    alone = not weighings.study.uncertainty.get("borrowing", True)
    key = blake2b(bytes([alone]), digest_size=16)
    for each in (*vars(trial).values(), alike):
        key.update(np.ascontiguousarray(each).tobytes())
    known = key.digest()
    found = _FOUND.pop(known, None) or _found(weighings.arrays, table, trial, alike, alone=alone)
    while len(_FOUND) >= _MOST_FOUND:
        _FOUND.pop(next(iter(_FOUND)), None)  # the one not asked for the longest
    _FOUND[known] = found
    return found


def _found(
    arrays: StudyArrays, table: InputTable, trial: TrialRuns, alike: Indices, *, alone: bool
) -> OpenCurves:
    """Law of the curves, each run alone or borrowing from the others."""
    curve = curve_law(
        trial.undersize,
        trial.ln_aperture,
        u_ln_aperture=trial.u_ln_aperture,
        covariance=trial.covariance,
        smallest=trial.smallest,
    )
    if len(alike) > MOST_AT_ONCE:
        many, open_factor = borrow_many(trial, curve, alike, alone=alone)
        return OpenCurves(curve=many, factor=open_factor)
    correlation = between_correlation(curve, alike)
    if alone:
        matrix = on_ln_size(table, arrays, curve_jacobian(curve, table.net_g))
        noise = np.asarray(matrix.power(2).sum(axis=1)).ravel()
        left = np.nan_to_num(np.sqrt(np.maximum(curve.u.ravel() ** 2 - noise, 0.0)))
        return OpenCurves(curve=curve, factor=sparse.csr_array(shared_factor(left, correlation)))
    borrowed = borrow(trial, curve, correlation)
    left = np.sqrt(np.maximum(np.diag(borrowed.between), 0.0))
    scale = np.where(left > 0, left, 1.0)
    factor = shared_factor(left, borrowed.between / np.outer(scale, scale))
    return OpenCurves(curve=borrowed.law, factor=sparse.csr_array(factor))


def _trial_runs(weighings: Weighings, table: InputTable) -> TrialRuns:
    """What the runs show of their curves; powders of one time differ by their factors.

    Nothing, of an undersize, is what four u of the best known net mass cannot tell from it.
    """
    arrays, runs = weighings.arrays, weighings.runs
    raw, of_mass, of_aperture = undersize_law(table)
    n_sieves = arrays.real[:, 1:].sum(axis=1)
    acting, variance = table.on_mass, np.zeros(arrays.net_g.shape)
    np.add.at(variance, (acting.run, acting.place), np.square(acting.coefficient))
    least_g = np.sqrt(np.where(arrays.real, variance, np.inf).min(axis=1))
    by_run = (of_mass.matrix[row : row + raw.shape[1]] for row in range(0, raw.size, raw.shape[1]))
    return TrialRuns(
        undersize=np.maximum.accumulate(np.clip(raw, 0.0, 1.0), axis=1),
        ln_aperture=arrays.ln_aperture,
        u_ln_aperture=of_aperture.u.reshape(raw.shape) / arrays.aperture_um,
        real=np.arange(raw.shape[1]) < n_sieves[:, None],
        sieve=arrays.sieve_index,
        covariance=np.array([(own @ own.T).toarray() for own in by_run]),
        smallest=np.maximum(_NOTHING, _SEEN * least_g / table.net_g.sum(axis=1)),
        bench=_numbered(run.group for run in runs),
        condition=_numbered(str(sorted(run.factors.items())) for run in runs),
        minutes=np.array([run.milling_time_min for run in runs], dtype=float),
    )


def _numbered(labels: Iterable[Hashable]) -> Indices:
    """Number of each label, in order of first appearance."""
    known: dict[Hashable, int] = {}
    return np.array([known.setdefault(label, len(known)) for label in labels], dtype=np.intp)


def law_of(
    study: Study,
    runs: tuple[Run, ...],
    arrays: StudyArrays,
    chosen: ChosenSources,
    rule: InterpolationRule | None,
    curves: OpenCurves | None = None,
) -> JointLaw:
    """The law of some runs with what was chosen for them."""
    rows = tuple(sorted(runs, key=lambda run: run.name))
    left_open = () if curves is None else (curves.inputs(),)
    weighings = Weighings(study=study, runs=rows, arrays=arrays, left_open=left_open)
    table = collect_inputs(weighings, chosen.included)
    del weighings, left_open
    if curves is not None:
        jacobian = curve_jacobian(curves.curve, table.net_g)
    else:
        prescribed = rule or InterpolationRule.SEMILOG
        jacobian = percentile_jacobian(table.net_g, arrays.ln_aperture, LEVELS, prescribed)
    transform, known = with_span(np.exp(jacobian.ln_size))
    matrix = sparse.csr_array(transform @ on_ln_size(table, arrays, jacobian))
    matrix.eliminate_zeros()
    ln_size = None if curves is None else curves.curve.ln_size
    sizes = sizes_of_arrays(arrays, rule=rule, net_g=table.net_g, ln_size=ln_size)
    return JointLaw(
        study=study, runs=runs, arrays=arrays, table=table, sizes=sizes, sources=chosen,
        contributions=of_inputs(table, matrix, known), curves=curves,
    )  # fmt: skip


def _curve_notes(curve: CurveLaw, arrays: StudyArrays) -> tuple[Remark, ...]:
    """Classes that may hide a peak, and levels met along a flat step."""
    hidden: dict[tuple[float, float], list[str]] = {}
    for row in np.flatnonzero(curve.hidden_peak > 0).tolist():
        upper = int(curve.hidden_peak[row])
        ends = arrays.aperture_um[row, upper - 1 : upper + 1].tolist()
        hidden.setdefault((ends[0], ends[1]), []).append(arrays.runs[row])
    flat = [
        PropagationRemark.FLAT_STEP(run=arrays.runs[row], quantity=QUANTITIES[level])
        for row, level in np.argwhere(curve.flat).tolist()
    ]
    peaks = [
        PropagationRemark.HIDDEN_PEAK(runs=tuple(runs), finer_um=ends[0], coarser_um=ends[1])
        for ends, runs in sorted(hidden.items())
    ]
    return (*peaks, *flat)


@one_thread
def at_mean_curve(law: JointLaw, alike: Sequence[str]) -> dict[str, tuple[Covariance, Covariance]]:
    """Covariance of ln of every quantity at the mean curves, and the balance's part of it.

    One linear law gives all quantities; each has shape (R, R), NaN for runs without a value, the
    balance's part 0 there.  Of very many runs they are `SharedErrors`.
    `alike` are the columns of the run table whose equal rows are runs alike; a run whose mean
    curve leaves a quantity open keeps its own curve there.

    Notes
    -----
    A model that weighs runs by their known covariance must not let a run's weight depend on its
    own reading.  Between two apertures ln D is a straight line in the undersize, and so are its
    sensitivities to the errors of the two apertures: read from each run's own curve, they
    follow the very scatter that the model is to judge, which it then takes for an aperture
    error and "corrects" (in data evaluation known as Peelle's puzzle; from memory).
    Sensitivities at the mean curve of runs alike do not.  What it makes of intervals is
    measured in tests/calibration/results/time_effect.md.
    """
    names = np.array(law.arrays.runs, dtype=object)
    known = ~np.isnan(law.sizes.value)
    limited = np.array([one.balance_limited for one in law.sources.included], dtype=np.bool_)
    laws: dict[tuple[str, ...], JointLaw] = {(): mean_curves(law, alike)}
    found_at_all = laws[()].contributions.known.reshape(known.shape)
    lost_at_all = known & ~(found_at_all & np.isfinite(laws[()].sizes.value))
    found = {}
    for column, quantity in enumerate(QUANTITIES):
        lost = tuple(names[lost_at_all[:, column]])
        if lost not in laws:
            laws[lost] = mean_curves(law, alike, own=lost)
        own = laws[lost].contributions.rows(len(QUANTITIES) * law.order + column)
        is_known = known[law.order, column] & own.known
        of_balance = replace(own, matrix=own.matrix[:, limited[own.source]])
        found[quantity] = (
            _covariance(replace(own, known=is_known)),
            _covariance(replace(of_balance, known=np.ones_like(is_known))),
        )
    return found


def _covariance(found: Contributions) -> Covariance:
    """Joint covariance of one number of each run."""
    if len(found.known) <= MOST_WHOLE:
        return found.covariance
    matrix = found.matrix.tocsc()
    is_shared = np.diff(matrix.indptr) > 1
    own = np.asarray(matrix[:, ~is_shared].power(2).sum(axis=1)).ravel()
    shared = matrix[:, is_shared].toarray() * found.known[:, None]
    return SharedErrors.of(np.where(found.known, own, np.nan), shared)


def mean_curves(law: JointLaw, alike: Sequence[str], *, own: Sequence[str] = ()) -> JointLaw:
    """The law with the masses of every run those of the mean curve of runs alike.

    Runs named in ``own`` keep their masses; totals and tares stay.
    """
    rows = sorted(law.runs, key=lambda run: run.name)
    table = law.study.runs_frame().set_index(RUN).loc[list(law.arrays.runs), list(alike)]
    levels = table.itertuples(index=False, name=None)
    kinds: list[Hashable] = [
        (level, tuple(reading.aperture_um for reading in run.readings))
        for level, run in zip(levels, rows, strict=True)
    ]
    mean = _Means.of(kinds, np.isin(law.arrays.runs, own))
    total_g = law.arrays.net_g.sum(axis=1, keepdims=True)
    gross_g = law.arrays.tare_g + total_g * mean(law.arrays.net_g / total_g)
    arrays = replace(law.arrays, gross_g=gross_g, net_g=gross_g - law.arrays.tare_g)
    curves = None
    if law.curves is not None:
        of_run = law.curves.curve
        mean_curves_of = replace(
            of_run,
            table=mean(of_run.table),
            by_ln_aperture=mean(of_run.by_ln_aperture),
            by_undersize=mean(of_run.by_undersize),
        )
        curves = OpenCurves(curve=mean_curves_of, factor=mean.of_factor(law.curves.factor))
    return law_of(law.study, law.runs, arrays, law.sources, law.sizes.rule, curves)


@dataclass(frozen=True, eq=False)
class _Means:
    """Means of runs alike: weights (M, R) of the different means, and the mean of each run (R,)."""

    weights: sparse.csr_array | Array
    place: Indices

    @classmethod
    def of(cls, kinds: Sequence[Hashable], alone: Flags) -> _Means:
        """The mean over all runs of a kind, for runs that do not stand alone."""
        kind, runs = _numbered(kinds), np.arange(len(kinds))
        weight = 1.0 / np.bincount(kind)
        single, place = np.flatnonzero(alone), kind.copy()
        place[single] = len(weight) + np.arange(len(single))
        values = np.concatenate([weight[kind], np.ones(len(single))])
        places = np.concatenate([kind, place[single]]), np.concatenate([runs, single])
        shape = len(weight) + len(single), len(runs)
        weights = sparse.coo_array((values, places), shape=shape).tocsr()
        return (
            cls(weights, place) if len(runs) > MOST_AT_ONCE else cls(weights.toarray()[place], runs)
        )

    def __call__(self, each: Array) -> Array:
        """Means of each (R, …); NaN where one of them has no value."""
        flat = each.reshape(len(each), -1)
        lost = self.weights @ np.isnan(flat).astype(float) > 0
        means = np.where(lost, np.nan, self.weights @ np.nan_to_num(flat))
        return np.asarray(means[self.place].reshape(each.shape))

    def of_factor(self, factor: sparse.csr_array) -> sparse.csr_array:
        """The factor (R L, N) of an open covariance, with as few inputs as there are means."""
        weights = sparse.csr_array(self.weights)  # dense ones give another kind in some versions
        mean = sparse.csr_array(sparse.kron(weights, np.eye(LEVELS.size)) @ factor)
        if mean.shape[1] > mean.shape[0]:
            mean = sparse.csr_array(np.linalg.qr(mean.toarray().T)[1].T)
        rows = LEVELS.size * self.place[:, None] + np.arange(LEVELS.size)
        return mean[rows.ravel()]
