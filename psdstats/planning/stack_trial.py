"""A chosen stack tried out: expected powders sieved and weighed on it by the simulator.

Masses in g, sizes in µm, uncertainties in per cent of the size.  What is found: standard
uncertainty of D10, D50 and D90, the interpolation error, percentiles left open, and how often a
sieve is overloaded or one class holds more than half of the sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.planning.expected_powder import ExpectedPowder, load_limit_g
from psdstats.planning.planned_weighing import (
    FoundSize,
    PlannedWeighing,
    found_size,
    weigh_powder,
)
from psdstats.sieves.rules import practice_rule
from psdstats.wording import signed

__all__ = ["StackTrial", "TriedPowder", "try_stack"]

LARGE_MISS = 1.0  # per cent of interpolation error worth a sentence (our choice)


@dataclass(frozen=True, kw_only=True)
class TriedPowder:
    """What simulated samples of one powder do on the stack.

    Parameters
    ----------
    powder : str
        Its name.
    sizes : tuple of FoundSize
        D10, D50 and D90.
    share_overloaded, share_over_half : float
        Shares of samples that overload a sieve, or put more than half into one class.
    """

    powder: str
    sizes: tuple[FoundSize, ...]
    share_overloaded: float
    share_over_half: float


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
    trials, seed : int
        Simulated stacks, two samples on each; seed of the simulation.
    """

    powders: tuple[TriedPowder, ...]
    weighing: PlannedWeighing
    sample_g: float
    trials: int
    seed: int

    def sizes_frame(self) -> pd.DataFrame:
        """One row a powder and percentile: u with its error, of a change, interpolation, open."""
        return pd.DataFrame(
            [
                {
                    "powder": one.powder,
                    "quantity": size.quantity,
                    "u_percent": size.u_percent,
                    "u_error_percent": size.u_error_percent,
                    "u_change_percent": size.u_change_percent,
                    "u_change_error_percent": size.u_change_error_percent,
                    "interpolation_percent": size.interpolation_percent,
                    "share_open": size.share_open,
                }
                for one in self.powders
                for size in one.sizes
            ]
        )

    def loads_frame(self) -> pd.DataFrame:
        """One row a powder: shares of samples with an overloaded sieve, or a class over half."""
        return pd.DataFrame(
            [
                {
                    "powder": one.powder,
                    "share_overloaded": one.share_overloaded,
                    "share_over_half": one.share_over_half,
                }
                for one in self.powders
            ]
        )

    def sentences(self) -> tuple[str, ...]:
        """What was tried, and what to watch, in words."""
        half = practice_rule("dominant_percent")
        lines = [
            f"Tried on {self.trials} simulated stacks, two samples of {self.sample_g:g} g on each "
            f"(seed {self.seed}): {self.weighing.words}."
        ]
        for one in self.powders:
            told = [f"{size.quantity} {_short(size.u_percent)}" for size in one.sizes]
            lines.append(f"Standard uncertainty for {one.powder!r}: {', '.join(told)}.")
            lines += [_open(one.powder, size) for size in one.sizes if size.share_open > 0]
            missed = [size for size in one.sizes if abs(size.interpolation_percent) > LARGE_MISS]
            if missed:
                sizes = ", ".join(
                    f"{size.quantity} by {signed(size.interpolation_percent, '+.1f')} %"
                    for size in missed
                )
                lines.append(
                    f"Interpolation between these sieves misses {sizes} for {one.powder!r}; "
                    "more sieves or a closer series make that smaller, more weighing does not."
                )
            for share, what in (
                (one.share_overloaded, "overload a sieve"),
                (one.share_over_half, f"put more than {half.value:g} % into one class"),
            ):
                if share > 0:
                    lines.append(f"{100 * share:.3g} % of samples of {one.powder!r} {what}.")
        return tuple(lines)


def try_stack(
    powders: Sequence[ExpectedPowder],
    aperture_um: Sequence[float],
    *,
    weighing: PlannedWeighing,
    sample_g: float,
    frame_diameter_mm: float = 200.0,
    trials: int = 1000,
    seed: int = 0,
) -> StackTrial:
    """Sieve and weigh every expected powder on a stack.

    Parameters
    ----------
    powders : sequence of ExpectedPowder
        The powders.
    aperture_um : sequence of float
        Sieves of the stack, any order.
    weighing : PlannedWeighing
        Balance, particles, sieves.
    sample_g : float
        Mass put on the stack.
    frame_diameter_mm : float, default=200
        Inner diameter of the frames.
    trials : int, default=1000
        Simulated stacks, two samples on each; 100 or more.
    seed : int, default=0
        Seed; all powders share it.

    Returns
    -------
    StackTrial
    """
    rising = sorted(aperture_um)
    limits = np.array([load_limit_g(aperture, frame_diameter_mm) for aperture in rising])
    half = practice_rule("dominant_percent").value / 100
    tried = []
    for powder in powders:
        masses = weigh_powder(powder, rising, weighing, sample_g=sample_g, trials=trials, seed=seed)
        total = masses.net_g.sum(axis=2, keepdims=True)
        tried.append(
            TriedPowder(
                powder=powder.name,
                sizes=tuple(found_size(masses, name) for name in ("D10", "D50", "D90")),
                share_overloaded=float((masses.net_g[:, :, 1:] > limits).any(axis=2).mean()),
                share_over_half=float((masses.net_g > half * total).any(axis=2).mean()),
            )
        )
    return StackTrial(
        powders=tuple(tried), weighing=weighing, sample_g=sample_g, trials=trials, seed=seed
    )


def _open(powder: str, size: FoundSize) -> str:
    remedy = {"D10": ": add a finer sieve", "D90": ": add a coarser sieve"}.get(size.quantity, "")
    return (
        f"{size.quantity} of {powder!r} stays open in {100 * size.share_open:.3g} % of "
        f"samples{remedy}."
    )


def _short(percent: float) -> str:
    return "not told" if np.isnan(percent) else f"{percent:.2g} %"
