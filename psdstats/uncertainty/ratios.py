"""Ratios of sizes between runs, or between means of runs, with intervals from the joint law.

The law of a ratio is not normal where a rectangular aperture error dominates it, so ± 1.96 u from
the joint covariance is too wide there; the quantiles of the drawn ratios are not.  Ratios are
differences of logarithms, draw by draw, of the joint draws of all runs: what two runs share cancels
in every draw.  Only ends, counts and the joint moments of the sides are kept.  Draws are those of
`propagate` for the same seed.  Intervals hold what weighing, sieves and sampling do to these runs;
how runs of one kind differ among themselves belongs to `psdstats.comparison`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Self, Unpack

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.columns import QUANTITIES
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.frozen import Array, Flags, Indices
from psdstats.room import one_thread
from psdstats.study.records import Study
from psdstats.uncertainty.draws import DrawPlan
from psdstats.uncertainty.engine import Drawing, DrawingOptions, unsettled, wanted_coverage
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.monte_carlo import BlockSummary, JointMoments, ends_between, ln_bounds
from psdstats.uncertainty.propagation import DrawnOrLinear, Draws, Method, PropagationRemark

Side = str | Sequence[str]
Pair = tuple[Side, Side]
Sides = tuple[tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class RatioLayout:
    """Which ratios are wanted: P pairs of S sides, and C quantities.

    Attributes
    ----------
    names : tuple of tuple of str
        Runs of each side.
    sides : tuple of ndarray of int
        Their rows in the law; a side is the geometric mean of its runs.
    high, low : ndarray of int, shape (P,)
        Sides of each ratio, high over low.
    columns : ndarray of int, shape (C,)
        Which of D10, D50, D90, span.
    """

    names: tuple[tuple[str, ...], ...]
    sides: tuple[Indices, ...]
    high: Indices
    low: Indices
    columns: Indices

    @classmethod
    def of(cls, pairs: Sequence[Sides], quantities: Sequence[str], runs: Sequence[str]) -> Self:
        """Pairs of run names as rows among these runs."""
        row = {name: number for number, name in enumerate(runs)}
        in_order = [pair[which] for which in (0, 1) for pair in pairs]
        place = {side: number for number, side in enumerate(dict.fromkeys(in_order))}
        high, low = (np.array([place[pair[which]] for pair in pairs], np.intp) for which in (0, 1))
        return cls(
            names=tuple(place),
            # sorted, so that a mean is the same sum in whatever order its runs are named
            sides=tuple(np.array(sorted(row[name] for name in side), np.intp) for side in place),
            high=high,
            low=low,
            columns=np.array([QUANTITIES.index(one) for one in quantities], dtype=np.intp),
        )

    @property
    def differences(self) -> tuple[Indices, Indices]:
        """Places of both sides of ratio p C + c among the side quantities s C + c."""
        within = np.arange(self.columns.size)
        first, second = (
            (self.columns.size * side[:, None] + within).ravel() for side in (self.high, self.low)
        )
        return first, second

    def weights(self, n_runs: int) -> sparse.csr_array:
        """Weights of ln of the sizes, row 4 r + q for quantity q of run r, in ln of each ratio."""
        lengths = [rows.size for rows in self.sides]
        side = np.repeat(np.arange(len(lengths)), lengths)
        means = sparse.csr_array(
            (1.0 / np.repeat(lengths, lengths), (side, np.concatenate(self.sides))),
            shape=(len(lengths), n_runs),
        )
        picks = np.eye(len(QUANTITIES))[self.columns]
        return sparse.csr_array(sparse.kron(means[self.high] - means[self.low], picks))


def summarise_ratios(
    plan: DrawPlan, ln_size: Array, negative: Array, *, layout: RatioLayout
) -> BlockSummary:
    """Moments of ln of the sides, ends of ln of the ratios and counts of one block.

    Quantities of the moments are in the order side by side, results in the order pair by pair.
    A draw in which a run is open counts with the least and the most its ratio can be.
    """
    whole, _, opened = ln_bounds(plan, ln_size)
    top = whole.copy() if opened else whole
    for row, own in opened.items():
        top[row] = own
    least, most = (
        np.stack([side[rows][:, layout.columns].mean(axis=0) for rows in layout.sides])
        for side in (whole, top)
    )
    missing = least != most
    ends, open_draws = [], []
    for high, low in zip(layout.high, layout.low, strict=True):
        for column in range(layout.columns.size):
            lower = np.exp(least[high, column] - most[low, column])
            upper = np.exp(most[high, column] - least[low, column])
            ends.append(ends_between(lower, upper, plan.coverage))
            open_draws.append(np.count_nonzero(missing[high, column] | missing[low, column]))
    n_draws = ln_size.shape[2]
    valid = ~missing.reshape(-1, n_draws) if missing.any() else None
    with np.errstate(divide="ignore"):
        ln_ends = np.log(np.array(ends)).T  # the shortest interval is that of the ratio itself
    return BlockSummary(
        draws=n_draws,
        moments=JointMoments.of(least.reshape(-1, n_draws), valid),
        ends=ln_ends,
        missing=np.array(open_draws),
        negative=negative,
    )


def level_pairs(study: Study, by: str) -> dict[object, Pair]:
    """Runs of every later level of a column against those of its first, by level."""
    frame = study.runs_frame()
    if by not in frame.columns:
        raise UncertaintyError(
            f"column {by!r} is not in the run table; it has {', '.join(map(str, frame.columns))}."
        )
    runs = {level: tuple(own["run"]) for level, own in frame.groupby(by, sort=True)}
    if len(runs) < 2:
        raise UncertaintyError(f"column {by!r} has {len(runs)} level; a ratio needs two.")
    first, *later = runs
    return {level: (runs[level], runs[first]) for level in later}


def read_pairs(study: Study, pairs: Iterable[Pair]) -> list[Sides]:
    """Check pairs of runs; UncertaintyError names what the study does not have."""
    known = {run.name for run in study.runs}
    found = []
    for number, pair in enumerate(pairs, start=1):
        if isinstance(pair, str) or len(pair) != 2:
            raise UncertaintyError(f"pair {number} is {pair!r}; give (high, low), two sides.")
        high, low = (_side(side, number, known) for side in pair)
        if set(high) == set(low):
            raise UncertaintyError(
                f"pair {number} compares {', '.join(high)} with itself; give two sides."
            )
        found.append((high, low))
    if not found:
        raise UncertaintyError("no pair is given; give at least one (high, low).")
    return found


def _quantities(asked: Sequence[str]) -> tuple[str, ...]:
    wanted = (asked,) if isinstance(asked, str) else tuple(asked)
    for name in wanted or ("",):
        if name not in QUANTITIES:
            what = f"quantity {name!r} is not known" if wanted else "no quantity is given"
            raise UncertaintyError(f"{what}; choose from {', '.join(QUANTITIES)}.")
    return wanted


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


def _ln_ratios(layout: RatioLayout, of_high: Array, of_low: Array) -> Array:
    """Ln of the ratios of geometric means of sizes by run (R, 4), shape (P, C)."""
    with np.errstate(divide="ignore"):  # an open size may be 0
        high, low = (
            np.array([np.log(sizes[rows][:, layout.columns]).mean(axis=0) for rows in layout.sides])
            for sizes in (of_high, of_low)
        )
    return np.asarray(high[layout.high] - low[layout.low])


def _pair_covariance(layout: RatioLayout, joint: Array, known: Flags) -> Array:
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


def _doubts(law: JointLaw, layout: RatioLayout, coverage: float) -> tuple[Remark, ...]:
    """Runs whose own linear interval is doubtful."""
    valid = law.interval(coverage).valid
    return tuple(
        PropagationRemark.RATIO_DOUBTFUL(run=run, quantity=QUANTITIES[column])
        for run, of_run in zip(law.arrays.runs, valid, strict=True)
        for column in layout.columns.tolist()
        if of_run[column] is False
    )


def _beyond_sieves(found: RatioIntervals, share: Array, known: Flags) -> tuple[Remark, ...]:
    """Ratios whose draws are partly open."""
    return tuple(
        PropagationRemark.RATIO_BEYOND_SIEVES(
            quantity=found.quantities[column],
            high=tuple(sorted(found.high[pair])),
            low=tuple(sorted(found.low[pair])),
            share=float(share[pair, column]),
        )
        for pair, column in np.argwhere((share > 0) & known)
        if found.quantities[column] != "span"
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RatioIntervals(DrawnOrLinear):
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
    coverage : float
        Coverage probability of each interval by itself.
    effective_df : ndarray
        Welch-Satterthwaite degrees of freedom of the linear law.
    log_covariance : ndarray, shape (C, P, P)
        Joint covariance of ln ratio over the pairs, for each quantity.
    method : Method
        How it was done.
    seed : int
        Seed of the draws.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    rule : str
        Interpolation rule.
    notes : tuple of (Remark or str)
        Assumptions and doubts; text is that of the study.
    monte_carlo : Draws or None
        What only draws can tell: the shortest intervals of the ratio, the tolerance of u_log and of
        the logarithms of the ends, the share of draws in which a run of the pair has no value.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> pairs = [("mill-48", "mill-0")]
    >>> found = psdstats.uncertainty.ratio_intervals(study, pairs, method="linear")
    >>> found.ratio.round(2)
    array([[0.35, 0.53, 0.57, 1.35]])
    """

    high: tuple[tuple[str, ...], ...]
    low: tuple[tuple[str, ...], ...]
    quantities: tuple[str, ...]
    ratio: Array
    u_log: Array
    log_covariance: Array

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

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> pairs = [("mill-48", "mill-0")]
        >>> found = psdstats.uncertainty.ratio_intervals(study, pairs, method="linear")
        >>> found.covariance("D50").shape
        (1, 1)
        """
        if quantity not in self.quantities:
            raise UncertaintyError(
                f"quantity {quantity!r} is not here; choose from {', '.join(self.quantities)}."
            )
        sides = (map(", ".join, self.high), map(", ".join, self.low))
        labels = pd.MultiIndex.from_arrays([list(one) for one in sides], names=["high", "low"])
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

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> pairs = [("mill-48", "mill-0")]
        >>> found = psdstats.uncertainty.ratio_intervals(study, pairs, method="linear")
        >>> found.to_frame()[["high", "low", "quantity", "ratio"]].head(2).round(2)
              high     low quantity  ratio
        0  mill-48  mill-0      D10   0.35
        1  mill-48  mill-0      D50   0.53
        """
        index = np.repeat(np.arange(len(self.high)), len(self.quantities)).tolist()
        return pd.DataFrame(
            {
                "high": [", ".join(self.high[pair]) for pair in index],
                "low": [", ".join(self.low[pair]) for pair in index],
                "n_high": [len(self.high[pair]) for pair in index],
                "n_low": [len(self.low[pair]) for pair in index],
                "quantity": list(self.quantities) * len(self.high),
                **self._ravelled("ratio", "u_log", "lower", "upper"),
                **self._ravelled("shortest_lower", "shortest_upper"),
                "coverage": self.coverage,
                **self._ravelled("k", "effective_df", "bound_lower", "bound_upper"),
                **self._ravelled("share_unbracketed"),
            }
        )


