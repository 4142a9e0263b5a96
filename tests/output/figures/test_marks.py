"""Labels that keep apart."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from psdstats.output.figures.marks import spread_apart


@given(st.lists(st.floats(min_value=-100, max_value=100), min_size=1, max_size=12))
def test_labels_keep_their_gap_and_their_order(places: list[float]) -> None:
    spots = spread_apart(places, 1.0)
    order = np.argsort(places, kind="stable")
    assert np.all(np.diff(np.array(spots)[order]) >= 1.0 - 1e-9)


def test_labels_with_room_stay() -> None:
    assert spread_apart([3.0, 1.0, 7.0], 1.5) == [3.0, 1.0, 7.0]


def test_a_crowd_spreads_evenly_around_its_middle() -> None:
    assert spread_apart([2.0, 2.0, 2.0], 1.0) == [1.0, 2.0, 3.0]
