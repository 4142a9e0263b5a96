"""The figure of changes, read back from its Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.markers import CARETLEFT, CARETRIGHT

from psdstats.output.figures import effects as figures
from psdstats.output.style import house_style, narrow_screen
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import change_words, changes_alternative, short_change

NAMES = ["quantity", "at", "level", "ratio", "ratio_lower", "ratio_upper", "verdict"]
CHANGES = pd.DataFrame(
    [
        ("D10", "6", "5:1", 0.83, 0.80, 0.86, "changed"),
        ("D10", "6", "10:1", 0.96, 0.90, 1.02, "not shown"),
        ("D10", "48", "5:1", np.nan, 0.0, 0.412, "changed"),
        ("D10", "48", "10:1", np.nan, 0.0, 0.346, "changed"),
        ("D50", "6", "5:1", 0.99, 0.97, 1.01, "equivalent"),
        ("D50", "6", "10:1", np.nan, np.nan, np.nan, "cannot be told"),
        ("D50", "48", "5:1", 0.51, 0.48, 0.54, "changed"),
        ("D50", "48", "10:1", np.nan, 1.16, 1.84, "changed"),
    ],
    columns=NAMES,
)
PAIRS = pd.DataFrame(
    [
        ("D10", "0", "10:1 vs 5:1", 1.001, 0.98, 1.02, "equivalent"),
        ("D10", "6", "10:1 vs 5:1", 0.92, 0.90, 0.94, "changed"),
        ("D50", "48", "10:1 vs 5:1", 0.83, 0.80, 0.85, "changed"),
    ],
    columns=NAMES,
)


def _told(frame: pd.DataFrame, say: Numerals = PLAIN) -> pd.DataFrame:
    rows = frame.to_dict("records")
    return frame.assign(
        told=[change_words(row, say) for row in rows],
        short=[short_change(row, say) or row["verdict"] for row in rows],
    )


@house_style()
def _drawn(changes: pd.DataFrame = CHANGES, pairs: pd.DataFrame = PAIRS, **options: object):
    labels = ("size at the later time / size at 0 min", "size at 10:1 / size at 5:1")
    titles = ("change from 0 min", "10:1 vs 5:1")
    first = figures.course_effects(
        _told(changes), _told(pairs), PLAIN, labels=labels, titles=titles, **options
    )
    return first.figure


def _heights(ax) -> dict[str, float]:
    return {
        label.get_text(): tick
        for tick, label in zip(ax.get_yticks(), ax.get_yticklabels(), strict=True)
    }


def _points(ax) -> dict[float, float]:
    """Ratio of each mark by its height."""
    dots = [one for one in ax.collections if isinstance(one, PathCollection)]
    return {round(float(y), 6): float(x) for one in dots for x, y in one.get_offsets()}


def test_every_estimate_is_a_mark_and_every_interval_a_line() -> None:
    left, right = _drawn().axes
    for ax, frame in ((left, CHANGES), (right, PAIRS)):
        known = frame[frame["ratio"].notna()]
        assert sorted(_points(ax).values()) == pytest.approx(sorted(known["ratio"]))
        (lines,) = [one for one in ax.collections if isinstance(one, LineCollection)]
        drawn = [sorted(path.vertices[:, 0]) for path in lines.get_paths()]
        closed = frame[(frame["ratio_lower"] > 0) & np.isfinite(frame["ratio_upper"])]
        for row in closed.itertuples():
            assert any(np.allclose(one, [row.ratio_lower, row.ratio_upper]) for one in drawn)
        assert len(drawn) == frame["ratio_upper"].notna().sum()


def test_a_bound_is_an_arrow_to_the_edge() -> None:
    left = _drawn().axes[0]
    (heads,) = [line for line in left.lines if line.get_marker() == CARETLEFT]
    edge = left.get_xlim()[0]
    assert list(heads.get_xdata()) == [edge, edge]
    ends = [line for line in left.lines if line.get_marker() == "|"]
    assert list(ends[0].get_xdata()) == [0.412, 0.346]
    assert sorted(ends[1].get_xdata()) == [1.16, 1.84]  # between two bounds
    upwards = CHANGES.assign(
        ratio_upper=CHANGES["ratio_upper"].where(CHANGES["ratio_lower"] != 0, np.inf),
        ratio_lower=CHANGES["ratio_lower"].where(CHANGES["ratio_lower"] != 0, 2.4),
    )
    ax = _drawn(upwards).axes[0]
    (heads,) = [line for line in ax.lines if line.get_marker() == CARETRIGHT]
    assert list(heads.get_xdata()) == [ax.get_xlim()[1]] * 2


def test_two_levels_share_a_row_and_their_pair_stands_between_them() -> None:
    left, right = _drawn().axes
    names = [label.get_text() for label in left.get_yticklabels()]
    assert names == ["0 min", "6 min", "48 min", "6 min", "48 min"]
    assert left.get_ylim()[0] > left.get_ylim()[1]  # from the top down
    ticks = dict(zip([("D10", 0), ("D10", 6), ("D10", 48), ("D50", 6), ("D50", 48)],
                     left.get_yticks(), strict=True))  # fmt: skip
    ours = {ratio: y for y, ratio in _points(left).items()}
    pairs = {ratio: y for y, ratio in _points(right).items()}
    assert pairs[1.001] == pytest.approx(ticks["D10", 0])
    assert pairs[0.92] == pytest.approx(ticks["D10", 6])
    assert ours[0.83] < ticks["D10", 6] < ours[0.96]  # first level above the second
    assert (ours[0.83] + ours[0.96]) / 2 == pytest.approx(ticks["D10", 6])
    beside = {text.get_text(): text for text in left.texts}
    assert beside["−17 %"].xy[1] == pytest.approx(ours[0.83])
    shifts = {one: beside[one].xyann[0] for one in ("5:1", "−17 %", "10:1", "−4.0 %")}
    assert shifts["5:1"] == shifts["−17 %"] < shifts["10:1"] == shifts["−4.0 %"]
    bold = [text.get_text() for text in left.texts if text.get_text() in ("D10", "D50")]
    assert bold == ["D10", "D50"]


def test_three_levels_have_a_row_each_with_its_name() -> None:
    third = CHANGES[CHANGES["level"] == "5:1"].assign(level="20:1", ratio=0.6)
    left = _drawn(pd.concat([CHANGES, third]), PAIRS.iloc[:0]).axes[0]
    names = [label.get_text() for label in left.get_yticklabels()]
    one = ["6 min   5:1", "10:1", "20:1", "48 min   5:1", "10:1", "20:1"]
    assert names == one + one
    assert len(set(left.get_yticks())) == 12


def test_changes_stand_beside_in_words_verdicts_in_the_key() -> None:
    figure = _drawn()
    beside = [text.get_text() for text in figure.axes[0].texts]
    for told in ("−17 %", "−4.0 %", "≥ 58 % finer", "cannot be told", "+16 to +84 %"):
        assert told in beside
    weights = {text.get_text(): text.get_fontweight() for text in figure.axes[0].texts}
    assert (weights["−17 %"], weights["−4.0 %"]) == ("bold", "normal")
    one_level = _drawn(CHANGES[CHANGES["level"] == "10:1"], PAIRS.iloc[:0]).axes[0]
    assert "−4.0 %  not shown" in [text.get_text() for text in one_level.texts]
    (key,) = figure.legends
    assert [text.get_text() for text in key.get_texts()] == [
        "changed", "equivalent", "not shown", "cannot be told", "at least so much"
    ]  # fmt: skip
    closed = _drawn(CHANGES.iloc[:1], PAIRS.iloc[:0])
    assert [text.get_text() for text in closed.legends[0].get_texts()] == ["changed"]


def test_axes_have_names_a_line_at_one_and_the_margin() -> None:
    left, right = _drawn(margin=1.05).axes
    assert left.get_xlabel() == "size at the later time / size at 0 min"
    assert right.get_xlabel() == "size at 10:1 / size at 5:1"
    for ax in (left, right):
        assert ax.get_xscale() == "log"
        (band,) = ax.patches
        assert (band.get_x(), band.get_x() + band.get_width()) == pytest.approx((1 / 1.05, 1.05))
        assert [1.0, 1.0] in [list(line.get_xdata()) for line in ax.lines]
        assert "1" in [label.get_text() for label in ax.get_xticklabels()]


def test_without_pairs_there_is_one_panel_and_it_fits_a_page() -> None:
    figure = _drawn(CHANGES, PAIRS.iloc[:0])
    assert len(figure.axes) == 1
    times = [str(k) for k in range(1, 12)]
    many = pd.concat(
        [CHANGES.iloc[[0]].assign(quantity=q, at=t, level="") for q in ("a", "b", "c", "d") for t in
         times]
    )  # fmt: skip
    tall = _drawn(many, PAIRS.iloc[:0])
    assert tall.get_size_inches()[1] * 25.4 <= 215.1


def test_the_alternative_tells_every_row_of_the_frame() -> None:
    told = changes_alternative(_told(CHANGES), _told(PAIRS), PLAIN)
    assert "D10, 5:1: 6 min −17 %, 48 min ≥ 58 % finer (all changed)." in told
    assert "D10, 10:1: 6 min −4.0 % not shown, 48 min ≥ 65 % finer." in told
    assert "D10, 10:1 vs 5:1: 0 min +0.1 % equivalent, 6 min −8.0 %." in told
    comma = changes_alternative(_told(CHANGES), _told(PAIRS), Numerals(","))
    assert "6 min −4,0 % not shown" in comma


def test_on_a_narrow_screen_panels_stand_below_each_other_with_rows_of_their_own() -> None:
    with narrow_screen():
        figure = _drawn()
    upper, lower = figure.axes
    assert figure.get_figwidth() < _drawn().get_figwidth()
    assert [label.get_text() for label in lower.get_yticklabels()] == ["0 min", "6 min", "48 min"]
    assert "0 min" not in [label.get_text() for label in upper.get_yticklabels()]
    assert sorted(_points(lower).values()) == pytest.approx(sorted(PAIRS["ratio"]))


def test_two_columns_of_words_do_not_touch() -> None:
    """Between two bounds a change is the longest of them: "+21 to +59 %"."""
    ends = {"ratio": np.nan, "ratio_lower": 1.21, "ratio_upper": 1.59, "verdict": "changed"}
    for upper in (1.59, 3.1):
        figure = _drawn(CHANGES.assign(**ends | {"ratio_upper": upper}))
        figure.draw_without_rendering()
        boxes = {"5:1": [], "10:1": []}
        for text in figure.axes[0].texts:
            if text.get_text() in boxes or text.get_text().startswith("+"):
                place = text.get_window_extent()
                first = min(one.xyann[0] for one in figure.axes[0].texts if one.xyann[0] > 0)
                boxes["5:1" if text.xyann[0] == first else "10:1"].append(place)
        gap = min(one.x0 for one in boxes["10:1"]) - max(one.x1 for one in boxes["5:1"])
        assert gap > 3.0 * figure.dpi / 72.0
