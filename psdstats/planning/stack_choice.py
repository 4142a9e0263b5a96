"""A chosen stack tried out: expected powders sieved and weighed on it by the simulator.

Masses in g, sizes in µm, uncertainties in per cent of the size.  What is found: standard
uncertainty of D10, D50 and D90 with the part that is due to the curve between the sieves, and of
their change since the first powder; percentiles left open, a class that may hide a peak, and how
often a sieve is overloaded or one class holds more than half of the sample.

Choose the sieves of a stack for the powders a trial is expected to pass through.

Apertures in µm, masses in g.  The finest sieve must bracket D10 of the finest powder, the coarsest
D90 of the coarsest, also at the edge of their tolerance; the sieves between are chosen so that the
fullest class of any powder holds as little as possible (exact, by dynamic programming over the
series).  Rules held: no class over half the sample (USP <786>, from memory); load on a sieve at
most 7 kg/m² of its area below 4.75 mm and 2.5 × aperture (mm) × area from there up (ASTM
C136/C136M-19, 8.3).

The expected powders are guesses: smooth curves through three percentiles, nearly straight on
probability paper against the logarithm of size.  The chosen stack is tried out on each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from psdstats import limits
from psdstats.columns import QUANTITIES
from psdstats.errors import PlanError
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.planning.planned_samples import (
    ExpectedPowder,
    FoundSize,
    LawCheck,
    PlannedSizes,
    PlannedWeighing,
    PlanningRemark,
    check_law,
    load_limit_g,
    planned_sizes,
)
from psdstats.present import Shown
from psdstats.sieves.standards import practice_rule, tolerance_um

_TRIED = QUANTITIES[:3]
_RARE = 0.1  # share of samples with a suspected peak that is not worth a warning (our choice)
RARELY_OPEN = 0.02  # share of samples open at an end that is not worth a sieve more (our choice)
_NO_CHANGE = ((float("nan"), float("nan")),) * len(_TRIED)


@dataclass(frozen=True, kw_only=True)
class TriedPowder:
    """What simulated samples of one powder do on the stack.

    Parameters
    ----------
    powder : str
        Its name.
    sizes : tuple of FoundSize
        D10, D50 and D90.
    changes : tuple of (float, float)
        Standard uncertainty of the change of each since the first powder, and its Monte Carlo
        standard error, per cent; none for the first.
    share_overloaded, share_over_half : float
        Shares of samples that overload a sieve, or put more than half into one class.
    hidden_peak_um : (float, float) or None
        The class that may hide a peak of this powder.
    share_hidden : float
        Share of samples in which it may.
    """

    powder: str
    sizes: tuple[FoundSize, ...]
    changes: tuple[tuple[float, float], ...]
    share_overloaded: float
    share_over_half: float
    hidden_peak_um: tuple[float, float] | None
    share_hidden: float


@dataclass(frozen=True, kw_only=True)
class StackTrial:
    """The trial of a stack on every expected powder.

    Parameters
    ----------
    powders : tuple of TriedPowder
        One for each expected powder.
    weighing : PlannedWeighing
        Balance, particles and sieves assumed.
    sample_g : float
        Mass put on the stack.
    check : LawCheck or None
        What the law makes of some of the samples; None by a rule.
    trials, seed : int
        Simulated stacks, two samples on each; seed of the simulation.
    """

    powders: tuple[TriedPowder, ...]
    weighing: PlannedWeighing
    sample_g: float
    check: LawCheck | None
    trials: int
    seed: int

    def sizes_frame(self) -> pd.DataFrame:
        """One row a powder and percentile: u and its parts, of the change since the first, open."""
        rows = [
            {
                "powder": one.powder,
                **vars(size),
                "alike_percent": size.alike_percent,
                "u_change_percent": change,
                "u_change_error_percent": error,
            }
            for one in self.powders
            for size, (change, error) in zip(one.sizes, one.changes or _NO_CHANGE, strict=True)
        ]
        return pd.DataFrame(rows)

    def loads_frame(self) -> pd.DataFrame:
        """One row a powder: shares of samples with an overloaded sieve, or a class over half."""
        frame = pd.DataFrame([vars(one) for one in self.powders])
        return frame[["powder", "share_overloaded", "share_over_half"]]


def try_stack(
    powders: Sequence[ExpectedPowder],
    aperture_um: Sequence[float],
    *,
    weighing: PlannedWeighing,
    sample_g: float,
    frame_diameter_mm: float = 200.0,
    trials: int = 1000,
    seed: int = 0,
    workers: int = 1,
    cluster: str | None = None,
) -> StackTrial:
    """Sieve and weigh every expected powder on a stack."""
    limits = np.array([load_limit_g(one, frame_diameter_mm) for one in sorted(aperture_um)])
    found = planned_sizes(
        powders,
        aperture_um,
        weighing,
        sample_g=sample_g,
        trials=trials,
        seed=seed,
        workers=workers,
        cluster=cluster,
    )
    tried = tuple(
        TriedPowder(
            powder=powder.name,
            sizes=tuple(found.size(row, name) for name in _TRIED),
            changes=tuple(found.change(row, name) for name in _TRIED if row > 0),
            **_loads(found.net_g[row], limits),
            **_hidden_class(found, row),
        )
        for row, powder in enumerate(powders)
    )
    return StackTrial(
        powders=tried,
        weighing=weighing,
        sample_g=sample_g,
        check=check_law([found], _TRIED),
        trials=trials,
        seed=seed,
    )


def _loads(net_g: Array, limits: Array) -> dict[str, Any]:
    """Shares of samples that overload a sieve, and that put more than half into one class."""
    half = practice_rule("dominant_percent").value / 100
    total = net_g.sum(axis=2, keepdims=True)
    return {
        "share_overloaded": float((net_g[:, :, 1:] > limits).any(axis=2).mean()),
        "share_over_half": float((net_g > half * total).any(axis=2).mean()),
    }


def _hidden_class(sizes: PlannedSizes, row: int) -> dict[str, Any]:
    """The class most often suspected to hide a peak, where that is not rare, and how often."""
    counts = np.bincount(sizes.found.hidden_peak[row] + 1, minlength=2)
    above = int(counts[1:].argmax())
    share = float(counts[1:].max() / max(counts.sum(), 1))
    ends = (0.0, *sizes.aperture_um.tolist())
    suspected = (ends[above], ends[above + 1]) if share > _RARE else None
    return {"hidden_peak_um": suspected, "share_hidden": share}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class StackChoice(Shown):
    """A stack of sieves and what it would hold.

    Parameters
    ----------
    aperture_um : tuple of float
        Apertures, coarsest first; the pan comes below.
    powders : tuple of ExpectedPowder
        The powders it was chosen for.
    sample_g, frame_diameter_mm : float
        Mass put on the stack; diameter of the sieve frames.
    share : ndarray, shape (powders, sieves + 1)
        Expected share of the sample on each sieve, coarsest first, pan last.
    largest_sample_g : float
        Largest sample for which no sieve is overloaded by any of the powders.
    remarks : tuple of Remark
        Rules that cannot be held, and what to do.
    trial : StackTrial
        What simulated samples of the powders do on it.

    Examples
    --------
    >>> from psdstats.planning import ExpectedPowder, choose_sieves
    >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
    >>> choice = choose_sieves([powder], [45, 63, 90, 125, 180, 250, 355, 500], trials=100)
    >>> choice.aperture_um
    (500.0, 250.0, 180.0, 125.0, 63.0)
    """

    aperture_um: tuple[float, ...]
    powders: tuple[ExpectedPowder, ...]
    sample_g: float
    frame_diameter_mm: float
    share: Array
    largest_sample_g: float
    remarks: tuple[Remark, ...]
    trial: StackTrial

    def __post_init__(self) -> None:
        self.share.setflags(write=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a powder and sieve (pan: aperture 0): share, mass, load limit.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, choose_sieves
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> choice = choose_sieves([powder], [45, 63, 90, 125, 180, 250, 355, 500], trials=100)
        >>> choice.to_frame().columns.tolist()
        ['powder', 'aperture_um', 'share_percent', 'mass_g', 'load_limit_g']
        """
        limits = (*(load_limit_g(one, self.frame_diameter_mm) for one in self.aperture_um), None)
        rows = [
            {
                "powder": powder.name,
                "aperture_um": aperture,
                "share_percent": 100 * share,
                "mass_g": self.sample_g * share,
                "load_limit_g": limit,
            }
            for powder, shares in zip(self.powders, self.share.tolist(), strict=True)
            for aperture, share, limit in zip((*self.aperture_um, 0.0), shares, limits, strict=True)
        ]
        return pd.DataFrame(rows)

    def undersize_frame(self, size_um: Sequence[float] | None = None) -> pd.DataFrame:
        """Expected undersize, for a figure: powder, size_um, undersize (0 to 1).

        Parameters
        ----------
        size_um : sequence of float, optional
            Sizes, µm; by default all that a figure of stack and powders shows.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, choose_sieves
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> choice = choose_sieves([powder], [45, 63, 90, 125, 180, 250, 355, 500], trials=100)
        >>> choice.undersize_frame([200.0])["undersize"].round(2).tolist()
        [0.5]
        """
        d10_um, _, d90_um = zip(*(one.percentiles_um for one in self.powders), strict=True)
        ends = (*self.aperture_um, *d10_um, *d90_um)
        sizes = np.geomspace(min(ends) / 1.5, max(ends) * 1.5, 161)
        if size_um is not None:
            sizes = np.asarray(size_um, dtype=float)
        rows = [
            pd.DataFrame({"powder": one.name, "size_um": sizes, "undersize": one.undersize(sizes)})
            for one in self.powders
        ]
        return pd.concat(rows, ignore_index=True)


