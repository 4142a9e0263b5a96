"""D10, D50 and D90 against milling time, each with its interval.

Cumulative undersize against sieve aperture, one curve a run, coloured by milling time.

How the Monte Carlo draws of each run are spread: shape, not only ±.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.output.figures.axes import log_ticks, sieve_axis, time_axis
from psdstats.output.figures.marks import (
    arrow,
    drawn,
    hover,
    label_at,
    need,
    rows,
    series_key,
    spread_apart,
)
from psdstats.output.style import INK, Mark, mark, numerals, time_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_COLUMNS = (TIME, "quantity", "value", "lower", "upper")
_BOUNDS = {
    "below the finest sieve": ("<", "bound_upper"),
    "above the coarsest sieve": (">", "bound_lower"),
}
_UNIT = "µm"
_DODGE = 0.012  # of the time range, between groups
_LABEL_GAP = 0.05  # of the vertical axis, in ln size


def size_against_time(frame: pd.DataFrame, ax: Axes, *, unit: str = "µm") -> Axes:
    """Draw sizes against milling time with intervals, open intervals as arrows.

    Parameters
    ----------
    frame : DataFrame
        Columns milling_time_min, quantity, value, lower, upper, and optionally group and side: "<"
        or ">" where the value is only a bound.  As `Propagation.to_frame` gives it, one row a run,
        or `mean_sizes`, one row a cell.  A span is no size and is left out.
    ax : Axes
        Where to draw.
    unit : str, default="µm"
        Unit of the values, for axis and hover text; span is drawn in any other than µm.

    Returns
    -------
    Axes
        The same Axes: for each quantity and group one line through its closed values (labelled
        "quantity, group"), through their geometric mean where a time has several; one error bar a
        point, one arrow for each open interval.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> sizes = psdstats.propagate(study, method="linear").to_frame()
    >>> size_against_time(sizes, new_axes()).get_ylabel()
    'size / µm'
    """
    frame = _as_drawn(need(frame, _COLUMNS, "size against time"), unit)
    groups = list(dict.fromkeys(frame["group"]))
    times = frame[TIME]
    step = _DODGE * max(float(times.max() - times.min()), 1.0)
    for (quantity, group), series in frame.groupby(["quantity", "group"], sort=False):
        index = groups.index(group)
        shifted = series[TIME] + step * (index - (len(groups) - 1) / 2)
        _series(ax, series, shifted, mark(index), unit, f"{quantity}, {group}")
    limits = frame[["value", "lower", "upper"]].to_numpy(dtype=float)
    limits = limits[np.isfinite(limits) & (limits > 0)]
    label = "size" if unit == _UNIT else "value"
    log_ticks(ax, "y", around=(limits.min(), limits.max()), label=f"{label} / {unit}")
    time_axis(ax, times)
    _label_quantities(ax, frame, beside=step * (len(groups) - 1) / 2)
    if len(groups) > 1:
        series_key(ax, groups)
    return ax


def _as_drawn(frame: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Sizes in order of time, with a group and a side; an open size is its bound."""
    frame = frame.assign(milling_time_min=frame[TIME].astype(float))
    if unit == _UNIT:
        frame = frame[frame["quantity"] != "span"]
    if "group" not in frame.columns:
        frame = frame.assign(group="all groups")
    if "side" not in frame.columns:
        frame = frame.assign(side="")
        for status, (side, bound) in _BOUNDS.items() if "status" in frame.columns else ():
            own = (frame["status"] == status) & np.isfinite(frame[bound])
            frame.loc[own, "side"] = side
            frame.loc[own, "value"] = frame.loc[own, bound]
    frame = frame.assign(side=frame["side"].fillna(""))
    return frame.sort_values(TIME, kind="stable")


