"""Where the uncertainty comes from: bars as long as u, divided by shares of the variance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.figures.axes import name_rows
from psdstats.output.figures.marks import (
    drawn,
    hover,
    hover_each,
    key_above,
    label_at,
    need,
    room_for,
)
from psdstats.output.style import INK, OCHRE, TEAL, numerals
from psdstats.words.budget import AXIS, BALANCE, OTHERS, change_words, labelled_shares

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_COLUMNS = ("label", "source", "share", "u_percent")
_FILLS = (
    (INK, "", "white"),
    ("#cc7a45", "", INK),
    ("#c4cddc", "", INK),
    (OCHRE, "", INK),
    (TEAL, "////", INK),
    ("#56678a", "", "white"),
    ("#ffffff", "----", INK),
    ("#f1ddd2", "\\\\\\\\", INK),
    ("#ffffff", "||||", INK),
)
_MARKERS = ("D", "^", "v", "s", "P")
_SIGNS = 7  # that a segment must have room for to carry its share
_SMALL = 0.01  # a source that is less of every bar stands with the other small ones
_LANE = 0.44  # of marks below the middle of a bar


def shares_height_mm(rows: int) -> float:
    """Height at which the given number of bars has room."""
    return 27.0 + 5.5 * rows


def bars_of(frame: pd.DataFrame) -> pd.DataFrame:
    """Labels by sources in per cent of the size: parts of u that add up to it.

    Sources of the balance stand together at the left, sources that are small in every bar at the
    right.
    """
    total = np.sqrt((frame["u_percent"] ** 2).groupby(frame["label"], sort=False).sum())
    largest = frame.groupby("source", sort=False)["share"].max()
    named = [
        BALANCE if limited else (OTHERS if largest[source] < _SMALL else source)
        for source, limited in zip(frame["source"], frame["balance_limited"], strict=True)
    ]
    frame = frame.assign(source=named, label=pd.Categorical(frame["label"], list(total.index)))
    share = frame.pivot_table(
        index="label", columns="source", values="share", aggfunc="sum", sort=False, observed=True
    )
    middle = sorted(
        (one for one in share if one not in (BALANCE, OTHERS)), key=lambda one: -share[one].mean()
    )
    share = share[[one for one in (BALANCE, *middle, OTHERS) if one in share]].fillna(0.0)
    return share.reindex(total.index).mul(total, axis=0)


def uncertainty_shares(
    frame: pd.DataFrame, ax: Axes, *, changes: pd.DataFrame | None = None
) -> Axes:
    """Draw u as one bar for each label, divided by the shares of its sources in the variance.

    Parameters
    ----------
    frame : DataFrame
        Shares of a budget (`Budget.to_frame`), as they are or with a column label; needed are
        label, source, share, u_percent (of the source alone), balance_limited.
    ax : Axes
        Where to draw.
    changes : DataFrame, optional
        What a change makes of u (`Budget.changes_frame`): a mark below the bar for each.

    Returns
    -------
    Axes
        The same Axes: the first label on top, the balance at the left, u behind each bar.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.uncertainty import budget
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> uncertainty_shares(budget(study).to_frame(), new_axes()).get_xlabel()
    'standard uncertainty / % of the size'
    """
    if "label" not in frame.columns and "scope" in frame.columns:
        frame = labelled_shares(frame, numerals(ax))
    frame = need(frame, (*_COLUMNS, "balance_limited"), "uncertainty shares")
    bars = bars_of(frame)
    longest = 1.12 * float(bars.sum(axis=1).max()) or 1.0
    start = pd.Series(0.0, index=bars.index)
    for at, source in enumerate(bars.columns):
        _segments(ax, bars[source], start, bars.sum(axis=1), longest=longest, at=at)
        start = start + bars[source]
    say = numerals(ax)
    for at, u in enumerate(bars.sum(axis=1)):
        label_at(ax, f"{say.significant(float(u), 2)} %", (float(u), at), shift=(5, 0))
    if changes is not None and len(changes):
        if "label" not in changes.columns:
            changes = labelled_shares(changes, say)
        _marks(ax, changes, list(bars.index))
    name_rows(ax, [drawn(label) for label in bars.index])
    ax.set_xlim(0, longest)
    ax.set_ylim(bottom=len(bars) - 1 + 1.7 * _LANE)
    ax.set_xlabel(AXIS)
    handles, _ = ax.get_legend_handles_labels()
    count = len(handles) - len(bars.columns)  # of marks, which matplotlib puts first
    key_above(ax, [*handles[count:], *handles[:count]])
    return ax


def _segments(
    ax: Axes, length: pd.Series, start: pd.Series, total: pd.Series, *, longest: float, at: int
) -> None:
    say = numerals(ax)
    fill, hatch, ink = _FILLS[at % len(_FILLS)]
    bars = ax.barh(
        range(len(length)),
        length,
        left=start,
        height=0.58,
        color=fill,
        edgecolor=INK,
        linewidth=0.6,
        hatch=hatch,
        label=str(length.name),
    )
    shares = length / total.where(total > 0)
    for bar, (label, share), left in zip(bars, shares.items(), start, strict=True):
        hover(bar, f"{label}: {length.name} {say.per_cent(float(share), decimals=1)}")
        if room_for(ax, 1) * bar.get_width() >= _SIGNS * longest:
            text = ax.text(
                left + bar.get_width() / 2,
                bar.get_y() + bar.get_height() / 2,
                say.per_cent(float(share)),
                ha="center",
                va="center",
                fontsize=7.5,
                color=ink,
            )
            if hatch:
                text.set_bbox({"boxstyle": "round,pad=0.15", "facecolor": "white", "linewidth": 0})


def _marks(ax: Axes, changes: pd.DataFrame, labels: list[str]) -> None:
    """What u would be with each change, in a lane below its bar."""
    say = numerals(ax)
    own = changes[changes["label"].isin(labels)]
    for marker, (change, part) in zip(_MARKERS, own.groupby("change", sort=False), strict=False):
        told = change_words(str(change))
        points = ax.scatter(
            part["u_then_percent"],
            [labels.index(label) + _LANE for label in part["label"]],
            s=26,
            marker=marker,
            facecolors="white",
            edgecolors=INK,
            linewidths=1.1,
            zorder=4,
            label=told,
            clip_on=False,
        )
        known = zip(part["label"], part["u_then_percent"], strict=True)
        hover_each(
            points, (f"{label}, {told}: u = {say.significant(u, 2)} %" for label, u in known)
        )
