"""The undersize figures, read back from their Axes."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_hex

from psdstats.errors import OutputError
from psdstats.output.figures import undersize as figures
from psdstats.output.figures import undersize_curves
from psdstats.output.figures.save import svg_text
from psdstats.output.style import house_style, time_colours
from psdstats.words.numbers import PLAIN

undersize_panels = house_style()(figures.undersize_panels)


def _curves(ax: Axes) -> dict[str, np.ndarray]:
    """Vertices of each curve by its hover text."""
    (lines,) = [
        one for one in ax.collections if isinstance(one, LineCollection) and one.get_urls()[0]
    ]
    return dict(zip(lines.get_urls(), [one.vertices for one in lines.get_paths()], strict=True))


def test_lines_are_the_data_in_per_cent(undersize: pd.DataFrame, ax: Axes) -> None:
    assert undersize_curves(undersize.sample(frac=1, random_state=3), ax) is ax
    curves = _curves(ax)
    assert len(curves) == undersize["run"].nunique()
    for (run, time), own in undersize[undersize["aperture_um"] > 0].groupby(
        ["run", "milling_time_min"]
    ):
        drawn = curves[f"hover: {run}, {time:g} min"]
        np.testing.assert_allclose(
            drawn, np.column_stack([own["aperture_um"], 100 * own["undersize"]])
        )


def test_bands_reach_from_lower_to_upper(undersize: pd.DataFrame, ax: Axes) -> None:
    undersize_curves(undersize[undersize["run"] == "alder-12"], ax)
    own = undersize[(undersize["run"] == "alder-12") & (undersize["aperture_um"] > 0)]
    (bands,) = [one for one in ax.collections if isinstance(one, PolyCollection)]
    corners = {(x, round(y, 9)) for x, y in bands.get_paths()[0].vertices}
    for limit in ("lower", "upper"):
        wanted = zip(own["aperture_um"], (100 * own[limit]).round(9), strict=True)
        assert set(wanted) <= corners


def test_curves_get_darker_with_time_and_a_key_names_them_once(
    undersize: pd.DataFrame, ax: Axes
) -> None:
    undersize_curves(undersize, ax)
    (lines,) = [
        one for one in ax.collections if isinstance(one, LineCollection) and one.get_urls()[0]
    ]
    colours = [to_hex(one) for one in lines.get_colors()]
    told = dict(zip(lines.get_urls(), colours, strict=True))
    assert [told[f"hover: alder-{time}, {time} min"] for time in (0, 12, 48)] == time_colours(3)
    names = [text.get_text() for text in ax.get_legend().get_texts()]
    assert names == ["0 min", "12 min", "48 min"]


def test_guides_stand_where_sizes_are_read(undersize: pd.DataFrame, ax: Axes) -> None:
    undersize_curves(undersize, ax)
    (guides,) = [
        one for one in ax.collections if isinstance(one, LineCollection) and not one.get_urls()[0]
    ]
    assert [path.vertices[0, 1] for path in guides.get_paths()] == [10, 50, 90]
    assert ax.get_yticks().tolist() == [0, 10, 50, 90, 100]


def test_what_is_below_the_finest_sieve_is_shaded(undersize: pd.DataFrame, ax: Axes) -> None:
    undersize_curves(undersize, ax)
    (band,) = ax.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == (ax.get_xlim()[0], 63.0)


def test_sieves_have_their_nominal_numbers(undersize: pd.DataFrame, ax: Axes) -> None:
    certified = undersize.assign(
        nominal_um=undersize["aperture_um"], aperture_um=1.03 * undersize["aperture_um"]
    )
    undersize_curves(certified, ax)
    assert [label.get_text() for label in ax.get_xticklabels()] == [
        "63",
        "125",
        "250",
        "500",
        "1000",
    ]
    assert (ax.get_xscale(), ax.get_xlabel()) == ("log", "sieve aperture / µm")
    assert ax.get_ylabel() == "cumulative undersize / % by mass"
    assert min(curve[0, 0] for curve in _curves(ax).values()) == pytest.approx(1.03 * 63)


def test_crowded_sieves_have_ticks_only_where_numbers_have_room(ax: Axes) -> None:
    apertures = np.geomspace(45, 60, 30)
    frame = pd.DataFrame(
        {
            "run": "a",
            "milling_time_min": 0.0,
            "aperture_um": apertures,
            "undersize": np.linspace(0, 1, 30),
            "lower": 0.0,
            "upper": 1.0,
        }
    )
    undersize_curves(frame, ax)
    shown = [label.get_text() for label in ax.get_xticklabels()]
    assert "" not in shown
    assert (shown[0], shown[-1]) == ("45", "60")
    assert len(shown) == len(ax.get_xticks()) < 20


def test_groups_stand_in_columns_and_levels_in_rows(undersize: pd.DataFrame) -> None:
    fast = undersize.assign(level="10:1", run=undersize["run"] + "-fast")
    frame = pd.concat([undersize.assign(level="5:1"), fast])
    figure = undersize_panels(frame, PLAIN).figure
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == ["Alder, 5:1", "Birch, 5:1", "Alder, 10:1", "Birch, 10:1"]
    assert set(_curves(figure.axes[3])) == {f"hover: birch-{t}-fast, {t} min" for t in (0, 12, 48)}
    (key,) = figure.legends
    assert [text.get_text() for text in key.get_texts()] == ["0 min", "12 min", "48 min"]
    assert len({ax.get_xlim() for ax in figure.axes}) == 1


def test_many_groups_wrap_and_one_has_one_panel(undersize: pd.DataFrame) -> None:
    frame = undersize.assign(level="")
    many = pd.concat([frame.assign(group=f"mill {k}", run=frame["run"] + str(k)) for k in range(6)])
    figure = undersize_panels(many, PLAIN).figure
    shown = [ax.get_title(loc="left") for ax in figure.axes if ax.axison]
    assert shown == [f"mill {k}" for k in range(6)]
    assert figure.axes[0].get_gridspec().ncols == 4
    one = undersize_panels(frame.assign(group=""), PLAIN).figure
    assert [ax.get_title(loc="left") for ax in one.axes] == [""]


def test_a_missing_column_is_named(undersize: pd.DataFrame, ax: Axes) -> None:
    with pytest.raises(OutputError, match="no column 'lower'"):
        undersize_curves(undersize.drop(columns="lower"), ax)
    with pytest.raises(OutputError, match="no rows"):
        undersize_curves(undersize.iloc[:0], ax)


def test_numbers_of_a_panel_among_three_keep_apart() -> None:
    """Three benches of one trial, one of them with a shorter stack of other apertures."""
    wide, short = (0.0, 32.0, 63.0, 125.0, 500.0), (0.0, 53, 75, 106, 150, 212, 300, 425)
    frames = []
    for group, stack in (("North", wide), ("South", short), ("Yard", wide)):
        share = np.square(stack) / (np.square(stack) + 120.0**2)
        own = {"aperture_um": stack, "undersize": share, "lower": share, "upper": share}
        frames.append(
            pd.DataFrame(
                {"run": group, "group": group, "level": "", "milling_time_min": 0.0, **own}
            )
        )
    figure = undersize_panels(pd.concat(frames, ignore_index=True), PLAIN).figure
    svg_text(figure)  # lays it out as it is saved
    ax = figure.axes[1]
    shown = {label.get_position()[0]: label.get_text() for label in ax.get_xticklabels()}
    assert len(shown) >= 4
    at_pt = [ax.transData.transform((um, 0.0))[0] / figure.dpi * 72.0 for um in shown]
    half_pt = [0.5 * 0.636 * 8.0 * len(text) for text in shown.values()]  # 8 points
    placed = zip(at_pt, half_pt, strict=True)
    assert all(b[0] - b[1] - a[0] - a[1] > 2.0 for a, b in itertools.pairwise(placed))
