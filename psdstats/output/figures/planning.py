"""Power of a planned comparison against what there is to find.

Expected undersize curves over the sieves chosen for them.

Uncertainty of a size against sample mass, for each balance resolution.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.axes import log_ticks, percent_axis
from psdstats.output.figures.marks import drawn, hover, key_above, need, point, rows, series_key
from psdstats.output.style import DASHED, FAINT, GREY, INK, mark, numerals

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes


_NORMAL_95 = 1.96


def power_curves(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    x: str = "change_percent",
    x_label: str = "true change of D50 / %",
    wanted: float = 0.8,
    asked: float | None = None,
) -> Axes:
    """Draw power curves with the interval of the simulation, one for each design.

    Parameters
    ----------
    frame : DataFrame
        Columns design, the one of ``x``, power (fraction of one), and optionally power_lower and
        power_upper: a band.
    ax : Axes
        Where to draw.
    x : str, default="change_percent"
        Column drawn along the horizontal axis.
    x_label : str
        Label of the horizontal axis, with unit.
    wanted : float, default=0.8
        Power that is aimed at; a line marks it.
    asked : float or None
        Value of ``x`` that was asked for; a line marks it.

    Returns
    -------
    Axes
        The same Axes; one curve and one band a design, named in a key.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import Variation, power
    >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
    >>> power_curves(result.curve_frame(), new_axes(), asked=-10).get_ylabel()
    'power / %'
    """
    say = numerals(ax)
    frame = need(frame, ("design", x, "power"), "power curves")
    line = ax.axhline(100 * wanted, color=GREY, linewidth=1.0, linestyle=DASHED)
    hover(line, f"wanted: {say.per_cent(wanted)}")
    if asked is not None:
        line = ax.axvline(asked, color=INK, linewidth=1.0, linestyle=DASHED)
        hover(line, f"asked: {say(asked)} %")
    for index, (design, own) in enumerate(frame.groupby("design", sort=False)):
        own, look = own.sort_values(x, kind="stable"), mark(index)
        along = own[x].to_numpy(dtype=float)
        if {"power_lower", "power_upper"} <= set(own.columns):
            lower, upper = 100 * own["power_lower"], 100 * own["power_upper"]
            ax.fill_between(along, lower, upper, color=look.colour, alpha=0.15, linewidth=0)
        ax.plot(
            along, 100 * own["power"], color=look.colour, linestyle=look.line, label=drawn(design)
        )
        for place, power in zip(along, own["power"], strict=True):
            text = f"{design}, at {say(place)}: power {say.per_cent(power)}"
            point(ax, (place, 100 * power), look.marker, text, colour=look.colour, size=3.5)
    series_key(ax, list(dict.fromkeys(frame["design"])), inside=True)
    percent_axis(ax, "power / %")
    ax.set_xlabel(x_label)
    return ax


_COLUMNS = ("powder", "size_um", "undersize")


def expected_undersize(
    frame: pd.DataFrame, ax: Axes, *, apertures_um: Sequence[float], points: pd.DataFrame
) -> Axes:
    """Draw expected undersize curves, with a line at each chosen aperture.

    Parameters
    ----------
    frame : DataFrame
        Curves: columns powder, size_um, undersize (fraction of one).
    ax : Axes
        Where to draw.
    apertures_um : sequence of float
        Apertures of the stack, µm.
    points : DataFrame
        The same columns at the apertures alone; drawn as marks.

    Returns
    -------
    Axes
        The same Axes; apertures are written along the top.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import ExpectedPowder, choose_sieves
    >>> powder = ExpectedPowder(name="unmilled", d10_um=80, d50_um=200, d90_um=450)
    >>> series = [45, 63, 90, 125, 180, 250, 355, 500, 710]
    >>> choice = choose_sieves([powder], series, trials=100)
    >>> sieves = choice.aperture_um
    >>> curve, points = choice.undersize_frame(), choice.undersize_frame(sieves)
    >>> expected_undersize(curve, new_axes(), apertures_um=sieves, points=points).get_xlabel()
    'size / µm'
    """
    frame = need(frame, _COLUMNS, "expected undersize")
    points = need(points, _COLUMNS, "expected undersize")
    sizes = frame["size_um"]
    log_ticks(ax, "x", around=(float(sizes.min()), float(sizes.max())), label="size / µm")
    _aperture_lines(ax, apertures_um)
    for level in (10, 50, 90):
        ax.axhline(level, color=FAINT, linewidth=1.2)
    names = list(dict.fromkeys(frame["powder"]))
    for index, name in enumerate(names):
        look, own = mark(index), frame[frame["powder"] == name]
        x, y = own["size_um"], 100 * own["undersize"]
        ax.plot(x, y, color=look.colour, linestyle=look.line, label=drawn(name))
        for row in rows(points[points["powder"] == name]):
            at = (row.size_um, 100 * row.undersize)
            text = f"{name}: {at[1]:.0f} % below {numerals(ax)(row.size_um)} µm"
            point(ax, at, look.marker, text, colour=look.colour, size=4)
    series_key(ax, names, inside=True)
    ax.grid(visible=False)
    percent_axis(ax, "expected undersize / % by mass", [0, 10, 50, 90, 100])
    return ax


def _aperture_lines(ax: Axes, apertures_um: Sequence[float]) -> None:
    for aperture in apertures_um:
        ax.axvline(aperture, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
        ax.annotate(
            numerals(ax)(aperture),
            (aperture, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            va="bottom",
            rotation=90 if len(apertures_um) > 10 else 0,
            fontsize=8,
            color=INK,
        )


def uncertainty_against_sample(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    points: pd.DataFrame,
    wanted_percent: float,
    label: str = "standard uncertainty / %",
    around: tuple[float, float] | None = None,
) -> Axes:
    """Draw standard uncertainty against sample mass on log axes, with the wanted value as a line.

    Parameters
    ----------
    frame : DataFrame
        Columns series (for example "0.01 g"), sample_g, u_percent: drawn as lines.
    ax : Axes
        Where to draw.
    points : DataFrame
        The same columns and u_error_percent (standard error): drawn as marks with 95 % intervals.
    wanted_percent : float
        Uncertainty that is aimed at, per cent.
    label : str, default="standard uncertainty / %"
        Label of the vertical axis, with unit.
    around : (float, float) or None
        Range of uncertainty that must be seen, where several Axes share their scale.

    Returns
    -------
    Axes
        The same Axes.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import ExpectedPowder, precision
    >>> powder = ExpectedPowder(name="unmilled", d10_um=80, d50_um=200, d90_um=450)
    >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=1, trials=100)
    >>> law, points = plan.law_frame(), plan.simulated_frame()
    >>> ax = uncertainty_against_sample(law, new_axes(), points=points, wanted_percent=1)
    >>> ax.get_xlabel()
    'sample mass / g'
    """
    say = numerals(ax)
    columns = ("series", "sample_g", "u_percent")
    frame = need(frame, columns, "uncertainty against sample")
    points = need(points, (*columns, "u_error_percent"), "uncertainty against sample")
    names = list(dict.fromkeys(frame["series"]))
    low, high = around or (float(frame["u_percent"].min()), float(frame["u_percent"].max()))
    seen = (min(low, wanted_percent), max(high, wanted_percent))
    mass = (float(frame["sample_g"].min()), float(frame["sample_g"].max()))
    log_ticks(ax, "x", around=mass, label="sample mass / g")
    log_ticks(ax, "y", around=seen, label=label)
    line = ax.axhline(wanted_percent, color=GREY, linewidth=1.0, linestyle=DASHED)
    hover(line, f"wanted: {say(wanted_percent)} %")
    for index, name in enumerate(names):
        own, look = frame[frame["series"] == name].sort_values("sample_g"), mark(index)
        ax.plot(own["sample_g"], own["u_percent"], color=look.colour, linestyle=look.line)
        for row in rows(points[points["series"] == name]):
            half = _NORMAL_95 * row.u_error_percent
            low = max(row.u_percent - half, 0.01 * row.u_percent)
            ax.vlines(row.sample_g, low, row.u_percent + half, color=look.colour, linewidth=1.2)
            text = (
                f"{name}, {say(row.sample_g)} g: u {say.significant(row.u_percent, 2)} % "
                f"(simulated, standard error {say.significant(row.u_error_percent, 1)})"
            )
            at = (row.sample_g, row.u_percent)
            point(ax, at, look.marker, text, colour=look.colour, size=4)
        ax.plot([], [], look.marker, color=look.colour, linestyle=look.line, label=drawn(name))
    key_above(ax)
    return ax
