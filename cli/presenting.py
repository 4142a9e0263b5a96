"""Showing the parts of a result: JSON or words, the first tables, notes, cautions, files."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .console import Console
from .writing import print_sentences, print_table, records, remark_notes, write_result

if TYPE_CHECKING:
    from psdstats.output.pages.parts import PageParts
    from psdstats.output.tables import Table

__all__ = ["add_all_tables", "present"]


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
