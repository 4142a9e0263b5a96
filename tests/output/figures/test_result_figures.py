"""Moved classes, loss rates and misfits, each read back from its Axes (invented numbers)."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.colors import to_hex

from psdstats.output import figures


def _points(ax: Axes) -> list[tuple[float, float]]:
    """Marks with a hover text."""
    marks = [line for line in ax.lines if line.get_gid()]
    return [(float(line.get_xdata()[0]), float(line.get_ydata()[0])) for line in marks]


def test_lines_of_moved_classes(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "class": ["< 63 µm", "63 to 125 µm"] * 2,
            "from_um": [math.nan, 63.0] * 2,
            "to_um": [63.0, 125.0] * 2,
            "pair": ["0 to 6"] * 2 + ["0 to 12"] * 2,
            "change_percent": [2.0, -1.0, 5.0, -4.0],
            "lower": [1.0, -2.5, 4.0, -math.inf],
            "upper": [3.0, 0.5, 6.0, -3.0],
            "moved": [True, False, True, True],
        }
    )
    assert figures.class_changes(frame, ax) is ax
    lines = [line for line in ax.lines if len(line.get_xdata()) == 2 and line.get_label()[0] != "_"]
    assert [line.get_ydata().tolist() for line in lines] == [[2.0, -1.0], [5.0, -4.0]]
    dots = [one for one in ax.collections if isinstance(one, PathCollection)]
    assert [one.get_offsets()[:, 1].tolist() for one in dots] == [[2.0, -1.0], [5.0, -4.0]]
    white = [[to_hex(face) == "#ffffff" for face in one.get_facecolors()] for one in dots]
    assert white == [[False, True], [False, False]]
    whiskers = [
        tuple(line[:, 1])
        for c in ax.collections
        if hasattr(c, "get_segments")
        for line in c.get_segments()
    ]
    assert whiskers == [(4.0, 6.0)]  # of the last pair; an open limit has no whisker
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["< 63", "63–125"]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["0 to 6", "0 to 12"]


def test_loss_rates_with_limits_verdict_and_power(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "series": ["ball ratio 5"] * 3,
            "aperture_um": [63.0, 125.0, 250.0],
            "rate_per_min": [0.004, 0.016, 0.064],
            "lower_per_min": [-0.001, 0.012, 0.050],
            "upper_per_min": [0.009, 0.020, 0.080],
            "verdict": ["not shown", "changed", "not shown"],
        }
    )
    power = (2.0, 125.0, 0.016)
    assert figures.loss_against_size(frame, ax, powers={"ball ratio 5": power}) is ax
    assert _points(ax) == [(63.0, 0.004), (125.0, 0.016), (250.0, 0.064)]
    faces = [line.get_markerfacecolor() == "white" for line in ax.lines if line.get_gid()]
    assert faces == [False, True, False]
    segments = [tuple(c.get_segments()[0][:, 1]) for c in ax.collections if c.get_segments()]
    # the lowest limit is below zero: its line starts at the point and an arrow goes on down
    assert segments == [(0.004, 0.009), (0.012, 0.020), (0.050, 0.080)]
    (line,) = [line for line in ax.lines if len(line.get_xdata()) == 2]
    assert list(line.get_ydata()) == pytest.approx([0.016 * (63 / 125) ** 2, 0.064])
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")


def test_a_rate_that_is_not_above_zero_is_left_out(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "series": ["", ""],
            "aperture_um": [63.0, 125.0],
            "rate_per_min": [-0.001, 0.016],
            "lower_per_min": [-0.004, 0.012],
            "upper_per_min": [0.002, 0.020],
            "verdict": ["cannot be told", "not shown"],
        }
    )
    figures.loss_against_size(frame, ax)
    assert _points(ax) == [(125.0, 0.016)]


def test_misfits_as_one_line_a_run(ax: Axes) -> None:
    frame = pd.DataFrame(
        {
            "run": ["a", "a", "b", "b"],
            "milling_time_min": [0.0, 0.0, 6.0, 6.0],
            "aperture_um": [125.0, 63.0, 63.0, 125.0],
            "misfit_percent": [0.5, -0.25, 1.5, -1.0],
        }
    )
    assert figures.fit_misfit(frame, ax) is ax
    lines = [line for line in ax.lines if len(line.get_xdata()) == 2 and not line.get_gid()]
    curves = [(list(line.get_xdata()), list(line.get_ydata())) for line in lines]
    assert ([63.0, 125.0], [-0.25, 0.5]) in curves
    assert ([63.0, 125.0], [1.5, -1.0]) in curves
    assert sorted(_points(ax)) == [(63.0, -0.25), (63.0, 1.5), (125.0, -1.0), (125.0, 0.5)]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["0 min", "6 min"]
