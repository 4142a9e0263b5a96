"""Propagate the uncertainty of a whole study: all runs jointly, linearly or by Monte Carlo.

Draws (JCGM 101, joint results as in JCGM 102) are made in blocks, in this process, in worker
processes (joblib) or on a Dask cluster (extra `psdstats[cluster]`); the result is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from typing import TypedDict, Unpack

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.columns import QUANTITIES
from psdstats.distribution.curves import StudyArrays, study_arrays
from psdstats.distribution.percentiles import LEVELS
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.frozen import Array, Flags, Indices
from psdstats.limits import DRAWS, LEVEL, WORKERS
from psdstats.processes import cores, mapped
from psdstats.room import ensure_room, one_thread
from psdstats.study.records import Run, Study
from psdstats.uncertainty.draws import STRIPE_BLOCKS, DrawPlan, draw_blocks, make_plan
from psdstats.uncertainty.inputs import (
    InputTable,
    Source,
    Weighings,
    choose_sources,
    collect_inputs,
)
from psdstats.uncertainty.law import MOST_AT_ONCE, Interval, JointLaw, prepare
from psdstats.uncertainty.linear import Contributions, coverage_factor, undersize_law
from psdstats.uncertainty.monte_carlo import (
    MIN_BLOCKS,
    Accumulator,
    BlockSummary,
    block_draws,
    summarise_sizes,
    validate_linear,
)
from psdstats.uncertainty.propagation import (
    Joint,
    Method,
    Propagation,
    PropagationRemark,
    SizeDraws,
)

ENOUGH_DRAWS = 100_000
"""Where commands and reports end the adaptive method: a few seconds for 80 runs."""
_FEW = 10  # runs or pairs up to which two digits of u are made

_COPIES = 5  # of a block of draws held at once, and of the sums of products: estimated

# beyond JCGM 101, clause 8 with one digit of u: ends and u of the linear law within this share
_AGREEMENT = 0.1


def wanted_coverage(study: Study, coverage: float | None) -> float:
    """Coverage probability: as asked, else the study's setting, else 0.95."""
    found = study.uncertainty.get("coverage", 0.95) if coverage is None else coverage
    return LEVEL.require("coverage", found, UncertaintyError)


