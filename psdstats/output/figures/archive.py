"""Sizes over dates: a control chart with the limits of each point, and trials start to end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.frozen import Array
from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import (
    drawn,
    hover_each,
    key_above,
    label_at,
    label_beside,
    need,
    spread_apart,
)
from psdstats.output.style import DASHED, FAINT, GREY, INK, RUST, mark, numerals
from psdstats.words import archive as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_MOST_NAMED = 4
_MOST_SERIES = 4
_MANY = 150  # points from which on marks are small
_MARGIN = 0.03  # of the dates, beside the first and the last
_FEW_DAYS = 10.0


def control_chart(frame: pd.DataFrame, ax: Axes, *, mean: float, label: str = "D50 / µm") -> Axes:
    """Draw points over dates, the limits of each, and their mean.

    Parameters
    ----------
    frame : DataFrame
        Columns path, date, size, lower, upper (limits of the point), is_outside, and optionally
        is_one_side: such points are filled.
    ax : Axes
        Where to draw.
    mean : float
        The middle line.
    label : str, default="D50 / µm"
        What the sizes are, with their unit.

    Returns
    -------
    Axes
        The same Axes, size on a log axis; points outside their limits ringed, the latest named.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.output.figures import new_axes
    >>> frame = pd.DataFrame({"path": "a", "date": ["2026-01-05", "2026-02-05"],
    ...     "size": [100.0, 108.0], "lower": 95.0, "upper": 105.0, "is_outside": [False, True]})
    >>> control_chart(frame, new_axes(), mean=100.0).get_ylabel()
    'D50 / µm'
    """
    columns = ("path", "date", "size", "lower", "upper", "is_outside")
    frame = need(frame, columns, "control chart").sort_values("date", kind="stable")
    say, days = numerals(ax), _days(frame)
    ends = [frame[name].to_numpy(float) for name in ("size", "lower", "upper")]
    log_ticks(ax, "y", around=(min(map(np.min, ends)), max(map(np.max, ends))), label=label)
    edges, low, high = _steps(days, ends[1], ends[2])
    ax.fill_between(edges, low, high, color=FAINT, linewidth=0, zorder=0)
    for limit in (low, high):
        ax.plot(edges, limit, color=GREY, linewidth=0.8, linestyle=DASHED)
    ax.axhline(mean, color=GREY, linewidth=0.9)
    label_beside(ax, words.mean_label(mean, say), mean, shift=4)
    outside = frame["is_outside"].to_numpy(bool)
    one_side = np.zeros(len(frame), dtype=bool)
    if "is_one_side" in frame.columns:
        one_side = frame["is_one_side"].to_numpy(bool)
    size = 6.0 if len(frame) > _MANY else 14.0
    faces = np.where(outside, RUST, np.where(one_side, INK, "white")).tolist()
    rims = np.where(outside, RUST, INK).tolist()
    points = ax.scatter(days, ends[0], s=size, c=faces, edgecolors=rims, linewidths=0.8, zorder=3)
    cells = zip(frame["path"], frame["date"], *ends, strict=True)
    hover_each(points, [words.hover_point(say, *cell) for cell in cells])
    _name_outside(ax, frame[outside].tail(_MOST_NAMED))
    _dates(ax, days)
    return ax


def _steps(days: Array, lower: Array, upper: Array) -> tuple[Array, Array, Array]:
    """Limits as steps that change halfway between two points."""
    middle = days[:-1] + (days[1:] - days[:-1]) / 2
    edges = np.concatenate([days[:1], np.repeat(middle, 2), days[-1:]])
    return edges, np.repeat(lower, 2), np.repeat(upper, 2)


def _name_outside(ax: Axes, found: pd.DataFrame) -> None:
    """Names of the latest points outside, none over another."""
    if found.empty:
        return
    days = _days(found)
    gap = 0.05 * float(np.log(ax.get_ylim()[1] / ax.get_ylim()[0]))
    spots = spread_apart([float(np.log(one)) for one in found["size"]], gap)
    for day, spot, path in zip(days, spots, found["path"], strict=True):
        name = drawn(str(path).rsplit("/", 1)[-1], most=22)
        label_at(ax, name, (day, float(np.exp(spot))), colour=RUST, shift=(-7, 0), align="right")


def _days(frame: pd.DataFrame) -> Array:
    """Dates as the axis counts them, in days."""
    from matplotlib.dates import date2num

    days = pd.to_datetime(frame["date"]).to_numpy()
    return np.asarray(date2num(days), dtype=np.float64)  # type: ignore[no-untyped-call]


def _dates(ax: Axes, days: Array) -> None:
    """Ticks at round dates."""
    from matplotlib import dates

    locator: Any = dates.AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(
        dates.ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
    )
    pad = _MARGIN * max(float(days[-1] - days[0]), _FEW_DAYS)
    ax.set_xlim(days[0] - pad, days[-1] + pad)
    ax.set_xlabel(words.DATE_AXIS)


def trials_over_dates(frame: pd.DataFrame, ax: Axes, *, label: str = "D50 / µm") -> Axes:
    """Draw what each trial began with and came to, over dates.

    Parameters
    ----------
    frame : DataFrame
        Columns path, date, material, start_size, end_size, and start_lower, start_upper, end_lower,
        end_upper: their intervals.
    ax : Axes
        Where to draw.
    label : str, default="D50 / µm"
        What the sizes are, with their unit.

    Returns
    -------
    Axes
        The same Axes, size on a log axis; up to four materials in colours of their own.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.output.figures import new_axes
    >>> names = [f"{at}_{end}" for at in ("start", "end") for end in ("size", "lower", "upper")]
    >>> trial = {"path": "a", "date": "2026-01-05", "material": "chalk"}
    >>> frame = pd.DataFrame([trial | dict.fromkeys(names, 100.0)])
    >>> trials_over_dates(frame, new_axes()).get_xlabel()
    'date'
    """
    ends = [f"{at}_{end}" for at in ("start", "end") for end in ("size", "lower", "upper")]
    frame = need(frame, ("path", "date", "material", *ends), "trials over dates")
    frame = frame.sort_values("date", kind="stable")
    found = frame[ends].to_numpy(float)
    seen = found[np.isfinite(found) & (found > 0)]
    log_ticks(ax, "y", around=(float(seen.min()), float(seen.max())), label=label)
    names = frame["material"].fillna("").value_counts(sort=True).index.tolist()
    names = names[:_MOST_SERIES] if len(names) <= _MOST_SERIES else names[: _MOST_SERIES - 1]
    for place, name in enumerate(names):
        _trials(
            ax, frame[frame["material"].fillna("") == name], place, drawn(name or words.UNNAMED)
        )
    others = frame[~frame["material"].fillna("").isin(names)]
    if len(others):
        _trials(ax, others, len(names), words.OTHERS)
    if len(frame["material"].unique()) > 1:
        key_above(ax)
    _dates(ax, _days(frame))
    return ax


def _trials(ax: Axes, own: pd.DataFrame, place: int, name: str) -> None:
    """Trials of one material: open marks at the start, filled at the end."""
    look, say, is_full = mark(place), numerals(ax), len(own) > _MANY
    days = _days(own)
    for at, face in (("start", "white"), ("end", look.colour)):
        value, low, high = (
            own[f"{at}_{end}"].to_numpy(float) for end in ("size", "lower", "upper")
        )
        low = np.where(low > 0, low, np.nan)
        alpha = 0.2 if is_full else 1.0
        ax.vlines(days, low, high, color=look.colour, linewidth=0.7, alpha=alpha)
        points = ax.scatter(
            days,
            value,
            s=6.0 if is_full else 14.0,
            marker=look.marker,
            facecolor=face,
            edgecolor=look.colour,
            linewidth=0.8,
            zorder=3,
            label=name if at == "end" else "_",
        )
        rows = zip(own["path"], value, strict=True)
        hover_each(points, [f"{path}: {say.significant(size)}" for path, size in rows])
