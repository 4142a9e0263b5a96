"""Showing the parts of a result: JSON or words, the first tables, notes, cautions, files.

Printing a result and writing its tables and figures, the same way for every command.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from psdstats.errors import OutputError

from .console import Console

if TYPE_CHECKING:
    from psdstats.output.content import Drawing
    from psdstats.output.pages.parts import PageParts
    from psdstats.output.tables.table import Table

__all__ = [
    "add_all_tables",
    "ensure_free",
    "present",
    "print_sentences",
    "print_table",
    "records",
    "remark_notes",
    "write_result",
]


def add_all_tables(parser: argparse.ArgumentParser) -> None:
    """Whether every table is printed."""
    parser.add_argument(
        "--all-tables", action="store_true", help="print every table, not only the first ones"
    )


def present(parts: PageParts, options: argparse.Namespace, console: Console) -> int:
    """Print the parts as the options ask, write them where --out says; exit code 0."""
    console.document(
        {
            "sentences": list(parts.sentences),
            **{table.key: records(table) for table in parts.tables},
            "notes": list(parts.notes),
            **({"cautions": list(parts.cautions)} if parts.cautions else {}),
        }
    )
    print_sentences(parts.sentences, options, console)
    shown: Sequence[Table] = parts.tables if options.all_tables else parts.first
    for table in shown:
        console.say()
        print_table(table, options, console)
    told = {table.name for table in shown}
    left = [table.name for table in parts.tables if table.name not in told]
    if left:
        console.remark(f"\nNot shown: {', '.join(left)}. Add --all-tables to print them.")
    remark_notes(parts.notes, options, console)
    for caution in parts.cautions:
        console.say(f"Caution: {caution}")
    write_result(options, console, tables=parts.tables, drawings=parts.drawings, texts=parts.texts)
    return 0


SPARE = ("detectable_decrease_percent", "change_percent", "uses")
"""Columns that a terminal can do without: the files hold them, sentences say them."""


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


def print_sentences(
    sentences: Iterable[str], options: argparse.Namespace, console: Console
) -> None:
    """Print sentences with the decimal sign asked for."""
    from psdstats.words.numbers import sentence_with_sign

    for sentence in sentences:
        console.say(sentence_with_sign(sentence, options.decimal))


def remark_notes(notes: Iterable[str], options: argparse.Namespace, console: Console) -> None:
    """Print notes, which --quiet leaves out, with the decimal sign asked for."""
    from psdstats.words.numbers import sentence_with_sign

    for note in notes:
        console.remark(sentence_with_sign(f"Note: {note}", options.decimal))


def print_table(
    table: Table,
    options: argparse.Namespace,
    console: Console,
) -> None:
    """Print a table no wider than the terminal; `SPARE` columns go first where not all fit."""
    from psdstats.output.pages.parts import table_with_sign
    from psdstats.output.tables.terminal import to_terminal

    shown = table_with_sign(table, options.decimal)
    text = to_terminal(shown, width=console.width, decimal=options.decimal, spare=SPARE)
    console.verbatim(text.rstrip("\n"))


def records(table: Table) -> list[dict[str, object]]:
    """Rows of a table for JSON: full precision, None for what is missing or not finite."""
    return [{name: _for_json(value) for name, value in row.items()} for row in table.rows()]


def write_result(
    options: argparse.Namespace,
    console: Console,
    *,
    tables: Sequence[Table],
    drawings: Iterable[Drawing] = (),
    texts: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Write tables, figures and texts (by file name) into --out, or say how to have them."""
    if options.out is None:
        console.remark("Add --out DIR to have the tables and figures as files.")
        return
    from psdstats.files import write_folder_atomically
    from psdstats.output.bundle import write_drawings, write_tables
    from psdstats.output.pages.parts import drawings_with_sign, table_with_sign

    def write(folder: Path) -> None:
        (folder / "tables").mkdir()
        signed = [table_with_sign(table, options.decimal) for table in tables]
        write_tables(folder / "tables", signed, decimal=options.decimal)
        made = drawings_with_sign(drawings, options.decimal)
        if made:
            (folder / "figures").mkdir()
            write_drawings(folder / "figures", made)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="")

    target = write_folder_atomically(options.out, write, replace=options.replace)
    console.remark(f"Wrote tables and figures to {target}")


def _for_json(value: object) -> object:
    if isinstance(value, float) and not (abs(value) < float("inf")):
        return None
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return None if value != value else str(value)
