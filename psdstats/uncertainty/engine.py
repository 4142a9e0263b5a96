"""Options that every propagation takes, checked once: method, coverage, whole numbers, draws.

How draws are made, apart from what is drawn: seed, number, accuracy, who makes them.

The numbers of a result, from the linear law or from merged blocks of draws.

Propagate the uncertainty of a whole study: all runs jointly, linearly or by Monte Carlo.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES
from psdstats.distribution.arrays import StudyArrays
from psdstats.distribution.curves import as_rule
from psdstats.distribution.percentiles import LEVELS, SizeTable, sizes_of_arrays
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.study.records import Run, Study
from psdstats.uncertainty.blocks import BlockSummary, block_draws, summarise_sizes
from psdstats.uncertainty.draws import make_plan
from psdstats.uncertainty.inputs import InputTable, Weighings, collect_inputs
from psdstats.uncertainty.linear import Sensitivities, coverage_factor, study_sensitivities
from psdstats.uncertainty.monte_carlo import MIN_BLOCKS, Accumulator, accumulate, validate_linear
from psdstats.uncertainty.parallel import Summarise, study_blocks
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.registry import ChosenSources, choose_sources
from psdstats.uncertainty.sources.base import Source

MAX_DRAWS = 2_000_000
CHUNK_DRAWS = 5_000
_FEW = 10


def as_method(method: str | Method) -> Method:
    """Method of that name."""
    try:
        return Method(method)
    except ValueError as cause:
        names = " or ".join(repr(str(one)) for one in Method)
        raise UncertaintyError(f"method {method!r} is not known; choose {names}.") from cause


def wanted_coverage(study: Study, coverage: float | None) -> float:
    """Coverage probability: as asked, else the study's setting, else 0.95."""
    found = study.uncertainty.get("coverage", 0.95) if coverage is None else coverage
    if isinstance(found, bool) or not isinstance(found, int | float) or not 0 < found < 1:
        raise UncertaintyError(f"coverage is {found!r}; give a probability such as 0.95.")
    return float(found)


