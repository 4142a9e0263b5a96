"""The decimal comma in figures: chosen where a number is written, so names keep their point."""

from __future__ import annotations

import pandas as pd
import pytest

from psdstats.errors import OutputError
from psdstats.output.figures import effect_ratios, size_against_time
from psdstats.output.figures.axes import new_panels
from psdstats.output.style import new_axes, numerals
from psdstats.words.numbers import PLAIN, Numerals

COMMA = Numerals(",")


def test_comma_in_ticks_labels_and_hover_texts(ratios: pd.DataFrame) -> None:
    plain, ax = new_axes(), new_axes(say=COMMA)
    effect_ratios(ratios, plain)
    effect_ratios(ratios, ax)
    assert ax.get_xticks().tolist() == plain.get_xticks().tolist()
    assert ax.get_xlim() == plain.get_xlim()
    assert "0,7" in [label.get_text() for label in ax.get_xticklabels()]
    texts = [line.get_gid() for line in ax.lines if line.get_gid()]
    assert texts[0] == "hover: 12 min against 0 min: 0,700 (0,650 to 0,760), changed"


def test_names_with_a_point_keep_it(sizes: pd.DataFrame) -> None:
    named = sizes.assign(group=sizes["group"].replace("Alder", "Mill 2.5"))
    ax = size_against_time(named, new_axes(say=COMMA))
    hovers = [text for dots in ax.collections for text in dots.get_urls() if text]
    assert any(text.startswith("hover: D50, Mill 2.5, 0 min: 300") for text in hovers)


def test_panels_have_the_sign_and_other_signs_are_refused() -> None:
    ((first, second),) = new_panels(1, 2, height_mm=60.0, say=COMMA)
    for ax in (first, second):
        ax.set_xlim(0.1, 0.9)
        ax.figure.canvas.draw()
        assert "0,4" in [label.get_text().strip() for label in ax.get_xticklabels()]
    assert numerals(new_axes()) == PLAIN
    with pytest.raises(OutputError, match="decimal sign"):
        Numerals("·")
