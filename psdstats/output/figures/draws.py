"""How the Monte Carlo draws of each run are spread: shape, not only ±."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import need
from psdstats.output.figures.names import drawn
from psdstats.output.style import INK, time_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_spread"]


def draw_spread(frame: pd.DataFrame, ax: Axes, *, label: str = "D50 / µm") -> Axes:
    """Draw the density of the draws of each run, with their quartiles.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, value: one row a draw.
    ax : Axes
        Where to draw.
    label : str
        Label of the horizontal axis, with unit.

    Returns
    -------
    Axes
        The same Axes, size on a log axis, one density a run in the frame's order, coloured by
        milling time.

    Notes
    -----
    Densities are kernel estimates cut at the smallest and largest draw, each of the same width;
    compare places and shapes, not heights.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.simulate import SizeSpread, simulate_ln_sizes
    >>> counts = {"groups": 1, "times": 1, "replicates": 1, "trials": 500}
    >>> sizes = 200 * np.exp(simulate_ln_sizes(SizeSpread(run=0.03), **counts, seed=1).ravel())
    >>> frame = pd.DataFrame({"run": "a", "milling_time_min": 12.0, "value": sizes})
    >>> draw_spread(frame, new_axes()).get_xlabel()
    'D50 / µm'
    """
    import seaborn as sns

    frame = need(frame, ("run", "milling_time_min", "value"), "draw spread")
    times = sorted({float(time) for time in frame["milling_time_min"]})
    colours = dict(zip(times, time_colours(len(times)), strict=True))
    runs = list(dict.fromkeys(frame["run"]))
    first = frame.drop_duplicates("run").set_index("run")["milling_time_min"]
    sns.violinplot(
        data=frame,
        x="value",
        y="run",
        hue="run",
        order=runs,
        hue_order=runs,
        palette={run: _pale(colours[float(first[run])]) for run in runs},
        saturation=1.0,
        density_norm="width",
        inner="quart",
        cut=0,
        linewidth=0.7,
        linecolor=INK,
        legend=False,
        log_scale=True,
        ax=ax,
    )
    log_ticks(
        ax, "x", around=(float(frame["value"].min()), float(frame["value"].max())), label=label
    )
    ax.set_yticks(range(len(runs)), [drawn(run) for run in runs])
    ax.set_ylabel("")
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    return ax


def _pale(colour: str) -> tuple[float, float, float]:
    """Half way to white, so that the lines of the quartiles show."""
    from matplotlib.colors import to_rgb

    red, green, blue = ((1 + channel) / 2 for channel in to_rgb(colour))
    return red, green, blue
