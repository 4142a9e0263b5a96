"""A table: one frame in full precision, and the columns a reader sees.

The frame is what CSV and XLSX carry; the grid of texts made from it once is what HTML, Markdown,
LaTeX and the terminal show, so that every format gives the same numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.errors import OutputError
from psdstats.output.digits import decimal_sign
from psdstats.output.tables.columns import Column, columns_of
from psdstats.output.text import slug

__all__ = ["Table"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """A table with a name, a caption and rules for its text.

    Parameters
    ----------
    name : str
        Short name; file and anchor are made from it.
    frame : DataFrame
        Tidy, full precision, units in column names; the index is ignored.
    caption : str
        One sentence that says what stands in it.
    columns : tuple of Column, default=()
        What a reader sees, in order; empty shows every column of the frame.
    notes : tuple of str, default=()
        Sentences that belong under the table.
    row_headings : int, default=1
        How many of the first shown columns name the row.

    Raises
    ------
    OutputError
        If a column names something the frame does not have.
    """

    name: str
    frame: pd.DataFrame
    caption: str
    columns: tuple[Column, ...] = ()
    notes: tuple[str, ...] = ()
    row_headings: int = 1

    def __post_init__(self) -> None:
        own = self.frame.reset_index(drop=True).copy()
        own.columns = pd.Index([str(name) for name in own.columns])
        if own.columns.has_duplicates:
            twice = sorted(own.columns[own.columns.duplicated()])
            raise OutputError(
                f"table {self.name!r} has column {twice[0]!r} twice; give each column its own name."
            )
        object.__setattr__(self, "frame", own)
        if not self.columns:
            object.__setattr__(self, "columns", columns_of(own))
        for column in self.columns:
            for source in column.sources:
                if source not in own.columns:
                    raise OutputError(
                        f"table {self.name!r} has no column {source!r} (it has "
                        f"{', '.join(own.columns)}); name one of these."
                    )

    @property
    def key(self) -> str:
        """File name without ending, and anchor in the report."""
        return slug(self.name)

    def rows(self) -> list[dict[str, object]]:
        """The frame's rows as plain Python values by column name."""
        lists = {name: [_plain(value) for value in self.frame[name]] for name in self.frame.columns}
        return [
            {name: values[index] for name, values in lists.items()}
            for index in range(len(self.frame))
        ]

    def grid(self, *, decimal: str = ".") -> list[list[str]]:
        """The texts a reader sees, row by row, not yet escaped.

        Parameters
        ----------
        decimal : str, default="."
            Decimal sign.

        Returns
        -------
        list of list of str
            One inner list for each row, one text for each shown column.
        """
        sign = decimal_sign(decimal)
        return [[column.text(row, decimal=sign) for column in self.columns] for row in self.rows()]


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value
