"""Sizes against time, read back from the Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import to_hex

from psdstats.output.figures import size_against_time
from psdstats.output.figures import sizes as figures
from psdstats.output.figures.save import svg_text
from psdstats.output.style import MARKS, house_style, narrow_screen, new_axes
from psdstats.words.numbers import PLAIN, Numerals

size_panels = house_style()(figures.size_panels)


def _series(ax: Axes) -> dict[str, np.ndarray]:
    named = {line.get_label(): line for line in ax.lines if not line.get_label().startswith("_")}
    return {name: np.asarray(line.get_ydata(), dtype=float) for name, line in named.items()}


def _arrows(ax: Axes) -> list:
    return [text for text in ax.texts if getattr(text, "arrow_patch", None) is not None]


def _ends(ax: Axes) -> dict[str, tuple[float, float]]:
    """Direct labels at the last time and where they stand."""
    return {text.get_text(): text.xy for text in ax.texts if " µm" in text.get_text()}


def _dots(ax: Axes) -> PathCollection:
    """The means: the last points drawn together."""
    return [one for one in ax.collections if isinstance(one, PathCollection)][-1]


def test_lines_are_the_closed_values(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    series = _series(ax)
    np.testing.assert_allclose(series["D50, Birch"], [330, 220, 132])
    np.testing.assert_allclose(series["D10, Alder"], [120, 80, np.nan])


def test_intervals_are_drawn_and_bounds_are_arrows(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    lines = [one for one in ax.collections if isinstance(one, LineCollection)]
    bars = [path.vertices[:, 1] for one in lines for path in one.get_paths()]
    closed = sizes[sizes["side"] == ""]
    wanted = sorted(zip(closed["lower"], closed["upper"], strict=True))
    np.testing.assert_allclose(sorted(map(tuple, bars)), wanted)
    assert [arrow.xy[1] for arrow in _arrows(ax)] == [63.0, 63.0]
    assert all(arrow.xyann[1] < 0 for arrow in _arrows(ax))  # downwards


def test_bars_for_comparing_are_drawn_in_place_of_intervals(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"milling_time_min": [0.0, 48.0], "value": [250.0, 128.0], "lower": [240.0, 120.0],
         "upper": [260.0, 136.0], "comparing_lower": [248.0, 126.0],
         "comparing_upper": [252.0, 130.0]}
    )  # fmt: skip
    size_against_time(frame, ax)
    (bars,) = [one for one in ax.collections if isinstance(one, LineCollection)]
    drawn = [path.vertices[:, 1].tolist() for path in bars.get_paths()]
    assert drawn == [[248.0, 252.0], [126.0, 130.0]]
    assert "hover: 48 min: 128.0 µm (120.0 to 136.0)" in _dots(ax).get_urls()


def test_nothing_is_moved_off_its_time(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    assert set(_dots(ax).get_offsets()[:, 0]) == {0.0, 12.0, 48.0}
    assert {line.get_xdata()[0] for line in ax.lines if line.get_label() in _series(ax)} == {0.0}


def test_axes_and_ticks(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    assert ax.get_yscale() == "log"
    assert ax.get_ylabel() == "size / µm"
    assert ax.get_xticks().tolist() == [0, 12, 48]
    assert all(label.get_text() for label in ax.get_xticklabels())
    assert size_against_time(sizes, new_axes(), unit="mm").get_ylabel() == "value / mm"


def test_lines_end_in_level_and_size_clear_of_every_point(ax: Axes) -> None:
    frame = pd.DataFrame(
        {"milling_time_min": [0.0, 48.0] * 2, "level": ["5:1"] * 2 + ["10:1"] * 2,
         "value": [251.0, 127.8, 251.0, 126.9]}
    )  # fmt: skip
    size_against_time(frame, ax)
    labels = _ends(ax)
    assert set(labels) == {"5:1  128 µm", "10:1  127 µm"}
    ax.figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in ax.texts if text.get_text() in labels]
    assert not boxes[0].overlaps(boxes[1])
    points = ax.transData.transform(np.column_stack([frame["milling_time_min"], frame["value"]]))
    assert not [1 for box in boxes for x, y in points if box.contains(x, y)]
    assert all(box.x1 < ax.get_window_extent().x1 for box in boxes)


def test_hover_texts_give_value_and_interval(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes, ax)
    assert "hover: D10, Alder, 48 min: < 63 µm" in {line.get_gid() for line in ax.lines}
    dots = _dots(ax)
    told = dict(zip(dots.get_urls(), [tuple(at) for at in dots.get_offsets()], strict=True))
    assert told["hover: D50, Alder, 0 min: 300 µm (270 to 360)"] == pytest.approx((0, 300))
    assert len(told) == (sizes["side"] == "").sum()
    svg = svg_text(ax.figure)
    assert '<g class="mark"><title>D50, Alder, 0 min: 300 µm (270 to 360)</title>' in svg
    assert "<a " not in svg


def test_levels_differ_in_colour_and_in_mark(sizes: pd.DataFrame, ax: Axes) -> None:
    size_against_time(sizes[sizes["quantity"] == "D50"], ax)
    dots = _dots(ax)
    texts = [str(text) for text in dots.get_urls()]
    for index, group in enumerate(("Alder", "Birch")):
        own = [at for at, text in enumerate(texts) if f", {group}, " in text]
        assert {to_hex(dots.get_facecolors()[at]) for at in own} == {MARKS[index].colour}
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
    (arrow,) = _arrows(ax)
    assert arrow.xy[1] == 63.0


MEANS = pd.DataFrame(
    {
        "quantity": ["D10"] * 4 + ["D50"] * 4,
        "level": ["5:1", "5:1", "10:1", "10:1"] * 2,
        "milling_time_min": [0.0, 48.0] * 4,
        "value": [160.0, 51.4, 160.0, 46.7, 251.0, 128.0, 251.0, 106.0],
        "side": ["", "<", "", "<"] + [""] * 4,
        "shared": [0.022] * 4 + [0.017] * 4,
    }
)
RUNS = pd.DataFrame(
    {
        "quantity": ["D50"] * 4 + ["D10"],
        "level": ["5:1", "5:1", "10:1", "10:1", "10:1"],
        "milling_time_min": [0.0, 48.0, 0.0, 48.0, 48.0],
        "value": [249.0, 131.0, 252.0, 104.0, 53.0],
        "side": ["", "", "", "", "<"],
        "run": ["a", "b", "c", "d", "e"],
    }
)


def test_panels_share_the_axis_and_every_run_is_a_dot() -> None:
    first = size_panels(MEANS, RUNS, PLAIN, height_mm=75.0, beyond=(53.0, 500.0))
    panels = first.figure.axes
    assert [ax.get_title(loc="left") for ax in panels] == ["D10", "D50"]
    assert len({ax.get_ylim() for ax in panels}) == 1
    assert len({ax.get_xlim() for ax in panels}) == 1
    runs = next(one for one in panels[1].collections if isinstance(one, PathCollection))
    own = RUNS[RUNS["quantity"] == "D50"]
    own = own.sort_values("milling_time_min", kind="stable")
    wanted = own[["milling_time_min", "value"]].to_numpy()
    np.testing.assert_allclose(np.asarray(runs.get_offsets()), wanted)
    assert set(runs.get_urls()) == {f"hover: {r.run}: {r.value:.1f} µm" for r in own.itertuples()}
    caret = [line for line in panels[0].lines if list(line.get_ydata()) == [53.0]]
    assert [list(line.get_xdata()) for line in caret] == [[48.0]]


def test_what_lies_below_the_sieves_is_shaded_and_named_once() -> None:
    first = size_panels(MEANS, RUNS, PLAIN, height_mm=75.0, beyond=(53.0, 500.0))
    named = [[t.get_text() for t in ax.texts].count("below the finest sieve") for ax in
             first.figure.axes]  # fmt: skip
    assert named == [1, 0]
    for ax in first.figure.axes:
        (band,) = [patch for patch in ax.patches if patch.get_height() > 0]
        assert band.get_y() + band.get_height() == pytest.approx(53.0)
    closed = MEANS.assign(side="", value=MEANS["value"] + 60.0)
    ax = size_panels(closed, RUNS.iloc[:4], PLAIN, height_mm=75.0, beyond=(45.0, 500.0))
    assert list(ax.patches) == []


def test_the_error_of_the_sieves_is_one_bar_at_the_side() -> None:
    first = size_panels(MEANS, RUNS, Numerals(","), height_mm=75.0)
    for ax, half in zip(first.figure.axes, (0.022, 0.017), strict=True):
        (bar,) = [line for line in ax.lines if line.get_label() == "_shared"]
        low, high = bar.get_ydata()
        assert np.log(high / low) == pytest.approx(2 * half)
        told = f"sieves ±{100 * half:.1f} %".replace(".", ",")
        assert told in [text.get_text() for text in ax.texts]


def test_figures_of_other_levels_differ() -> None:
    def svg(frame: pd.DataFrame) -> str:
        return svg_text(size_panels(frame, RUNS, PLAIN, height_mm=75.0).figure)

    pooled = MEANS.assign(level="").drop_duplicates(["quantity", "milling_time_min"])
    runs = RUNS.assign(level="")
    assert svg(MEANS) != svg_text(size_panels(pooled, runs, PLAIN, height_mm=75.0).figure)


def test_names_stand_side_by_side_unjoined(ax: Axes) -> None:
    frame = pd.DataFrame({"milling_time_min": ["Alder", "Birch"], "value": [249.0, 256.0]})
    size_against_time(frame, ax)
    assert [label.get_text() for label in ax.get_xticklabels()] == ["Alder", "Birch"]
    assert (_series(ax), ax.get_xlabel()) == ({}, "")


def test_many_levels_have_a_key_above_all_panels() -> None:
    names = [f"mill number {k}" for k in range(5)]
    frame = pd.concat([MEANS.iloc[4:6].assign(level=name) for name in names])
    first = size_panels(frame, RUNS.iloc[:0], PLAIN, height_mm=75.0)
    (key,) = first.figure.legends
    assert [text.get_text() for text in key.get_texts()] == names


def test_on_a_narrow_screen_panels_stand_below_each_other() -> None:
    with narrow_screen():
        figure = size_panels(MEANS, RUNS, PLAIN, height_mm=75.0).figure
    wide = size_panels(MEANS, RUNS, PLAIN, height_mm=75.0).figure
    assert figure.get_figwidth() < wide.get_figwidth()
    assert figure.axes[0].get_gridspec().ncols == 1
    assert [ax.get_ylim() for ax in figure.axes] == [ax.get_ylim() for ax in wide.axes]


def test_arrows_of_bounds_have_room_and_no_words_across_them(ax: Axes) -> None:
    own = MEANS[MEANS["quantity"] == "D50"]
    above = float(own["value"].max())
    size_against_time(own.assign(side=np.where(own["value"] == above, ">", "")), ax)
    assert ax.get_ylim()[1] > 1.3 * above
    first = size_panels(MEANS, RUNS, PLAIN, height_mm=75.0, beyond=(53.0, 500.0))
    first.figure.canvas.draw()
    (named,) = [one for one in first.texts if one.get_text() == "below the finest sieve"]
    assert named.get_window_extent().x0 > first.transData.transform((24.0, 53.0))[0]
