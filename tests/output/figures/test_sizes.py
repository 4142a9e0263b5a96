"""Sizes against time, read back from the Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import to_hex

from psdstats.output.figures import size_against_time
from psdstats.output.figures.save import svg_text
from psdstats.output.style import MARKS


def _series(ax: Axes) -> dict[str, np.ndarray]:
    named = {line.get_label(): line for line in ax.lines if not line.get_label().startswith("_")}
    return {name: np.asarray(line.get_ydata(), dtype=float) for name, line in named.items()}


def test_lines_are_the_closed_values(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    series = _series(ax)
    np.testing.assert_allclose(series["D50, Birch"], [330, 220, 132])
    np.testing.assert_array_equal(series["D10, Alder"], [120, 80, np.nan])


def test_intervals_are_drawn_and_open_ones_are_arrows(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    lines = [one for one in ax.collections if isinstance(one, LineCollection)]
    bars = [path.vertices[:, 1] for one in lines for path in one.get_paths()]
    closed = sizes[sizes["side"] == ""]
    wanted = sorted(zip(closed["lower"], closed["upper"], strict=True))
    np.testing.assert_allclose(sorted(map(tuple, bars)), wanted)
    arrows = [text for text in ax.texts if text.arrow_patch is not None]
    assert [arrow.xy[1] for arrow in arrows] == [63.0, 63.0]
    assert all(arrow.xyann[1] < 0 for arrow in arrows)  # downwards


def test_axes_and_labels(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    assert ax.get_yscale() == "log"
    assert ax.get_ylabel() == "size / µm"
    assert ax.get_xticks().tolist() == [0, 12, 48]
    assert {"D50", "D10"} <= {text.get_text() for text in ax.texts}
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["Alder", "Birch"]


def test_one_group_needs_no_key(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes[sizes["group"] == "Alder"], ax, unit="mm")
    assert ax.get_legend() is None
    assert ax.get_ylabel() == "value / mm"


def test_hover_texts_give_value_and_interval(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    assert "hover: D10, Alder, 48 min: < 63 µm" in {line.get_gid() for line in ax.lines}
    (dots,) = [one for one in ax.collections if isinstance(one, PathCollection)]
    at = [tuple(place) for place in dots.get_offsets()]
    told = dict(zip(dots.get_urls(), at, strict=True))
    assert told["hover: D50, Alder, 0 min: 300 µm (270 to 360)"][1] == 300
    assert len(told) == (sizes["side"] == "").sum()
    svg = svg_text(ax.figure)
    assert '<g class="mark"><title>D50, Alder, 0 min: 300 µm (270 to 360)</title>' in svg
    assert "<a " not in svg


def test_groups_differ_in_colour_and_in_mark(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    (dots,) = [one for one in ax.collections if isinstance(one, PathCollection)]
    texts = [str(text) for text in dots.get_urls()]
    for index, group in enumerate(("Alder", "Birch")):
        own = [at for at, text in enumerate(texts) if f", {group}, " in text]
        colours = {to_hex(dots.get_facecolors()[at]) for at in own}
        assert colours == {MARKS[index].colour}
    assert len({path.vertices.tobytes() for path in dots.get_paths()}) == 2


def test_one_row_a_run_as_the_propagation_gives_it(ax: Axes) -> None:
    """Replicates share a point of the line at their geometric mean; span stays out."""
    frame = pd.DataFrame(
        {
            "milling_time_min": [0.0, 0.0, 48.0, 48.0, 48.0],
            "quantity": ["D50", "D50", "D50", "D50", "span"],
            "value": [200.0, 242.0, 100.0, np.nan, 1.5],
            "lower": [190.0, 230.0, 95.0, 0.0, 1.4],
            "upper": [210.0, 254.0, 105.0, 63.0, 1.6],
            "status": ["bracketed"] * 3 + ["below the finest sieve", "bracketed"],
            "bound_lower": [200.0, 242.0, 100.0, 0.0, 1.5],
            "bound_upper": [200.0, 242.0, 100.0, 63.0, 1.5],
        }
    )
    size_against_time(frame, ax)
    (line,) = _series(ax).values()
    np.testing.assert_allclose(line, [220.0, 100.0])
    (arrow,) = [text for text in ax.texts if getattr(text, "arrow_patch", None) is not None]
    assert arrow.xy[1] == 63.0
