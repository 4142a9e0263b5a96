"""The joint law of a study, prepared once: inputs, sensitivities and all that is linear in them.

Rows of a law are the runs in order of name, so that every sum is the same whatever the order of the
runs in the files; results are in the order of the study.  Sizes in µm, masses in g; what an input
adds to a size is added to its logarithm.  Linear propagation is that of JCGM 100, 5.1.2 (joint
results as in JCGM 102); draws of the same inputs are made in `psdstats.uncertainty.engine`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import QUANTITIES, RUN
from psdstats.distribution.arrays import StudyArrays, study_arrays
from psdstats.distribution.curves import InterpolationRule, undersize_of_masses
from psdstats.distribution.percentiles import LEVELS, SizeTable, sizes_of_arrays
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import Action, InputTable, Source, Weighings, collect_inputs
from psdstats.uncertainty.linear import Contributions, coverage_factor, percentile_jacobian
from psdstats.uncertainty.propagation import Method, Propagation, PropagationRemark, SizeDraws
from psdstats.uncertainty.registry import ChosenSources, choose_sources

# the class that holds a percentile must weigh this many of its own u for the slope to be steady
_THIN = 5.0


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
    """

    study: Study
    runs: tuple[Run, ...]
    arrays: StudyArrays
    table: InputTable
    sizes: SizeTable
    contributions: Contributions
    sources: ChosenSources

    @property
    def order(self) -> NDArray[np.intp]:
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
        return (*self.study.notes, *self.sizes.notes, *self.table.notes)

    def linear(self, coverage: float = 0.95) -> Propagation:
        """Value ± k u with k from the effective degrees of freedom."""
        return self.result(self.interval(coverage), coverage)

    def interval(self, coverage: float) -> Interval:
        """The linear law in the order of the rows."""
        value = self.sizes.value
        known = ~np.isnan(value)
        scale = value.ravel()
        log_covariance = self.contributions.covariance
        u = np.sqrt(np.diag(log_covariance)).reshape(value.shape) * value
        k = coverage_factor(coverage, self.contributions.effective_df).reshape(value.shape)
        lower = np.where(known, value - k * u, self.sizes.lower)
        upper = np.where(known, value + k * u, self.sizes.upper)
        doubts = self._doubts(lower, upper)
        return Interval(
            u=u,
            lower=lower,
            upper=upper,
            valid=tuple(tuple(False if doubt else None for doubt in row) for row in doubts),
            covariance=log_covariance * np.outer(scale, scale),
            log_covariance=log_covariance,
            notes=tuple(
                PropagationRemark.LINEAR_DOUBTFUL(
                    run=self.arrays.runs[row], quantity=QUANTITIES[quantity]
                )
                for row, quantity in np.argwhere(doubts[:, : LEVELS.size])
            ),
        )

    def _doubts(self, lower: Array, upper: Array) -> NDArray[np.bool_]:
        """Quantities whose linear interval is known to be doubtful before any draw is made."""
        arrays, value = self.arrays, self.sizes.value
        beyond = (lower < arrays.aperture_um[:, :1]) | (upper > arrays.aperture_um[:, -1:])
        variance = np.zeros(arrays.net_g.shape)
        action = self.table.on_mass
        np.add.at(variance, (action.run, action.place), np.square(action.coefficient))
        thin = self.table.net_g < _THIN * np.sqrt(variance)
        doubts = np.zeros(value.shape, dtype=bool)
        for level in range(LEVELS.size):
            above = arrays.aperture_um < value[:, level, None] * (1 - 1e-9)
            holding = above.sum(axis=1)
            rows = np.arange(len(value))
            doubts[:, level] = beyond[:, level] | thin[rows, holding]
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
            covariance_matrix=found.covariance[np.ix_(both, both)],
            log_covariance_matrix=found.log_covariance[np.ix_(both, both)],
            status=tuple(self.sizes.status[row] for row in order),
            bound_lower=self.sizes.lower[order],
            bound_upper=self.sizes.upper[order],
            linear_valid=tuple(found.valid[row] for row in order),
            method=Method.LINEAR if draws is None else Method.MONTE_CARLO,
            seed=seed,
            sources=tuple(source.name for source in self.sources.included),
            sources_left_out=self.sources.left_out,
            rule=str(self.sizes.rule),
            notes=(*self.notes, *found.notes),
            monte_carlo=None if draws is None else draws.rows(order),
        )

    def at_mean_curve(self, alike: Sequence[str]) -> dict[str, Array]:
        """Covariance of ln of every quantity, with the sensitivities of the mean curves.

        One linear law gives all quantities; each has shape (R, R), NaN for runs without a value.
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
        names = np.array(self.arrays.runs, dtype=object)
        known = ~np.isnan(self.sizes.value)
        laws: dict[tuple[str, ...], JointLaw] = {(): mean_curves(self, alike)}
        lost_at_all = known & np.isnan(laws[()].sizes.value)
        found = {}
        for column, quantity in enumerate(QUANTITIES):
            lost = tuple(names[lost_at_all[:, column]])
            if lost not in laws:
                laws[lost] = mean_curves(self, alike, own=lost)
            rows = len(QUANTITIES) * self.order + column
            gap = np.where(known[self.order, column], 1.0, np.nan)
            covariance = laws[lost].contributions.rows(rows).covariance
            found[quantity] = covariance * np.outer(gap, gap)
        return found

    def undersize(self) -> tuple[Array, Contributions, Contributions]:
        """Undersize at every aperture, what masses add to it, and what is added to the aperture.

        Shapes: (R, K - 1); rows (K - 1) r + j of the contributions are aperture j of run r, those
        of the second are in µm.

        Notes
        -----
        With net masses m_i of total M, ``∂Q_j/∂m_i = ([i ≤ j] - Q_j)/M``.
        """
        net_g = self.table.net_g
        undersize = undersize_of_masses(net_g)
        n_runs, n_sieves = undersize.shape
        below = np.arange(n_sieves)[:, None] >= np.arange(n_sieves + 1)
        by_mass = (below - undersize[:, :, None]) / net_g.sum(axis=1)[:, None, None]
        itself = np.broadcast_to(np.eye(n_sieves), (n_runs, n_sieves, n_sieves))
        known = np.ones(undersize.size, dtype=bool)
        of_mass, of_aperture = (
            _of_inputs(self.table, _acting(self.table, action, slope), known)
            for action, slope in (
                (self.table.on_mass, by_mass),
                (self.table.on_aperture, itself),
            )
        )
        return undersize, of_mass, of_aperture


@dataclass(frozen=True, kw_only=True, eq=False)
class Interval:
    """Intervals of R runs in the rows of a law; shape (R, 4) unless stated.

    Attributes
    ----------
    u, lower, upper : ndarray
        Standard uncertainties and ends.
    valid : tuple of tuple of (bool or None)
        As `Propagation.linear_valid`.
    covariance, log_covariance : ndarray, shape (4 R, 4 R)
        Of values and of their logarithms.
    notes : tuple of Remark
        Doubts.
    """

    u: Array
    lower: Array
    upper: Array
    valid: tuple[tuple[bool | None, ...], ...]
    covariance: Array
    log_covariance: Array
    notes: tuple[Remark, ...]


def prepare(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    runs: Iterable[Run] | None = None,
) -> JointLaw:
    """Joint law of a study, or of some of its runs.

    Give ``sources`` and ``rule`` of a propagation to get the law that it came from; values and the
    linear covariance need no draws.
    """
    chosen_rule = InterpolationRule(study.rule if rule is None else rule)
    chosen = choose_sources(study, sources)
    wanted = study.runs if runs is None else tuple(runs)
    arrays = study_arrays(study, sorted(wanted, key=lambda run: run.name))
    return _law(study, wanted, arrays, chosen, chosen_rule)


def _law(
    study: Study,
    runs: tuple[Run, ...],
    arrays: StudyArrays,
    chosen: ChosenSources,
    rule: InterpolationRule,
) -> JointLaw:
    rows = tuple(sorted(runs, key=lambda run: run.name))
    weighings = Weighings(study=study, runs=rows, arrays=arrays)
    table = collect_inputs(
        weighings, [(source.name, source.inputs(weighings)) for source in chosen.included]
    )
    return JointLaw(
        study=study,
        runs=runs,
        arrays=arrays,
        table=table,
        sizes=sizes_of_arrays(arrays, rule=rule, net_g=table.net_g),
        contributions=_contributions(table, arrays, rule),
        sources=chosen,
    )


def _contributions(
    table: InputTable, arrays: StudyArrays, rule: InterpolationRule
) -> Contributions:
    """What every input adds to ln D10, ln D50, ln D90 and ln span of every run."""
    jacobian = percentile_jacobian(table.net_g, arrays.ln_aperture, LEVELS, rule)
    by_aperture = jacobian.by_ln_aperture / arrays.aperture_um[:, None, :]
    itself = np.broadcast_to(np.eye(LEVELS.size), (len(arrays.runs), LEVELS.size, LEVELS.size))
    on_ln_size = sum(
        _acting(table, action, np.nan_to_num(derivative))
        for action, derivative in (
            (table.on_mass, jacobian.by_mass),
            (table.on_aperture, by_aperture),
            (table.on_ln_size, itself),
        )
    )
    transform, known = _with_span(np.exp(jacobian.ln_size))
    matrix = sparse.csr_array(transform @ on_ln_size)
    matrix.eliminate_zeros()
    return _of_inputs(table, matrix, known)


def _of_inputs(
    table: InputTable, matrix: sparse.csr_array, known: NDArray[np.bool_]
) -> Contributions:
    return Contributions(
        matrix=matrix,
        known=known,
        degrees_of_freedom=table.degrees_of_freedom,
        source=table.source,
        estimate=table.estimate,
        n_sources=len(table.sources),
    )


def _acting(table: InputTable, action: Action, derivative: Array) -> sparse.csr_array:
    """What a standard deviation of each input adds to each result, shape (R L, N).

    Shapes: derivative (R, L, places), of result l of run r in what the action acts on.
    """
    n_runs, n_results, _ = derivative.shape
    run = np.array(action.run, dtype=np.intp)
    place = np.array(action.place, dtype=np.intp)
    part = derivative[run, :, place] * np.array(action.coefficient, dtype=float)[:, None]
    rows = n_results * run[:, None] + np.arange(n_results)
    columns = np.repeat(np.array(action.input, dtype=np.intp), n_results)
    return sparse.csr_array(
        (part.ravel(), (rows.ravel(), columns)), shape=(n_runs * n_results, len(table.kind))
    )


def _with_span(size: Array) -> tuple[sparse.csr_array, NDArray[np.bool_]]:
    """Map (ln D10, ln D50, ln D90) of each run to these and ln span, and which of them are known.

    Shapes: size (R, 3), NaN where not bracketed (the rows are then 0); gives (4 R, 3 R), (4 R,).
    """
    n_runs = len(size)
    width = np.where(np.isnan(size[:, 1]), np.nan, size[:, 2] - size[:, 0])
    by_size = np.stack([-size[:, 0] / width, np.full(n_runs, -1.0), size[:, 2] / width], axis=1)
    blocks = np.zeros((n_runs, 4, 3))
    known = ~np.isnan(np.column_stack([size, width]))
    blocks[:, [0, 1, 2], [0, 1, 2]] = known[:, :3]
    blocks[:, 3, :] = np.where(known[:, 3:], by_size, 0.0)
    run, quantity, level = np.nonzero(blocks)
    transform = sparse.csr_array(
        (blocks[run, quantity, level], (4 * run + quantity, 3 * run + level)),
        shape=(4 * n_runs, 3 * n_runs),
    )
    return transform, known.ravel()


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
    net_g = law.arrays.net_g.copy()
    shares = net_g / law.arrays.total_g[:, None]
    for row, name in enumerate(law.arrays.runs):
        if name not in own:
            mates = [mate for mate, kind in enumerate(kinds) if kind == kinds[row]]
            net_g[row] = law.arrays.total_g[row] * shares[mates].mean(axis=0)
    gross_g = law.arrays.tare_g + net_g
    arrays = replace(law.arrays, gross_g=gross_g, net_g=gross_g - law.arrays.tare_g)
    return _law(law.study, law.runs, arrays, law.sources, law.sizes.rule)


def undersize_bands(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Cumulative undersize of every run with a pointwise interval.

    Parameters
    ----------
    study : Study
        The weighings.
    sources : iterable of str or Source, optional
        As in `propagate`; by default those the study switches on.
    coverage : float, default=0.95
        Coverage probability of each interval.

    Returns
    -------
    DataFrame
        One row a run and sieve, finest first: run, milling_time_min, sieve, aperture_um,
        undersize, u, lower, upper; fractions of one, limits kept within 0 and 1.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.

    Notes
    -----
    The band at the stated aperture x_j holds what the readings do to the mass below the sieve and
    what the sieve's aperture error does: a sieve wider by δ passes about (dQ3/dx) δ more.  Sources
    that act on percentiles directly (interpolation, run to run) have no part in it.  The joint
    results for D10, D50, D90 come from `propagate`, never from a band.
    """
    law = prepare(study, sources=sources)
    arrays = law.arrays
    undersize, of_mass, of_aperture = law.undersize()
    slope = sparse.diags_array(-_slope(arrays, undersize).ravel())
    both = replace(of_mass, matrix=sparse.csr_array(of_mass.matrix + slope @ of_aperture.matrix))
    u = both.u.reshape(undersize.shape)
    half = coverage_factor(coverage) * u
    order = law.order
    place_of_run = np.nonzero(arrays.real[order][:, 1:])
    run, place = order[place_of_run[0]], place_of_run[1]
    times = np.array([one.milling_time_min for one in law.runs], dtype=float)
    return pd.DataFrame(
        {
            "run": np.array(arrays.runs, dtype=object)[run],
            "milling_time_min": times[place_of_run[0]],
            "sieve": [arrays.sieves[r][p + 1] for r, p in zip(run, place, strict=True)],
            "aperture_um": arrays.aperture_um[run, place],
            "undersize": undersize[run, place],
            "u": u[run, place],
            "lower": np.clip(undersize - half, 0.0, 1.0)[run, place],
            "upper": np.clip(undersize + half, 0.0, 1.0)[run, place],
        }
    )


def _slope(arrays: StudyArrays, undersize: Array) -> Array:
    """Slope of the undersize curve at each aperture by central differences in ln x, per µm."""
    slopes = np.zeros_like(undersize)
    for row, x in enumerate(arrays.ln_aperture):
        places = np.flatnonzero(arrays.real[row, 1:])
        if len(places) > 1:
            slopes[row, places] = np.gradient(undersize[row, places], x[places])
    return slopes / arrays.aperture_um
