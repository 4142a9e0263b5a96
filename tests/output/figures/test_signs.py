"""The decimal comma in figures."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.errors import OutputError
from psdstats.output.figures import effect_ratios, random_effects
from psdstats.output.figures.save import set_decimal_sign


def test_comma_in_ticks_labels_and_hover_texts(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios, ax)
    before, limits = ax.get_xticks().tolist(), ax.get_xlim()
    set_decimal_sign(ax, ",")
    assert ax.get_xticks().tolist() == before
    assert ax.get_xlim() == limits
    assert "0,7" in [label.get_text() for label in ax.get_xticklabels()]
    texts = [line.get_gid() for line in ax.lines if line.get_gid()]
    assert texts[0] == "hover: 12 min against 0 min: 0,700 (0,650 to 0,760), changed"


def test_comma_where_ticks_were_left_to_matplotlib(ax: Axes) -> None:
    frame = pd.DataFrame({"level": ["a"], "estimate": [0.02], "standard_error": [0.015]})
    random_effects(frame, ax)
    limits = ax.get_xlim()
    set_decimal_sign(ax, ",")
    ax.figure.canvas.draw()
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert all("," in label and "." not in label for label in labels)
    assert ax.get_xlim() == limits


def test_point_changes_nothing_and_other_signs_are_refused(ratios: pd.DataFrame, ax: Axes) -> None:
    effect_ratios(ratios, ax)
    before = [text.get_text() for text in ax.texts]
    assert [text.get_text() for text in set_decimal_sign(ax, ".").texts] == before
    with pytest.raises(OutputError, match="decimal sign"):
        set_decimal_sign(ax, "·")
