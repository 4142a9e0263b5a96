"""Where the uncertainty comes from: stacked shares of the variance, balance first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.axes import name_rows
from psdstats.output.figures.marks import drawn, hover, key_above, need
from psdstats.output.style import INK, OCHRE, TEAL, numerals
from psdstats.words import figures as words
from psdstats.words.sizes import labelled_shares

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_COLUMNS = ("label", "source", "share")
_FILLS = (
    (INK, "", "white"),
    ("#56678a", "", "white"),
    ("#c4cddc", "", INK),
    ("#cc7a45", "", INK),
    (OCHRE, "", INK),
    (TEAL, "////", INK),
    ("#ffffff", "----", INK),
    ("#f1ddd2", "\\\\\\\\", INK),
    ("#ffffff", "||||", INK),
)
_BALANCE_FILLS = 3  # the first fills, one family of colour, belong to the balance
_ROOM_FOR_TEXT = 0.07
_BALANCE = "balance"
_END = words.BALANCE_END


def shares_height_mm(rows: int) -> float:
    """Height at which the given number of bars has room."""
    return 36.0 + 8.0 * rows


def uncertainty_shares(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the share of each source in the variance, one stacked bar for each label.

    Parameters
    ----------
    frame : DataFrame
        Shares of a budget; or columns label, source, share (fractions of one), and optionally
        balance_limited (bool);
        without it, sources whose name begins with "balance" count as such.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: the first label on top, the balance-limited sources at the left, and the
        end of that part marked where there is more than one such source.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.uncertainty import budget
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> uncertainty_shares(budget(study).shares_frame(), new_axes()).get_xlabel()
    'share of the variance / %'
    """
    if "label" not in frame.columns and "scope" in frame.columns:
        frame = labelled_shares(frame, numerals(ax))
    frame = need(frame, _COLUMNS, "uncertainty shares")
    if "balance_limited" not in frame.columns:
        frame = frame.assign(balance_limited=frame["source"].str.lower().str.startswith(_BALANCE))
    limited = frame.groupby("source", sort=False)["balance_limited"].any()
    sources = [*limited.index[limited], *limited.index[~limited]]
    labels = list(dict.fromkeys(frame["label"]))
    table = frame.pivot_table(index="label", columns="source", values="share", aggfunc="sum")
    table = table.reindex(index=labels, columns=sources).fillna(0.0)
    start = pd.Series(0.0, index=labels)
    fills = [*range(limited.sum()), *(_BALANCE_FILLS + k for k in range((~limited).sum()))]
    for fill, source in zip(fills, sources, strict=True):
        _segments(ax, table[source], start, fill)
        start = start + table[source]
    if limited.sum() > 1:
        _mark_limited(ax, table[limited.index[limited]].sum(axis=1))
    name_rows(ax, [drawn(label) for label in labels])
    ax.set_xlim(0, 100)
    ax.set_xlabel("share of the variance / %")
    ax.grid(visible=False)
    handles, _ = ax.get_legend_handles_labels()
    key_above(ax, sorted(handles, key=lambda one: one.get_label() == _END), columns=3)
    return ax


def _segments(ax: Axes, shares: pd.Series, start: pd.Series, at: int) -> None:
    say = numerals(ax)
    fill, hatch, ink = _FILLS[at % len(_FILLS)]
    bars = ax.barh(
        range(len(shares)),
        100 * shares,
        left=100 * start,
        height=0.62,
        color=fill,
        edgecolor=INK,
        linewidth=0.6,
        hatch=hatch,
        label=str(shares.name),
    )
    for bar, (label, share), left in zip(bars, shares.items(), start, strict=True):
        hover(bar, f"{label}: {shares.name} {say.per_cent(float(share), decimals=1)}")
        if share >= _ROOM_FOR_TEXT:
            text = ax.text(
                100 * (left + share / 2),
                bar.get_y() + bar.get_height() / 2,
                say.per_cent(float(share)),
                ha="center",
                va="center",
                fontsize=7.5,
                color=ink,
            )
            if hatch:
                text.set_bbox({"boxstyle": "round,pad=0.15", "facecolor": "white", "linewidth": 0})


def _mark_limited(ax: Axes, total: pd.Series) -> None:
    for at, share in enumerate(total):
        ax.plot(
            [100 * share] * 2,
            [at - 0.42, at + 0.42],
            color=INK,
            linewidth=2.2,
            label=_END if at == 0 else None,
        )
