"""Index tables of a design: its runs in order, its physical sieves, and which run uses which.

Units: aperture in µm, time in min.  A class is a position in the stack, the pan first; a plate is
a physical sieve or pan.  Shorter stacks are padded at the coarse end with plate −1.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from psdstats.simulate.design import TrialDesign
from psdstats.study.records import Balance

__all__ = ["Layout", "lay_out"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """Runs and plates of a design as arrays (R runs, K classes, P plates, B balances).

    Attributes
    ----------
    run_names, replicate_labels, plate_keys : tuple of str
        Labels of runs (R), of their replicates (R) and of plates (P).
    bench, time, balance : ndarray of int, shape (R,)
        Positions in the design's benches and times, and in `balances`.
    ball_ratio, rate_factor, time_min : ndarray, shape (R,)
        Ball ratio (NaN without one), its factor on the rate, and milling time.
    plate : ndarray of int, shape (R, K)
        Plate of each class, pan first; −1 where a stack has fewer classes.
    plate_um : ndarray, shape (P,)
        Nominal aperture, µm; 0 for a pan.
    balances : tuple of Balance
        Each balance once.
    """

    run_names: tuple[str, ...]
    replicate_labels: tuple[str, ...]
    plate_keys: tuple[str, ...]
    bench: NDArray[np.intp]
    time: NDArray[np.intp]
    balance: NDArray[np.intp]
    ball_ratio: NDArray[np.float64]
    rate_factor: NDArray[np.float64]
    time_min: NDArray[np.float64]
    plate: NDArray[np.intp]
    plate_um: NDArray[np.float64]
    balances: tuple[Balance, ...]

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which classes a run has, shape (R, K)."""
        used: NDArray[np.bool_] = self.plate >= 0
        return used


def lay_out(design: TrialDesign) -> Layout:
    """Index tables of a design, runs by bench, ball ratio, time and replicate.

    Parameters
    ----------
    design : TrialDesign
        The trial.

    Returns
    -------
    Layout
    """
    ratios = list(design.ball_ratios.items()) or [(float("nan"), 1.0)]
    cells = list(
        product(
            range(len(design.benches)), ratios, range(len(design.times_min)),
            range(design.replicates),
        )
    )  # fmt: skip
    plate_keys, plate_um, stacks = _plates(design)
    balances = list(dict.fromkeys(bench.balance for bench in design.benches))
    return Layout(
        run_names=tuple(_run_name(design, *cell) for cell in cells),
        replicate_labels=tuple(_letter(cell[3]) for cell in cells),
        plate_keys=plate_keys,
        bench=np.array([cell[0] for cell in cells]),
        time=np.array([cell[2] for cell in cells]),
        balance=np.array([balances.index(design.benches[cell[0]].balance) for cell in cells]),
        ball_ratio=np.array([cell[1][0] for cell in cells]),
        rate_factor=np.array([cell[1][1] for cell in cells]),
        time_min=np.array([design.times_min[cell[2]] for cell in cells], dtype=float),
        plate=np.array([stacks[cell[0]] for cell in cells]),
        plate_um=plate_um,
        balances=tuple(balances),
    )


def _plates(
    design: TrialDesign,
) -> tuple[tuple[str, ...], NDArray[np.float64], list[list[int]]]:
    """Keys and apertures of all plates, and the padded row of plates of each bench."""
    keys: list[str] = []
    apertures: list[float] = []
    rows: dict[str, list[int]] = {}
    for sieves in design.sieve_sets:
        rows[sieves.name] = list(range(len(keys), len(keys) + len(sieves.apertures_um) + 1))
        keys += [f"{sieves.name} pan", *(f"{sieves.name} {um:g} µm" for um in sieves.apertures_um)]
        apertures += [0.0, *sieves.apertures_um]
    classes = max(map(len, rows.values()))
    stacks = [rows[bench.sieves.name] for bench in design.benches]
    return (
        tuple(keys),
        np.array(apertures, dtype=float),
        [row + [-1] * (classes - len(row)) for row in stacks],
    )


def _run_name(
    design: TrialDesign, bench: int, ratio: tuple[float, float], time: int, replicate: int
) -> str:
    parts = [design.benches[bench].name.lower()]
    if design.ball_ratios:
        parts.append(f"{ratio[0]:g}to1")
    parts.append(f"{design.times_min[time]:g}min")
    if design.replicates > 1:
        parts.append(_letter(replicate))
    return "-".join(parts).replace(" ", "-")


def _letter(replicate: int) -> str:
    """A, b, … as replicate labels; numbers after the alphabet."""
    return "abcdefghijklmnopqrstuvwxyz"[replicate] if replicate < 26 else str(replicate + 1)
