"""What an evaluation makes of simulated samples: sizes, changes, and what the law leaves open.

The law of the undersize curve is given some of the samples: its mean sensitivities find the spread
of all the others, and what it states beyond that is left between the sieves.  By a prescribed rule
every sample is evaluated, and nothing is left.  Uncertainties are standard deviations of ln size in
per cent, each with its Monte Carlo standard error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES
from psdstats.distribution.borrowing import between_correlation
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import SMALLEST, curve_law
from psdstats.frozen import Array
from psdstats.planning.planned_weighing import (
    ExpectedPowder,
    PlannedWeighing,
    rising_apertures,
    weigh_powder,
)
from psdstats.processes import mapped
from psdstats.room import one_thread
from psdstats.simulate.trial import SimulatedMasses, quantities_of, rule_sizes
from psdstats.uncertainty.linear import percentile_jacobian

FEWEST_PAIRS = 30  # stacks with two bracketed sizes below which no spread is told


@dataclass(frozen=True, kw_only=True)
class FoundSize:
    """What simulated samples say of one quantity; NaN where too few of them bracket it.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    u_percent, u_error_percent : float
        Standard uncertainty of one sample, what the curve may do between the sieves included, and
        its Monte Carlo standard error.
    between_percent : float
        That part of it.
    own_percent, own_error_percent : float
        The part that each sample has for itself.
    share_open : float
        Share of samples in which the sieves do not bracket the quantity.
    """

    quantity: str
    u_percent: float
    u_error_percent: float
    between_percent: float
    own_percent: float
    own_error_percent: float
    share_open: float

    @property
    def shared_percent(self) -> float:
        """The part that samples on one stack have in common, per cent."""
        return float(np.sqrt(max(self.u_percent**2 - self.own_percent**2, 0.0)))

    @property
    def alike_percent(self) -> float:
        """Standard uncertainty of the difference of two samples of the powder on one stack."""
        return self.own_percent * sqrt(2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Evaluation:
    """What an evaluation makes of P powders on stacks of n apertures.

    Attributes
    ----------
    by_share, by_ln_aperture : ndarray, shapes (P, 3, n + 1) and (P, 3, n)
        Derivatives of ln D10, D50, D90.
    between : ndarray, shape (S, P, 3, P, 3)
        Covariance of ln sizes by what the curves may do between the sieves, as the law states it
        of S stacks beyond the derivatives above; none by a rule.
    error : ndarray, shape (P, S, 3)
        What the law misses of the powder's own ln sizes there.
    hidden_peak : ndarray of int, shape (P, S)
        Index of the aperture above a class that may hide a peak; -1 for none.
    """

    by_share: Array
    by_ln_aperture: Array
    between: Array
    error: Array
    hidden_peak: NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedSizes:
    """Simulated samples of P powders on the same T stacks of n rising apertures, evaluated.

    Attributes
    ----------
    weighing : PlannedWeighing
        Balance, particles, sieves and rule.
    aperture_um : ndarray, shape (n,)
        Apertures, µm.
    share : ndarray, shape (P, n + 1)
        Expected share of each class, pan first.
    net_g : ndarray, shape (P, T, 2, n + 1)
        Simulated net masses.
    ln_value : ndarray, shape (P, T, 2, 4)
        Logarithm of D10, D50, D90 and span of the samples; NaN where not bracketed.
    found : Evaluation
        What the evaluation makes of the powders.
    """

    weighing: PlannedWeighing
    aperture_um: Array
    share: Array
    net_g: Array
    ln_value: Array
    found: Evaluation

    def between_variance(
        self, row: int, quantity: str, *, change: bool = False
    ) -> tuple[float, float]:
        """Variance between the sieves of a quantity, or its change since the first, and its error.

        Parameters
        ----------
        row : int
            Which powder.
        quantity : str
            "D10", "D50", "D90" or "span".
        change : bool, default=False
            Whether that of the change is wanted.

        Returns
        -------
        (float, float)
            0 by a rule; NaN where fewer than two samples given to the law bracket it.
        """
        if not len(self.found.between):
            return 0.0, 0.0
        rows = [0, row] if change else [row]
        used, weight = self._weights(rows, quantity)
        stated = self.found.between[:, rows][:, :, used][:, :, :, rows][..., used]
        found = np.einsum("ra,trasb,sb->t", weight, stated, weight)
        found = found[np.isfinite(found)]
        if found.size < 2:
            return float("nan"), float("nan")
        return max(float(found.mean()), 0.0), float(found.std(ddof=1)) / sqrt(found.size)

    def _weights(self, rows: list[int], quantity: str) -> tuple[list[int], Array]:
        """Which sizes a quantity is made of, and what each adds to ln of it or of its ratio."""
        sign = np.array([-1.0, 1.0])[-len(rows) :, None]
        if quantity != "span":
            return [QUANTITIES.index(quantity)], sign
        values = self.ln_value[rows, :, :, :3]
        known = np.isfinite(values).all(axis=-1, keepdims=True)
        mean = np.exp(np.where(known, values, 0.0).sum((1, 2)) / np.maximum(known.sum((1, 2)), 1))
        width = mean[:, 2] - mean[:, 0]
        by_size = [-mean[:, 0] / width, -np.ones(len(rows)), mean[:, 2] / width]
        return [0, 1, 2], sign * np.stack(by_size, axis=1)

    def size(self, row: int, quantity: str) -> FoundSize:
        """Spread of one quantity over the samples of a powder.

        Parameters
        ----------
        row : int
            Which powder.
        quantity : str
            "D10", "D50", "D90" or "span".
        """
        pairs = self.ln_value[row, :, :, QUANTITIES.index(quantity)]
        between = self.between_variance(row, quantity)
        u, u_error = _spread(pairs, between)
        apart = (pairs[:, 1:] - pairs[:, :1]) * [-1, 1] / sqrt(2)
        own, own_error = _spread(apart, (0.0, 0.0))
        return FoundSize(
            quantity=quantity,
            u_percent=u,
            u_error_percent=u_error,
            between_percent=100 * sqrt(between[0]),
            own_percent=own,
            own_error_percent=own_error,
            share_open=float((~np.isfinite(pairs)).mean()),
        )

    def change(self, row: int, quantity: str) -> tuple[float, float]:
        """Standard uncertainty of a change since the first powder, and its error, %.

        Samples of unlike place are compared: those of one place share random numbers.

        Parameters
        ----------
        row : int
            Which powder, 1 or more.
        quantity : str
            "D10", "D50", "D90" or "span".
        """
        pairs = self.ln_value[..., QUANTITIES.index(quantity)]
        between = self.between_variance(row, quantity, change=True)
        return _spread(pairs[row, :, ::-1] - pairs[0], between)


def planned_sizes(
    powders: Sequence[ExpectedPowder],
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    trials: int = 1000,
    seed: int = 0,
    to_law: int = 24,
    workers: int = 1,
    cluster: str | None = None,
) -> PlannedSizes:
    """Sieve, weigh and evaluate two samples of every powder on each of many stacks.

    The law, which takes some ms a sample, is given one of each powder on the first `to_law` stacks.
    """
    apertures = np.array(rising_apertures(aperture_um))
    weigh = partial(  # with one seed: on the same stacks
        weigh_powder,
        aperture_um=aperture_um,
        weighing=weighing,
        sample_g=sample_g,
        trials=trials,
        seed=seed,
    )
    masses = list(mapped(weigh, powders, workers=workers, cluster=cluster))
    share = np.diff([one.undersize(apertures) for one in powders], prepend=0.0, append=1.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # samples read as nothing, a span of 0
        if weighing.rule is None:
            found = _by_law(masses, weighing, sample_g, to_law)
            size = [np.exp(_linear(one, row, found, share)) for row, one in enumerate(masses)]
        else:
            found = _by_rule(share, apertures, weighing.rule)
            size = [
                rule_sizes(one.net_g, one.aperture_um, rule=weighing.rule)[..., :3]
                for one in masses
            ]
        ln_value = np.log(quantities_of(np.stack(size)))
    return PlannedSizes(
        weighing=weighing,
        aperture_um=apertures,
        share=share,
        net_g=np.stack([one.net_g for one in masses]),
        ln_value=ln_value,
        found=found,
    )


def _by_rule(share: Array, aperture_um: Array, rule: str) -> Evaluation:
    powders = len(share)
    ln_aperture = np.tile(np.log(aperture_um), (powders, 1))
    found = percentile_jacobian(share, ln_aperture, LEVELS, rule)
    return Evaluation(
        by_share=np.nan_to_num(found.by_mass),
        by_ln_aperture=np.nan_to_num(found.by_ln_aperture),
        between=np.empty((0, powders, 3, powders, 3)),
        error=np.empty((powders, 0, 3)),
        hidden_peak=np.empty((powders, 0), dtype=np.intp),
    )


@one_thread
def _by_law(
    masses: Sequence[SimulatedMasses], weighing: PlannedWeighing, sample_g: float, to_law: int
) -> Evaluation:
    """The law of one sample of each powder on the first stacks."""
    powders, stacks, n = len(masses), to_law, masses[0].net_g.shape[-1] - 1
    at = [(one, slice(stacks), int(row > 0)) for row, one in enumerate(masses)]
    net_g = np.concatenate([one.net_g[stack, place] for one, stack, place in at])
    ln_aperture = np.log(np.concatenate([one.aperture_um[s, p, 1:] for one, s, p in at]))
    true = np.log(np.stack([one.true[stack, place, :3] for one, stack, place in at]))
    share = net_g / np.maximum(net_g.sum(axis=1, keepdims=True), weighing.resolution_g)
    reading = weighing.reading_variance * (weighing.resolution_g / sample_g) ** 2
    x = np.exp(ln_aperture[0])
    u_ln_aperture = weighing.u_ln_aperture(x)
    variance = reading + np.maximum(share, 0.0) * weighing.particle_g(x) / sample_g
    undersize = np.cumsum(share, axis=1)[:, :-1]
    by_share = np.tri(n, n + 1) - undersize[:, :, None]  # [i ≤ j] − Q_j
    law = curve_law(
        np.clip(np.maximum.accumulate(undersize, axis=1), 0.0, 1.0),
        ln_aperture,
        u_ln_aperture=np.broadcast_to(u_ln_aperture, undersize.shape),
        covariance=(by_share * variance[:, None]) @ by_share.swapaxes(1, 2),
        smallest=max(SMALLEST, 4 * sqrt(reading)),
    )
    by_share = law.by_undersize @ by_share
    shaken = law.by_ln_aperture * u_ln_aperture
    noise = (by_share**2 * variance[:, None]).sum(-1) + (shaken**2).sum(-1)
    u = np.sqrt(np.maximum(np.nan_to_num(law.u) ** 2 - noise, 0.0)).ravel()
    between = between_correlation(law, np.arange(len(share))) * np.outer(u, u)
    shape = (powders, stacks, 3, -1)
    shaken, known = shaken.reshape(shape), np.isfinite(law.ln_size).reshape(shape)
    mean_shaken = _mean(shaken, known)
    between = np.einsum("asbcsd->sabcd", between.reshape(2 * shape[:3]))
    between = between + np.einsum("asbn,csdn->sabcd", shaken, shaken)
    between -= np.einsum("abn,cdn->abcd", mean_shaken, mean_shaken)
    both = np.einsum("asbn,csdn->sabcd", known, known)
    return Evaluation(
        by_share=_mean(by_share.reshape(shape), known),
        by_ln_aperture=mean_shaken / u_ln_aperture,
        between=np.where(both, between, np.nan),
        error=law.ln_size.reshape(shape[:3]) - true,
        hidden_peak=law.hidden_peak.reshape(powders, stacks),
    )


def _mean(values: Array, known: NDArray[np.bool_]) -> Array:
    """Mean over stacks, (P, S, 3, m) to (P, 3, m), of what is known; 0 where nothing is."""
    return np.asarray((values * known).sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def _linear(masses: SimulatedMasses, row: int, found: Evaluation, expected: Array) -> Array:
    """Logarithms of D10, D50, D90 of simulated samples by the sensitivities; NaN where open."""
    undersize = np.cumsum(masses.net_g, axis=2) / masses.net_g.sum(axis=2, keepdims=True)
    moved = np.log(masses.aperture_um[:, :, 1:])
    share = np.diff(undersize, axis=2, prepend=0.0)
    ln_size = np.log(masses.true[:1, :1, :3]) + (share - expected[row]) @ found.by_share[row].T
    ln_size += (moved - moved.mean(axis=(0, 1))) @ found.by_ln_aperture[row].T
    bracketed = (undersize[..., :1] <= LEVELS) & (undersize[..., -2:-1] >= LEVELS)
    return np.where(bracketed, ln_size, np.nan)


def _spread(pairs: Array, between: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty about the mean of all pairs (T, 2), and its Monte Carlo error, %."""
    pairs = pairs[np.isfinite(pairs).all(axis=1)]
    if len(pairs) < FEWEST_PAIRS:
        return float("nan"), float("nan")
    squares = ((pairs - pairs.mean()) ** 2).mean(axis=1) * len(pairs) / (len(pairs) - 1)
    u = sqrt(squares.mean() + between[0])
    error = np.hypot(squares.std(ddof=1) / sqrt(len(squares)), between[1])
    return 100 * u, 100 * float(error) / (2 * u) if u > 0 else 0.0


