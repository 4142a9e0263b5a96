"""Jar, bench plan, sieves and sample mass, each read back from its Axes (invented numbers)."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.patches import Circle

from psdstats.output import figures
from psdstats.output.figures.axes import joint_key, new_panels


def test_the_jar_is_drawn_to_scale(ax: Axes) -> None:
    balls = [(20.0, 12), (30.0, 2)]
    assert figures.jar_section(ax, jar_mm=200.0, fill=0.35, balls=balls, speed="70 rpm") is ax
    circles = [patch for patch in ax.patches if isinstance(patch, Circle)]
    assert circles[0].get_radius() == 100.0
    # larger balls first; two of 30 mm exist, of the twelve of 20 mm three are drawn
    assert [ball.get_radius() for ball in circles[1:]] == [15.0, 15.0, 10.0, 10.0, 10.0]
    (bed,) = [patch for patch in ax.patches if str(patch.get_gid()).endswith("35 % of the jar")]
    corners = bed.get_xy()
    x, y = corners[:, 0], corners[:, 1]
    area = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2  # shoelace formula
    assert area / (math.pi * 100**2) == pytest.approx(0.35, abs=0.002)
    texts = {text.get_text() for text in ax.texts}
    assert {"70 rpm", "2 × 30 mm", "12 × 20 mm", "inner diameter 200 mm"} <= texts


def test_bars_of_a_bench_day(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "resource": ["mill", "person", "shaker", "person"],
            "start_min": [0.0, 0.0, 30.0, 45.0],
            "end_min": [24.0, 10.0, 40.0, 45.0],
            "step": ["mill", "weigh fractions", "shake", "clean the sieves"],
            "charge": ["A", "A", "A", "A"],
            "attended": [False, True, False, True],
        }
    )
    assert figures.bench_bars(frame, ax, start=(8, 30)) is ax
    lanes = [tick.get_text() for tick in ax.get_yticklabels()]
    assert lanes == ["person", "mill", "shaker"]
    bars = {
        (lanes[round(bar.get_y() + 0.36)], bar.get_x(), bar.get_x() + bar.get_width())
        for bar in ax.patches
    }
    # a step that takes no time has no bar
    assert bars == {("mill", 0.0, 24.0), ("person", 0.0, 10.0), ("shaker", 30.0, 40.0)}
    assert ax.get_xticklabels()[0].get_text() == "08:30"
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["milling", "shaking", "weighing"]


def test_expected_curves_over_the_chosen_sieves(ax: Axes) -> None:
    sizes = [20.0, 63.0, 125.0, 400.0]
    frame = pd.DataFrame(
        {"powder": "unmilled", "size_um": sizes, "undersize": [0.01, 0.2, 0.5, 1.0]}
    )
    apertures = [63.0, 125.0]
    at_sieves = frame[frame["size_um"].isin(apertures)]
    assert figures.expected_undersize(frame, ax, apertures_um=apertures, points=at_sieves) is ax
    (curve,) = [line for line in ax.lines if line.get_label() == "unmilled"]
    assert list(curve.get_ydata()) == pytest.approx([1.0, 20.0, 50.0, 100.0])
    upright = [line for line in ax.lines if list(line.get_ydata()) == [0, 1]]
    assert [line.get_xdata()[0] for line in upright if line.get_xdata()[0] > 1] == apertures
    marks = [line for line in ax.lines if line.get_gid()]
    points = [(line.get_xdata()[0], line.get_ydata()[0]) for line in marks]
    assert sorted(points) == [(63.0, 20.0), (125.0, 50.0)]
    assert {"63", "125"} <= {text.get_text() for text in ax.texts}


def test_uncertainty_against_sample_mass_and_the_wanted_line(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "series": ["0.1 g"] * 3 + ["0.01 g"] * 3,
            "sample_g": [100.0, 25.0, 50.0] * 2,
            "u_percent": [0.5, 2.0, 1.0, 0.1, 0.4, 0.2],
        }
    )
    points = frame.iloc[[0, 1, 3, 4]].assign(u_percent=[0.6, 2.2, 0.1, 0.3], u_error_percent=0.02)
    drawn = figures.uncertainty_against_sample(
        frame, ax, points=points, wanted_percent=0.3, label="u / %"
    )
    assert drawn is ax
    curves = [list(line.get_ydata()) for line in ax.lines if len(line.get_xdata()) == 3]
    assert curves == [[2.0, 1.0, 0.5], [0.4, 0.2, 0.1]]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["0.1 g", "0.01 g"]
    bars = [list(one.get_segments()[0][:, 1]) for one in ax.collections]
    assert bars[0] == pytest.approx([0.6 - 1.96 * 0.02, 0.6 + 1.96 * 0.02])
    assert any(list(line.get_ydata()) == [0.3, 0.3] for line in ax.lines)
    marks = [line for line in ax.lines if line.get_gid() and len(line.get_xdata()) == 1]
    assert [line.get_ydata()[0] for line in marks] == [0.6, 2.2, 0.1, 0.3]
    low, high = ax.get_ylim()
    assert low <= 0.1
    assert high >= 2.0


def test_panels_share_a_row_and_one_key() -> None:
    panels = new_panels(2, 3, height_mm=120.0)
    assert [len(row) for row in panels] == [3, 3]
    panels[0][0].set_ylim(0, 7)
    assert panels[0][2].get_ylim() == (0, 7)
    assert panels[1][0].get_ylim() != (0, 7)
    for row in panels:
        for panel in row:
            panel.plot([0, 1], [0, 1], label="Alder")
            panel.legend()
    joint_key(panels)
    assert all(panel.get_legend() is None for row in panels for panel in row)
    (key,) = panels[0][0].figure.legends
    assert [text.get_text() for text in key.get_texts()] == ["Alder"]


def test_typed_names_are_shown_as_names(ax: Axes) -> None:
    """A dollar sign is no formula, and a leading underscore hides no curve from the key."""
    names = ["_a$b$", "c$d"]
    frame = pd.DataFrame(
        {
            "design": np.repeat(names, 2),
            "powder": np.repeat(names, 2),
            "series": np.repeat(names, 2),
            "change_percent": [-5.0, -1.0] * 2,
            "power": 0.5,
            "size_um": [63.0, 125.0] * 2,
            "undersize": [0.2, 0.5] * 2,
            "sample_g": [25.0, 50.0] * 2,
            "u_percent": [0.5, 1.0] * 2,
        }
    )
    figures.power_curves(frame, ax, x_label="change / %")
    figures.expected_undersize(
        frame, ax.figure.add_subplot(), apertures_um=[63.0, 125.0], points=frame
    )
    figures.uncertainty_against_sample(
        frame,
        ax.figure.add_subplot(),
        points=frame.assign(u_error_percent=0.02),
        wanted_percent=0.3,
        label="u / %",
    )
    for one in ax.figure.axes:
        labels = [str(line.get_label()) for line in one.lines]
        assert {r" _a\$b\$", r"c\$d"} <= set(labels)
        assert [text.get_text() for text in one.get_legend().get_texts()] == [
            r" _a\$b\$",
            r"c\$d",
        ]
