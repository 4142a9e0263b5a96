"""The undersize figure, read back from its Axes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.errors import OutputError
from psdstats.output.figures import cumulative_undersize


def test_lines_are_the_data_in_per_cent(undersize: pd.DataFrame, ax: Axes) -> None:
    assert cumulative_undersize(undersize.sample(frac=1, random_state=3), ax) is ax
    lines = {line.get_label(): line for line in ax.lines if len(line.get_xdata()) > 1}
    assert set(lines) == set(undersize["run"])
    for run, own in undersize[undersize["aperture_um"] > 0].groupby("run"):
        np.testing.assert_array_equal(lines[run].get_xdata(), own["aperture_um"])
        np.testing.assert_allclose(lines[run].get_ydata(), 100 * own["undersize"])


def test_bands_reach_from_lower_to_upper(undersize: pd.DataFrame, ax: Axes) -> None:
    cumulative_undersize(undersize[undersize["run"] == "alder-12"], ax)
    own = undersize[(undersize["run"] == "alder-12") & (undersize["aperture_um"] > 0)]
    corners = {(x, round(y, 9)) for x, y in ax.collections[0].get_paths()[0].vertices}
    for limit in ("lower", "upper"):
        wanted = zip(own["aperture_um"], (100 * own[limit]).round(9), strict=True)
        assert set(wanted) <= corners


def test_every_sieve_is_a_tick_on_a_log_axis(undersize: pd.DataFrame, ax: Axes) -> None:
    cumulative_undersize(undersize, ax)
    assert ax.get_xscale() == "log"
    assert ax.get_xticks().tolist() == [63, 125, 250, 500, 1000]
    assert ax.get_xlabel() == "sieve aperture / µm"
    assert ax.get_ylabel() == "cumulative undersize / % by mass"


def test_times_are_labelled_on_their_curves(undersize: pd.DataFrame, ax: Axes) -> None:
    cumulative_undersize(undersize, ax)
    labels = {text.get_text(): text.xy for text in ax.texts}
    assert set(labels) == {"0 min", "12 min", "48 min"}
    x, y = labels["48 min"]
    own = undersize[(undersize["run"] == "alder-48") & (undersize["aperture_um"] > 0)]
    on_curve = np.interp(np.log(x), np.log(own["aperture_um"]), 100 * own["undersize"])
    assert y == pytest.approx(on_curve)


def test_crowded_sieves_keep_ticks_but_not_every_number(ax: Axes) -> None:
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
    cumulative_undersize(frame, ax)
    assert len(ax.get_xticks()) == 30
    shown = [label.get_text() for label in ax.get_xticklabels() if label.get_text()]
    assert shown[0] == "45"
    assert shown[-1] == "60"
    assert len(shown) < 20


def test_a_missing_column_is_named(undersize: pd.DataFrame, ax: Axes) -> None:
    with pytest.raises(OutputError, match="no column 'lower'"):
        cumulative_undersize(undersize.drop(columns="lower"), ax)
    with pytest.raises(OutputError, match="no rows"):
        cumulative_undersize(undersize.iloc[:0], ax)
