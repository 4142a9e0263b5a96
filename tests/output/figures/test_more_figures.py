"""Tares, diagnostics, power, consistency and rate, each read back from its Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection

from psdstats.output import figures


def _named(ax: Axes, label: str) -> tuple[list[float], list[float]]:
    (line,) = [line for line in ax.lines if line.get_label() == label]
    return list(line.get_xdata()), list(line.get_ydata())


def test_tares_are_drawn_from_their_first_weighing_in_mg(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "sieve": ["S63", "S125"] * 3,
            "run_number": [1, 1, 4, 4, 9, 9],
            "tare_g": [400.0, 410.0, 400.01, 410.0, 400.03, 409.99],
            "run": ["a", "a", "b", "b", "c", "c"],
            "is_outside": [False, False, False, False, True, False],
            "limit_g": 0.01,
        }
    )
    figures.tare_course(frame, ax)
    assert _named(ax, "S63")[1] == pytest.approx([0, 10, 30])
    assert _named(ax, "S125")[1] == pytest.approx([0, 0, -10])
    band = ax.patches[0]
    assert (band.get_y(), band.get_height()) == (-10, 20)
    rings = [line for line in ax.lines if line.get_markerfacecolor() == "none"]
    assert [list(ring.get_xdata()) for ring in rings] == [[3]]
    assert {text.get_text() for text in ax.texts} == {"S63", "S125"}


def test_residuals_by_group(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "fitted": [5.0, 5.1, 5.2],
            "standardised": [0.5, -3.0, 1.0],
            "group": ["Alder", "Birch", "Alder"],
            "run": ["a", "b", "c"],
        }
    )
    figures.residuals_against_fitted(frame, ax)
    points = [(line.get_xdata()[0], line.get_ydata()[0]) for line in ax.lines if line.get_gid()]
    assert sorted(points) == [(5.0, 0.5), (5.1, -3.0), (5.2, 1.0)]
    assert ax.get_ylim()[0] <= -3.0
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["Alder", "Birch"]


def test_quantiles_with_band_and_line_of_equality(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "normal_quantile": [-1.0, 0.0, 1.0],
            "standardised": [-1.2, 0.1, 0.9],
            "lower": [-2.0, -1.0, 0.0],
            "upper": [0.0, 1.0, 2.0],
        }
    )
    figures.residual_quantiles(frame, ax)
    assert list(ax.lines[0].get_xdata()) == list(ax.lines[0].get_ydata()) == [-1.0, 1.0]
    assert list(ax.lines[1].get_ydata()) == [-1.2, 0.1, 0.9]
    assert len(ax.collections) == 1


def test_power(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"design": ["two", "two", "four", "four"], "change_percent": [0.0, 5.0, 5.0, 0.0],
         "power": [0.05, 0.5, 0.99, 0.05], "power_lower": [0.04, 0.45, 0.97, 0.04],
         "power_upper": [0.06, 0.55, 1.0, 0.06]}
    )  # fmt: skip
    figures.power_curves(frame, ax, asked=4.0)
    assert list(ax.lines[1].get_xdata()) == [4, 4]
    assert _named(ax, "four") == ([0.0, 5.0], [5.0, 99.0])
    assert ax.lines[0].get_ydata()[0] == 80
    two, four = (band.get_paths()[0].vertices[:, 1] for band in ax.collections)
    assert (two.min(), two.max()) == pytest.approx((4, 55))
    assert four.max() == 100


def test_deviations_of_one_group_with_joint_intervals(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "milling_time_min": [48.0, 0.0, 0.0, 48.0],
            "ball_ratio": [5.0, 5.0, 10.0, 10.0],
            "difference_percent": [4.0, 1.0, -2.0, 10.0],
            "lower_percent": [-3.0, -5.0, -9.0, 2.0],
            "upper_percent": [12.0, 8.0, 900.0, 19.0],
            "verdict": ["not shown", "not shown", "cannot be told", "changed"],
        }
    )
    conditions = ("milling_time_min", "ball_ratio")
    figures.bench_deviations(frame, ax, conditions=conditions, margin_percent=5.0)
    dots = [one for one in ax.collections if isinstance(one, PathCollection)]
    places = [[(round(float(x)), float(y)) for x, y in one.get_offsets()] for one in dots]
    assert places == [[(0, 1.01), (1, 1.04)], [(0, pytest.approx(0.98)), (1, 1.1)]]
    filled = [[tuple(face[:3]) != (1, 1, 1) for face in one.get_facecolors()] for one in dots]
    assert filled == [[False, False], [False, True]]  # filled where a difference is shown
    assert [text.get_text() for text in ax.texts] == ["+10.0 %"]
    bars = [c for c in ax.collections if hasattr(c, "get_segments")]
    ends = [[tuple(line[:, 1]) for line in bar.get_segments()] for bar in bars]
    assert ends[0] == [(0.95, 1.08), (0.97, 1.12)]
    low, top = ends[1][0]
    assert (low, top) == (pytest.approx(0.91), ax.get_ylim()[1])  # runs off the axis, with a head
    assert [line.get_marker() for line in ax.lines if len(line.get_xdata()) == 1] == ["^"]
    assert top < 2
    assert [label.get_text() for label in ax.get_xticklabels()] == ["0", "48"]
    band = next(one for one in ax.patches if one.get_gid() == "hover: margin")
    assert (band.get_y(), band.get_y() + band.get_height()) == pytest.approx((1 / 1.05, 1.05))


def _rate_frames() -> tuple[pd.DataFrame, pd.DataFrame]:
    time = np.linspace(0, 60, 11)
    pieces = [
        pd.DataFrame(
            {"series": name, "milling_time_min": time, "size_um": value,
             "lower_um": value * 0.9, "upper_um": value * 1.1}
        )
        for name, value in (("slow", 100 + 200 * np.exp(-time / 20)), ("fast", 300 - 4 * time))
    ]  # fmt: skip
    points = pd.DataFrame(
        {"series": ["slow", "slow", "fast"], "milling_time_min": [0.0, 48.0, 48.0],
         "size_um": [310.0, 115.0, 110.0]}
    )  # fmt: skip
    return pd.concat(pieces, ignore_index=True), points


def test_rates_of_all_levels_with_a_target_reached_at_an_open_time(ax: Axes) -> None:
    curve, points = _rate_frames()
    reached = {"slow": (np.nan, 50.0, np.inf), "fast": (48.75, 46.0, 52.0)}
    figures.size_rate(curve, points, ax, target_um=105.0, reached_min=reached)
    drawn = [line for line in ax.lines if len(line.get_xdata()) > 2]
    assert [line.get_linestyle() for line in drawn] == ["-", "--", "-", "--"]
    slow = curve[curve["series"] == "slow"]
    assert [*drawn[0].get_ydata(), *drawn[1].get_ydata()[1:]] == slow["size_um"].tolist()
    assert drawn[0].get_xdata().max() <= 48 <= drawn[1].get_xdata().min()
    spans = [c.get_segments()[0] for c in ax.collections if hasattr(c, "get_segments")]
    level = [line for line in spans if line[0][1] == line[1][1]]  # bars, each in a row of its own
    assert [line[:, 0].tolist() for line in level] == [[50.0, ax.get_xlim()[1]], [46.0, 52.0]]
    assert 105.0 > level[0][0][1] > level[1][0][1] > ax.get_ylim()[0]
    heads = [line for line in ax.lines if line.get_marker() == ">"]
    assert [line.get_xdata()[0] for line in heads] == [ax.get_xlim()[1]]
    said = [text.get_text() for text in ax.texts]
    assert "fast: 49 min (46 to 52)" in said
    assert "slow: 50 min or longer" in said
    dots = [one for one in ax.collections if isinstance(one, PathCollection)]
    assert sum(len(one.get_offsets()) for one in dots) == 3


def test_tares_against_the_tare_expected(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "sieve": ["S63"] * 3,
            "run_number": [1, 2, 3],
            "tare_g": [400.0, 400.02, 400.4],
            "reference_g": 400.02,
            "limit_g": 0.038,
        }
    )
    figures.tare_course(frame, ax)
    assert _named(ax, "S63")[1] == pytest.approx([-20, 0, 380])
    assert ax.get_ylabel() == "tare minus median tare / mg"
    assert min(text.xy[1] for text in ax.texts) >= ax.get_ylim()[0]
