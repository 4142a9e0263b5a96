"""Residuals of a model: against fitted values, and against normal quantiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.output.digits import significant
from psdstats.output.figures.marks import hover, key_above, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.style import GREY, INK, mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["residual_quantiles", "residuals_against_fitted"]


def residuals_against_fitted(
    frame: pd.DataFrame, ax: Axes, *, fitted_label: str = "fitted ln D50"
) -> Axes:
    """Draw standardised residuals against fitted values.

    Parameters
    ----------
    frame : DataFrame
        Columns fitted, standardised (residual), and optionally run and group, as
        `psdstats.models.residual_table` gives it.
    ax : Axes
        Where to draw.
    fitted_label : str
        Label of the horizontal axis.

    Returns
    -------
    Axes
        The same Axes; groups differ in marker, and lines stand at 0 and ±2.

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
    >>> ax = residuals_against_fitted(models.residual_table(fit), new_axes())
    >>> ax.get_xlabel()
    'fitted ln D50'
    """
    frame = need(frame, ("fitted", "standardised"), "residuals against fitted")
    for level in (-2.0, 2.0):
        ax.axhline(level, color=GREY, linewidth=0.7, linestyle=(0, (4, 3)))
    ax.axhline(0, color=GREY, linewidth=1.0)
    frame = frame if "group" in frame.columns else frame.assign(group="")
    for index, (group, own) in enumerate(frame.groupby("group", sort=False)):
        _points(ax, own, index, "fitted", drawn(group))
    reach = max(2.4, 1.1 * float(frame["standardised"].abs().max()))
    ax.set_ylim(-reach, reach)
    ax.set_xlabel(fitted_label)
    ax.set_ylabel("standardised residual")
    if len(set(frame["group"])) > 1:
        key_above(ax)
    return ax


def residual_quantiles(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw ordered standardised residuals against normal quantiles.

    Parameters
    ----------
    frame : DataFrame
        Columns normal_quantile, standardised (residual), and optionally run, lower and upper
        (limits of a band in which residuals of a true normal would lie), as
        `psdstats.models.residual_quantiles` gives it.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes, with the line of equality.

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
    >>> residual_quantiles(models.residual_quantiles(fit), new_axes()).get_xlabel()
    'normal quantile'
    """
    frame = need(frame, ("normal_quantile", "standardised"), "residual quantiles")
    frame = frame.sort_values("normal_quantile", kind="stable")
    x = frame["normal_quantile"].to_numpy(dtype=float)
    if {"lower", "upper"} <= set(frame.columns):
        ax.fill_between(x, frame["lower"], frame["upper"], color=INK, alpha=0.1, linewidth=0)
    ends = np.array([x.min(), x.max()])
    ax.plot(ends, ends, color=GREY, linewidth=1.0)
    _points(ax, frame, 0, "normal_quantile", "")
    ax.set_xlabel("normal quantile")
    ax.set_ylabel("standardised residual, in order")
    return ax


def _points(ax: Axes, own: pd.DataFrame, index: int, x: str, name: str) -> None:
    look = mark(index)
    style: dict[str, Any] = {
        "linestyle": "none",
        "marker": look.marker,
        "color": look.colour,
        "markersize": 4.5,
    }
    if "run" not in own.columns:
        ax.plot(own[x], own["standardised"], label=name, **style)
        return
    for count, row in enumerate(rows(own)):
        label = name if count == 0 else None
        (point,) = ax.plot([getattr(row, x)], [row.standardised], label=label, **style)
        hover(point, f"{row.run}: residual {significant(row.standardised, 2)}")