def _series(ax: Axes, series: pd.DataFrame, x: pd.Series, own: Mark, unit: str, name: str) -> None:
    say = numerals(ax)
    closed = (series["side"] == "").to_numpy()
    y = series["value"].where(closed)
    if x.duplicated().any():
        line = np.exp(np.log(y).groupby(x).mean())
    else:
        line = pd.Series(y.to_numpy(), index=x)
    ax.plot(line.index, line, color=own.colour, linestyle=own.line, linewidth=1.0, label=name)
    for at, row in zip(x, rows(series), strict=True):
        if not np.isfinite(row.value):
            continue
        where = f"{name}, {say(row.milling_time_min)} min: "
        if row.side:
            (point,) = ax.plot(
                [at],
                [row.value],
                own.marker,
                color=own.colour,
                markerfacecolor="white",
                markersize=4,
            )
            arrow(ax, (at, row.value), row.side, colour=own.colour)
            hover(point, f"{where}{say.measured(row.value, np.nan, side=row.side)} {unit}")
            continue
        if np.isfinite(row.lower) and np.isfinite(row.upper):
            ax.vlines(at, row.lower, row.upper, color=own.colour, linewidth=1.5)
        (point,) = ax.plot([at], [row.value], own.marker, color=own.colour, markersize=4)
        u = (row.upper - row.lower) / 4
        hover(
            point,
            f"{where}{say.rounded(row.value, u)} {unit} ({say.interval(row.lower, row.upper)})",
        )


def _label_quantities(ax: Axes, frame: pd.DataFrame, *, beside: float) -> None:
    """The name of each quantity beside its last sizes, apart where bounds coincide."""
    known = frame[frame["value"] > 0]
    last = known[known[TIME] == known[TIME].max()]
    if last.empty:
        return
    heights = np.log(last["value"]).groupby(last["quantity"], sort=False).mean()
    heights = heights.sort_values(kind="stable")
    low, high = np.log(ax.get_ylim())
    spots = spread_apart(list(heights), _LABEL_GAP * (high - low))
    at = float(last[TIME].iloc[0]) + beside
    for quantity, spot in zip(heights.index, spots, strict=True):
        label = label_at(ax, str(quantity), (at, float(np.exp(spot))), shift=(8, 0))
        label.set_fontweight("bold")


_COLUMNS_undersize = ("run", TIME, "aperture_um", "undersize", "lower", "upper")
_LABEL_LEVELS = (0.72, 0.28)  # from the shortest time to the longest: apart in both directions
_MOST_POINTS = 600  # above, points carry no hover text of their own


