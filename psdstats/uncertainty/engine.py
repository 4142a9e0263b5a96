"""Propagate the uncertainty of a whole study: all runs jointly, linearly or by Monte Carlo."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays
from psdstats.distribution.rules import as_rule
from psdstats.distribution.sizes import QUANTITIES, SizeTable, sizes_of_arrays
from psdstats.errors import UncertaintyError
from psdstats.study.records import Run, Study
from psdstats.uncertainty.assemble import Parts, linear_parts, monte_carlo_parts, reorder
from psdstats.uncertainty.drawing import Drawing
from psdstats.uncertainty.inputs import InputTable, Weighings, collect_inputs
from psdstats.uncertainty.linear import Sensitivities, study_sensitivities
from psdstats.uncertainty.monte_carlo import Accumulator, accumulate
from psdstats.uncertainty.options import CHUNK_DRAWS, MAX_DRAWS, as_method, wanted_coverage
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.registry import ChosenSources, choose_sources
from psdstats.uncertainty.sources.base import Source

__all__ = ["Prepared", "prepare", "propagate"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """A study ready for propagation, its runs in order of name."""

    arrays: StudyArrays
    table: InputTable
    sizes: SizeTable
    sensitivities: Sensitivities
    sources: ChosenSources

    @property
    def balance_share(self) -> Array:
        """Share of the linear variance that a better balance would reduce, shape (R, 4)."""
        limited = [source.balance_limited for source in self.sources.included]
        return np.asarray(self.sensitivities.source_shares(self.table)[:, :, limited].sum(axis=2))


def propagate(
    study: Study,
    *,
    method: str | Method = Method.MONTE_CARLO,
    seed: int = 0,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    coverage: float | None = None,
    draws: int | None = None,
    max_draws: int = MAX_DRAWS,
    digits: int | None = None,
    workers: int = 1,
    cluster: str | None = None,
    chunk: int = CHUNK_DRAWS,
    progress: Callable[[int, int], None] | None = None,
) -> Propagation:
    """Sizes of every run with their joint uncertainty.

    Parameters
    ----------
    study : Study
        The weighings and what is known of balances and sieves.
    method : {"monte carlo", "linear"}, default="monte carlo"
        JCGM 101 or JCGM 100.
    seed : int, default=0
        Seed of the random streams.
    sources : iterable of str or Source, optional
        Exactly these sources; the settings of the study if left out.
    rule : str, optional
        Interpolation rule; the study's own if left out.
    coverage : float, optional
        Coverage probability; `coverage` of the study's uncertainty settings, else 0.95.
    draws : int, optional
        Number of draws, rounded up to whole blocks of 10 000 (fewer than that is one block);
        adaptive if left out.
    max_draws : int, default=2_000_000
        Most draws of the adaptive method.
    digits : {1, 2}, optional
        Significant digits of u to which the adaptive method works; by default 2 for up to ten
        runs, else 1, for two digits of everything take over a million draws of every run.
    workers : int, default=1
        Processes; the result does not depend on it.
    cluster : str, optional
        Address of a Dask scheduler (extra `psdstats[cluster]`).
    chunk : int, default=5000
        Draws worked on at a time; the result does not depend on it.
    progress : callable, optional
        Called with (blocks done, most blocks).

    Returns
    -------
    Propagation

    Raises
    ------
    UncertaintyError
        If an option or a source is not possible as asked.
    SizeError
        If a run cannot be read as a distribution.
    """
    way = as_method(method)
    wanted = wanted_coverage(study, coverage)
    ready = prepare(study, sources=sources, rule=rule)
    if way is Method.LINEAR:
        parts = linear_parts(ready, wanted)
        return _result(study, ready, parts, way, wanted, seed)
    drawing = Drawing(
        seed=seed,
        coverage=wanted,
        draws=draws,
        max_draws=max_draws,
        digits=digits,
        workers=workers,
        cluster=cluster,
        chunk=chunk,
        progress=progress,
    )
    count = len(study.runs)
    accumulator = Accumulator(
        digits=drawing.digits_for(count),
        min_blocks=drawing.fewest_blocks(count),
        watched=~np.isnan(ready.sizes.value).ravel(),
    )
    total = accumulate(accumulator, drawing.blocks(ready))
    parts = monte_carlo_parts(ready, linear_parts(ready, wanted), accumulator, total)
    return _result(study, ready, parts, way, wanted, seed)


def prepare(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    runs: Iterable[Run] | None = None,
) -> Prepared:
    """Arrange a study, its sources and its sensitivities, runs in order of name.

    The order of name makes every sum the same whatever the order of the runs in the files.

    Raises
    ------
    UncertaintyError
        If a run stands twice, names an unknown balance, or a source is not possible.
    """
    chosen_rule = as_rule(study.rule if rule is None else rule)
    chosen = choose_sources(study, sources)
    ordered = sorted(study.runs if runs is None else runs, key=lambda run: run.name)
    for run, following in itertools.pairwise(ordered):
        if run.name == following.name:
            raise UncertaintyError(f"run {run.name!r} stands twice; give each run its own name.")
    for run in ordered:
        if run.balance not in study.balances:
            raise UncertaintyError(
                f"run {run.name!r} names balance {run.balance!r}, which the study does not "
                f"describe; it has {', '.join(study.balances) or 'none'}."
            )
    weighings = Weighings.of(study, ordered, chosen_rule)
    table = collect_inputs(
        weighings, [(source.name, source.inputs(weighings)) for source in chosen.included]
    )
    return Prepared(
        arrays=weighings.arrays,
        table=table,
        sizes=sizes_of_arrays(weighings.arrays, rule=chosen_rule, net_g=table.net_g),
        sensitivities=study_sensitivities(table, weighings.arrays, chosen_rule),
        sources=chosen,
    )


def _result(
    study: Study, ready: Prepared, parts: Parts, method: Method, coverage: float, seed: int
) -> Propagation:
    """Put everything together, runs back in the order of the study."""
    place = {name: index for index, name in enumerate(ready.arrays.runs)}
    order = np.array([place[run.name] for run in study.runs], dtype=np.intp)
    both = (4 * order[:, None] + np.arange(len(QUANTITIES))).ravel()
    matrix = np.ix_(both, both)
    by_run = reorder(parts, order)
    return Propagation(
        runs=tuple(run.name for run in study.runs),
        groups=tuple(run.group for run in study.runs),
        milling_time_min=np.array([run.milling_time_min for run in study.runs], dtype=float),
        value=ready.sizes.value[order],
        status=tuple(ready.sizes.status[row] for row in order),
        bound_lower=ready.sizes.lower[order],
        bound_upper=ready.sizes.upper[order],
        coverage=coverage,
        balance_share=ready.balance_share[order],
        source_share=ready.sensitivities.source_shares(ready.table)[order],
        effective_df=ready.sensitivities.effective_df(ready.table)[order],
        covariance_matrix=parts.covariance[matrix],
        log_covariance_matrix=parts.log_covariance[matrix],
        method=method,
        seed=seed,
        draws=parts.draws,
        settled=parts.settled,
        sources=tuple(source.name for source in ready.sources.included),
        sources_left_out=ready.sources.left_out,
        rule=str(ready.sizes.rule),
        notes=(*study.notes, *ready.sizes.notes, *ready.table.notes, *parts.notes),
        **by_run,
    )
