"""Results of `psdstats.planning.power`: per design, the power at any change, with its error.

Changes in per cent of size; standard errors and shifts on the scale of ln D.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.planning.trial_plan import Design, Variation
from psdstats.wording import signed

__all__ = ["DesignPower", "PowerResult"]

Array = NDArray[np.float64]
WIDEST = 16.0  # ln D; a change by a factor of nine million is sought no further


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignPower:
    """Fits of the simulated trials of one design, reduced to what a power curve needs.

    Parameters
    ----------
    design : Design
        The design.
    estimate : ndarray, shape (trials, l)
        Contrasts estimated where nothing changes.
    root : ndarray, shape (trials, l, l)
        A with |A c|² the square of t, or F, of contrasts c.
    per_unit : ndarray, shape (l,)
        Contrasts that a change of 1 in ln D from first to last time makes.
    critical : ndarray, shape (trials,)
        Length of A c above which a difference counts as shown.
    df, standard_error : ndarray, shape (trials,)
        Degrees of freedom, and standard error of last against first.
    on_edge : ndarray of bool, shape (trials,)
        Fits with a variance at zero or below.
    """

    design: Design
    estimate: Array
    root: Array
    per_unit: Array
    critical: Array
    df: Array
    standard_error: Array
    on_edge: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    def power_at(self, log_change: ArrayLike) -> Array:
        """Share of trials that show a change of ln D, for each change.

        Notes
        -----
        Each trial is used with its noise and with the noise's mirror image, which is as likely.
        """
        changes = np.atleast_1d(np.asarray(log_change, dtype=float))
        noise = (self.root @ self.estimate[:, :, None])[:, :, 0]
        step = self.root @ self.per_unit
        flat, cross, slope = (
            (noise**2).sum(axis=1),
            (noise * step).sum(axis=1),
            (step**2).sum(axis=1),
        )
        shown = [
            0.5
            * sum(
                float(np.mean(flat + 2 * sign * cross * d + slope * d**2 > self.critical**2))
                for sign in (-1, 1)
            )
            for d in changes
        ]
        return np.array(shown)

    def error_of(self, power: ArrayLike) -> Array:
        """Monte Carlo standard error of a power (binomial; the mirror images are not counted)."""
        p = np.asarray(power, dtype=float)
        return np.asarray(np.sqrt(p * (1 - p) / len(self.critical)))

    def detectable(self, wanted: float) -> float:
        """Smallest change of ln D (either way) with the wanted power; inf where none is."""
        if self.power_at(WIDEST)[0] < wanted:
            return float("inf")
        low, high = 0.0, WIDEST
        while high - low > 1e-7:
            middle = 0.5 * (low + high)
            if self.power_at(middle)[0] >= wanted:
                high = middle
            else:
                low = middle
        return high

    def detectable_error(self, wanted: float) -> float:
        """Monte Carlo standard error of `detectable`, from the power curve around it."""
        spread = float(self.error_of(wanted))
        low, high = max(wanted - spread, 1e-3), min(wanted + spread, 1 - 1e-3)
        return 0.5 * (self.detectable(high) - self.detectable(low))


@dataclass(frozen=True, kw_only=True, eq=False)
class PowerResult:
    """Power and smallest detectable change of each design.

    Parameters
    ----------
    designs : tuple of DesignPower
        The designs, in the order asked.
    variation : Variation
        What the simulation assumed.
    change_percent, question, alpha, wanted_power, trials, seed
        As asked.
    """

    designs: tuple[DesignPower, ...]
    variation: Variation
    change_percent: float
    question: str
    alpha: float
    wanted_power: float
    trials: int
    seed: int

    def to_frame(self) -> pd.DataFrame:
        """One row a design: size of the design, power with its error, detectable change."""
        return pd.DataFrame([self._row(one) for one in self.designs])

    def _row(self, one: DesignPower) -> dict[str, float]:
        change = float(np.log1p(self.change_percent / 100))
        shown = float(one.power_at(change)[0])
        smallest = one.detectable(self.wanted_power)
        error = one.detectable_error(self.wanted_power)
        return {
            "groups": one.design.groups,
            "times": one.design.times,
            "replicates": one.design.replicates,
            "runs": one.design.runs,
            "change_percent": self.change_percent,
            "power": shown,
            "power_error": float(one.error_of(shown)),
            "detectable_increase_percent": float(100 * np.expm1(smallest)),
            "detectable_decrease_percent": float(-100 * np.expm1(-smallest)),
            "detectable_error_percent": float(100 * error * np.exp(-smallest)),
            "standard_error_percent": float(100 * np.median(one.standard_error)),
            "df": float(np.median(one.df)),
            "share_variance_not_above_zero": float(one.on_edge.mean()),
        }

    def curve_frame(self, change_percent: ArrayLike | None = None) -> pd.DataFrame:
        """Power against change, for a figure: one row a design (in words) and change.

        Parameters
        ----------
        change_percent : array_like, optional
            Changes of size, per cent, above -100; by default from none to twice the change asked.
        """
        if change_percent is None:
            largest = np.log1p(self.change_percent / 100)
            changes = 100 * np.expm1(np.linspace(0, 2 * largest, 41))
        else:
            changes = np.atleast_1d(np.asarray(change_percent, dtype=float))
        pieces = []
        for one in self.designs:
            shown = one.power_at(np.log1p(changes / 100))
            pieces.append(
                pd.DataFrame(
                    {
                        "design": f"{one.design.groups} × {one.design.times} × "
                        f"{one.design.replicates}",
                        "groups": one.design.groups,
                        "times": one.design.times,
                        "replicates": one.design.replicates,
                        "runs": one.design.runs,
                        "change_percent": changes,
                        "power": shown,
                        "power_error": one.error_of(shown),
                    }
                )
            )
        return pd.concat(pieces, ignore_index=True)

    def sentences(self) -> tuple[str, ...]:
        """The answer in words, one sentence a design, and what it rests on."""
        lines = []
        for one in self.designs:
            row, plan = self._row(one), one.design
            enough = "enough" if row["power"] >= self.wanted_power else "not enough"
            lines.append(
                f"{_count(plan.groups, 'group')} × {plan.times} times × "
                f"{_count(plan.replicates, 'replicate')} ({plan.runs} runs): a change of "
                f"{signed(self.change_percent, '+g')} % would be shown in "
                f"{100 * row['power']:.0f} % of trials (± {100 * row['power_error']:.1f}), "
                f"which is {enough}; "
                f"{_smallest(row['detectable_decrease_percent'], self.wanted_power)}"
            )
        v = self.variation
        lines.append(
            f"Assumed ({v.source}): run to run {v.run_percent:.2g} %, groups "
            f"{v.group_percent:.2g} %, groups at each time anew {v.group_time_percent:.2g} %, "
            f"groups drifting apart by the last time {v.drift_percent:.2g} %, measurement "
            f"{v.measurement_percent:.2g} %, sieves of a group {v.sieves_percent:.2g} %; question: "
            f"{self.question}, level {self.alpha:g}; {self.trials} simulated trials a design, seed "
            f"{self.seed}."
        )
        lines.append(
            "Analysed as a comparison of milling times is by default: three groups or more that do "
            "three times or more may drift apart along lines of their own, which takes power even "
            "where they do not."
        )
        return tuple(lines)


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _smallest(decrease_percent: float, wanted: float) -> str:
    if not np.isfinite(decrease_percent) or decrease_percent > 99.9:
        return f"no change would be shown with {100 * wanted:.0f} % certainty."
    return (
        f"the smallest decrease shown in {100 * wanted:.0f} % of trials is "
        f"{decrease_percent:.2g} %."
    )