@dataclass(frozen=True, kw_only=True)
class LawCheck:
    """What the law itself makes of some of the simulated samples, against the powder's own sizes.

    Parameters
    ----------
    samples : int
        How many samples.
    miss, change_miss : float or None
        Root mean square of what the law misses, in planned standard uncertainties: of the sizes,
        and of their changes; None without any.  Above 1.96 intervals would not hold them.
    """

    samples: int
    miss: float | None
    change_miss: float | None


def check_law(cells: Sequence[PlannedSizes], quantities: Sequence[str]) -> LawCheck | None:
    """Compare the law's errors with what is planned; None by a rule."""
    sizes, changes, samples = [], [], 0
    for cell in cells:
        samples += cell.found.error[..., 0].size
        for row, name in product(range(len(cell.share)), quantities):
            error = 100 * cell.found.error[..., QUANTITIES.index(name)]
            sizes.append(error[row] / cell.size(row, name).u_percent)
            if row > 0:
                changes.append((error[row] - error[0]) / cell.change(row, name)[0])
    return (
        LawCheck(samples=samples, miss=_size_of(sizes), change_miss=_size_of(changes))
        if samples
        else None
    )


def _size_of(ratios: list[Array]) -> float | None:
    """Root mean square of what is known."""
    known = np.concatenate(ratios or [np.empty(0)])
    known = known[np.isfinite(known)]
    return float(np.sqrt((known**2).mean())) if known.size else None
