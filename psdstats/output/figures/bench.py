"""A jar in cross-section at rest: the bed of balls to its level, and each ball size to scale.

A bench plan as bars: what person, mill, shaker and sieves do, and when.

The tare of each sieve from weighing to weighing: residue left, or a mesh damaged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.errors import OutputError
from psdstats.output.figures.axes import name_rows
from psdstats.output.figures.marks import (
    drawn,
    hover,
    key_above,
    label_at,
    need,
    point,
    rows,
    spread_apart,
)
from psdstats.output.style import (
    DASHED,
    FAINT,
    GREY,
    INK,
    OCHRE,
    RUST,
    TEAL,
    mark,
    numerals,
    readable,
)
from psdstats.words import remarks as words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_MOST_DRAWN = 3  # balls of each size
_BED = "#dfe3e9"


def bed_height_share(fill: float) -> float:
    """Height of a level bed over the diameter of a lying jar.

    Notes
    -----
    The segment of half angle φ fills ``(φ − sin φ cos φ)/π`` of a circle and is
    ``(1 − cos φ)/2`` of its diameter high; solved by bisection.

    Examples
    --------
    >>> round(bed_height_share(0.5), 6), round(bed_height_share(0.35), 3)
    (0.5, 0.381)
    """
    if not 0 <= fill <= 1:
        raise OutputError(f"a jar cannot be filled to {fill:g} of its volume; give 0 to 1.")
    low, high = 0.0, np.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        if (middle - np.sin(middle) * np.cos(middle)) / np.pi < fill:
            low = middle
        else:
            high = middle
    return float((1 - np.cos(high)) / 2)


def jar_section(
    ax: Axes,
    *,
    jar_mm: float,
    fill: float,
    balls: Sequence[tuple[float, int]],
    speed: str,
) -> Axes:
    """Draw the jar to scale.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    jar_mm : float
        Inner diameter, mm.
    fill : float
        Share of the jar taken by the bed of balls, voids included.
    balls : sequence of (float, int)
        Diameter in mm and number of each ball size.
    speed : str
        What is written beside the arrow of rotation.

    Returns
    -------
    Axes
        The same Axes, in mm, without frame.

    Raises
    ------
    OutputError
        If the diameter is not above zero, or as `bed_height_share`.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> balls = [(20.0, 57)]
    >>> ax = jar_section(new_axes(), jar_mm=100, fill=0.4, balls=balls, speed="90 rpm")
    >>> len(ax.patches)
    6
    """
    say = numerals(ax)
    from matplotlib.patches import Circle

    if not jar_mm > 0:
        raise OutputError(f"a jar of {jar_mm:g} mm cannot be drawn; give a diameter above zero.")
    radius = jar_mm / 2
    jar = Circle((0, 0), radius, facecolor="white", edgecolor=INK, linewidth=1.6)
    level = jar_mm * bed_height_share(fill) - radius
    half = float(np.arccos(np.clip(-level / radius, -1, 1)))
    angle = np.linspace(-np.pi / 2 - half, -np.pi / 2 + half, 90)
    ax.add_patch(jar)
    (bed,) = ax.fill(
        radius * np.cos(angle),
        radius * np.sin(angle),
        facecolor=_BED,
        edgecolor=GREY,
        linewidth=0.8,
    )
    hover(bed, f"bed of balls with voids: {100 * fill:.0f} % of the jar")
    _rotation(ax, radius, speed)
    _ball_key(ax, radius, balls)
    ax.text(0, level + 0.06 * radius, f"bed at rest, {100 * fill:.0f} % of the jar", ha="center")
    ax.text(0, -1.12 * radius, f"inner diameter {say(jar_mm)} mm", ha="center", va="top")
    ax.set_aspect("equal")
    ax.set_xlim(-1.3 * radius, 3.4 * radius)
    ax.set_ylim(-1.35 * radius, 1.35 * radius)
    ax.set_axis_off()
    return ax


def _rotation(ax: Axes, radius: float, speed: str) -> None:
    from matplotlib.patches import FancyArrowPatch

    angle = np.deg2rad([150, 105])
    x, y = 1.1 * radius * np.cos(angle), 1.1 * radius * np.sin(angle)
    ax.add_patch(
        FancyArrowPatch(
            (x[0], y[0]),
            (x[1], y[1]),
            connectionstyle="arc3,rad=-0.18",
            arrowstyle="-|>",
            mutation_scale=11,
            color=INK,
        )
    )
    ax.text(0.05 * radius, 1.12 * radius, speed, va="bottom")


def _ball_key(ax: Axes, radius: float, balls: Sequence[tuple[float, int]]) -> None:
    """Each ball size drawn to the scale of the jar, with its number."""
    say = numerals(ax)
    from matplotlib.patches import Circle

    ordered = sorted(balls, reverse=True)
    tops = np.linspace(0.62, -0.62, len(ordered)) * radius if len(ordered) > 1 else [0.0]
    widest = max(diameter for diameter, _ in ordered)
    for index, ((diameter, count), y) in enumerate(zip(ordered, tops, strict=True)):
        drawn = min(count, _MOST_DRAWN)
        for k in range(drawn):
            x = 1.35 * radius + (k + 0.5) * diameter
            ball = Circle(
                (x, y), diameter / 2, facecolor=mark(index).colour, edgecolor="white", linewidth=0.6
            )
            ax.add_patch(ball)
            hover(ball, f"{count} balls of {say(diameter)} mm")
        text = f"{count} × {say(diameter)} mm"
        ax.text(1.35 * radius + _MOST_DRAWN * widest + 0.1 * radius, y, text, va="center")


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
    """Height at which the lanes of the given number of days have room."""
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
    >>> from psdstats.planning.bench import timeline
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
        line = ax.axvline(late_min, color=GREY, linewidth=1.2, linestyle=DASHED)
        hover(line, words.late_day(_clock(start, late_min)))
        last = max(last, late_min)
    _clock_axis(ax, start, last)
    name_rows(ax, lanes)
    handles, labels = ax.get_legend_handles_labels()
    key_above(ax, [handles[labels.index(kind)] for kind in _LOOKS if kind in labels], columns=6)
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
    hover(bar, _told(row, start, numerals(ax)))


def _kind(step: str) -> str:
    if step.startswith("weigh"):
        return "weighing"
    return _KINDS.get(step, "at the sieves" if step in _AT_SIEVES else "at the mill")


def _told(row: Any, start: tuple[int, int], say: Numerals) -> str:
    sample = getattr(row, "sample_time_min", float("nan"))
    which = "" if sample != sample else f", sample at {say(sample)} min"
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


_COLUMNS_tares = ("sieve", "run_number", "tare_g")
_MOST_TICKS = 12
_LABEL_GAP = 0.055  # of the vertical axis


def tare_course(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw how far the tare of each sieve has moved from its first weighing, or from a reference.

    Parameters
    ----------
    frame : DataFrame
        Columns sieve, run_number (order of the weighings), tare_g, and optionally run,
        reference_g (the tare expected, such as the median), limit_g (what weighing explains; its
        median is shaded) and is_outside (bool): such readings are ringed.  One group of sieves,
        as `psdstats.study.tare_history` gives it.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: one line a sieve, labelled with its name, in mg against weighing order.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.study import tares as weighings
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> tare_course(weighings.tare_history(study), new_axes()).get_ylabel()
    'tare minus median tare / mg'
    """
    frame = need(frame, _COLUMNS_tares, "tare history").sort_values("run_number", kind="stable")
    frame = frame.assign(order=frame["run_number"].rank(method="dense").astype(int))
    reference = "median" if "reference_g" in frame.columns else "first"
    first = frame.groupby("sieve", sort=False)["tare_g"].transform("first")
    start = frame["reference_g"] if reference == "median" else first
    frame = frame.assign(moved_mg=1000 * (frame["tare_g"] - start))
    if "limit_g" in frame.columns:
        limit_mg = 1000 * float(frame["limit_g"].median())
        ax.axhspan(-limit_mg, limit_mg, color=FAINT, linewidth=0, zorder=0)
    ax.axhline(0, color=GREY, linewidth=0.9)
    sieves = list(dict.fromkeys(frame["sieve"]))
    for index, sieve in enumerate(sieves):
        own = frame[frame["sieve"] == sieve]
        _line(ax, own, index, reference)
    last = [frame.loc[frame["sieve"] == sieve, ["order", "moved_mg"]].iloc[-1] for sieve in sieves]
    low, high = ax.get_ylim()
    spots = spread_apart([float(row["moved_mg"]) for row in last], _LABEL_GAP * (high - low))
    lift = max(low - min(spots), 0.0)
    right = float(frame["order"].max())
    for index, (sieve, spot) in enumerate(zip(sieves, spots, strict=True)):
        at, colour = (right, spot + lift), readable(mark(index).colour)
        label_at(ax, drawn(sieve), at, colour=colour, shift=(9, 0))
    ax.set_xlim(float(frame["order"].min()) - 0.3, right + 0.3)
    steps = range(int(frame["order"].min()), int(right) + 1)
    ax.set_xticks(steps[:: -(-len(steps) // _MOST_TICKS)])
    ax.set_xlabel(words.WEIGHING_ORDER)
    ax.set_ylabel(f"tare minus {reference} tare / mg")
    return ax


def _line(ax: Axes, own: pd.DataFrame, index: int, reference: str) -> None:
    say = numerals(ax)
    look = mark(index)
    (line,) = ax.plot(own["order"], own["moved_mg"], color=look.colour, linewidth=1.1)
    line.set(linestyle=look.line, label=str(own["sieve"].iloc[0]))
    for row in rows(own):
        where = f", run {row.run}" if "run" in own.columns else ""
        moved = f"{say.fixed(row.moved_mg, 1)} mg from its {reference} tare"
        text = f"sieve {row.sieve}{where}: {moved}"
        at = (row.order, row.moved_mg)
        point(ax, at, look.marker, text, colour=look.colour, size=3.5)
    if "is_outside" in own.columns:
        rung = own[own["is_outside"].to_numpy(dtype=bool)]
        if len(rung):
            (rings,) = ax.plot(rung["order"], rung["moved_mg"], "o", color=look.colour)
            rings.set(markerfacecolor="none", markersize=10)
