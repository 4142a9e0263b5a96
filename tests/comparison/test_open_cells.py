"""A cell with one open size is set aside whole, and no other."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from psdstats.comparison.response import in_open_cell

rows = st.lists(
    st.tuples(st.sampled_from("ab"), st.sampled_from([0.0, 6.0]), st.booleans()), min_size=1
)


@given(rows)
def test_against_a_set_of_open_cells(given_rows):
    runs = pd.DataFrame(given_rows, columns=["group", "milling_time_min", "open"])
    cells = {(group, time) for group, time, is_open in given_rows if is_open}
    found = in_open_cell(runs, runs["open"].to_numpy(), ["group", "milling_time_min"])
    assert found.tolist() == [(group, time) in cells for group, time, _ in given_rows]


def test_the_order_and_index_of_the_table_do_not_matter():
    runs = pd.DataFrame({"group": ["b", "a", "b"]}, index=[7, 3, 5])
    assert in_open_cell(runs, np.array([False, False, True]), ["group"]).tolist() == [
        True,
        False,
        True,
    ]


def test_runs_without_a_value_make_a_cell_of_their_own():
    runs = pd.DataFrame({"group": ["a", "a", "a"], "ball_ratio": [5.0, np.nan, np.nan]})
    found = in_open_cell(runs, np.array([False, True, False]), ["group", "ball_ratio"])
    assert found.tolist() == [False, True, True]
