"""Which ratios are asked for: pairs of runs or of groups of runs, checked against the study.

The numbers of `ratio_intervals`, from the linear law or from merged blocks of draws.

The result of `ratio_intervals`: ratios of sizes between runs with their intervals.

Ratios of sizes between runs, or between means of runs, with intervals from the joint draws.

The law of a ratio is not normal where a rectangular aperture error dominates it, so ± 1.96 u from
the joint covariance is too wide there; the quantiles of the drawn ratios are not.  Draws are those
of `propagate` for the same seed.  Intervals hold what weighing, sieves and sampling do to these
runs; how runs of one kind differ among themselves belongs to `psdstats.comparison`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array, freeze_arrays
from psdstats.study.records import Study
from psdstats.uncertainty.blocks import RatioLayout, summarise_ratios
from psdstats.uncertainty.engine import (
    CHUNK_DRAWS,
    MAX_DRAWS,
    Drawing,
    as_method,
    unsettled_note,
    wanted_coverage,
)
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.monte_carlo import Accumulator, accumulate
from psdstats.uncertainty.propagation import Method
from psdstats.uncertainty.sources.base import Source

Side = str | Sequence[str]
Pair = tuple[Side, Side]


@dataclass(frozen=True, kw_only=True)
class RatioPairs:
    """Pairs of sides, each side the names of its runs; and the quantities."""

    high: tuple[tuple[str, ...], ...]
    low: tuple[tuple[str, ...], ...]
    quantities: tuple[str, ...]

    @property
    def sides(self) -> tuple[tuple[str, ...], ...]:
        """Every side once, in the order of asking."""
        return tuple(dict.fromkeys((*self.high, *self.low)))

    def layout(self, runs: Sequence[str]) -> RatioLayout:
        """The same as row numbers among these runs."""
        row = {name: number for number, name in enumerate(runs)}
        place = {side: number for number, side in enumerate(self.sides)}
        return RatioLayout(
            sides=tuple(
                # sorted, so that a mean is the same sum in whatever order its runs are named
                np.array(sorted(row[name] for name in side), dtype=np.intp)
                for side in self.sides
            ),
            high=np.array([place[side] for side in self.high], dtype=np.intp),
            low=np.array([place[side] for side in self.low], dtype=np.intp),
            columns=np.array([QUANTITIES.index(one) for one in self.quantities], dtype=np.intp),
        )


def read_pairs(study: Study, pairs: Iterable[Pair], quantities: Sequence[str]) -> RatioPairs:
    """Check pairs and quantities; UncertaintyError names what the study does not have."""
    known = {run.name for run in study.runs}
    high, low = [], []
    for number, pair in enumerate(pairs, start=1):
        if isinstance(pair, str) or len(pair) != 2:
            raise UncertaintyError(f"pair {number} is {pair!r}; give (high, low), two sides.")
        sides = [_side(side, number, known) for side in pair]
        if set(sides[0]) == set(sides[1]):
            raise UncertaintyError(
                f"pair {number} compares {', '.join(sides[0])} with itself; give two sides."
            )
        high.append(sides[0])
        low.append(sides[1])
    if not high:
        raise UncertaintyError("no pair is given; give at least one (high, low).")
    wanted = (quantities,) if isinstance(quantities, str) else tuple(quantities)
    for name in wanted:
        if name not in QUANTITIES:
            raise UncertaintyError(
                f"quantity {name!r} is not known; choose from {', '.join(QUANTITIES)}."
            )
    if not wanted:
        raise UncertaintyError(f"no quantity is given; choose from {', '.join(QUANTITIES)}.")
    return RatioPairs(high=tuple(high), low=tuple(low), quantities=wanted)


def _side(side: Side, number: int, known: set[str]) -> tuple[str, ...]:
    runs = (side,) if isinstance(side, str) else tuple(side)
    if not runs:
        raise UncertaintyError(f"pair {number} has a side without runs; name at least one.")
    for name in runs:
        if name not in known:
            raise UncertaintyError(
                f"pair {number} names run {name!r}, which the study does not have; it has "
                f"{', '.join(sorted(known))}."
            )
    if len(set(runs)) < len(runs):
        raise UncertaintyError(f"pair {number} names a run twice on one side: {', '.join(runs)}.")
    return runs


@dataclass(kw_only=True)
class RatioParts:
    """Fields of `RatioIntervals` that come from the numbers; shape (P, C) unless it says more."""

    ratio: Array
    bound_lower: Array
    bound_upper: Array
    u_log: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    k: Array
    effective_df: Array
    share_unbracketed: Array
    log_covariance: Array
    tolerance: Array
    draws: int
    settled: bool
    notes: tuple[str, ...]


def ratio_accumulator(
    law: JointLaw, layout: RatioLayout, *, digits: int, min_blocks: int
) -> Accumulator:
    """Merges blocks until every ratio that has a value has settled."""
    return Accumulator(
        digits=digits,
        min_blocks=min_blocks,
        watched=~np.isnan(_ln_ratios(layout, law.sizes.value, law.sizes.value)).ravel(),
        differences=layout.differences,
    )


def drawn_ratios(law: JointLaw, layout: RatioLayout, accumulator: Accumulator) -> RatioParts:
    """Quantiles of the drawn ratios."""
    ratio, bound_lower, bound_upper = _estimates(law, layout)
    shape, known = ratio.shape, ~np.isnan(ratio)
    total = accumulator.merged
    ends = np.exp(accumulator.ends).reshape(4, *shape)
    share = (total.below + total.above).reshape(shape) / total.draws
    nothing = np.full(shape, np.nan)
    stopped = accumulator.settled or accumulator.blocks == 1
    return RatioParts(
        ratio=ratio,
        bound_lower=bound_lower,
        bound_upper=bound_upper,
        u_log=np.where(known, accumulator.u.reshape(shape), np.nan),
        lower=ends[0],
        upper=ends[1],
        shortest_lower=ends[2],
        shortest_upper=ends[3],
        k=nothing,
        effective_df=nothing,
        share_unbracketed=share,
        log_covariance=_pair_covariance(layout, total.moments.covariance, known),
        tolerance=accumulator.tolerance.reshape(shape),
        draws=total.draws,
        settled=accumulator.settled,
        notes=(
            *(() if stopped else (unsettled_note(accumulator),)),
            *_share_notes(law, layout, share, known),
        ),
    )


def linear_ratios(law: JointLaw, layout: RatioLayout, coverage: float) -> RatioParts:
    """Ratio · exp(± k u) with k from the effective degrees of freedom of the difference."""
    ratio, bound_lower, bound_upper = _estimates(law, layout)
    shape, known = ratio.shape, ~np.isnan(ratio)
    parts = law.contributions.contrasts(layout.weights(law.sizes.value.size))
    freedom = parts.effective_df().reshape(shape)
    u = parts.u().reshape(shape)
    k = coverage_factor(coverage, freedom)
    nothing = np.full(shape, np.nan)
    return RatioParts(
        ratio=ratio,
        bound_lower=bound_lower,
        bound_upper=bound_upper,
        u_log=u,
        lower=np.where(known, ratio * np.exp(-k * u), bound_lower),
        upper=np.where(known, ratio * np.exp(k * u), bound_upper),
        shortest_lower=nothing,
        shortest_upper=nothing,
        k=k,
        effective_df=freedom,
        share_unbracketed=nothing,
        log_covariance=np.array(
            [parts.rows(slice(one, None, shape[1])).covariance() for one in range(shape[1])]
        ),
        tolerance=nothing,
        draws=0,
        settled=True,
        notes=_doubt_notes(law, layout, coverage),
    )


def _estimates(law: JointLaw, layout: RatioLayout) -> tuple[Array, Array, Array]:
    """Ratios at the best estimates, NaN where not bracketed, and the bounds the sieves leave."""
    sizes = law.sizes
    least = _ln_ratios(layout, sizes.lower, sizes.upper)
    most = _ln_ratios(layout, sizes.upper, sizes.lower)
    return np.exp(_ln_ratios(layout, sizes.value, sizes.value)), np.exp(least), np.exp(most)


def _ln_ratios(layout: RatioLayout, of_high: Array, of_low: Array) -> Array:
    """Ln of the ratios of geometric means of sizes by run (R, 4), shape (P, C)."""
    with np.errstate(divide="ignore"):  # an open size may be 0
        high, low = (
            np.array([np.log(sizes[rows][:, layout.columns]).mean(axis=0) for rows in layout.sides])
            for sizes in (of_high, of_low)
        )
    return np.asarray(high[layout.high] - low[layout.low])


def _pair_covariance(layout: RatioLayout, joint: Array, known: NDArray[np.bool_]) -> Array:
    """Covariance of ln ratio over the pairs, (C, P, P), from that of the sides; NaN if unknown."""
    step, high, low = layout.columns.size, layout.high, layout.low
    found = np.empty((step, high.size, high.size))
    for column in range(step):
        sides = joint[column::step, column::step]
        by_side = sides[high] - sides[low]
        found[column] = by_side[:, high] - by_side[:, low]
        gap = np.where(known[:, column], 1.0, np.nan)
        found[column] *= np.outer(gap, gap)
    return found


def _doubt_notes(law: JointLaw, layout: RatioLayout, coverage: float) -> tuple[str, ...]:
    """Sentences on runs whose own linear interval is doubtful."""
    valid = law.interval(coverage).valid
    return tuple(
        f"Run {run!r}: the linear interval of {QUANTITIES[column]} is doubtful, and so are those "
        "of its ratios; use Monte Carlo."
        for run, of_run in zip(law.arrays.runs, valid, strict=True)
        for column in layout.columns.tolist()
        if of_run[column] is False
    )


def _share_notes(
    law: JointLaw, layout: RatioLayout, share: Array, known: NDArray[np.bool_]
) -> tuple[str, ...]:
    """Sentences on ratios whose draws are partly open."""

    def named(side: int) -> str:
        rows = layout.sides[side]
        return ", ".join(repr(law.arrays.runs[row]) for row in rows.tolist())

    return tuple(
        f"{QUANTITIES[layout.columns[column]]} of {named(layout.high[pair])} over "
        f"{named(layout.low[pair])}: {100 * share[pair, column]:.2g} % of the draws are not "
        "bracketed by the sieves; its u_log is that of the others."
        for pair, column in np.argwhere((share > 0) & known)
        if QUANTITIES[layout.columns[column]] != "span"
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class RatioIntervals:
    """Ratios of P pairs in C quantities; arrays have shape (P, C) unless stated.

    Attributes
    ----------
    high, low : tuple of tuple of str
        Runs of each side of each pair; the ratio is the geometric mean over the runs of `high` over
        that of `low`.
    quantities : tuple of str
        Which of D10, D50, D90, span.
    ratio : ndarray
        At the best estimates of all inputs; NaN where a run is not bracketed.
    bound_lower, bound_upper : ndarray
        The ratio, or the open interval that the sieves leave for it.
    u_log : ndarray
        Standard uncertainty of ln ratio; NaN where there is no ratio.  In Monte Carlo, draws in
        which a side has no value stand at the mean of that side.
    lower, upper : ndarray
        Coverage interval: ratio · exp(± k u_log) (linear), or with equal probability outside (Monte
        Carlo).  A draw in which a run is open counts with the least and the most its ratio can be,
        so an end may be open: 0, or inf.
    shortest_lower, shortest_upper : ndarray
        Shortest coverage interval of the ratio (Monte Carlo; NaN in linear).
    coverage : float
        Coverage probability of each interval by itself.
    k, effective_df : ndarray
        Coverage factors and Welch-Satterthwaite degrees of freedom (linear; NaN in Monte Carlo).
    share_unbracketed : ndarray
        Share of draws in which a run of the pair has no value (NaN in linear).
    log_covariance : ndarray, shape (C, P, P)
        Joint covariance of ln ratio over the pairs, for each quantity.
    method : Method
        How it was done.
    seed, draws : int
        Seed and number of draws (0 draws in linear).
    tolerance : ndarray
        Numerical tolerance of u_log and of the logarithms of the ends (NaN in linear).
    settled : bool
        Whether the draws reached that tolerance; True in linear.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    rule : str
        Interpolation rule.
    notes : tuple of str
        Assumptions and doubts, as sentences.
    """

    high: tuple[tuple[str, ...], ...]
    low: tuple[tuple[str, ...], ...]
    quantities: tuple[str, ...]
    ratio: Array
    bound_lower: Array
    bound_upper: Array
    u_log: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    coverage: float
    k: Array
    effective_df: Array
    share_unbracketed: Array
    log_covariance: Array
    method: Method
    seed: int
    draws: int
    tolerance: Array
    settled: bool
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    rule: str
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def covariance(self, quantity: str) -> pd.DataFrame:
        """Covariance of ln ratio of one quantity over all pairs, labelled by pair.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            Which quantity.

        Returns
        -------
        DataFrame, shape (P, P)
            NaN for pairs without a ratio.

        Raises
        ------
        UncertaintyError
            Naming the quantities there are.
        """
        if quantity not in self.quantities:
            raise UncertaintyError(
                f"quantity {quantity!r} is not here; choose from {', '.join(self.quantities)}."
            )
        names = [
            (_side_ratio_result(high), _side_ratio_result(low))
            for high, low in zip(self.high, self.low, strict=True)
        ]
        labels = pd.MultiIndex.from_tuples(names, names=["high", "low"])
        matrix = self.log_covariance[self.quantities.index(quantity)]
        return pd.DataFrame(matrix, index=labels, columns=labels)

    def to_frame(self) -> pd.DataFrame:
        """One row a pair and quantity, in the order asked for.

        Returns
        -------
        DataFrame
            high, low (run names joined by commas), n_high, n_low, quantity, ratio, u_log, lower,
            upper, shortest_lower, shortest_upper, coverage, k, effective_df, bound_lower,
            bound_upper, share_unbracketed.  Ratios and shares are fractions of one.
        """
        n_pairs, n_quantities = self.ratio.shape
        sides = {
            name: [value for value in values for _ in range(n_quantities)]
            for name, values in (
                ("high", [_side_ratio_result(runs) for runs in self.high]),
                ("low", [_side_ratio_result(runs) for runs in self.low]),
                ("n_high", [len(runs) for runs in self.high]),
                ("n_low", [len(runs) for runs in self.low]),
            )
        }
        columns = ("ratio", "u_log", "lower", "upper", "shortest_lower", "shortest_upper")
        frame = pd.DataFrame(
            {
                **sides,
                "quantity": list(self.quantities) * n_pairs,
                **{name: getattr(self, name).ravel() for name in columns},
                "coverage": self.coverage,
            }
        )
        more = ("k", "effective_df", "bound_lower", "bound_upper", "share_unbracketed")
        return frame.assign(**{name: getattr(self, name).ravel() for name in more})


def _side_ratio_result(runs: tuple[str, ...]) -> str:
    return ", ".join(runs)


def ratio_intervals(
    study: Study,
    pairs: Iterable[Pair],
    *,
    quantities: Sequence[str] = QUANTITIES,
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
) -> RatioIntervals:
    """Ratios of sizes between runs with coverage intervals.

    Parameters
    ----------
    study : Study
        The weighings.
    pairs : iterable of (high, low)
        Each side the name of a run, or a sequence of names, whose geometric mean is taken.
    quantities : sequence of str, default=("D10", "D50", "D90", "span")
        Which ratios.
    method : {"monte carlo", "linear"}, default="monte carlo"
        JCGM 101, quantiles of the drawn ratios; or JCGM 100, exp(± k u) on the logarithm.
    seed, sources, rule, coverage, draws, max_draws, workers, cluster, chunk, progress
        As in `propagate`; runs that stand in no pair are not drawn.
    digits : {1, 2}, optional
        Significant digits of u_log to which the adaptive method works; by default 2 for up to ten
        pairs, else 1.

    Returns
    -------
    RatioIntervals

    Raises
    ------
    UncertaintyError
        If a pair, an option or a source is not possible as asked.
    SizeError
        If a run of a pair cannot be read as a distribution.

    Notes
    -----
    Each interval has its coverage by itself; joint statements over many pairs need `covariance`
    of the result, or a wider coverage.  Memory does not grow with the number of draws.
    """
    way = as_method(method)
    wanted = wanted_coverage(study, coverage)
    asked = read_pairs(study, pairs, quantities)
    named = {name for side in asked.sides for name in side}
    law = prepare(
        study, sources=sources, rule=rule, runs=[run for run in study.runs if run.name in named]
    )
    layout = asked.layout(law.arrays.runs)
    if way is Method.LINEAR:
        parts = linear_ratios(law, layout, wanted)
    else:
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
        parts = _by_draws(law, layout, drawing)
    notes = (*study.notes, *law.sizes.notes, *law.table.notes, *parts.notes)
    return RatioIntervals(
        high=asked.high,
        low=asked.low,
        quantities=asked.quantities,
        coverage=wanted,
        method=way,
        seed=seed,
        sources=tuple(source.name for source in law.sources.included),
        sources_left_out=law.sources.left_out,
        rule=str(law.sizes.rule),
        **(vars(parts) | {"notes": notes}),
    )


def _by_draws(law: JointLaw, layout: RatioLayout, drawing: Drawing) -> RatioParts:
    count = len(layout.high)
    accumulator = ratio_accumulator(
        law,
        layout,
        digits=drawing.digits_for(count),
        min_blocks=drawing.fewest_blocks(count),
    )
    accumulate(accumulator, drawing.blocks(law, partial(summarise_ratios, layout=layout)))
    return drawn_ratios(law, layout, accumulator)
