"""Uncertainty shares, read back from the Axes."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.figures import new_axes, uncertainty_shares


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


def test_a_source_keeps_its_fill_when_the_balance_has_fewer_sources(shares: pd.DataFrame) -> None:
    def fill(frame: pd.DataFrame) -> tuple[float, ...]:
        drawn = uncertainty_shares(frame, new_axes())
        return {group.get_label(): group[0].get_facecolor() for group in drawn.containers}[
            "aperture"
        ]

    assert fill(shares) == fill(shares[shares["source"] != "balance repeatability"])


def test_large_shares_carry_their_number(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares, ax)
    said = [text.get_text() for text in ax.texts]
    assert "50 %" in said
    assert "5 %" not in said  # too narrow; the hover text has it
    assert "hover: D50: balance rounding 5.0 %" in [p.get_gid() for p in ax.patches]


def test_plain_fills_differ_in_grey(ax: Axes) -> None:
    frame = pd.DataFrame({"label": "D50", "source": list("abcdefghi"), "share": 1 / 9})
    uncertainty_shares(frame, ax)
    bars = [group[0] for group in ax.containers]
    weights = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709 (from memory)
    greys = sorted(
        sum(w * c for w, c in zip(weights, bar.get_facecolor()[:3], strict=True))
        for bar in bars
        if not bar.get_hatch()
    )
    assert len(greys) == 5
    assert min(b - a for a, b in pairwise(greys)) > 0.08
    assert len({(bar.get_facecolor(), bar.get_hatch()) for bar in bars}) == 9
