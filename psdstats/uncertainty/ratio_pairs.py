"""Which ratios are asked for: pairs of runs or of groups of runs, checked against the study."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from psdstats.distribution.sizes import QUANTITIES
from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.ratio_blocks import RatioLayout

__all__ = ["Pair", "RatioPairs", "Side", "read_pairs"]

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