def choose_sieves(
    powders: Sequence[ExpectedPowder],
    series_um: Sequence[float],
    *,
    sieves: int | None = None,
    most_sieves: int = 8,
    sample_g: float = 50.0,
    frame_diameter_mm: float = 200.0,
    fullest_share: float = 0.30,
    weighing: PlannedWeighing | None = None,
    trials: int = 1000,
    seed: int = 0,
    workers: int = 1,
    cluster: str | None = None,
) -> StackChoice:
    """The stack from a series that shares the expected powders out most evenly.

    Parameters
    ----------
    powders : sequence of ExpectedPowder
        What the trial is expected to meet: at least the unmilled and the finest powder.
    series_um : sequence of float
        Apertures to choose from, for example `psdstats.sieves.standards("R20/3", 45, 1000)`.
    sieves : int or None
        Number of sieves; None takes the fewest with which no class holds more than
        `fullest_share`, or `most_sieves` where none does.
    most_sieves : int, default=8
        How many sieves the shaker takes, besides the pan.
    sample_g : float, default=50
        Mass put on the stack.
    frame_diameter_mm : float, default=200
        Inner diameter of the frames.
    fullest_share : float, default=0.30
        Share of the sample aimed at for the fullest class (our choice; the limit is one half).
    weighing : PlannedWeighing, optional
        Balance, particles and sieves with which the stack is tried out.
    trials : int, default=1000
        Simulated stacks, two samples of every powder on each.
    seed : int, default=0
        Seed of the simulation.
    workers, cluster
        Who does the work, as in `psdstats.processes.mapped`; the result is the same.

    Returns
    -------
    StackChoice
        With remarks where a rule cannot be held.

    Raises
    ------
    PlanError
        Without powders, with fewer than two apertures, or numbers out of range.

    Examples
    --------
    >>> from psdstats.planning import ExpectedPowder, choose_sieves
    >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
    >>> choice = choose_sieves([powder], [45, 63, 90, 125, 180, 250, 355, 500], trials=100)
    >>> len(choice.aperture_um)
    5
    """
    powders = tuple(powders)
    if not powders:
        raise PlanError("no expected powder is given; give at least one.")
    limits.MASS_G.require("sample mass", sample_g)
    limits.LENGTH_MM.require("frame diameter", frame_diameter_mm)
    limits.SHARE.require("share of the fullest class", fullest_share)
    wanted = int(limits.COUNT.require("sieves", most_sieves if sieves is None else sieves))
    apertures = np.unique(np.asarray(series_um, dtype=float))
    if len(apertures) < 2 or apertures[0] <= 0 or wanted < 2:
        raise PlanError(
            f"{wanted} sieves are to be chosen from {len(apertures)} apertures; give two or more "
            "of each, above zero."
        )
    finer = np.array([powder.undersize(apertures) for powder in powders])
    weighing = PlannedWeighing() if weighing is None else weighing
    low, high = _ends(powders, apertures, weighing.standard)
    while True:
        inner = np.arange(low, high + 1)
        most = min(wanted, len(inner))
        for count in range(2, most + 1) if sieves is None else [most]:
            chosen = inner[_most_even(finer[:, inner], count)]
            if _shares(finer[:, chosen]).max() <= fullest_share:
                break
        trial = try_stack(
            powders,
            apertures[chosen].tolist(),
            weighing=weighing,
            sample_g=sample_g,
            frame_diameter_mm=frame_diameter_mm,
            trials=trials,
            seed=seed,
            workers=workers,
            cluster=cluster,
        )
        tried, (low, high) = (low, high), _wider(trial, low, high, len(apertures) - 1)
        if tried == (low, high):
            break
    chosen_um, between = apertures[chosen], np.setdiff1d(apertures, apertures[chosen])
    return _choice(powders, chosen_um, between, finer[:, chosen], frame_diameter_mm, sieves, trial)


