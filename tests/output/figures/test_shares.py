"""Uncertainty shares, read back from the Axes."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.figures import uncertainty_shares


def test_bars_are_the_shares_balance_first(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares, ax)
    assert [group.get_label() for group in ax.containers] == [
        "balance rounding", "balance repeatability", "aperture", "sampling",
    ]  # fmt: skip
    widths = {group.get_label(): [bar.get_width() for bar in group] for group in ax.containers}
    assert widths["aperture"] == pytest.approx([50, 10])
    assert widths["balance repeatability"] == pytest.approx([25, 20])
    ends = [bar.get_x() + bar.get_width() for bar in ax.containers[-1]]
    assert ends == pytest.approx([100, 100])


def test_the_end_of_the_balances_part_is_marked(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares, ax)
    assert [line.get_xdata()[0] for line in ax.lines] == pytest.approx([30, 30])


def test_limited_sources_may_be_named(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares.assign(balance_limited=shares["source"] == "sampling"), ax)
    assert ax.containers[0].get_label() == "sampling"
    assert not ax.lines


def test_large_shares_carry_their_number(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares, ax)
    said = [text.get_text() for text in ax.texts]
    assert "50 %" in said
    assert "5 %" not in said  # too narrow; the hover text has it
    assert "hover: D50: balance rounding 5.0 %" in [p.get_gid() for p in ax.patches]
