"""Tares, diagnostics, power, consistency and rate, each read back from its Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes

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
    figures.tare_history(frame, ax)
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


def test_leaving_one_out(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"left_out": ["none", "Alder", "Birch"], "effect_left": [1.0, 0.9, 1.2],
         "p": [0.001, 0.04, 0.012]}
    )  # fmt: skip
    figures.leave_one_out(frame, ax)
    points = [(line.get_xdata()[0], line.get_ydata()[0]) for line in ax.lines if line.get_gid()]
    assert points == [(0.9, 0), (1.2, 1)]
    assert [text.get_text() for text in ax.texts] == ["p 0.040", "p 0.012"]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["without Alder",
                                                                    "without Birch"]  # fmt: skip


def test_random_effects(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"level": ["Alder", "Birch"], "estimate": [0.02, -0.03], "standard_error": [0.01, 0.02],
         "effect": ["(Intercept)", "slope"]}
    )  # fmt: skip
    figures.random_effects(frame, ax)
    bars = [path.vertices[:, 0].tolist() for g in ax.collections for path in g.get_paths()]
    assert bars == [pytest.approx([0.0004, 0.0396]), pytest.approx([-0.0692, 0.0092])]
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == ["Alder, (Intercept)", "Birch, slope"]


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


def test_consistency_of_groups(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"group": ["Alder", "Birch"] * 2, "milling_time_min": [0.0, 0.0, 12.0, 12.0],
         "h": [1.2, -1.2, 0.3, -0.3], "h_limit_5": 1.15, "h_limit_1": 1.16}
    )  # fmt: skip
    figures.group_consistency(frame, ax)
    heights = [[bar.get_height() for bar in group] for group in ax.containers]
    assert heights == [[1.2, -1.2], [0.3, -0.3]]
    levels = {line.get_ydata()[0] for line in ax.lines}
    assert levels == {1.15, -1.15, 1.16, -1.16, 0}
    spots = sorted(text.xy[1] for text in ax.texts)
    assert spots[1] - spots[0] >= 0.05 * np.ptp(ax.get_ylim())


def test_rate_with_a_target_reached_at_an_open_time(ax: Axes) -> None:
    time = np.linspace(0, 60, 7)
    value = 100 + 200 * np.exp(-time / 20)
    curve = pd.DataFrame(
        {
            "milling_time_min": time,
            "size_um": value,
            "lower_um": value * 0.9,
            "upper_um": value * 1.1,
        }
    )
    points = pd.DataFrame({"milling_time_min": [0.0, 48.0], "size_um": [310.0, 115.0]})
    figures.size_rate(curve, points, ax, target_um=105.0, reached_min=(np.nan, 50.0, np.inf))
    assert _named(ax, "fitted D50")[1] == value.tolist()
    arrows = [text for text in ax.texts if text.arrow_patch is not None]
    assert len(arrows) == 1
    assert arrows[0].xyann[0] > 0
    bar = ax.collections[-1].get_paths()[0].vertices
    assert bar[0].tolist() == [50.0, 105.0]


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
    figures.tare_history(frame, ax)
    assert _named(ax, "S63")[1] == pytest.approx([-20, 0, 380])
    assert ax.get_ylabel() == "tare minus median tare / mg"
    assert min(text.xy[1] for text in ax.texts) >= ax.get_ylim()[0]
