"""Text tables: bytes to a `Table`, whatever the separator, line ends and decimal sign.

The separator is the one in the header: semicolon, else tab, else comma.  Text is UTF-8 (with or
without a byte-order mark) unless an encoding is given; nothing is guessed from the bytes.
Lines before the header that start with `#` hold settings in TOML (see `settings`).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator

from psdstats.errors import Problem
from psdstats.study.table import Table, make_table

__all__ = ["SETTINGS_MARK", "decode", "read_csv_table", "settings_lines"]

SETTINGS_MARK = "#"
"""First character of the lines above the header that hold settings."""

_PADDING = re.compile(r"[,;\t]{2,}$")  # separators a spreadsheet adds to fill a short row
_HEADER_LINES = 20  # lines in which the header ends
_QUOTED = re.compile(r'"[^"]*"')


def decode(
    content: bytes, file: str, *, encoding: str | None, problems: list[Problem]
) -> str | None:
    """Turn bytes into text; None, with a problem noted, where they are not text."""
    text, problem = "", None
    if encoding is None and content.startswith((b"\xff\xfe", b"\xfe\xff")):
        fault = "the file is UTF-16, not UTF-8"
        remedy = "Name its encoding, utf-16, when reading it, or save it as UTF-8."
        problem = Problem(file=file, fault=fault, remedy=remedy)
    else:
        try:
            text = content.decode(encoding or "utf-8-sig")
        except UnicodeDecodeError as cause:
            problem = _wrong_byte(content, cause.start, file, encoding)
        except (LookupError, UnicodeError):
            fault = "no such text encoding is known"
            remedy = 'Give a name such as "utf-8", "cp1252" or "utf-16".'
            problem = Problem(file=file, value=str(encoding), fault=fault, remedy=remedy)
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        fault = "the file holds zero bytes, so it is not a text table"
        problem = Problem(file=file, row=row, fault=fault, remedy="Save it as CSV in UTF-8.")
    if problem is not None:
        problems.append(problem)
        return None
    return text.removeprefix("\ufeff")


def _wrong_byte(content: bytes, place: int, file: str, encoding: str | None) -> Problem:
    remedy = "Save the file as UTF-8"
    if not file.endswith(".toml"):
        remedy += ', or give its encoding, for example "cp1252"'
    return Problem(
        file=file,
        row=content.count(b"\n", 0, place) + 1,
        value=f"0x{content[place]:02x}",
        fault=f"a byte is not {encoding or 'UTF-8'}",
        remedy=f"{remedy}.",
    )


def settings_lines(text: str) -> tuple[str, int]:
    """Split off the settings above the header.

    Returns
    -------
    (str, int)
        TOML text, and the number of lines that held it.

    Notes
    -----
    A spreadsheet that saves the file again may quote such a line or end it with separators; both
    are undone.
    """
    taken: list[str] = []
    for line in io.StringIO(text, newline=None):
        bare = line.rstrip("\n")
        if bare.startswith(f'"{SETTINGS_MARK}'):
            quoted = _PADDING.sub("", bare)
            if not quoted.endswith('"'):
                break
            bare = quoted[1:-1].replace('""', '"')
        if not bare.startswith(SETTINGS_MARK):
            break
        bare = _PADDING.sub("", bare)
        taken.append(bare.removeprefix(SETTINGS_MARK).removeprefix(" "))
    return "".join(f"{line}\n" for line in taken), len(taken)


def read_csv_table(
    text: str, file: str, *, known: Iterable[str], skip: int = 0, problems: list[Problem]
) -> Table | None:
    """Read the text of a table.

    Parameters
    ----------
    text : str
        Whole text of the file.
    file : str
        Name for messages.
    known : iterable of str
        Column names that are recognised in any case.
    skip : int, default=0
        Lines above the header that are not part of the table.
    problems : list of Problem
        Receives what is wrong.
    """
    lines = io.StringIO(text, newline="").readlines()[skip:]
    start = _QUOTED.sub("", "".join(lines[:_HEADER_LINES])).splitlines()
    header = next((line for line in start if line.strip()), "")
    separator = next((mark for mark in ";\t" if mark in header), ",")
    return make_table(
        file,
        _records(lines, separator, file, skip, problems),
        known=known,
        decimal_comma=separator != ",",
        problems=problems,
    )


def _records(
    lines: list[str], separator: str, file: str, skip: int, problems: list[Problem]
) -> Iterator[tuple[int, list[str]]]:
    number = skip
    try:
        for cells in csv.reader(lines, delimiter=separator, strict=True):
            number += 1
            yield number, cells
    except csv.Error as cause:
        problems.append(
            Problem(
                file=file,
                row=number + 1,
                fault=f"the row is not well-formed CSV: {cause}",
                remedy="Look for a quotation mark that is not closed or not doubled.",
            )
        )
