"""A bench plan as bars: what person, mill, shaker and sieves do, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from psdstats.output.figures.marks import hover, need, rows
from psdstats.output.style import GREY, INK, OCHRE, RUST, TEAL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["bench_bars", "bench_bars_height_mm"]

_COLUMNS = ("resource", "start_min", "end_min", "step", "charge", "attended")
_LANES = ("person", "mill", "shaker", "sieves")
_LOOKS = {  # colour and hatch, so that a grey print tells the kinds apart
    "milling": (INK, ""),
    "at the mill": (OCHRE, "////"),
    "shaking": (TEAL, ""),
    "at the sieves": ("#dfe3e9", ""),
    "weighing": (RUST, ""),
}
_KINDS = {"mill": "milling", "shake": "shaking", "weigh fractions": "weighing"}
_AT_SIEVES = ("load the stack", "clean the sieves")


def bench_bars_height_mm(days: int) -> float:
    """Height at which the lanes of the given number of days have room.

    Parameters
    ----------
    days : int
        Days drawn below each other.

    Returns
    -------
    float
        Height of the figure, mm.
    """
    return 18.0 + 42.0 * days


def bench_bars(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    start: tuple[int, int] = (0, 0),
    end_min: float | None = None,
    late_min: float | None = None,
) -> Axes:
    """Draw the steps of one day, one lane for each thing that is kept busy.

    Parameters
    ----------
    frame : DataFrame
        Columns resource, start_min, end_min (min after the beginning), step, charge, attended, and
        optionally sample_time_min.
    ax : Axes
        Where to draw.
    start : (int, int), default=(0, 0)
        Clock time of the beginning: hour and minute.
    end_min : float or None
        Where the time axis ends; the last step where it is not given.
    late_min : float or None
        By when the day has ended on 9 of 10 simulated days; a dashed line marks it.

    Returns
    -------
    Axes
        The same Axes, person on top; a key of the kinds of step.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import timeline
    >>> plan = timeline([0, 6, 12, 24])
    >>> bench_bars(plan.uses_frame(), new_axes(), start=(8, 30)).get_xlabel()
    'time of day'
    """
    frame = need(frame, _COLUMNS, "bench bars")
    lanes = [lane for lane in _LANES if lane in set(frame["resource"])]
    used: set[str] = set()
    for row in rows(frame):
        if row.end_min > row.start_min:
            _bar(row, ax, lanes.index(row.resource), start, used)
    last = float(frame["end_min"].max()) if end_min is None else end_min
    if late_min is not None:
        line = ax.axvline(late_min, color=GREY, linewidth=1.2, linestyle=(0, (4, 3)))
        hover(line, f"ended by {_clock(start, late_min)} on 9 of 10 simulated days")
        last = max(last, late_min)
    _clock_axis(ax, start, last)
    ax.set_yticks(range(len(lanes)), lanes)
    ax.set_ylim(len(lanes) - 0.5, -0.5)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", visible=False)
    ax.spines["left"].set_visible(False)
    handles, labels = ax.get_legend_handles_labels()
    order = [labels.index(kind) for kind in _LOOKS if kind in labels]
    ax.legend(
        [handles[i] for i in order],
        [labels[i] for i in order],
        loc="lower left",
        bbox_to_anchor=(0, 1.02),
        ncols=6,
        labelcolor=INK,
    )
    return ax


def _bar(row: Any, ax: Axes, lane: int, start: tuple[int, int], used: set[str]) -> None:
    """One step; its kind is named in the key the first time it is used."""
    kind = _kind(row.step)
    colour, hatch = _LOOKS[kind]
    (bar,) = ax.barh(
        [lane],
        [row.end_min - row.start_min],
        left=row.start_min,
        height=0.72,
        color=colour,
        hatch=hatch,
        edgecolor="white" if not hatch else INK,
        linewidth=0.5,
        label="_nolegend_" if kind in used else kind,
    )
    used.add(kind)
    hover(bar, _told(row, start))


def _kind(step: str) -> str:
    if step.startswith("weigh"):
        return "weighing"
    return _KINDS.get(step, "at the sieves" if step in _AT_SIEVES else "at the mill")


def _told(row: Any, start: tuple[int, int]) -> str:
    sample = getattr(row, "sample_time_min", float("nan"))
    which = "" if sample != sample else f", sample at {sample:g} min"
    hands = "hands on" if row.attended else "by itself"
    clock = f"{_clock(start, row.start_min)} to {_clock(start, row.end_min)}"
    return f"{clock} {row.step} ({row.charge}{which}), {hands}"


def _clock_axis(ax: Axes, start: tuple[int, int], last: float) -> None:
    """Ticks at round clock times, so many as have room."""
    step = next(
        s for s in (15, 30, 60, 120, 240, 480, 1440, 10_080) if last / s <= 9 or s == 10_080
    )
    begin = 60 * start[0] + start[1]
    first = -begin % step
    ticks = [float(first + step * k) for k in range(int((last - first) // step) + 1)]
    ax.set_xticks(ticks, [_clock(start, tick) for tick in ticks])
    ax.set_xlim(0, last * 1.01)
    ax.set_xlabel("time of day")


def _clock(start: tuple[int, int], minutes: float) -> str:
    whole = 60 * start[0] + start[1] + round(minutes)
    day, rest = divmod(whole, 1440)
    text = f"{rest // 60:02d}:{rest % 60:02d}"
    return text if day == 0 else f"{text} (+{day} d)"
