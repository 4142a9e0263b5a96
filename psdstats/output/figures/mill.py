"""A jar in cross-section at rest: the bed of balls to its level, and each ball size to scale."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from psdstats.errors import OutputError
from psdstats.output.figures.marks import hover
from psdstats.output.style import GREY, INK, mark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

__all__ = ["bed_height_share", "jar_section"]

_MOST_DRAWN = 3  # balls of each size
_BED = "#dfe3e9"


def bed_height_share(fill: float) -> float:
    """Height of a level bed over the diameter of a lying jar.

    Parameters
    ----------
    fill : float
        Share of the cross-section that is filled, 0 to 1.

    Returns
    -------
    float
        Height over diameter, 0 to 1.

    Raises
    ------
    OutputError
        If the fill is not between 0 and 1.

    Notes
    -----
    The segment of half angle φ fills ``(φ − sin φ cos φ)/π`` of a circle and is
    ``(1 − cos φ)/2`` of its diameter high; solved by bisection.

    Examples
    --------
    >>> round(bed_height_share(0.5), 6), round(bed_height_share(0.35), 3)
    (0.5, 0.381)
    """
    if not 0 <= fill <= 1:
        raise OutputError(f"a jar cannot be filled to {fill:g} of its volume; give 0 to 1.")
    low, high = 0.0, np.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        if (middle - np.sin(middle) * np.cos(middle)) / np.pi < fill:
            low = middle
        else:
            high = middle
    return float((1 - np.cos(high)) / 2)


def jar_section(
    ax: Axes,
    *,
    jar_mm: float,
    fill: float,
    balls: Sequence[tuple[float, int]],
    speed: str,
) -> Axes:
    """Draw the jar to scale.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    jar_mm : float
        Inner diameter, mm.
    fill : float
        Share of the jar taken by the bed of balls, voids included.
    balls : sequence of (float, int)
        Diameter in mm and number of each ball size.
    speed : str
        What is written beside the arrow of rotation.

    Returns
    -------
    Axes
        The same Axes, in mm, without frame.

    Raises
    ------
    OutputError
        If the diameter is not above zero, or as `bed_height_share`.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> balls = [(20.0, 57)]
    >>> ax = jar_section(new_axes(), jar_mm=100, fill=0.4, balls=balls, speed="90 rpm")
    >>> len(ax.patches)
    6
    """
    from matplotlib.patches import Circle

    if not jar_mm > 0:
        raise OutputError(f"a jar of {jar_mm:g} mm cannot be drawn; give a diameter above zero.")
    radius = jar_mm / 2
    jar = Circle((0, 0), radius, facecolor="white", edgecolor=INK, linewidth=1.6)
    level = jar_mm * bed_height_share(fill) - radius
    half = float(np.arccos(np.clip(-level / radius, -1, 1)))
    angle = np.linspace(-np.pi / 2 - half, -np.pi / 2 + half, 90)
    ax.add_patch(jar)
    (bed,) = ax.fill(
        radius * np.cos(angle),
        radius * np.sin(angle),
        facecolor=_BED,
        edgecolor=GREY,
        linewidth=0.8,
    )
    hover(bed, f"bed of balls with voids: {100 * fill:.0f} % of the jar")
    _rotation(ax, radius, speed)
    _ball_key(ax, radius, balls)
    ax.text(0, level + 0.06 * radius, f"bed at rest, {100 * fill:.0f} % of the jar", ha="center")
    ax.text(0, -1.12 * radius, f"inner diameter {jar_mm:g} mm", ha="center", va="top")
    ax.set_aspect("equal")
    ax.set_xlim(-1.3 * radius, 3.4 * radius)
    ax.set_ylim(-1.35 * radius, 1.35 * radius)
    ax.set_axis_off()
    return ax


def _rotation(ax: Axes, radius: float, speed: str) -> None:
    from matplotlib.patches import FancyArrowPatch

    angle = np.deg2rad([150, 105])
    x, y = 1.1 * radius * np.cos(angle), 1.1 * radius * np.sin(angle)
    ax.add_patch(
        FancyArrowPatch(
            (x[0], y[0]),
            (x[1], y[1]),
            connectionstyle="arc3,rad=-0.18",
            arrowstyle="-|>",
            mutation_scale=11,
            color=INK,
        )
    )
    ax.text(0.05 * radius, 1.12 * radius, speed, va="bottom")


def _ball_key(ax: Axes, radius: float, balls: Sequence[tuple[float, int]]) -> None:
    """Each ball size drawn to the scale of the jar, with its number."""
    from matplotlib.patches import Circle

    ordered = sorted(balls, reverse=True)
    tops = np.linspace(0.62, -0.62, len(ordered)) * radius if len(ordered) > 1 else [0.0]
    widest = max(diameter for diameter, _ in ordered)
    for index, ((diameter, count), y) in enumerate(zip(ordered, tops, strict=True)):
        drawn = min(count, _MOST_DRAWN)
        for k in range(drawn):
            x = 1.35 * radius + (k + 0.5) * diameter
            ball = Circle(
                (x, y), diameter / 2, facecolor=mark(index).colour, edgecolor="white", linewidth=0.6
            )
            ax.add_patch(ball)
            hover(ball, f"{count} balls of {diameter:g} mm")
        text = f"{count} × {diameter:g} mm"
        ax.text(1.35 * radius + _MOST_DRAWN * widest + 0.1 * radius, y, text, va="center")
