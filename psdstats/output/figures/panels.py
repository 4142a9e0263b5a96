"""Several Axes on one figure, with one key above them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from psdstats.errors import OutputError
from psdstats.output.figures.names import key_columns
from psdstats.output.style import INK, house_style, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["joint_key", "new_panels"]


def new_panels(rows: int, columns: int = 1, *, height_mm: float) -> list[list[Axes]]:
    """Empty Axes in rows and columns on one figure, in the house style.

    Parameters
    ----------
    rows, columns : int
        How many.
    height_mm : float
        Height of the whole figure, mm; its width is that of a report column.

    Returns
    -------
    list of list of Axes
        Row by row; Axes of a row share their vertical scale.

    Raises
    ------
    OutputError
        If a number is not positive.
    """
    if rows < 1 or columns < 1:
        raise OutputError(
            f"a figure of {rows} × {columns} panels shows nothing; ask for 1 or more."
        )
    with house_style():
        figure = new_axes(height_mm=height_mm).figure
        figure.clear()
        grid = figure.subplots(rows, columns, squeeze=False, sharey="row")
    return [list(row) for row in grid]


def joint_key(panels: list[list[Axes]]) -> None:
    """Replace the keys of the panels by one above them, made from the first panel.

    Parameters
    ----------
    panels : list of list of Axes
        Panels whose keys say the same.
    """
    first = panels[0][0]
    handles, labels = first.get_legend_handles_labels()
    for ax in (ax for row in panels for ax in row):
        own = ax.get_legend()
        if own is not None:
            own.remove()
    first.figure.legend(
        handles, labels, loc="outside upper left", ncols=key_columns(labels), labelcolor=INK
    )