def cumulative_undersize(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw cumulative undersize curves with their uncertainty bands.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, aperture_um, undersize, lower, upper; the last three are
        fractions of one.  The pan (aperture 0) is left out.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: per run one line (its label is the run) and one band.

    Notes
    -----
    Lines between sieves are straight in ln x, as the semilog rule interpolates; the curve ends at
    the finest and the coarsest sieve.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.uncertainty import undersize_bands
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> cumulative_undersize(undersize_bands(study), new_axes()).get_ylabel()
    'cumulative undersize / % by mass'
    """
    frame = need(frame, _COLUMNS_undersize, "cumulative undersize")
    frame = frame[frame["aperture_um"] > 0].sort_values("aperture_um", kind="stable")
    times = sorted({float(time) for time in frame[TIME]})
    colours = dict(zip(times, time_colours(len(times)), strict=True))
    runs = list(frame.groupby("run", sort=False))
    thin = len(runs) > len(times)
    for run, curve in runs:
        colour = colours[float(curve[TIME].iloc[0])]
        x, y = curve["aperture_um"].to_numpy(), 100 * curve["undersize"].to_numpy()
        ax.fill_between(
            x, 100 * curve["lower"], 100 * curve["upper"], color=colour, alpha=0.16, linewidth=0
        )
        ax.plot(x, y, color=colour, linewidth=0.9 if thin else 1.6, label=str(run))
        if len(frame) <= _MOST_POINTS:
            _points(ax, curve, colour)
    sieve_axis(ax, frame["aperture_um"])
    ax.set_ylim(-2, 102)
    ax.set_yticks(range(0, 101, 20))
    ax.set_ylabel("cumulative undersize / % by mass")
    _label_times(ax, frame, times, colours)
    return ax


def _points(ax: Axes, curve: pd.DataFrame, colour: str) -> None:
    say = numerals(ax)
    for row in rows(curve):
        (point,) = ax.plot(
            [row.aperture_um], [100 * row.undersize], marker="o", markersize=2.6, color=colour
        )
        finer, low, high = (say.fixed(100 * x, 1) for x in (row.undersize, row.lower, row.upper))
        hover(
            point,
            f"{row.run}, {say(row.milling_time_min)} min: {finer} % below "
            f"{say(row.aperture_um)} µm ({low} to {high} %)",
        )


def _label_times(
    ax: Axes, frame: pd.DataFrame, times: list[float], colours: dict[float, str]
) -> None:
    say = numerals(ax)
    levels = np.linspace(*_LABEL_LEVELS, len(times)) if len(times) > 1 else [0.5]
    for time, level in zip(times, levels, strict=True):
        own = frame[frame[TIME] == time]
        curve = own.groupby("aperture_um")["undersize"].median()
        share = curve.to_numpy()
        level = float(np.clip(level, share[0], share[-1]))
        x = float(np.exp(np.interp(level, share, np.log(curve.index.to_numpy(dtype=float)))))
        label = label_at(ax, f"{say(time)} min", (x, 100 * level), colour=INK, align="center")
        label.set_bbox(
            {"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": colours[time]}
        )


def draw_spread(frame: pd.DataFrame, ax: Axes, *, label: str = "D50 / µm") -> Axes:
    """Draw the density of the draws of each run, with their quartiles.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, value: one row a draw.
    ax : Axes
        Where to draw.
    label : str
        Label of the horizontal axis, with unit.

    Returns
    -------
    Axes
        The same Axes, size on a log axis, one density a run in the frame's order, coloured by
        milling time.

    Notes
    -----
    Densities are kernel estimates cut at the smallest and largest draw, each of the same width;
    compare places and shapes, not heights.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.simulate.trial_sizes import SizeSpread, simulate_ln_sizes
    >>> counts = {"groups": 1, "times": 1, "replicates": 1, "trials": 500}
    >>> sizes = 200 * np.exp(simulate_ln_sizes(SizeSpread(run=0.03), **counts, seed=1).ravel())
    >>> frame = pd.DataFrame({"run": "a", "milling_time_min": 12.0, "value": sizes})
    >>> draw_spread(frame, new_axes()).get_xlabel()
    'D50 / µm'
    """
    import seaborn as sns

    frame = need(frame, ("run", TIME, "value"), "draw spread")
    times = sorted({float(time) for time in frame[TIME]})
    colours = dict(zip(times, time_colours(len(times)), strict=True))
    runs = list(dict.fromkeys(frame["run"]))
    first = frame.drop_duplicates("run").set_index("run")[TIME]
    sns.violinplot(
        data=frame,
        x="value",
        y="run",
        hue="run",
        order=runs,
        hue_order=runs,
        palette={run: _pale(colours[float(first[run])]) for run in runs},
        saturation=1.0,
        density_norm="width",
        inner="quart",
        cut=0,
        linewidth=0.7,
        linecolor=INK,
        legend=False,
        log_scale=True,
        ax=ax,
    )
    log_ticks(
        ax, "x", around=(float(frame["value"].min()), float(frame["value"].max())), label=label
    )
    ax.set_yticks(range(len(runs)), [drawn(run) for run in runs])
    ax.set_ylabel("")
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    return ax


def _pale(colour: str) -> tuple[float, float, float]:
    """Half way to white, so that the lines of the quartiles show."""
    from matplotlib.colors import to_rgb

    red, green, blue = ((1 + channel) / 2 for channel in to_rgb(colour))
    return red, green, blue
