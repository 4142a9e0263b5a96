"""D10, D50 and D90 against milling time, each with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.figures.axes import log_ticks, time_axis
from psdstats.output.figures.marks import (
    arrow,
    hover,
    label_at,
    need,
    rows,
    series_key,
    spread_apart,
)
from psdstats.output.numbers import interval, measured
from psdstats.output.style import Mark, mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["size_against_time"]

_COLUMNS = ("milling_time_min", "quantity", "value", "lower", "upper")
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
    times = frame["milling_time_min"]
    step = _DODGE * max(float(times.max() - times.min()), 1.0)
    for (quantity, group), series in frame.groupby(["quantity", "group"], sort=False):
        index = groups.index(group)
        shifted = series["milling_time_min"] + step * (index - (len(groups) - 1) / 2)
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
    frame = frame.assign(milling_time_min=frame["milling_time_min"].astype(float))
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
    return frame.sort_values("milling_time_min", kind="stable")


def _series(ax: Axes, series: pd.DataFrame, x: pd.Series, own: Mark, unit: str, name: str) -> None:
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
        where = f"{name}, {row.milling_time_min:g} min: "
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
            hover(point, f"{where}{measured(row.value, np.nan, side=row.side)} {unit}")
            continue
        if np.isfinite(row.lower) and np.isfinite(row.upper):
            ax.vlines(at, row.lower, row.upper, color=own.colour, linewidth=1.5)
        (point,) = ax.plot([at], [row.value], own.marker, color=own.colour, markersize=4)
        u = (row.upper - row.lower) / 4
        value = measured(row.value, u).split(" ± ")[0]
        hover(point, f"{where}{value} {unit} ({interval(row.lower, row.upper)})")


def _label_quantities(ax: Axes, frame: pd.DataFrame, *, beside: float) -> None:
    """The name of each quantity beside its last sizes, apart where bounds coincide."""
    known = frame[frame["value"] > 0]
    last = known[known["milling_time_min"] == known["milling_time_min"].max()]
    if last.empty:
        return
    heights = np.log(last["value"]).groupby(last["quantity"], sort=False).mean()
    heights = heights.sort_values(kind="stable")
    low, high = np.log(ax.get_ylim())
    spots = spread_apart(list(heights), _LABEL_GAP * (high - low))
    at = float(last["milling_time_min"].iloc[0]) + beside
    for quantity, spot in zip(heights.index, spots, strict=True):
        label = label_at(ax, str(quantity), (at, float(np.exp(spot))), shift=(8, 0))
        label.set_fontweight("bold")