def _ends(powders: Sequence[ExpectedPowder], apertures: Array, standard: str) -> tuple[int, int]:
    """Coarsest aperture with at most 10 % finer, finest with at least 90 %, over all powders.

    Both hold anywhere within the tolerance, so that a percentile stays open on no such sieve.
    """
    limit = np.array([tolerance_um(one, standard=standard) for one in apertures.tolist()])
    widest = np.array([powder.undersize(apertures + limit) for powder in powders])
    narrowest = np.array([powder.undersize(apertures - limit) for powder in powders])
    below = np.flatnonzero((widest <= 0.10).all(axis=0))
    above = np.flatnonzero((narrowest >= 0.90).all(axis=0))
    low = int(below[-1]) if below.size else 0
    high = int(above[0]) if above.size else len(apertures) - 1
    if low >= high:  # a powder narrower than one step of the series
        low, high = max(high - 1, 0), max(high, 1)
    return low, high


def _wider(trial: StackTrial, low: int, high: int, last: int) -> tuple[int, int]:
    """Ends one aperture further, where samples leave D10 or D90 open and the series goes on."""
    sizes = [size for one in trial.powders for size in one.sizes]
    is_open = {one.quantity for one in sizes if one.share_open > RARELY_OPEN}
    return max(low - ("D10" in is_open), 0), min(high + ("D90" in is_open), last)


