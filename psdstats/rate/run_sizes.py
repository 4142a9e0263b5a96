"""The runs of a trial as the rate models take them, and the powder that sampling takes away.

Time in min, sizes as ln of µm, masses in g.

Runs, blocks, known covariance and spread are those of the analysis of the trial; the variances are
judged from all levels together, so that one spread stands behind every curve and every comparison.

Each sample leaves less powder under the same balls, so later intervals are milled at a higher
ball-to-powder ratio; rates found at late times hold for that ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import auto
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import BALL_RATIO, BOOKKEEPING, GROUP, REPLICATE, TIME, column_words
from psdstats.comparison.analysis import QuantityAnalysis, SpreadBasis
from psdstats.comparison.plan import columns_of
from psdstats.comparison.response import indicators
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Still
from psdstats.models.design_columns import level_text, need_columns
from psdstats.models.engine import CovarianceParts
from psdstats.models.posterior import (
    Mixture,
    VariancePosterior,
    freed,
    stated_posterior,
    variance_posterior,
)
from psdstats.study.records import Study

LEAST_FOR_DRIFT = 3
"""Groups, each with as many times, from which their drift can be seen."""

_SAME = 1e-9  # share of the largest below which a direction of the blocks is none


class RateRemark(RemarkKind):
    """What a rate must be read with."""

    NO_CHARGE = auto()
    WITHOUT_LEVEL = auto()
    OTHER_FACTOR = auto()
    TAIL = auto()
    OPEN_CELLS = auto()
    ONE_RUN_A_TIME = auto()
    FEW_GROUPS = auto()  # groups
    LARGEST_GAP = auto()
    NO_TIME_TO_SPARE = auto()
    NO_REPEATS = auto()
    TOO_FEW_TIMES = auto()
    LITTLE_SEEN = auto()  # percent
    RATES_OF_FEW_GROUPS = auto()  # groups
    EMPTY_RUN = auto()
    TOO_FEW_ABOVE = auto()
    FEW_SIEVES = auto()
    ABOUT_THE_LINE = auto()
    BETWEEN_GROUPS = auto()


def by_level(frame: pd.DataFrame, columns: Sequence[str]) -> list[tuple[str, pd.DataFrame]]:
    """Rows of each level of further factors with a label, numbers by size and texts by alphabet.

    Runs without a value are in none of them; `runs_without_level` says so.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": ["a", "b"], "ball_ratio": [10.0, 5.0]})
    >>> [label for label, _ in by_level(runs, ["ball_ratio"])]
    ['ball ratio 5', 'ball ratio 10']
    """
    if not columns:
        return [("", frame)]
    need_columns(frame, columns, table="run table")
    for name in columns:
        if frame[name].isna().all():
            raise ModelError(
                f"Column {name!r} has no value for any run; fill it in, or do not divide the runs "
                "by it."
            )
    words = [column_words(name) for name in columns]
    return [
        (", ".join(f"{w} {level_text(v)}" for w, v in zip(words, values, strict=True)), part)
        for values, part in frame.groupby(list(columns), sort=True)
    ]


def runs_without_level(frame: pd.DataFrame, columns: Sequence[str]) -> tuple[Remark, ...]:
    """A remark on the runs that have no value in a column; none where all have one."""
    lost = {name: tuple(frame.loc[frame[name].isna(), "run"]) for name in columns}
    return tuple(
        RateRemark.WITHOUT_LEVEL(runs=runs, column=name) for name, runs in lost.items() if runs
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class RunSizes(Still):
    """One percentile of n runs, and what is known of its spread.

    Parameters
    ----------
    time_min, ln_size : ndarray, shape (n,)
        Milling time and ln of the size in µm.
    blocks : ndarray, shape (n, b)
        Effects of groups, or of charges, that add up to zero.
    known : ndarray, shape (n, n)
        Known covariance of ``ln_size``, without what is left to the parts.
    parts : ndarray, shape (k, n, n)
        What the variances multiply, the residual last.
    spread : VariancePosterior
        What the variances may be.
    about_courses : bool
        Whether it comes from the distance of single runs from smooth courses, so that a curve as
        free as those cannot be checked by it.
    label : str
        The level of further factors, for example "ball ratio 2"; empty where runs are not divided.
    where : str
        The same as the comparison has it, such as "2".
    frame : DataFrame
        run, group, milling_time_min, size_um of the runs.
    notes : tuple of Remark
        What few runs or groups mean for the intervals.
    """

    time_min: Array
    ln_size: Array
    blocks: Array
    known: Array
    parts: Array
    spread: VariancePosterior
    about_courses: bool = False
    label: str = ""
    where: str = ""
    frame: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: tuple[Remark, ...] = ()

    @cached_property
    def times(self) -> Array:
        """Distinct times, increasing."""
        return np.unique(self.time_min)

    @property
    def at_times(self) -> Array:
        """Indicators of the times, (n, times)."""
        return np.asarray(self.time_min[:, None] == self.times, dtype=np.float64)

    @cached_property
    def covariances(self) -> Array:
        """Covariance of the runs at every point of the posterior, (h, n, n)."""
        return np.asarray(self.known + np.tensordot(self.spread.theta, self.parts, 1))

    @cached_property
    def middle_sds(self) -> Array:
        """Standard deviations (k,) of the parts at the middle of the posterior: mean logarithm."""
        logs = np.log(np.maximum(self.spread.theta, 1e-300))
        return np.asarray(np.exp(0.5 * (self.spread.weight @ logs)))

    @cached_property
    def middle(self) -> Array:
        """Covariance (n, n) at the middle of the posterior."""
        return np.asarray(self.known + np.tensordot(self.middle_sds**2, self.parts, 1))

    @cached_property
    def whitener(self) -> Array:
        """W (n, n) with WᵀW = V⁻¹ at the middle, less what the groups explain."""
        w = np.linalg.inv(np.linalg.cholesky(self.middle))
        q = np.linalg.qr(w @ self.blocks)[0]
        return np.asarray(w - q @ (q.T @ w))

    def over_spread(self, centre: Array, rows: Array) -> Mixture:
        """Values (q,) of weighted sums of the runs, rows (q, n), over the posterior."""
        v = self.covariances
        return Mixture(
            weight=self.spread.weight,
            centre=np.broadcast_to(centre, (len(v), len(rows))),
            covariance=rows @ v @ rows.T,
        )


def effects(indicated: Sequence[Array]) -> Array:
    """Basis (n, b) of effects that add up to zero, from indicators (n, levels) of each grouping."""
    columns = [own[:, 1:] - own[:, :1] for own in indicated if own.shape[1] > 1]
    if not columns:
        return np.zeros((len(indicated[0]), 0))
    left, size, _ = np.linalg.svd(np.hstack(columns), full_matrices=False)
    return np.asarray(left[:, size > _SAME * size[0]])


def sizes_by_level(one: QuantityAnalysis) -> tuple[RunSizes, ...]:
    """The runs of an analysis at each level of its further factors, with the spread of all."""
    design, spread = one.design, one.spread
    joint, columns = one.from_first()
    known = np.asarray(joint)
    if design.left > 0:
        known = np.asarray(freed(known))
        whole = CovarianceParts.of(columns, known)
        parts, posterior = whole.matrices, variance_posterior(one.y, design.x, whole)
    elif spread.basis is SpreadBasis.NONE:
        raise ModelError(
            f"{one.quantity}: {len(one.frame)} runs leave nothing to tell how far runs scatter; "
            "sample more times, repeat one, or declare the run-to-run variation."
        )
    else:
        parts, posterior = design.parts[-1:], stated_posterior(spread.run**2, spread.df)
    return tuple(
        _level(one, label, part, known, parts, posterior)
        for label, part in by_level(one.frame, one.plan.at_each)
    )


def _level(
    one: QuantityAnalysis,
    label: str,
    part: pd.DataFrame,
    known: Array,
    parts: Array,
    spread: VariancePosterior,
) -> RunSizes:
    """The runs of one level."""
    rows = part.index.to_numpy()
    both = np.ix_(rows, rows)
    frame = part.assign(size_um=np.exp(part["ln_value"]))[["run", GROUP, TIME, "size_um"]]
    if frame[TIME].nunique() < 2:
        raise ModelError(
            f"{label + ': ' if label else ''}{one.quantity}: all {len(frame)} runs have one "
            "milling time; a rate needs two times or more."
        )
    about_courses = one.design.left < 1 and one.spread.basis is SpreadBasis.SMOOTH_COURSES
    groups, notes = frame[GROUP].nunique(), list[Remark]()
    if about_courses:
        notes.append(RateRemark.ONE_RUN_A_TIME())
    if groups < LEAST_FOR_DRIFT:
        notes.append(RateRemark.FEW_GROUPS(groups=groups))
    return RunSizes(
        time_min=frame[TIME].to_numpy(dtype=float),
        ln_size=np.log(frame["size_um"].to_numpy()),
        blocks=_blocks(one, part),
        known=0.5 * (known[both] + known[both].T),
        parts=np.array([own[both] for own in parts]),
        spread=spread,
        about_courses=about_courses,
        label=label,
        where="" if one.plan.where is None else level_text(part[one.plan.where].iloc[0]),
        frame=frame.reset_index(drop=True),
        notes=tuple(notes),
    )


def _blocks(one: QuantityAnalysis, part: pd.DataFrame) -> Array:
    """Effects of what the analysis sets aside, and of its blocks."""
    keys = [(), *((name,) for name in one.plan.also), *map(columns_of, one.plan.blocks)]
    return effects([indicators(part, key) for key in keys])


def set_aside(study: Study, one: QuantityAnalysis) -> tuple[Remark, ...]:
    """A remark on the cells whose runs the analysis sets aside, and on each factor left out."""
    frame, plan = study.runs_frame(), one.plan
    found = list(runs_without_level(frame, plan.at_each))
    held = {*plan.factors, *(name for block in plan.within for name in columns_of(block))}
    held |= {*BOOKKEEPING, GROUP, TIME}
    varying = [name for name in frame if len(frame[name].dropna().unique()) > 1]
    found += [RateRemark.OTHER_FACTOR(column=name) for name in varying if name not in held]
    lost = frame[frame["run"].isin(one.response.set_aside)]
    if len(lost):
        cells = tuple(sorted(set(zip(lost[GROUP], lost[TIME], strict=True))))
        found.append(RateRemark.OPEN_CELLS(quantity=one.quantity, cells=cells))
    return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class Withdrawal:
    """Powder left in one jar after each sample.

    Parameters
    ----------
    frame : DataFrame
        milling_time_min, withdrawn_g (in all), left_g, ball_to_powder after the sample,
        change_percent of that ratio against the start.
    start_ratio : float
        Balls to powder at the start.
    """

    frame: pd.DataFrame
    start_ratio: float


def withdrawal(
    time_min: ArrayLike, sample_g: ArrayLike, *, powder_g: float, balls_g: float
) -> Withdrawal:
    """Powder left and ball-to-powder ratio of one charge sampled in turn.

    Parameters
    ----------
    time_min : array_like, shape (n,)
        Milling times of the samples.
    sample_g : array_like, shape (n,)
        Mass taken at each time.
    powder_g, balls_g : float
        Powder and balls charged at the start.

    Returns
    -------
    Withdrawal

    Raises
    ------
    ModelError
        If a mass is not positive or the samples exceed the charge.

    Examples
    --------
    >>> withdrawal([0, 10], [20, 20], powder_g=200, balls_g=2000).frame["ball_to_powder"].round(2)
    0    11.11
    1    12.50
    Name: ball_to_powder, dtype: float64
    """
    time = np.asarray(time_min, dtype=float).ravel()
    order = np.argsort(time, kind="stable")
    taken = np.asarray(sample_g, dtype=float).ravel()[order]
    if not (powder_g > 0 and balls_g > 0 and (taken >= 0).all()):
        raise ModelError(
            f"The charge is {powder_g:g} g of powder and {balls_g:g} g of balls with samples of "
            f"{taken.min():g} to {taken.max():g} g; give positive masses."
        )
    total = np.cumsum(taken)
    if total[-1] >= powder_g:
        raise ModelError(
            f"The samples add up to {total[-1]:g} g of a charge of {powder_g:g} g; check the "
            "charge, or state that every time had a charge of its own."
        )
    left = powder_g - total
    ratio = balls_g / left
    start = balls_g / powder_g
    frame = pd.DataFrame(
        {
            TIME: time[order],
            "withdrawn_g": total,
            "left_g": left,
            "ball_to_powder": ratio,
            "change_percent": 100 * (ratio / start - 1),
        }
    )
    return Withdrawal(frame=frame, start_ratio=start)


def withdrawals(
    study: Study, *, powder_g: float | None, balls_g: float | None
) -> dict[str, Withdrawal]:
    """One charge for each combination of group, replicate and factors, sampled in turn."""
    if powder_g is None and balls_g is None:
        return {}
    taken = [run.total_g if run.sample_mass_g is None else run.sample_mass_g for run in study.runs]
    frame = study.runs_frame().assign(taken_g=taken)
    ratios = pd.to_numeric(frame.get(BALL_RATIO, pd.Series(np.nan, frame.index)), errors="coerce")
    if powder_g is None or (balls_g is None and ratios.isna().any()):
        lost = frame.loc[frame[BALL_RATIO].isna(), "run"].tolist() if BALL_RATIO in frame else []
        bare = f"; {len(lost)} of {len(frame)} have none, the first being {lost[0]}" if lost else ""
        raise ModelError(
            "The charge of one jar needs its powder and its balls: state powder_g and balls_g "
            "(--powder-g and --balls-g). The powder is enough where every run has a "
            f"{BALL_RATIO}{bare}."
        )
    if balls_g is not None and ratios.notna().all() and len(ratios.unique()) > 1:
        found = ", ".join(f"{one:g}" for one in sorted(ratios.unique()))
        raise ModelError(
            f"One mass of balls ({balls_g:g} g) is stated for runs of ball ratio {found}; leave it "
            "out, and the balls of each charge follow from its ratio."
        )
    factors = sorted({name for run in study.runs for name in run.factors})
    keys = [
        name
        for name in (GROUP, REPLICATE, *factors)
        if frame[name].notna().all() and (name == GROUP or len(frame[name].unique()) > 1)
    ]
    charges = {}
    for values, part in frame.groupby(keys, sort=True):
        name = ", ".join(
            ("" if key in (GROUP, REPLICATE) else column_words(key) + " ")
            + (f"{one:g}" if isinstance(one, float) else str(one))
            for key, one in zip(keys, values, strict=True)
        )
        balls = powder_g * float(part[BALL_RATIO].iloc[0]) if balls_g is None else balls_g
        charges[name] = withdrawal(part[TIME], part["taken_g"], powder_g=powder_g, balls_g=balls)
    return charges