def whole_number(name: str, value: int) -> int:
    """Refuse what is not a whole number of 1 or more."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 1:
        raise UncertaintyError(f"{name} is {value!r}; give a whole number of 1 or more.")
    return int(value)


def digits_for(digits: int | None, results: int) -> int:
    """Significant digits of u: as asked, else 2 for up to ten results (runs, pairs), else 1."""
    if digits is not None:
        return digits
    return 2 if results <= _FEW else 1


def fewest_blocks(digits: int) -> int:
    """Blocks made before the test of stopping; one digit is settled by half as many."""
    return MIN_BLOCKS if digits > 1 else MIN_BLOCKS // 2


def blocks_of(draws: int | None, max_draws: int, coverage: float) -> tuple[int, int]:
    """Draws in a block and number of blocks."""
    size = block_draws(coverage)
    most = whole_number("max_draws", max_draws) if draws is None else whole_number("draws", draws)
    if most < size:
        return max(most, 2), 1
    return size, -(-most // size)


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """The options of a Monte Carlo run, as `propagate` describes them.

    Parameters
    ----------
    seed : int
        Seed of the random streams.
    coverage : float
        Coverage probability, 0 to 1.
    draws : int or None
        Number of draws; adaptive if None.
    max_draws : int
        Most draws of the adaptive method.
    digits : int or None
        Significant digits of u asked for; by the number of results if None.
    workers : int
        Processes.
    cluster : str or None
        Address of a Dask scheduler.
    chunk : int
        Draws worked on at a time.
    progress : callable or None
        Called with (blocks done, most blocks).
    """

    seed: int
    coverage: float
    draws: int | None
    max_draws: int
    digits: int | None
    workers: int
    cluster: str | None
    chunk: int
    progress: Callable[[int, int], None] | None

    def digits_for(self, results: int) -> int:
        """Significant digits of u for so many results (runs, pairs)."""
        return digits_for(self.digits, results)

    def fewest_blocks(self, results: int) -> int:
        """Blocks made before the test of stopping; all of them where the draws are numbered."""
        if self.draws is None:
            return fewest_blocks(self.digits_for(results))
        return blocks_of(self.draws, self.max_draws, self.coverage)[1]

    def blocks(
        self, ready: Prepared, summarise: Summarise = summarise_sizes
    ) -> Iterator[BlockSummary]:
        """Summaries of the blocks of draws of a prepared study, in order."""
        plan = make_plan(
            ready.table,
            ready.arrays,
            rule=ready.sizes.rule,
            seed=self.seed,
            coverage=self.coverage,
            chunk=whole_number("chunk", self.chunk),
        )
        size, most = blocks_of(self.draws, self.max_draws, self.coverage)
        return study_blocks(
            plan,
            block_draws=size,
            max_blocks=most,
            summarise=summarise,
            workers=whole_number("workers", self.workers),
            cluster=self.cluster,
            progress=self.progress,
        )


Validity = tuple[tuple[bool | None, ...], ...]

# the class that holds a percentile must weigh this many of its own u for the slope to be steady
_THIN = 5.0

# beyond JCGM 101, clause 8 with one digit of u: ends and u of the linear law within this share
_AGREEMENT = 0.1


@dataclass(kw_only=True)
class Parts:
    """What differs between the methods; arrays of shape (R, 4) unless `Propagation` says more."""

    u: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    k: Array
    share_unbracketed: Array
    linear_valid: Validity
    mean: Array
    tolerance: Array
    share_negative: Array
    covariance: Array
    log_covariance: Array
    draws: int
    settled: bool
    notes: tuple[str, ...]


_BY_RUN = (
    "u",
    "lower",
    "upper",
    "shortest_lower",
    "shortest_upper",
    "k",
    "share_unbracketed",
    "mean",
    "tolerance",
    "share_negative",
)


def reorder(parts: Parts, order: NDArray[np.intp]) -> dict[str, Any]:
    """Fields of `Propagation` that go by run, in another order of runs."""
    found: dict[str, Any] = {name: getattr(parts, name)[order] for name in _BY_RUN}
    found["linear_valid"] = tuple(parts.linear_valid[row] for row in order)
    return found


def linear_parts(ready: Prepared, coverage: float) -> Parts:
    """Value ± k u with k from the effective degrees of freedom."""
    sensitivities, sizes = ready.sensitivities, ready.sizes
    covariance = sensitivities.covariance(log=False)
    u = np.sqrt(np.diag(covariance)).reshape(sizes.value.shape)
    k = coverage_factor(coverage, sensitivities.effective_df(ready.table))
    known = ~np.isnan(sizes.value)
    nothing = np.full(sizes.value.shape, np.nan)
    lower = np.where(known, sizes.value - k * u, sizes.lower)
    upper = np.where(known, sizes.value + k * u, sizes.upper)
    doubts = _doubts(ready, lower, upper)
    return Parts(
        u=u,
        lower=lower,
        upper=upper,
        shortest_lower=nothing,
        shortest_upper=nothing,
        k=np.where(known, k, np.nan),
        share_unbracketed=nothing,
        linear_valid=tuple(tuple(False if doubt else None for doubt in row) for row in doubts),
        mean=nothing,
        tolerance=nothing,
        share_negative=np.full(len(sizes.runs), np.nan),
        covariance=covariance,
        log_covariance=sensitivities.covariance(log=True),
        draws=0,
        settled=True,
        notes=_doubt_notes(ready, doubts),
    )


def monte_carlo_parts(
    ready: Prepared, linear: Parts, accumulator: Accumulator, total: BlockSummary
) -> Parts:
    """Results of the draws, with the linear law validated against them."""
    shape = ready.sizes.value.shape
    known = ~np.isnan(ready.sizes.value)
    u = np.where(known, total.moments.u.reshape(shape), np.nan)
    lower, upper, shortest_lower, shortest_upper = _closed_ends(ready, accumulator.ends)
    share = (total.below + total.above).reshape(shape) / total.draws
    valid = _validated(ready.sizes.value, linear, u, lower, upper)
    log_moments = total.log_moments or total.moments
    gap = np.where(known.ravel(), 1.0, np.nan)
    notes = [] if accumulator.settled or accumulator.blocks == 1 else [unsettled_note(accumulator)]
    return Parts(
        u=u,
        lower=lower,
        upper=upper,
        shortest_lower=shortest_lower,
        shortest_upper=shortest_upper,
        k=np.full(shape, np.nan),
        share_unbracketed=share,
        linear_valid=tuple(
            tuple(bool(one) if has else None for one, has in zip(row, there, strict=True))
            for row, there in zip(valid, known, strict=True)
        ),
        mean=total.moments.mean.reshape(shape),
        tolerance=accumulator.tolerance.reshape(shape),
        share_negative=np.asarray(total.negative) / total.draws,
        covariance=total.moments.covariance * np.outer(gap, gap),
        log_covariance=log_moments.covariance * np.outer(gap, gap),
        draws=total.draws,
        settled=accumulator.settled,
        notes=(*notes, *_share_notes(ready, share)),
    )


def _validated(
    value: Array, linear: Parts, u: Array, lower: Array, upper: Array
) -> NDArray[np.bool_]:
    """Clause 8 of JCGM 101 with one digit of u, and two things more.

    One digit of u may be half of it, so the ends must also agree within a share of the expanded
    uncertainty, and u itself, which the standard leaves open, within that share of u.
    """
    expanded = linear.k * linear.u
    valid = validate_linear(value=value, expanded=expanded, lower=lower, upper=upper, u=u)
    with np.errstate(invalid="ignore"):
        off = np.maximum(np.abs(value - expanded - lower), np.abs(value + expanded - upper))
        close = (off <= _AGREEMENT * expanded) & (np.abs(u - linear.u) <= _AGREEMENT * u)
    return valid & close


def _closed_ends(ready: Prepared, ends: Array) -> tuple[Array, Array, Array, Array]:
    """Ends of both intervals; an end without a value becomes what the sieves still say."""
    finest = ready.arrays.finest_um[:, None]
    coarsest = ready.arrays.coarsest_um[:, None]
    result = []
    for number, end in enumerate(ends.reshape(4, *ready.sizes.value.shape)):
        if number % 2 == 0:
            end = np.where(np.isneginf(end), 0.0, np.where(np.isposinf(end), coarsest, end))
        else:
            end = np.where(np.isneginf(end), finest, end)
        result.append(end)
    return result[0], result[1], result[2], result[3]


def _doubts(ready: Prepared, lower: Array, upper: Array) -> NDArray[np.bool_]:
    """Quantities whose linear interval is known to be doubtful before any draw is made."""
    arrays, value = ready.arrays, ready.sizes.value
    beyond = (lower < arrays.finest_um[:, None]) | (upper > arrays.coarsest_um[:, None])
    variance = np.zeros(arrays.net_g.shape)
    action = ready.table.on_mass
    np.add.at(variance, (action.run, action.place), np.square(action.coefficient))
    thin = ready.table.net_g < _THIN * np.sqrt(variance)
    doubts = np.zeros(value.shape, dtype=bool)
    for level in range(LEVELS.size):
        above = arrays.aperture_um < value[:, level, None] * (1 - 1e-9)
        holding = above.sum(axis=1)
        rows = np.arange(len(value))
        doubts[:, level] = beyond[:, level] | thin[rows, holding]
    doubts[:, LEVELS.size] = doubts[:, : LEVELS.size].any(axis=1)
    return np.asarray(doubts & ~np.isnan(value))


def _doubt_notes(ready: Prepared, doubts: NDArray[np.bool_]) -> tuple[str, ...]:
    return tuple(
        f"Run {ready.arrays.runs[row]!r}: the linear interval of {QUANTITIES[quantity]} is "
        "doubtful (it leaves the sieves, or the class that holds it is nearly empty); use Monte "
        "Carlo."
        for row, quantity in np.argwhere(doubts[:, : LEVELS.size])
    )


def _share_notes(ready: Prepared, share: Array) -> tuple[str, ...]:
    return tuple(
        f"Run {ready.arrays.runs[row]!r}: {100 * share[row, level]:.2g} % of the draws of "
        f"{QUANTITIES[level]} lie beyond the sieves; its u is that of the others."
        for row, level in np.argwhere((share > 0) & ~np.isnan(ready.sizes.value))
        if level < LEVELS.size
    )


def unsettled_note(accumulator: Accumulator) -> str:
    """Sentence on draws that have run out."""
    return (
        f"{accumulator.draws} draws did not settle every result to {accumulator.digits} "
        "significant digits of its uncertainty; allow more draws, or ask for one digit."
    )


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
