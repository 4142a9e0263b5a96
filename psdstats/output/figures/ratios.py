"""Effects as ratios of sizes with simultaneous intervals, one row a contrast."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import hover, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.numbers import change, ratio
from psdstats.output.style import FAINT, GREY, INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["effect_ratios", "ratios_height_mm"]

_COLUMNS = ("contrast", "ratio", "ratio_lower", "ratio_upper", "verdict")
_MARKERS = {
    "changed": ("o", INK),
    "equivalent": ("s", INK),
    "not shown": ("o", "white"),
    "differs": ("o", INK),
    "agrees within the margin": ("s", INK),
    "no difference shown": ("o", "white"),
}
_BOLD = ("changed", "differs")
_LONGEST = 40  # signs of a contrast
_AGAINST = " vs "
_UNKNOWN = ("D", "white")


def ratios_height_mm(rows: int) -> float:
    """Height at which the given number of contrasts has room.

    Parameters
    ----------
    rows : int
        Number of contrasts.

    Returns
    -------
    float
        Height of the figure, mm.
    """
    return 28.0 + 7.0 * rows


def effect_ratios(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    margin: float | None = None,
    label: str = "ratio of sizes",
) -> Axes:
    """Draw ratios with their intervals on a log axis, with a line at 1.

    Parameters
    ----------
    frame : DataFrame
        Columns contrast (or group), ratio, ratio_lower, ratio_upper, verdict, and optionally
        quantity: rows of one quantity stand together under its name.  A row whose ratio is missing
        (it cannot be told) keeps its place and its verdict.
    ax : Axes
        Where to draw.
    margin : float or None
        Equivalence margin as a ratio > 1; the band from 1/margin to margin is shaded.
    label : str
        Label of the horizontal axis.

    Returns
    -------
    Axes
        The same Axes: the first contrast on top, filled marks where a change was shown.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> result = psdstats.compare(study, by="milling_time_min", quantities=["D50"])
    >>> effect_ratios(result.to_frame("against first"), new_axes()).get_xlabel()
    'ratio of sizes'
    """
    if "contrast" not in frame.columns:
        frame = frame.rename(columns={"group": "contrast"})
    frame = need(frame, _COLUMNS, "effect ratios").reset_index(drop=True)
    limits = frame[["ratio", "ratio_lower", "ratio_upper"]].to_numpy(dtype=float)
    limits = limits[np.isfinite(limits) & (limits > 0)]
    seen = [*limits, 1.0] if margin is None else [*limits, 1.0, margin, 1 / margin]
    around = (min(seen), max(seen))
    if around[0] == around[1]:
        around = (0.9, 1.1)
    log_ticks(ax, "x", around=around, label=label)
    if margin is not None:
        band = ax.axvspan(1 / margin, margin, color="#eef0f3", linewidth=0, zorder=0)
        hover(band, f"margin: within {change(1 / margin)} and {change(margin)}")
    ax.axvline(1.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        _row(ax, at, row)
    ax.set_yticks(range(len(frame)), _row_names(ax, frame))
    ax.set_ylim(len(frame) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", visible=False)
    ax.spines["left"].set_visible(False)
    return ax


def _row_names(ax: Axes, frame: pd.DataFrame) -> list[str]:
    """Contrasts; the first row of a quantity bears its name, a hairline parts it from the last."""
    names = [_contrast_name(str(name)) for name in frame["contrast"]]
    parts = list(frame["quantity"]) if "quantity" in frame.columns else []
    for at, part in enumerate(parts):
        if at and part != parts[at - 1]:
            ax.axhline(at - 0.5, color=FAINT, linewidth=0.8, zorder=0)
        if not at or part != parts[at - 1]:
            names[at] = f"{drawn(part)}   {names[at]}"
    return names


def _contrast_name(contrast: str) -> str:
    """The contrast with each of its two levels shortened for itself."""
    ends = contrast.split(_AGAINST)
    return _AGAINST.join(drawn(end, most=_LONGEST // len(ends)) for end in ends)


def _row(ax: Axes, at: int, row: Any) -> None:
    value, lower, upper = (
        float(getattr(row, name)) for name in ("ratio", "ratio_lower", "ratio_upper")
    )
    verdict = str(row.verdict)
    ax.annotate(
        verdict if np.isnan(value) else f"{change(value, decimals=1)}  {verdict}",
        (1.0, at),
        xytext=(10, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="center",
        fontsize=8,
        fontweight="bold" if verdict in _BOLD else "normal",
        annotation_clip=False,
    )
    if np.isnan(value):
        return
    ends = ax.get_xlim()
    low = lower if np.isfinite(lower) and lower > 0 else ends[0]
    high = upper if np.isfinite(upper) else ends[1]
    ax.hlines(at, low, high, color=INK, linewidth=1.6)
    for end, closed, arrowhead in ((low, low == lower, "<"), (high, high == upper, ">")):
        ax.plot([end], [at], "|" if closed else arrowhead, color=INK, markersize=6)
    marker, fill = _MARKERS.get(verdict, _UNKNOWN)
    (point,) = ax.plot(
        [value], [at], marker, color=INK, markerfacecolor=fill, markersize=6.5, zorder=4
    )
    hover(point, f"{row.contrast}: {ratio(value, lower, upper)}, {verdict}")
