"""Bars of the uncertainty, read back from the Axes."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.figures import new_axes, uncertainty_shares


def _widths(ax: Axes) -> dict[str, list[float]]:
    return {group.get_label(): [bar.get_width() for bar in group] for group in ax.containers}


def test_bars_are_as_long_as_u_and_divided_as_the_variance(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares, ax)
    widths = _widths(ax)
    assert list(widths) == ["balance", "sampling", "aperture"]  # the balance, then the largest
    assert widths["balance"] == pytest.approx([2 * 0.3, 4 * 0.3])
    assert widths["aperture"] == pytest.approx([2 * 0.5, 4 * 0.1])
    ends = [bar.get_x() + bar.get_width() for bar in ax.containers[-1]]
    assert ends == pytest.approx([2.0, 4.0])
    assert [text.get_text() for text in ax.texts][-2:] == ["2.0 %", "4.0 %"]


def test_sources_small_in_every_bar_stand_together(shares: pd.DataFrame, ax: Axes) -> None:
    moved = {"sampling": 0.004, "aperture": 0.696}
    frame = shares.assign(share=shares["source"].map(moved).fillna(shares["share"]))
    uncertainty_shares(frame, ax)
    assert list(_widths(ax)) == ["balance", "aperture", "others"]


def test_limited_sources_may_be_named(shares: pd.DataFrame, ax: Axes) -> None:
    uncertainty_shares(shares.assign(balance_limited=shares["source"] == "sampling"), ax)
    assert _widths(ax)["balance"] == pytest.approx([2 * 0.2, 4 * 0.6])


def test_marks_stand_below_their_bar_at_what_is_left(shares: pd.DataFrame, ax: Axes) -> None:
    changes = pd.DataFrame(
        {"label": ["D50", "D10", "D90"], "change": "certified sieves",
         "u_then_percent": [1.25, 3.5, 1.0]}
    )  # fmt: skip
    uncertainty_shares(shares, ax, changes=changes)
    (marks,) = [one for one in ax.collections if len(one.get_offsets())]
    assert [x for x, _ in marks.get_offsets()] == [1.25, 3.5]  # there is no bar of D90
    assert [round(float(y)) for _, y in marks.get_offsets()] == [0, 1]
    assert marks.get_urls() == [
        "hover: D50, with certified sieves: u = 1.2 %",
        "hover: D10, with certified sieves: u = 3.5 %",
    ]
    key = [text.get_text() for text in ax.get_legend().get_texts()]
    assert key == ["balance", "sampling", "aperture", "with certified sieves"]


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
    assert "hover: D50: balance 30.0 %" in [p.get_gid() for p in ax.patches]


def test_plain_fills_differ_in_grey(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"label": "D50", "source": list("abcdefghi"), "share": 1 / 9, "u_percent": 1.0,
         "balance_limited": [True, *[False] * 8]}
    )  # fmt: skip
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
