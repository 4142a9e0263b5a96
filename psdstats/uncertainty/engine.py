"""Options that every propagation takes, checked once: method, coverage, whole numbers, draws.

How draws are made, apart from what is drawn: seed, number, accuracy, who makes them.

Propagate the uncertainty of a whole study: all runs jointly, linearly or by Monte Carlo.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES
from psdstats.distribution.percentiles import LEVELS
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.study.records import Study
from psdstats.uncertainty.blocks import BlockSummary, block_draws, summarise_sizes
from psdstats.uncertainty.draws import make_plan
from psdstats.uncertainty.law import Interval, JointLaw, prepare
from psdstats.uncertainty.monte_carlo import MIN_BLOCKS, Accumulator, accumulate, validate_linear
from psdstats.uncertainty.parallel import Summarise, study_blocks
from psdstats.uncertainty.propagation import Draws, Method, Propagation
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
        self, law: JointLaw, summarise: Summarise = summarise_sizes
    ) -> Iterator[BlockSummary]:
        """Summaries of the blocks of draws of a prepared study, in order."""
        plan = make_plan(
            law.table,
            law.arrays,
            rule=law.sizes.rule,
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


# beyond JCGM 101, clause 8 with one digit of u: ends and u of the linear law within this share
_AGREEMENT = 0.1


def draw(law: JointLaw, drawing: Drawing) -> Propagation:
    """Results of joint draws of the inputs of a law, with the linear law validated against them."""
    value = law.sizes.value
    shape, known = value.shape, ~np.isnan(value)
    accumulator = Accumulator(
        digits=drawing.digits_for(len(value)),
        min_blocks=drawing.fewest_blocks(len(value)),
        watched=known.ravel(),
    )
    total = accumulate(accumulator, drawing.blocks(law))
    linear = law.interval(drawing.coverage)
    u = np.where(known, total.moments.u.reshape(shape), np.nan)
    lower, upper, shortest_lower, shortest_upper = _closed_ends(law, accumulator.ends)
    share = (total.below + total.above).reshape(shape) / total.draws
    valid = _validated(value, linear, u, lower, upper)
    log_moments = total.log_moments or total.moments
    gap = np.where(known.ravel(), 1.0, np.nan)
    notes = [] if accumulator.settled or accumulator.blocks == 1 else [unsettled_note(accumulator)]
    found = Interval(
        u=u,
        k=linear.k,
        lower=lower,
        upper=upper,
        valid=tuple(
            tuple(bool(one) if has else None for one, has in zip(row, there, strict=True))
            for row, there in zip(valid, known, strict=True)
        ),
        covariance=total.moments.covariance * np.outer(gap, gap),
        log_covariance=log_moments.covariance * np.outer(gap, gap),
        notes=(*notes, *_share_notes(law, share)),
    )
    draws = Draws(
        draws=total.draws,
        settled=accumulator.settled,
        shortest_lower=shortest_lower,
        shortest_upper=shortest_upper,
        mean=total.moments.mean.reshape(shape),
        tolerance=accumulator.tolerance.reshape(shape),
        share_unbracketed=share,
        share_negative=np.asarray(total.negative) / total.draws,
    )
    return law.result(found, drawing.coverage, seed=drawing.seed, draws=draws)


def _validated(
    value: Array, linear: Interval, u: Array, lower: Array, upper: Array
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


def _closed_ends(law: JointLaw, ends: Array) -> tuple[Array, Array, Array, Array]:
    """Ends of both intervals; an end without a value becomes what the sieves still say."""
    finest = law.arrays.finest_um[:, None]
    coarsest = law.arrays.coarsest_um[:, None]
    result = []
    for number, end in enumerate(ends.reshape(4, *law.sizes.value.shape)):
        if number % 2 == 0:
            end = np.where(np.isneginf(end), 0.0, np.where(np.isposinf(end), coarsest, end))
        else:
            end = np.where(np.isneginf(end), finest, end)
        result.append(end)
    return result[0], result[1], result[2], result[3]


def _share_notes(law: JointLaw, share: Array) -> tuple[str, ...]:
    return tuple(
        f"Run {law.arrays.runs[row]!r}: {100 * share[row, level]:.2g} % of the draws of "
        f"{QUANTITIES[level]} lie beyond the sieves; its u is that of the others."
        for row, level in np.argwhere((share > 0) & ~np.isnan(law.sizes.value))
        if level < LEVELS.size
    )


def unsettled_note(accumulator: Accumulator) -> str:
    """Sentence on draws that have run out."""
    return (
        f"{accumulator.draws} draws did not settle every result to {accumulator.digits} "
        "significant digits of its uncertainty; allow more draws, or ask for one digit."
    )


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
    law = prepare(study, sources=sources, rule=rule)
    if way is Method.LINEAR:
        return replace(law.linear(wanted), seed=seed)
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
    return draw(law, drawing)