def _most_even(finer: Array, count: int) -> list[int]:
    """Positions of `count` apertures, ends included, with the smallest fullest class.

    Ties go to the smaller sum of squared shares, so that the rest is even too.
    """
    size = finer.shape[1]
    worst = (finer[:, None, :] - finer[:, :, None]).max(axis=0)  # class from i up to j
    square = ((finer[:, None, :] - finer[:, :, None]) ** 2).sum(axis=0)
    best: list[dict[int, tuple[float, float, list[int]]]] = [{0: (0.0, 0.0, [0])}]
    for _ in range(1, count):
        row: dict[int, tuple[float, float, list[int]]] = {}
        for upper in range(1, size):
            options = [
                (max(fullest, worst[lower, upper]), total + square[lower, upper], [*path, upper])
                for lower, (fullest, total, path) in best[-1].items()
                if lower < upper
            ]
            if options:
                row[upper] = min(options)
        best.append(row)
    return best[-1][size - 1][2]


def _shares(finer: Array) -> Array:
    """Shares of the classes between the apertures, pan first."""
    ends = np.hstack([np.zeros((len(finer), 1)), finer, np.ones((len(finer), 1))])
    return np.asarray(np.diff(ends, axis=1))


def _choice(
    powders: tuple[ExpectedPowder, ...],
    aperture_um: Array,
    left_um: Array,
    finer: Array,
    frame_diameter_mm: float,
    asked: int | None,
    trial: StackTrial,
) -> StackChoice:
    sample_g = trial.sample_g
    share = _shares(finer)[:, ::-1]
    coarsest_first = tuple(float(aperture) for aperture in aperture_um[::-1])
    limits = np.array([load_limit_g(aperture, frame_diameter_mm) for aperture in coarsest_first])
    fullest = share[:, :-1].max(axis=0)
    largest = float(np.min(limits / np.maximum(fullest, 1e-12)))
    remarks = list(_open_ends(powders, aperture_um, finer))
    if 100 * share.max() > practice_rule("dominant_percent").value:
        remarks.append(PlanningRemark.CLASS_TOO_FULL(percent=100 * float(share.max())))
    for one in trial.powders:
        if one.hidden_peak_um is not None:
            told = {"powder": one.powder, "class_um": one.hidden_peak_um, "share": one.share_hidden}
            low_um, high_um = one.hidden_peak_um
            within = tuple(left_um[(left_um > low_um) & (left_um < high_um)].tolist())
            peak = partial(PlanningRemark.PEAK_MAY_HIDE, left_um=within)
            remarks.append((peak if within else PlanningRemark.PEAK_IN_A_STEP)(**told))
    if sample_g > largest:
        remarks.append(PlanningRemark.OVERLOADED(sample_g=sample_g, largest_g=largest))
    if aperture_um[0] < practice_rule("finest_dry_sieving").value:
        remarks.append(PlanningRemark.TOO_FINE_TO_SIEVE_DRY(aperture_um=float(aperture_um[0])))
    if asked is not None and asked > len(aperture_um):
        remarks.append(PlanningRemark.FEWER_SIEVES(sieves=len(aperture_um), asked=asked))
    return StackChoice(
        aperture_um=coarsest_first,
        powders=powders,
        sample_g=sample_g,
        frame_diameter_mm=frame_diameter_mm,
        share=share,
        largest_sample_g=largest,
        remarks=tuple(remarks),
        trial=trial,
    )


def _open_ends(
    powders: tuple[ExpectedPowder, ...], aperture_um: Array, finer: Array
) -> Iterator[Remark]:
    for powder, q in zip(powders, finer.tolist(), strict=True):
        if q[0] > 0.10 + 1e-9:
            finest = float(aperture_um[0])
            yield PlanningRemark.D10_OPEN(powder=powder.name, share=q[0], aperture_um=finest)
        if q[-1] < 0.90 - 1e-9:
            coarsest = float(aperture_um[-1])
            yield PlanningRemark.D90_OPEN(powder=powder.name, share=1 - q[-1], aperture_um=coarsest)
