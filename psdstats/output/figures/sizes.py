"""D10, D50 and D90 against milling time, each with its interval.

Cumulative undersize against sieve aperture, one curve a run, coloured by milling time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.output.figures.axes import log_ticks, percent_axis, sieve_axis, time_axis
from psdstats.output.figures.marks import (
    arrow,
    colours_by_time,
    hover_each,
    interval,
    label_at,
    need,
    point,
    rows,
    series_key,
    spread_apart,
)
from psdstats.output.style import INK, Mark, mark, numerals

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_COLUMNS = (TIME, "quantity", "value", "lower", "upper")
_BOUNDS = {
    "below the finest sieve": ("<", "bound_upper"),
    "above the coarsest sieve": (">", "bound_lower"),
}
_UNIT = "µm"
_DOT_PT = 5.0
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
    looks = {group: mark(index) for index, group in enumerate(groups)}
    step = _DODGE * max(float(frame[TIME].max() - frame[TIME].min()), 1.0)
    middle = (len(groups) - 1) / 2
    frame = frame.assign(at=frame[TIME] + step * (frame["group"].map(groups.index) - middle))
    for (quantity, group), series in frame.groupby(["quantity", "group"], sort=False):
        _line(ax, series, looks[group], f"{quantity}, {group}")
    known = frame[np.isfinite(frame["value"])]
    _closed(ax, known[known["side"] == ""], looks, unit)
    _open(ax, known[known["side"] != ""], looks, unit)
    limits = frame[["value", "lower", "upper"]].to_numpy(dtype=float)
    limits = limits[np.isfinite(limits) & (limits > 0)]
    label = "size" if unit == _UNIT else "value"
    log_ticks(ax, "y", around=(limits.min(), limits.max()), label=f"{label} / {unit}")
    time_axis(ax, frame[TIME])
    _label_quantities(ax, frame, beside=step * middle)
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


def _line(ax: Axes, series: pd.DataFrame, look: Mark, name: str) -> None:
    """Through the closed values of one quantity and group; replicates at their geometric mean."""
    line = series.set_index("at")["value"].where((series["side"] == "").to_numpy())
    if line.index.has_duplicates:
        line = np.exp(np.log(line).groupby(level="at").mean())
    ax.plot(line.index, line, color=look.colour, linestyle=look.line, linewidth=1.0, label=name)


def _closed(ax: Axes, frame: pd.DataFrame, looks: Mapping[str, Mark], unit: str) -> None:
    """Values as dots with their intervals."""
    if frame.empty:
        return
    import seaborn as sns

    say, told = numerals(ax), []
    for row in rows(frame):
        limits, colour = (row.lower, row.upper), looks[row.group].colour
        interval(ax, row.at, limits, colour=colour, width=1.5)
        value = say.rounded(row.value, (row.upper - row.lower) / 4)
        told.append(f"{_where(row, say)}{value} {unit} ({say.interval(*limits)})")
    sns.scatterplot(
        data=frame,
        x="at",
        y="value",
        hue="group",
        style="group",
        palette={group: look.colour for group, look in looks.items()},
        markers={group: look.marker for group, look in looks.items()},
        s=_DOT_PT**2,
        linewidth=0,
        zorder=3,
        legend=False,
        ax=ax,
    )
    hover_each(ax.collections[-1], told)


def _open(ax: Axes, frame: pd.DataFrame, looks: Mapping[str, Mark], unit: str) -> None:
    """Bounds as empty dots, each with an arrow into the open side."""
    say = numerals(ax)
    for row in rows(frame):
        at, look = (row.at, row.value), looks[row.group]
        text = f"{_where(row, say)}{say.measured(row.value, np.nan, side=row.side)} {unit}"
        point(ax, at, look.marker, text, colour=look.colour, fill="white", size=4)
        arrow(ax, at, row.side, colour=look.colour)


def _where(row: Any, say: Numerals) -> str:
    return f"{row.quantity}, {row.group}, {say(row.milling_time_min)} min: "


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
    Straight lines only join the readings: what the curve does between two sieves is not drawn, and
    sizes are not read off them.  The curve ends at the finest and the coarsest sieve.

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
    colours = colours_by_time(frame)
    runs = list(frame.groupby("run", sort=False))
    thin = len(runs) > len(colours)
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
    percent_axis(ax, "cumulative undersize / % by mass")
    _label_times(ax, frame, colours)
    return ax


def _points(ax: Axes, curve: pd.DataFrame, colour: str) -> None:
    say = numerals(ax)
    for row in rows(curve):
        finer, low, high = (say.fixed(100 * x, 1) for x in (row.undersize, row.lower, row.upper))
        text = (
            f"{row.run}, {say(row.milling_time_min)} min: {finer} % below "
            f"{say(row.aperture_um)} µm ({low} to {high} %)"
        )
        point(ax, (row.aperture_um, 100 * row.undersize), "o", text, colour=colour, size=2.6)


def _label_times(ax: Axes, frame: pd.DataFrame, colours: Mapping[float, str]) -> None:
    say = numerals(ax)
    levels = np.linspace(*_LABEL_LEVELS, len(colours)) if len(colours) > 1 else [0.5]
    for (time, colour), level in zip(colours.items(), levels, strict=True):
        own = frame[frame[TIME] == time]
        curve = own.groupby("aperture_um")["undersize"].median()
        share = curve.to_numpy()
        level = float(np.clip(level, share[0], share[-1]))
        x = float(np.exp(np.interp(level, share, np.log(curve.index.to_numpy(dtype=float)))))
        label = label_at(ax, f"{say(time)} min", (x, 100 * level), colour=INK, align="center")
        label.set_bbox({"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": colour})