def parts_of(study: Study, draws: int | None, coverage: float | None) -> int:
    """Into how many parts the draws of a command can be divided."""
    made = Drawing(coverage=wanted_coverage(study, coverage), draws=draws, max_draws=ENOUGH_DRAWS)
    return -(-made.blocks[1] // STRIPE_BLOCKS)


Summarise = Callable[[DrawPlan, Array, Array], BlockSummary]
Stripe = tuple[int, int]
"""Number of a stripe, and of the blocks wanted of it."""


def _stripe(
    plan: DrawPlan, summarise: Summarise, block_draws: int, stripe: Stripe
) -> Iterator[BlockSummary]:
    """Summaries of the first blocks of one stripe."""
    number, n_blocks = stripe
    for drawn in draw_blocks(plan, stripe=number, block_draws=block_draws, n_blocks=n_blocks):
        yield summarise(plan, *drawn)


def _whole_stripe(
    plan: DrawPlan, summarise: Summarise, block_draws: int, stripe: Stripe
) -> list[BlockSummary]:
    return list(_stripe(plan, summarise, block_draws, stripe))


class DrawingOptions(TypedDict, total=False):
    """Options of the draws, with the defaults of `Drawing`."""

    seed: int
    draws: int | None
    max_draws: int
    digits: int | None
    workers: int
    cluster: str | None
    progress: Callable[[int, int], None] | None


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A Monte Carlo run: coverage probability, and the options that `propagate` describes."""

    coverage: float
    seed: int = 0
    draws: int | None = None
    max_draws: int = 2_000_000
    digits: int | None = None
    workers: int = 1
    cluster: str | None = None
    progress: Callable[[int, int], None] | None = None

    def accumulator(
        self,
        results: int,
        watched: Flags,
        differences: tuple[Indices, Indices] | None = None,
    ) -> Accumulator:
        """What merges the blocks; `results` is the number of runs or pairs.

        One digit is settled by half as many blocks; numbered draws are all made.
        """
        digits = (2 if results <= _FEW else 1) if self.digits is None else self.digits
        fewest = MIN_BLOCKS if digits > 1 else MIN_BLOCKS // 2
        return Accumulator(
            digits=digits,
            min_blocks=fewest if self.draws is None else self.blocks[1],
            watched=watched,
            differences=differences,
        )

    @property
    def blocks(self) -> tuple[int, int]:
        """Draws in a block and most blocks."""
        size = block_draws(self.coverage)
        name = "max_draws" if self.draws is None else "draws"
        asked = self.max_draws if self.draws is None else self.draws
        most = int(DRAWS.require(name, asked, UncertaintyError))
        return (most, 1) if most < size else (size, -(-most // size))

    def plan(self, law: JointLaw) -> DrawPlan:
        """What is drawn of a law."""
        return make_plan(
            law.on_sizes(),
            law.arrays,
            rule=law.sizes.rule,
            curve=None if law.curves is None else law.curves.curve,
            seed=self.seed,
            coverage=self.coverage,
        )

    def drawn(
        self, plan: DrawPlan, summarise: Summarise = summarise_sizes
    ) -> Iterator[BlockSummary]:
        """Summaries of the blocks of draws, in order, whoever makes them."""
        size, most = self.blocks
        workers = int(WORKERS.require("workers", self.workers, UncertaintyError))
        starts = range(0, most, STRIPE_BLOCKS)
        stripes = [(start // STRIPE_BLOCKS, min(STRIPE_BLOCKS, most - start)) for start in starts]
        if workers == 1 and self.cluster is None:  # block by block: the last stripe may end early
            made: Iterator[Iterable[BlockSummary]] = map(
                partial(_stripe, plan, summarise, size), stripes
            )
        else:
            whole = partial(_whole_stripe, plan, summarise, size)
            made = mapped(whole, stripes, workers=workers, cluster=self.cluster)
        for number, block in enumerate(chain.from_iterable(made), start=1):
            if self.progress is not None:
                self.progress(number, most)
            yield block


def draw(law: JointLaw, drawing: Drawing) -> Propagation:
    """Results of joint draws of the inputs of a law, with the linear law validated against them."""
    value = law.sizes.value
    shape, known = value.shape, ~np.isnan(value)
    accumulator = drawing.accumulator(len(value), known.ravel())
    total = accumulator.take(drawing.drawn(drawing.plan(law)))
    linear = law.interval(drawing.coverage)
    u = np.where(known, total.moments.u.reshape(shape), np.nan)
    ends = accumulator.ends.reshape(4, *shape)
    lower, upper, shortest_lower, shortest_upper = np.where(np.isneginf(ends), 0.0, ends)
    share = total.missing.reshape(shape) / total.draws
    told = np.full(shape, None)
    told[known] = _validated(value, linear, u, lower, upper)[known]
    found = Interval(
        u=u,
        lower=lower,
        upper=upper,
        valid=told,
        joint=Joint(of_logs=total.log_moments or total.moments, of_values=total.moments),
        notes=(*unsettled(accumulator), *_beyond_sieves(law, share)),
    )
    draws = SizeDraws(
        draws=total.draws,
        settled=accumulator.settled,
        shortest_lower=shortest_lower,
        shortest_upper=shortest_upper,
        tolerance=accumulator.tolerance.reshape(shape),
        share_unbracketed=share,
        mean=total.moments.mean.reshape(shape),
        share_negative=total.negative / total.draws,
    )
    return law.result(found, drawing.coverage, seed=drawing.seed, draws=draws)


def _validated(value: Array, linear: Interval, u: Array, lower: Array, upper: Array) -> Flags:
    """Clause 8 of JCGM 101 with one digit of u, and two things more.

    One digit of u may be half of it, so the ends must also agree within a share of the expanded
    uncertainty, and u itself, which the standard leaves open, within that share of u.
    """
    expanded = (linear.upper - linear.lower) / 2
    valid = validate_linear(value=value, expanded=expanded, lower=lower, upper=upper, u=u)
    with np.errstate(invalid="ignore"):
        off = np.maximum(np.abs(value - expanded - lower), np.abs(value + expanded - upper))
        close = (off <= _AGREEMENT * expanded) & (np.abs(u - linear.u) <= _AGREEMENT * u)
    return valid & close


def _beyond_sieves(law: JointLaw, share: Array) -> tuple[Remark, ...]:
    return tuple(
        PropagationRemark.BEYOND_SIEVES(
            run=law.arrays.runs[row], quantity=QUANTITIES[level], share=float(share[row, level])
        )
        for row, level in np.argwhere((share > 0) & ~np.isnan(law.sizes.value))
        if level < LEVELS.size
    )


def unsettled(accumulator: Accumulator) -> tuple[Remark, ...]:
    """Remark on results that have not settled."""
    if accumulator.settled or accumulator.blocks == 1:
        return ()
    found = {name: getattr(accumulator, name) for name in ("draws", "digits", "left", "watched")}
    return (PropagationRemark.NOT_SETTLED(**found),)


@one_thread
def propagate(
    study: Study,
    *,
    method: str | Method = Method.MONTE_CARLO,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    coverage: float | None = None,
    **drawing: Unpack[DrawingOptions],
) -> Propagation:
    """Sizes of every run with their joint uncertainty.

    Parameters
    ----------
    study : Study
        The weighings and what is known of balances and sieves.
    method : {"monte carlo", "linear"}, default="monte carlo"
        JCGM 101 or JCGM 100.
    sources : iterable of str or Source, optional
        Exactly these sources; the settings of the study if left out.
    rule : str, optional
        Interpolation rule; the study's own if left out.
    coverage : float, optional
        Coverage probability; `coverage` of the study's uncertainty settings, else 0.95.
    **drawing
        How to draw, each by its name:

        seed : int, default=0
            Seed of the random streams.
        draws : int, optional
            Number of draws, rounded up to whole blocks of 10 000 (fewer than that is one block);
            adaptive if left out.
        max_draws : int, default=2_000_000
            Most draws of the adaptive method.
        digits : {1, 2}, optional
            Significant digits of u to which the adaptive method works; by default 2 for up to ten
            runs, else 1, for two digits of everything take over a million draws of every run.
        workers : int, default=1
            Processes, of which at most the cores are started; the result does not depend on it.
        cluster : str, optional
            Address of a Dask scheduler (extra `psdstats[cluster]`).
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

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> sizes = psdstats.propagate(study, method="linear")
    >>> sizes.value[0].round(1), sizes.u[0].round(2)
    (array([155. , 247.3, 389.5,   0.9]), array([3.05, 4.95, 6.75, 0.04]))
    """
    way = Method(method)
    asked = Drawing(coverage=wanted_coverage(study, coverage), **drawing)
    if way is Method.MONTE_CARLO:
        _ensure_room_for_draws(len(study.runs), asked)
    law = prepare(study, sources=sources, rule=rule)
    if way is Method.LINEAR:
        if asked.progress is not None:
            asked.progress(1, 1)
        return replace(law.linear(asked.coverage), seed=asked.seed)
    return draw(law, asked)


def _ensure_room_for_draws(runs: int, asked: Drawing) -> None:
    """Refuse draws that would not fit: blocks of all sizes, and sums of their products."""
    sizes = len(QUANTITIES) * runs
    at_once = min(WORKERS.require("workers", asked.workers, UncertaintyError), cores())
    block = _COPIES * 8.0 * sizes * asked.blocks[0] * at_once
    ensure_room(
        block + _COPIES * 8.0 * sizes**2,
        f"draws of {runs} runs together",
        remedy="use the linear method (--method linear), or evaluate fewer runs at a time",
    )


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
        One row a run and sieve, finest first: run, milling_time_min, sieve, aperture_um (with its
        certificate), nominal_um (as weighed), undersize, u, lower, upper; fractions of one, limits
        kept within 0 and 1.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.

    Notes
    -----
    The band at the stated aperture x_j holds what the readings do to the mass below the sieve and
    what the sieve's aperture error does: a sieve wider by δ passes about (dQ3/dx) δ more.  Sources
    that act on percentiles directly (between sieves, run to run) have no part in it.  The joint
    results for D10, D50, D90 come from `propagate`, never from a band.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> bands = psdstats.uncertainty.undersize_bands(study)
    >>> bands[["run", "aperture_um", "undersize", "u"]].head(2).round(3)
          run  aperture_um  undersize      u
    0  mill-0         45.0       -0.0  0.000
    1  mill-0         63.0        0.0  0.001
    """
    LEVEL.require("coverage", coverage, UncertaintyError)
    chosen = choose_sources(study, sources).included
    rows = sorted(study.runs, key=lambda run: run.name)
    blocks = (rows[at : at + MOST_AT_ONCE] for at in range(0, len(rows), MOST_AT_ONCE))
    bands = pd.concat([_bands(study, block, chosen, coverage) for block in blocks])
    place = {run.name: number for number, run in enumerate(study.runs)}
    order = np.argsort(bands["run"].map(place).to_numpy(), kind="stable")
    return bands.iloc[order].reset_index(drop=True)


def _bands(
    study: Study, runs: Sequence[Run], sources: Sequence[Source], coverage: float
) -> pd.DataFrame:
    """The bands of some runs, in their order."""
    arrays = study_arrays(study, runs)
    table = collect_inputs(Weighings(study=study, runs=tuple(runs), arrays=arrays), sources)
    undersize, both = undersize_contributions(arrays, table)
    u = both.u.reshape(undersize.shape)
    half = coverage_factor(coverage) * u
    run, place = np.nonzero(arrays.real[:, 1:])
    times = np.array([one.milling_time_min for one in runs], dtype=float)
    nominal = [{one.sieve: one.aperture_um for one in own.readings} for own in runs]
    sieves = [arrays.sieves[r][p + 1] for r, p in zip(run, place, strict=True)]
    return pd.DataFrame(
        {
            "run": np.array(arrays.runs, dtype=object)[run],
            "milling_time_min": times[run],
            "sieve": sieves,
            "aperture_um": arrays.aperture_um[run, place],
            "nominal_um": [nominal[r][sieve] for r, sieve in zip(run, sieves, strict=True)],
            "undersize": undersize[run, place],
            "u": u[run, place],
            "lower": np.clip(undersize - half, 0.0, 1.0)[run, place],
            "upper": np.clip(undersize + half, 0.0, 1.0)[run, place],
        }
    )


def undersize_contributions(arrays: StudyArrays, table: InputTable) -> tuple[Array, Contributions]:
    """Undersize at every stated aperture, (R, K - 1), and what inputs add to it, in its order."""
    undersize, of_mass, of_aperture = undersize_law(table)
    slope = sparse.diags_array(-_slope(arrays, undersize).ravel())
    both = sparse.csr_array(of_mass.matrix + slope @ of_aperture.matrix)
    return undersize, replace(of_mass, matrix=both)


def _slope(arrays: StudyArrays, undersize: Array) -> Array:
    """Slope of the undersize curve at each aperture by central differences in ln x, per µm."""
    slopes = np.zeros_like(undersize)
    for row, x in enumerate(arrays.ln_aperture):
        places = np.flatnonzero(arrays.real[row, 1:])
        if len(places) > 1:
            slopes[row, places] = np.gradient(undersize[row, places], x[places])
    return slopes / arrays.aperture_um
