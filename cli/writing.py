"""Showing the page of a result: JSON or words, the first tables, notes, cautions, files.

Printing a result and writing its tables and figures, the same way for every command.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.errors import OutputError

from .console import Console

if TYPE_CHECKING:
    from psdstats.output.content import Page
    from psdstats.output.tables.table import Table

__all__ = [
    "ensure_free",
    "present",
    "print_table",
    "records",
    "write_result",
]


def present(page: Page, options: argparse.Namespace, console: Console) -> int:
    """Print a page as the options ask, write it where --out says; exit code 0."""
    console.document(
        {
            "sentences": list(page.sentences),
            **{table.key: records(table) for table in page.tables},
            "notes": list(page.notes),
            **({"cautions": list(page.cautions)} if page.cautions else {}),
        }
    )
    for sentence in page.sentences:
        console.say(sentence)
    shown = page.tables if options.all_tables else page.first
    for table in shown:
        console.say()
        print_table(table, options, console)
    left = [table.name for table in page.tables if table not in shown]
    if left:
        console.remark(f"\nNot shown: {', '.join(left)}. Add --all-tables to print them.")
    for note in page.notes:
        console.remark(f"Note: {note}")
    for caution in page.cautions:
        console.say(f"Caution: {caution}")
    write_result(page, options, console)
    return 0


def ensure_free(place: Path, *, replace: bool, remedy: str = ", or add --replace") -> None:
    """Refuse a folder that holds something before any work is done, not after.

    Parameters
    ----------
    place : Path
        Output folder.
    replace : bool
        Whether what stands there may be replaced; then writing itself judges.
    remedy : str
        How to have it replaced, after "Choose another name".

    Raises
    ------
    OutputError
        If the folder holds something and may not be replaced.
    """
    if not replace and place.is_dir() and any(place.iterdir()):
        raise OutputError(f"{place.resolve()} exists already. Choose another name{remedy}.")


def print_table(
    table: Table,
    options: argparse.Namespace,
    console: Console,
) -> None:
    """Print a table no wider than the terminal."""
    from psdstats.output.tables.terminal import to_terminal

    text = to_terminal(table, options.say, width=console.width)
    console.verbatim(text.rstrip("\n"))


def records(table: Table) -> list[dict[str, object]]:
    """Rows of a table for JSON: full precision, None for what is missing or not finite."""
    return [{name: _for_json(value) for name, value in row.items()} for row in table.rows()]


def write_result(page: Page, options: argparse.Namespace, console: Console) -> None:
    """Write tables, figures and texts (by file name) into --out, or say how to have them."""
    if options.out is None:
        console.remark("Add --out DIR to have the tables and figures as files.")
        return
    from psdstats.files import write_folder_atomically
    from psdstats.output.bundle import write_drawings, write_tables

    def write(folder: Path) -> None:
        (folder / "tables").mkdir()
        write_tables(folder / "tables", page.tables, options.say)
        if page.drawings:
            (folder / "figures").mkdir()
            write_drawings(folder / "figures", page.drawings)
        for name, text in page.texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="")

    target = write_folder_atomically(options.out, write, replace=options.replace)
    console.remark(f"Wrote tables and figures to {target}")


def _for_json(value: object) -> object:
    if isinstance(value, float) and not (abs(value) < float("inf")):
        return None
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return None if value != value else str(value)
