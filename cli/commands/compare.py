"""psdstats compare: did time, group or ball ratio change the size, and by how much."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from ..console import Console
from ..options import (
    add_comparison,
    add_json,
    add_propagation,
    add_study,
    add_writing,
    compare_study,
    propagate_study,
)
from ..parsing import read_checked
from ..writing import (
    add_all_tables,
    print_sentences,
    print_table,
    records,
    remark_notes,
    write_result,
)

if TYPE_CHECKING:
    from psdstats.output.tables.table import Table

SUMMARY = "compare milling times, groups or ball ratios, with verdicts in plain words"
EXAMPLE = "psdstats compare my-trial --by milling_time_min --within group --out my-comparison"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    add_all_tables(parser)
    add_propagation(parser)
    add_writing(parser)
    add_json(parser)


def _short(tables: list[Table]) -> list[Table]:
    """The first family of effects and what else varies."""
    effects = [table for table in tables if table.name.startswith("effects")]
    return [*effects[:1], *(table for table in tables if table.name == "variance components")]


def run(options: argparse.Namespace, console: Console) -> int:
    """Compare, print, write."""
    from psdstats.comparison.compare import measurement_sources
    from psdstats.output.content import Drawing
    from psdstats.output.pages.comparison import (
        comparison_files,
        comparison_notes,
        comparison_section,
    )
    from psdstats.output.tables.table import Table

    study, _ = read_checked(options, console)
    with console.stages({"drawing readings": 60, "comparing": 40}):
        sources = measurement_sources(study, options.sources)
        known = propagate_study(study, options, console, sources=sources)
        console.begin("comparing")
        comparison = compare_study(study, options, known)
    section = comparison_section(comparison)
    tables = [block for block in section.blocks if isinstance(block, Table)]
    tables += comparison_files(comparison)
    notes = comparison_notes(comparison)
    console.document(
        {
            "sentences": list(comparison.headlines),
            **{table.key: records(table) for table in tables},
            "notes": list(notes),
        }
    )
    print_sentences(comparison.headlines, options, console)
    shown = tables if options.all_tables else _short(tables)
    for table in shown:
        console.say()
        print_table(table, options, console)
    if len(shown) < len(tables):
        names = ", ".join(table.name for table in tables if table not in shown)
        console.remark(f"\nNot shown: {names}. Add --all-tables to print them.")
    remark_notes(notes, options, console)
    drawings = [block for block in section.blocks if isinstance(block, Drawing)]
    write_result(options, console, tables=tables, drawings=drawings)
    return 0
