"""Effects as ratios of sizes with simultaneous intervals, one row a contrast.

Predicted random effects with their intervals in rows.

Residuals of a model: against fitted values, and against normal quantiles.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.output.figures.axes import log_ticks, name_rows
from psdstats.output.figures.marks import (
    drawn,
    hover,
    key_above,
    label_beside,
    need,
    point,
    rows,
)
from psdstats.output.style import DASHED, FAINT, GREY, INK, mark, numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_COLUMNS = ("contrast", "ratio", "ratio_lower", "ratio_upper", "verdict")
_MARKERS = {
    "changed": ("o", INK),
    "equivalent": ("s", INK),
    "not shown": ("o", "white"),
}
_LONGEST = 40  # signs of a contrast
_UNKNOWN = ("D", "white")


def ratios_height_mm(rows: int) -> float:
    """Height at which the given number of contrasts has room."""
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
        Columns contrast (or group), ratio, ratio_lower, ratio_upper, verdict, and optionally high
        and low (the levels, by which a long contrast is shortened) and quantity: rows of one
        quantity stand together under its name.  A row whose ratio is missing (it cannot be told)
        keeps its place and its verdict.
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
        say = numerals(ax)
        hover(band, f"margin: within {say.change(1 / margin)} and {say.change(margin)}")
    ax.axvline(1.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        _row(ax, at, row)
    name_rows(ax, _row_names(ax, frame))
    return ax


def _row_names(ax: Axes, frame: pd.DataFrame) -> list[str]:
    """Contrasts; the first row of a quantity bears its name, a hairline parts it from the last."""
    names = [_contrast_name(row) for row in rows(frame)]
    parts = list(frame["quantity"]) if "quantity" in frame.columns else []
    for at, part in enumerate(parts):
        if at and part != parts[at - 1]:
            ax.axhline(at - 0.5, color=FAINT, linewidth=0.8, zorder=0)
        if not at or part != parts[at - 1]:
            names[at] = f"{drawn(part)}   {names[at]}"
    return names


def _contrast_name(row: Any) -> str:
    """The contrast; one that is long with each of its two levels shortened for itself."""
    if len(str(row.contrast)) <= _LONGEST or not getattr(row, "low", ""):
        return drawn(row.contrast, most=_LONGEST)
    return f"{drawn(row.high, most=_LONGEST // 2)} vs {drawn(row.low, most=_LONGEST // 2)}"


def _row(ax: Axes, at: int, row: Any) -> None:
    say = numerals(ax)
    value, lower, upper = (
        float(getattr(row, name)) for name in ("ratio", "ratio_lower", "ratio_upper")
    )
    verdict = str(row.verdict)
    told = verdict if np.isnan(value) else f"{say.change(value, decimals=1)}  {verdict}"
    label_beside(ax, told, at, bold=verdict == "changed")
    if np.isnan(value):
        return
    ends = ax.get_xlim()
    low = lower if np.isfinite(lower) and lower > 0 else ends[0]
    high = upper if np.isfinite(upper) else ends[1]
    ax.hlines(at, low, high, color=INK, linewidth=1.6)
    for end, closed, arrowhead in ((low, low == lower, "<"), (high, high == upper, ">")):
        ax.plot([end], [at], "|" if closed else arrowhead, color=INK, markersize=6)
    marker, fill = _MARKERS.get(verdict, _UNKNOWN)
    text = f"{row.contrast}: {say.ratio(value, lower, upper)}, {verdict}"
    point(ax, (value, at), marker, text, colour=INK, fill=fill, size=6.5, zorder=4)


_NORMAL_95 = 1.96


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
    say = numerals(ax)
    frame = need(frame, ("level", "estimate", "standard_error"), "random effects")
    names = [drawn(name) for name in frame["level"]]
    if "effect" in frame.columns and len(set(frame["effect"])) > 1:
        names = [f"{name}, {drawn(one)}" for name, one in zip(names, frame["effect"], strict=True)]
    ax.axvline(0.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        half = _NORMAL_95 * row.standard_error
        lower, upper = row.estimate - half, row.estimate + half
        ax.hlines(at, lower, upper, color=INK, linewidth=1.6)
        text = f"{row.level}: {say.significant(row.estimate, 2)} ({say.interval(lower, upper)})"
        point(ax, (row.estimate, at), "o", text, colour=INK, size=5.5)
    ax.set_xlabel(label)
    name_rows(ax, names)
    return ax


def residuals_against_fitted(
    frame: pd.DataFrame, ax: Axes, *, fitted_label: str = "fitted ln D50"
) -> Axes:
    """Draw standardised residuals against fitted values.

    Parameters
    ----------
    frame : DataFrame
        Columns fitted, standardised (residual), and optionally run and group, as
        `psdstats.models.diagnostics.residual_table` gives it.
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
    >>> from psdstats.models import diagnostics
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
    >>> ax = residuals_against_fitted(diagnostics.residual_table(fit), new_axes())
    >>> ax.get_xlabel()
    'fitted ln D50'
    """
    frame = need(frame, ("fitted", "standardised"), "residuals against fitted")
    for level in (-2.0, 2.0):
        ax.axhline(level, color=GREY, linewidth=0.7, linestyle=DASHED)
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
        `psdstats.models.diagnostics.residual_table` gives it.
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
    >>> from psdstats.models import diagnostics
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
    >>> residual_quantiles(diagnostics.residual_table(fit), new_axes()).get_xlabel()
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
    say = numerals(ax)
    look = mark(index)
    if "run" not in own.columns:
        ax.plot(own[x], own["standardised"], look.marker, color=look.colour, label=name)
        return
    for count, row in enumerate(rows(own)):
        at, label = (getattr(row, x), row.standardised), name if count == 0 else None
        text = f"{row.run}: residual {say.significant(row.standardised, 2)}"
        point(ax, at, look.marker, text, colour=look.colour, size=4.5, label=label)
