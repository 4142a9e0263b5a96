"""A fitted size against milling time, with its band, the sizes it was fitted to, and a target.

Rate of first-order loss above each sieve against its aperture, both on log axes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.findings import Verdict
from psdstats.output.figures.axes import log_ticks, plain_ticks, sieve_axis, time_axis
from psdstats.output.figures.marks import (
    arrow,
    drawn,
    hover,
    hover_each,
    label_at,
    need,
    point,
    room_for,
    rows,
    series_key,
    spread_apart,
)
from psdstats.output.style import DASHED, GREY, Mark, mark, numerals, readable
from psdstats.rate.answers import OpenInterval
from psdstats.words import rate as rate_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes


_ROOM_BELOW, _ROW, _LABEL_GAP = 0.11, 0.075, 0.075  # of the vertical axis
_TIME_STEPS = (1, 2, 5, 6, 10, 12, 15, 20, 30, 60, 120, 240, 480, 960, 1920, 3840, 7680, 15360)
_MOST_BEYOND = 4  # ticks beyond the times sampled


def size_rate(
    curve: pd.DataFrame,
    points: pd.DataFrame,
    ax: Axes,
    *,
    quantity: str = "D50",
    target_um: float | None = None,
    reached_min: Mapping[str, tuple[float, float, float]] | None = None,
    measured_until_min: float | None = None,
) -> Axes:
    """Draw fitted rate curves with their bands over the sizes of the runs, all levels in one.

    Parameters
    ----------
    curve : DataFrame
        Columns series (level of a further factor, empty for none), milling_time_min, size_um,
        lower_um, upper_um.
    points : DataFrame
        Columns series, milling_time_min, size_um, and optionally run.
    ax : Axes
        Where to draw.
    quantity : str, default="D50"
        What the sizes are.
    target_um : float or None
        Wanted size, µm; a line marks it.
    reached_min : mapping of str to tuple of float, optional
        By series the time at which the curve reaches the target, and its limits, min; an infinite
        limit is drawn as an arrow.
    measured_until_min : float or None
        Last time measured; curves are dashed beyond it.

    Returns
    -------
    Axes
        The same Axes, size on a log axis.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> result = psdstats.rate.fit_rate(study, target_um=120)
    >>> curve, points = result.curve_frame(), result.points_frame()
    >>> size_rate(curve, points, new_axes(), target_um=120).get_ylabel()
    'D50 / µm'
    """
    curve = need(curve, ("series", TIME, "size_um", "lower_um", "upper_um"), "size rate")
    points = need(points, ("series", TIME, "size_um"), "size rate")
    last = float(points[TIME].max()) if measured_until_min is None else measured_until_min
    names, reached = list(dict.fromkeys(curve["series"])), dict(reached_min or {})
    columns = [curve[one] for one in ("size_um", "lower_um", "upper_um")]
    seen = np.concatenate([*columns, points["size_um"], [] if target_um is None else [target_um]])
    seen = seen[np.isfinite(seen) & (seen > 0)]
    low, high = float(seen.min()), float(seen.max())
    low *= (low / high) ** (_ROOM_BELOW * len(reached))
    log_ticks(ax, "y", around=(low, high), label=f"{quantity} / µm")
    _times(ax, points[TIME], float(curve[TIME].max()))
    for index, name in enumerate(names):
        own = curve[curve["series"] == name].sort_values(TIME, kind="stable")
        _curve(ax, own, mark(index), last)
        _runs(ax, points[points["series"] == name], mark(index), quantity)
    if len(names) > 1:
        _name_curves(ax, curve, names)
    if target_um is not None:
        _target(ax, target_um)
        for index, name in enumerate(names):
            if name in reached:
                _reached(ax, target_um, name, reached[name], index)
    return ax


def _times(ax: Axes, times_min: pd.Series, until_min: float) -> None:
    """Ticks at the times sampled, and at round times beyond them."""
    times = sorted(set(times_min.astype(float)))
    reach = max(until_min - times[0], 1.0)
    step = next(one for one in _TIME_STEPS if (until_min - times[-1]) / one <= _MOST_BEYOND)
    further = [step * k for k in range(1, 1 + int(until_min // step))]
    further = [one for one in further if one > times[-1] + 0.06 * reach]
    time_axis(ax, times)
    plain_ticks(ax, "x", [*times, *further])
    ax.set_xlim(times[0] - 0.03 * reach, times[0] + 1.03 * reach)


def _curve(ax: Axes, own: pd.DataFrame, look: Mark, last: float) -> None:
    x = own[TIME].to_numpy(dtype=float)
    ax.fill_between(x, own["lower_um"], own["upper_um"], color=look.colour, alpha=0.13, linewidth=0)
    for part, line in ((own[x <= last], "-"), (own[x >= last], DASHED)):
        if len(part) > 1:
            ax.plot(part[TIME], part["size_um"], color=look.colour, linestyle=line)


def _runs(ax: Axes, points: pd.DataFrame, look: Mark, quantity: str) -> None:
    say = numerals(ax)
    dots = ax.scatter(
        points[TIME], points["size_um"], s=11, marker=look.marker, facecolors="white",
        edgecolors=look.colour, linewidths=0.9, zorder=3,
    )  # fmt: skip
    hover_each(
        dots,
        (
            f"{row.run + ', ' if 'run' in points.columns else ''}{say(row.milling_time_min)} min: "
            f"{quantity} {say.significant(row.size_um)} µm"
            for row in rows(points)
        ),
    )


def _name_curves(ax: Axes, curve: pd.DataFrame, names: Sequence[str]) -> None:
    """The level of each curve at its end, in the right margin."""
    ends = [curve[curve["series"] == name].sort_values(TIME).iloc[-1] for name in names]
    low, high = np.log(ax.get_ylim())
    places = [float(np.log(end["size_um"]) - low) / (high - low) for end in ends]
    right = ax.get_xlim()[1]
    for index, spot in enumerate(spread_apart(places, _LABEL_GAP)):
        at = (right, float(np.exp(low + spot * (high - low))))
        label_at(ax, drawn(names[index]), at, colour=readable(mark(index).colour), shift=(4, 0))


def _target(ax: Axes, target_um: float) -> None:
    say = numerals(ax)
    line = ax.axhline(target_um, color=GREY, linewidth=1.0, linestyle=DASHED)
    hover(line, f"target {say(target_um)} µm")
    left = ax.get_xlim()[0]
    label_at(ax, f"target {say(target_um)} µm", (left, target_um), colour=GREY, shift=(4, 7))


def _reached(
    ax: Axes, target_um: float, name: str, found: tuple[float, float, float], index: int
) -> None:
    """Interval of the time to the target, below its line, each series in a row of its own."""
    say, look = numerals(ax), mark(index)
    time, low, high = found
    ends, log_ends = ax.get_xlim(), np.log(ax.get_ylim())
    at = float(target_um * np.exp(-_ROW * (index + 1) * np.ptp(log_ends)))
    start, stop = min(max(low, ends[0]), ends[1]), min(high, ends[1])
    ax.hlines(at, start, stop, color=look.colour, linewidth=2.6)
    told = rate_words.time_words(_open_interval(time, low, high), say, unit=" min")
    if high > ends[1]:
        ax.plot([ends[1]], [at], ">", color=look.colour, markersize=6, clip_on=False)
    if time <= ends[1]:
        text = f"{name + ': ' if name else ''}target after {told}"
        point(ax, (time, at), look.marker, text, colour=look.colour, size=5)
        ax.vlines(time, at, target_um, color=look.colour, linewidth=0.7)
    text = f"{drawn(name) + ': ' if name else ''}{told}"
    if len(text) > room_for(ax, 1) * (start - ends[0]) / (ends[1] - ends[0]):
        text = told  # the colour says whose
    label_at(ax, text, (start, at), colour=readable(look.colour), shift=(-6, 0), align="right")


def _open_interval(time: float, low: float, high: float) -> OpenInterval:
    value = None if np.isnan(time) else time
    is_open = bool(np.isinf(high))
    return OpenInterval(value=value, lower=low, upper=high, upper_open=is_open, df=np.inf, level=0)


_COLUMNS = ("series", "aperture_um", "rate_per_min", "lower_per_min", "upper_per_min", "verdict")
_DODGE = 0.012  # of ln aperture, between series


def loss_against_size(
    frame: pd.DataFrame, ax: Axes, *, powers: Mapping[str, tuple[float, float, float]] | None = None
) -> Axes:
    """Draw rates of loss with their intervals, and the fitted power of size.

    Parameters
    ----------
    frame : DataFrame
        Columns series, aperture_um, rate_per_min, lower_per_min, upper_per_min, verdict; rates
        that are not above zero are left out, a lower limit that is not is drawn as an arrow.
    ax : Axes
        Where to draw.
    powers : mapping of str to (float, float, float), optional
        By series: exponent, reference aperture in µm, rate there in 1/min; drawn as a line.

    Returns
    -------
    Axes
        The same Axes; empty marks where the rate changed with time.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.rate.first_order import loss_rates
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> loss_against_size(loss_rates(study).frame, new_axes()).get_xscale()
    'log'
    """
    frame = need(frame, _COLUMNS, "loss against size")
    frame = need(frame[frame["rate_per_min"] > 0], _COLUMNS, "loss against size")
    names = list(dict.fromkeys(frame["series"]))
    sieve_axis(ax, frame["aperture_um"])
    seen = frame[["rate_per_min", "lower_per_min", "upper_per_min"]].to_numpy(dtype=float)
    floor = float(frame["rate_per_min"].min()) / 2
    around = (max(float(seen[seen > 0].min()), floor), float(seen.max()))
    log_ticks(ax, "y", around=around, label="rate of loss / (1/min)")
    span = np.log(frame["aperture_um"].max() / frame["aperture_um"].min())
    for index, name in enumerate(names):
        own = frame[frame["series"] == name]
        shift = float(np.exp(_DODGE * span * (index - (len(names) - 1) / 2)))
        _series(ax, own, mark(index), shift)
        if powers and name in powers:
            exponent, middle_um, rate = powers[name]
            x = own["aperture_um"].to_numpy(dtype=float)
            ends = np.array([x.min(), x.max()])
            line = rate * (ends / middle_um) ** exponent
            ax.plot(ends, line, color=mark(index).colour, linestyle=mark(index).line, linewidth=1.0)
    if len(names) > 1:
        series_key(ax, [str(name) for name in names])
    return ax


def _series(ax: Axes, own: pd.DataFrame, look: Mark, shift: float) -> None:
    say = numerals(ax)
    bottom = ax.get_ylim()[0]
    for row in rows(own):
        at = row.aperture_um * shift
        open_below = not row.lower_per_min > bottom
        start = row.rate_per_min if open_below else row.lower_per_min
        ax.vlines(at, start, row.upper_per_min, color=look.colour, linewidth=1.2)
        if open_below:
            arrow(ax, (at, row.rate_per_min), "<", colour=look.colour)
        fill = "white" if row.verdict == Verdict.CHANGED else look.colour
        limits = say.interval(row.lower_per_min, row.upper_per_min)
        text = (
            f"{row.series + ', ' if row.series else ''}above {say(row.aperture_um)} µm: "
            f"{say.significant(row.rate_per_min, 3)} per min ({limits}), "
            f"change: {row.verdict}"
        )
        spot = (at, row.rate_per_min)
        point(ax, spot, look.marker, text, colour=look.colour, fill=fill, size=4.5)
