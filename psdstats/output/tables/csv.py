"""A table as CSV: the whole frame in full precision, for other programs.

Numbers are written with the fewest digits that give the same double back.  With a decimal comma
the fields are separated by semicolons, as spreadsheets in such countries expect.
"""

from __future__ import annotations

import csv
import io

from psdstats.output.digits import DecimalSign, decimal_sign
from psdstats.output.tables.columns import is_missing
from psdstats.output.tables.table import Table
from psdstats.output.text import spreadsheet_safe

__all__ = ["to_csv"]


def to_csv(table: Table, *, decimal: str = ".") -> str:
    """Write a table as CSV text.

    Parameters
    ----------
    table : Table
        The table.
    decimal : str, default="."
        Decimal sign; "," separates the fields by semicolons.

    Returns
    -------
    str
        Text with a header row of frame column names; missing values are empty.

    Notes
    -----
    Text that begins like a formula gets an apostrophe in front, so that opening the file in a
    spreadsheet cannot run it; numbers are never changed.
    """
    sign = decimal_sign(decimal)
    buffer = io.StringIO()
    writer = csv.writer(
        buffer, delimiter=";" if sign is DecimalSign.COMMA else ",", lineterminator="\n"
    )
    writer.writerow([spreadsheet_safe(str(name)) for name in table.frame.columns])
    for row in table.rows():
        writer.writerow([_field(value, sign) for value in row.values()])
    return buffer.getvalue()


def _field(value: object, sign: DecimalSign) -> str:
    if is_missing(value):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).replace(".", sign)
    if isinstance(value, int):
        return str(value)
    return spreadsheet_safe(str(value))
