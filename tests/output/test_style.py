"""The house style: no global state, and series told apart without colour."""

from __future__ import annotations

import itertools

import matplotlib as mpl
import numpy as np
import pytest

from psdstats.errors import OutputError
from psdstats.output.figures.axes import new_panels
from psdstats.output.figures.marks import key_columns
from psdstats.output.figures.save import narrow_figure
from psdstats.output.style import (
    GREY,
    INK,
    MARKS,
    NARROW_MM,
    WIDTH_MM,
    house_style,
    mark,
    narrow_screen,
    new_axes,
    readable,
    time_colours,
)


def _lightness(colour: str) -> float:
    """CIE 1976 L* of an sRGB colour (IEC 61966-2-1 transfer curve; both from memory)."""
    channels = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116 * np.cbrt(y) - 16 if y > 0.008856 else 903.3 * y


def test_settings_come_back_even_after_an_error() -> None:
    before = dict(mpl.rcParams)
    with house_style():
        assert mpl.rcParams["axes.spines.top"] is False
    with pytest.raises(OutputError), house_style():
        new_axes(height_mm=0)
    assert dict(mpl.rcParams) == before


def test_a_users_settings_do_not_reach_a_figure() -> None:
    with mpl.rc_context({"axes.facecolor": "red", "font.size": 30}):
        ax = new_axes()
    assert ax.get_facecolor() == (1, 1, 1, 1)
    assert ax.xaxis.label.get_size() == 8.5


@pytest.mark.parametrize("count", [2, 5, 9])
def test_times_darken_in_order(count: int) -> None:
    lightness = [_lightness(colour) for colour in time_colours(count)]
    assert np.all(np.diff(lightness) < -3)


def test_series_differ_in_lightness_or_at_least_in_marker_and_line() -> None:
    for first, second in itertools.combinations(MARKS, 2):
        far = abs(_lightness(first.colour) - _lightness(second.colour)) > 10
        assert far or (first.marker != second.marker and first.line != second.line)
    assert min(np.diff(sorted(_lightness(own.colour) for own in MARKS[:4]))) > 10


def test_marks_repeat_with_another_line() -> None:
    assert mark(6).colour == mark(0).colour
    assert mark(6).line != mark(0).line


def test_text_colour_has_contrast_on_white() -> None:
    """WCAG 2.1, 1.4.3: at least 4.5 to 1 for text (from memory)."""
    for colour in (INK, GREY, *(readable(own.colour) for own in MARKS)):
        luminance = ((_lightness(colour) + 16) / 116) ** 3
        assert 1.05 / (luminance + 0.05) >= 4.5


def test_a_figure_without_area_is_refused() -> None:
    with pytest.raises(OutputError, match="no area"):
        new_axes(height_mm=0)


def test_a_narrow_screen_has_narrow_figures_and_their_panels_below_each_other():
    def draw():
        (panels,) = new_panels(1, 3, height_mm=60.0)
        for ax, top in zip(panels, (1.0, 2.0, 5.0), strict=True):
            ax.plot([0.0, 1.0], [0.0, top])
        panels[0].set_ylabel("size / µm")
        return panels[0]

    wide, narrow = draw().get_figure(), narrow_figure(draw)
    assert [round(one.get_figwidth() * 25.4) for one in (wide, narrow)] == [WIDTH_MM, NARROW_MM]
    assert narrow.get_figheight() == pytest.approx(3 * wide.get_figheight())
    for figure, count in ((wide, 3), (narrow, 1)):
        assert len({ax.get_subplotspec().colspan.start for ax in figure.axes}) == count
        assert len({ax.get_ylim() for ax in figure.axes}) == 1
    assert [ax.get_ylabel() for ax in wide.axes] == ["size / µm", "", ""]
    assert [ax.get_ylabel() for ax in narrow.axes] == ["size / µm"] * 3
    assert all(ax.yaxis.get_tick_params()["labelleft"] for ax in narrow.axes)


def test_a_key_has_fewer_columns_on_a_narrow_screen():
    names = ["a name of twenty-five sg."] * 4
    with narrow_screen():
        assert key_columns(names) == 1
    assert key_columns(names) == 2
