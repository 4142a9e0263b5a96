"""Sizes over dates: limits step from point to point, points outside are named, materials told."""

import numpy as np
import pandas as pd
from matplotlib.colors import to_hex

from psdstats.output.figures import control_chart, new_axes, trials_over_dates
from psdstats.output.style import INK, RUST

DAYS = ["2026-01-05", "2026-02-04", "2026-03-06"]


def _points(**more):
    frame = {
        "path": ["2026/a", "2026/b", "2026/c"],
        "date": DAYS,
        "size": [100.0, 101.0, 130.0],
        "lower": [95.0, 90.0, 95.0],
        "upper": [105.0, 110.0, 105.0],
        "is_outside": [False, False, True],
    }
    return pd.DataFrame(frame | more)


def test_limits_change_halfway_between_points():
    ax = control_chart(_points(), new_axes(), mean=101.0)
    low, high, mean = ax.lines
    np.testing.assert_allclose(np.diff(low.get_xdata()), [15, 0, 30, 0, 15])
    np.testing.assert_allclose(low.get_ydata(), [95, 95, 90, 90, 95, 95])
    np.testing.assert_allclose(high.get_ydata(), [105, 105, 110, 110, 105, 105])
    assert set(mean.get_ydata()) == {101.0}


def test_points_outside_are_marked_and_named():
    ax = control_chart(_points(is_one_side=[False, True, False]), new_axes(), mean=101.0)
    (points,) = [one for one in ax.collections if len(one.get_offsets()) == 3]
    faces = [to_hex(one) for one in points.get_facecolors()]
    assert faces == ["#ffffff", INK, RUST]
    texts = [text.get_text() for text in ax.texts]
    assert texts == ["mean 101.0", "c"]
    assert points.get_urls()[2].endswith("2026/c, 2026-03-06: 130.0 (limits 95.00 to 105.0)")


def _trials(materials):
    ends = {f"{at}_{end}": 100.0 for at in ("start", "end") for end in ("size", "lower", "upper")}
    names = [f"t{k}" for k in range(len(materials))]
    return pd.DataFrame({"path": names, "date": "2026-01-05", "material": materials} | ends)


def test_four_materials_have_a_colour_each_and_more_share_the_last():
    four = trials_over_dates(_trials(["a", "b", "c", "d"]), new_axes())
    assert [one.get_text() for one in four.get_legend().get_texts()] == ["a", "b", "c", "d"]
    many = trials_over_dates(_trials(["a", "a", "b", "b", "c", "c", "d", None]), new_axes())
    texts = [one.get_text() for one in many.get_legend().get_texts()]
    assert texts == ["a", "b", "c", "other materials"]
    assert trials_over_dates(_trials(["a", "a"]), new_axes()).get_legend() is None