@one_thread
def ratio_intervals(
    study: Study,
    pairs: Iterable[Pair],
    *,
    quantities: Sequence[str] = QUANTITIES,
    method: str | Method = Method.MONTE_CARLO,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    coverage: float | None = None,
    **drawing: Unpack[DrawingOptions],
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
    sources, rule, coverage, **drawing
        As in `propagate`; runs that stand in no pair are not drawn, and digits are those of u_log,
        by default 2 for up to ten pairs, else 1.

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

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> pairs = [("mill-48", "mill-0")]
    >>> found = psdstats.uncertainty.ratio_intervals(study, pairs, method="linear")
    >>> found.lower.round(2), found.upper.round(2)
    (array([[0.32, 0.5 , 0.54, 1.21]]), array([[0.38, 0.57, 0.6 , 1.5 ]]))
    """
    way = Method(method)
    options = Drawing(coverage=wanted_coverage(study, coverage), **drawing)
    asked, columns = read_pairs(study, pairs), _quantities(quantities)
    named = {name for pair in asked for side in pair for name in side}
    law = prepare(
        study, sources=sources, rule=rule, runs=[run for run in study.runs if run.name in named]
    )
    layout = RatioLayout.of(asked, columns, law.arrays.runs)
    linear = replace(_linear(law, layout, options.coverage), seed=options.seed)
    return linear if way is Method.LINEAR else _drawn(law, layout, linear, options)


def _linear(law: JointLaw, layout: RatioLayout, coverage: float) -> RatioIntervals:
    """Ratio · exp(± k u) with k from the effective degrees of freedom of the difference."""
    sizes = law.sizes
    ratio, least, most = (
        np.exp(_ln_ratios(layout, of_high, of_low))
        for of_high, of_low in (
            (sizes.value, sizes.value),
            (sizes.lower, sizes.upper),
            (sizes.upper, sizes.lower),
        )
    )
    shape, known = ratio.shape, ~np.isnan(ratio)
    parts = law.contributions.contrasts(layout.weights(len(sizes.value)))
    freedom, u = parts.effective_df.reshape(shape), parts.u.reshape(shape)
    half = coverage_factor(coverage, freedom) * u
    return RatioIntervals(
        high=tuple(layout.names[side] for side in layout.high),
        low=tuple(layout.names[side] for side in layout.low),
        quantities=tuple(QUANTITIES[column] for column in layout.columns),
        ratio=ratio,
        bound_lower=least,
        bound_upper=most,
        u_log=u,
        lower=np.where(known, ratio * np.exp(-half), least),
        upper=np.where(known, ratio * np.exp(half), most),
        coverage=coverage,
        effective_df=freedom,
        log_covariance=np.array(
            [parts.rows(slice(one, None, shape[1])).covariance for one in range(shape[1])]
        ),
        method=Method.LINEAR,
        sources=tuple(source.name for source in law.sources.included),
        sources_left_out=law.sources.left_out,
        rule=str(sizes.rule),
        notes=(*law.notes, *_doubts(law, layout, coverage)),
    )


def _drawn(
    law: JointLaw, layout: RatioLayout, linear: RatioIntervals, drawing: Drawing
) -> RatioIntervals:
    """Quantiles of the drawn ratios."""
    shape, known = linear.ratio.shape, ~np.isnan(linear.ratio)
    accumulator = drawing.accumulator(layout.high.size, known.ravel(), layout.differences)
    summarise = partial(summarise_ratios, layout=layout)
    total = accumulator.take(drawing.drawn(drawing.plan(law), summarise))
    ends = np.exp(accumulator.ends).reshape(4, *shape)
    share = total.missing.reshape(shape) / total.draws
    return replace(
        linear,
        u_log=np.where(known, accumulator.u.reshape(shape), np.nan),
        lower=ends[0],
        upper=ends[1],
        log_covariance=_pair_covariance(layout, total.moments.covariance, known),
        method=Method.MONTE_CARLO,
        notes=(*law.notes, *unsettled(accumulator), *_beyond_sieves(linear, share, known)),
        monte_carlo=Draws(
            draws=total.draws,
            settled=accumulator.settled,
            shortest_lower=ends[2],
            shortest_upper=ends[3],
            tolerance=accumulator.tolerance.reshape(shape),
            share_unbracketed=share,
        ),
    )
