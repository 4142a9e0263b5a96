"""Names on figures: one line, short, no formula, no sign without a glyph."""

from __future__ import annotations

import matplotlib as mpl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.cbook import is_math_text
from matplotlib.font_manager import FontProperties, findfont, get_font

from psdstats.output.figures.marks import drawn, key_columns, room_for, series_key, shortened
from psdstats.output.style import house_style


@given(st.text())
def test_any_name_is_one_short_line_without_formula(name: str) -> None:
    shown = drawn(name)
    assert "\n" not in shown
    assert len(shown.replace(r"\$", "$")) <= 29  # 28 signs, and a space before an underscore
    assert not is_math_text(shown)
    assert not shown.startswith("_")


@given(st.text(max_size=40))
def test_every_sign_has_a_glyph(name: str) -> None:
    family = FontProperties(family=mpl.rcParams["font.family"])
    glyphs = get_font(findfont(family)).get_charmap()
    assert all(ord(sign) in glyphs for sign in drawn(name))


def test_a_sign_without_a_glyph_becomes_a_box() -> None:
    assert drawn("Mühle Ωµ 粉砕") == "Mühle Ωµ □□"


@given(st.text(min_size=5), st.integers(min_value=3, max_value=20))
def test_a_shortened_name_keeps_its_ends(name: str, most: int) -> None:
    plain = " ".join(shortened(name, most=10_000).split())
    shown = shortened(name, most=most)
    assert len(shown) <= most
    if len(plain) > most:
        head, tail = shown[: most // 2], shown[most // 2 + 1 :]
        assert plain.startswith(head)
        assert plain.endswith(tail)


def test_further_fonts_come_after_the_first() -> None:
    with house_style():
        first, *further = mpl.rcParams["font.family"]
    assert first == "DejaVu Sans"
    installed = {font.name for font in mpl.font_manager.fontManager.ttflist}
    assert set(further) <= installed


def test_a_key_of_long_names_has_fewer_columns(ax: Axes) -> None:
    series_key(ax, ["a" * 60, "b" * 60, "_c"])
    ax.figure.canvas.draw()
    legend = ax.get_legend()
    assert [text.get_text() for text in legend.get_texts()][2] == " _c"
    assert legend.get_window_extent().width <= ax.figure.bbox.width


@pytest.mark.parametrize(("longest", "columns"), [(5, 6), (25, 2), (200, 1)])
def test_columns_of_a_key(longest: int, columns: int) -> None:
    assert key_columns(["x" * longest] * 8) == columns


def test_room_shrinks_with_the_number_of_names(ax: Axes) -> None:
    rooms = [room_for(ax, count) for count in (1, 2, 4, 8, 1000)]
    assert rooms == sorted(rooms, reverse=True)
    assert rooms[-1] == 4
