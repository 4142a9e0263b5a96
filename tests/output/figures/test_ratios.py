"""Effect ratios, read back from the Axes."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.figures import effect_ratios


def test_marks_and_intervals_are_the_data(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios, ax, margin=1.05)
    points = {
        line.get_ydata()[0]: (line.get_xdata()[0], line.get_marker(), line.get_markerfacecolor())
        for line in ax.lines
        if line.get_gid()
    }
    assert {row: point[0] for row, point in points.items()} == {0: 0.70, 1: 0.95, 2: 1.01, 4: 0.60}
    assert points[0][1:] == ("o", "#1d2b45")
    assert points[1][1:] == ("o", "white")
    assert points[2][1:] == ("s", "#1d2b45")
    bars = {path.vertices[0, 1]: path.vertices[:, 0].tolist()
            for group in ax.collections for path in group.get_paths()}  # fmt: skip
    assert bars[0] == [0.65, 0.76]
    assert bars[4] == [pytest.approx(ax.get_xlim()[0]), 0.71]  # open to the left


def test_rows_run_from_the_top_with_their_verdicts(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios, ax)
    assert ax.yaxis_inverted()
    assert [label.get_text() for label in ax.get_yticklabels()] == list(ratios["contrast"])
    said = {text.xy[1]: text.get_text() for text in ax.texts}
    assert said[0] == "−30.0 %  changed"
    assert said[3] == "cannot be told"


def test_log_axis_with_a_line_at_one_and_the_margin(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios, ax, margin=1.25)
    assert ax.get_xscale() == "log"
    assert any(list(line.get_xdata()) == [1.0, 1.0] for line in ax.lines)
    (band,) = ax.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == (0.8, 1.25)


def test_nothing_to_draw_still_names_its_verdicts(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios.iloc[[3]], ax)
    assert [text.get_text() for text in ax.texts] == ["cannot be told"]


def test_rows_of_a_quantity_stand_under_its_name(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios.assign(quantity=["D10", "D10", "D50", "D50", "span"]), ax)
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert [name.partition("   ")[0] for name in names if "   " in name] == ["D10", "D50", "span"]
    hairlines = [line.get_ydata()[0] for line in ax.lines if list(line.get_xdata()) == [0, 1]]
    assert hairlines == [1.5, 3.5]


def test_both_levels_of_a_long_contrast_stay(ratios: pd.DataFrame, ax: Axes) -> None:
    high, low = f"{'a' * 50}1", f"{'b' * 50}2"
    effect_ratios(ratios.assign(contrast=f"{high} vs {low}", high=high, low=low), ax)
    shown = ax.get_yticklabels()[0].get_text()
    assert shown == f"{'a' * 10}…{'a' * 8}1 vs {'b' * 10}…{'b' * 8}2"
