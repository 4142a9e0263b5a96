"""Estimates with intervals in rows: leaving one group out, and predicted random effects."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.digits import significant
from psdstats.output.figures.marks import hover, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.numbers import interval
from psdstats.output.style import GREY, INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["leave_one_out", "random_effects", "rows_height_mm"]

_NORMAL_95 = 1.96


def rows_height_mm(count: int) -> float:
    """Height at which the given number of rows has room.

    Parameters
    ----------
    count : int
        Number of rows.

    Returns
    -------
    float
        Height of the figure, mm.
    """
    return 26.0 + 6.0 * count


def leave_one_out(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw how much of an effect is left when each group is left out in turn.

    Parameters
    ----------
    frame : DataFrame
        Columns left_out, effect_left (1: it did not move), p, as the table of
        `psdstats.models.leave_one_group_out`; the row that leaves nothing out is passed over.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes, one row for each group left out with its p; lines at 0 and at 1.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats import models
    >>> from psdstats.output.figures import new_axes
    >>> trial = pd.DataFrame(
    ...     {
    ...         "ln_D50": [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1],
    ...         "time": ["0", "5", "9"] * 3,
    ...         "group": list("aaabbbccc"),
    ...     }
    ... )
    >>> model = models.MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"])
    >>> fit = model.fit()
    >>> found = models.leave_one_group_out(fit, "time")
    >>> leave_one_out(found.table, new_axes()).get_xlabel()
    'effect left / effect of all groups'
    """
    need(frame, ("left_out", "effect_left", "p"), "leave one out")
    frame = need(frame[frame["left_out"] != "none"], ("left_out",), "leave one out")
    ax.axvline(0.0, color=GREY, linewidth=1.0)
    ax.axvline(1.0, color=GREY, linewidth=1.0, linestyle=(0, (4, 3)))
    for at, row in enumerate(rows(frame)):
        told = f"p {significant(row.p, 2)}" if np.isfinite(row.p) else "not fitted"
        (point,) = ax.plot([row.effect_left], [at], "o", color=INK, markersize=5.5)
        hover(point, f"without {row.left_out}: {significant(row.effect_left, 3)} left, {told}")
        ax.annotate(
            told,
            (1.0, at),
            xytext=(10, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            fontsize=8,
            annotation_clip=False,
        )
    ax.set_xlabel("effect left / effect of all groups")
    _name_rows(ax, [f"without {drawn(name)}" for name in frame["left_out"]])
    return ax


def random_effects(frame: pd.DataFrame, ax: Axes, *, label: str = "effect on ln D50") -> Axes:
    """Draw predicted random effects with their 95 % intervals, in rows.

    Parameters
    ----------
    frame : DataFrame
        Columns level, estimate, standard_error, and optionally effect (its name is written where
        there are several), as `MixedModelFit.random_effects` gives it.
    ax : Axes
        Where to draw.
    label : str
        Label of the horizontal axis, with the scale of the effect.

    Returns
    -------
    Axes
        The same Axes, one row a level and effect in the frame's order, with a line at 0.

    Notes
    -----
    Intervals are the estimate ± 1.96 standard errors, whatever the degrees of freedom.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats import models
    >>> from psdstats.output.figures import new_axes
    >>> trial = pd.DataFrame(
    ...     {
    ...         "ln_D50": [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1],
    ...         "time": ["0", "5", "9"] * 3,
    ...         "group": list("aaabbbccc"),
    ...     }
    ... )
    >>> model = models.MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"])
    >>> fit = model.fit()
    >>> random_effects(fit.random_effects, new_axes()).get_xlabel()
    'effect on ln D50'
    """
    frame = need(frame, ("level", "estimate", "standard_error"), "random effects")
    names = [drawn(name) for name in frame["level"]]
    if "effect" in frame.columns and len(set(frame["effect"])) > 1:
        names = [f"{name}, {drawn(one)}" for name, one in zip(names, frame["effect"], strict=True)]
    ax.axvline(0.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        half = _NORMAL_95 * row.standard_error
        lower, upper = row.estimate - half, row.estimate + half
        ax.hlines(at, lower, upper, color=INK, linewidth=1.6)
        (point,) = ax.plot([row.estimate], [at], "o", color=INK, markersize=5.5)
        hover(point, f"{row.level}: {significant(row.estimate, 2)} ({interval(lower, upper)})")
    ax.set_xlabel(label)
    _name_rows(ax, names)
    return ax


def _name_rows(ax: Axes, names: list[str]) -> None:
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", visible=False)
    ax.spines["left"].set_visible(False)
