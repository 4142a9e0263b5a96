"""The tare of each sieve from weighing to weighing: residue left, or a mesh damaged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.digits import fixed
from psdstats.output.figures.marks import hover, label_at, need, rows, spread_apart
from psdstats.output.figures.names import drawn
from psdstats.output.style import FAINT, GREY, mark, readable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["tare_history"]

_COLUMNS = ("sieve", "run_number", "tare_g")
_LABEL_GAP = 0.055  # of the vertical axis


def tare_history(frame: pd.DataFrame, ax: Axes) -> Axes:
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
    >>> from psdstats import study as weighings
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> tare_history(weighings.tare_history(study), new_axes()).get_ylabel()
    'tare minus median tare / mg'
    """
    frame = need(frame, _COLUMNS, "tare history").sort_values("run_number", kind="stable")
    frame = frame.assign(order=frame["run_number"].rank(method="dense").astype(int))
    reference = "median" if "reference_g" in frame.columns else "first"
    start = frame["reference_g"] if reference == "median" else _first(frame)
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
    _whole_ticks(ax, int(frame["order"].min()), int(right))
    ax.set_xlabel("weighing of the empty sieve, in order")
    ax.set_ylabel(f"tare minus {reference} tare / mg")
    return ax


def _first(frame: pd.DataFrame) -> pd.Series:
    return frame.groupby("sieve", sort=False)["tare_g"].transform("first")


def _line(ax: Axes, own: pd.DataFrame, index: int, reference: str) -> None:
    look = mark(index)
    ax.plot(
        own["order"],
        own["moved_mg"],
        color=look.colour,
        linestyle=look.line,
        linewidth=1.1,
        label=str(own["sieve"].iloc[0]),
    )
    for row in rows(own):
        (point,) = ax.plot(
            [row.order], [row.moved_mg], look.marker, color=look.colour, markersize=3.5
        )
        where = f", run {row.run}" if "run" in own.columns else ""
        moved = f"{fixed(row.moved_mg, 1)} mg from its {reference} tare"
        hover(point, f"sieve {row.sieve}{where}: {moved}")
    if "is_outside" in own.columns:
        rung = own[own["is_outside"].to_numpy(dtype=bool)]
        if len(rung):
            ax.plot(
                rung["order"],
                rung["moved_mg"],
                "o",
                color=look.colour,
                markerfacecolor="none",
                markersize=10,
            )


def _whole_ticks(ax: Axes, first: int, last: int) -> None:
    step = max(1, int(np.ceil((last - first + 1) / 12)))
    ax.set_xticks(range(first, last + 1, step))
