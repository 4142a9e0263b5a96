"""A fitted size against milling time, with its band, the sizes it was fitted to, and a target.

Rate of first-order loss above each sieve against its aperture, both on log axes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.findings import Verdict
from psdstats.output.figures.axes import log_ticks, sieve_axis, time_axis
from psdstats.output.figures.marks import (
    arrow,
    hover,
    interval,
    label_at,
    need,
    point,
    rows,
    series_key,
)
from psdstats.output.style import DASHED, GREY, INK, RUST, Mark, mark, numerals

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes


def size_rate(
    curve: pd.DataFrame,
    points: pd.DataFrame,
    ax: Axes,
    *,
    quantity: str = "D50",
    target_um: float | None = None,
    reached_min: tuple[float, float, float] | None = None,
    measured_until_min: float | None = None,
) -> Axes:
    """Draw a fitted rate curve with its band over the measured sizes.

    Parameters
    ----------
    curve : DataFrame
        Columns milling_time_min, size_um, lower_um, upper_um, of one series (ball ratio).
    points : DataFrame
        Columns milling_time_min, size_um, and optionally lower_um, upper_um and run.
    ax : Axes
        Where to draw.
    quantity : str, default="D50"
        What the sizes are.
    target_um : float or None
        Wanted size, µm; a line marks it.
    reached_min : tuple of float or None
        Time at which the curve reaches the target, and its limits, min; an infinite limit is
        drawn as an arrow.
    measured_until_min : float or None
        Last time measured; the curve is dashed beyond it.

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
    curve = need(curve, (TIME, "size_um", "lower_um", "upper_um"), "size rate")
    points = need(points, (TIME, "size_um"), "size rate")
    curve = curve.sort_values(TIME, kind="stable")
    x = curve[TIME].to_numpy(dtype=float)
    ax.fill_between(x, curve["lower_um"], curve["upper_um"], color=INK, alpha=0.12, linewidth=0)
    last = float(x.max()) if measured_until_min is None else measured_until_min
    inside, beyond = curve[x <= last], curve[x >= last]
    ax.plot(inside[TIME], inside["size_um"], color=INK, label=f"fitted {quantity}")
    if len(beyond) > 1:
        ax.plot(
            beyond[TIME], beyond["size_um"], color=INK, linestyle=DASHED,
            label=f"{quantity} beyond the times measured",
        )  # fmt: skip
    _points(ax, points, quantity)
    columns = ["size_um", *({"lower_um", "upper_um"} & set(points.columns))]
    values = [points[name].to_numpy(dtype=float) for name in sorted(columns)]
    values += [curve[name].to_numpy(dtype=float) for name in ("size_um", "lower_um", "upper_um")]
    seen = np.concatenate([*values, [] if target_um is None else [target_um]])
    seen = seen[np.isfinite(seen) & (seen > 0)]
    log_ticks(ax, "y", around=(float(seen.min()), float(seen.max())), label=f"{quantity} / µm")
    time_axis(ax, points[TIME])
    ax.set_xlim(right=max(ax.get_xlim()[1], float(x.max())))
    if target_um is not None:
        _target(ax, target_um, reached_min)
    return ax


def _points(ax: Axes, points: pd.DataFrame, quantity: str) -> None:
    say = numerals(ax)
    for row in rows(points):
        name = f"{row.run}, " if "run" in points.columns else ""
        time, limits = row.milling_time_min, _limits(row)
        text = f"{name}{say(time)} min: {quantity} {say.significant(row.size_um)} µm"
        if interval(ax, time, limits, colour=INK, width=1.2):
            text += f" ({say.interval(*limits)})"
        point(ax, (time, row.size_um), "o", text, colour=INK, fill="white")


def _limits(row: Any) -> tuple[float, float]:
    return getattr(row, "lower_um", np.nan), getattr(row, "upper_um", np.nan)


def _target(ax: Axes, target_um: float, reached: tuple[float, float, float] | None) -> None:
    say = numerals(ax)
    line = ax.axhline(target_um, color=GREY, linewidth=1.0, linestyle=DASHED)
    hover(line, f"target {say(target_um)} µm")
    left = ax.get_xlim()[0]
    label_at(ax, f"target {say(target_um)} µm", (left, target_um), colour=GREY, shift=(4, -7))
    if reached is None:
        return
    time, low, high = reached
    ends = ax.get_xlim()
    inside = ends[1] - 0.05 * (ends[1] - ends[0])  # leaves room for an arrow
    start = min(max(low, ends[0]), inside)
    stop = high if high <= ends[1] else inside
    ax.hlines(target_um, start, stop, color=RUST, linewidth=3.0)
    if high > ends[1]:
        arrow(ax, (stop, target_um), ">", colour=RUST, down=False)
    if np.isfinite(time):
        at = (min(time, inside), target_um)
        label_at(ax, f"{say.significant(time, 3)} min", at, shift=(0, 9), align="center")
        text = f"target reached at {say.significant(time, 3)} min ({say.interval(low, high)})"
        point(ax, (time, target_um), "D", text, colour=RUST)


_COLUMNS = ("series", "aperture_um", "rate_per_min", "lower_per_min", "upper_per_min", "verdict")
_DODGE = 0.012  # of ln aperture, between series


def loss_against_size(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    powers: Mapping[str, tuple[float, float, float]] | None = None,
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
