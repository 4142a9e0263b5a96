"""psdstats budget: which source makes which share of the uncertainty, and what would help."""

from __future__ import annotations

import argparse

from psdstats.columns import TIME

from ..console import Console
from ..options import add_json, add_sources, add_study, add_writing
from ..parsing import read_checked
from ..writing import print_sentences, print_table, records, remark_notes, write_result

SUMMARY = "where the uncertainty comes from, and what a better balance or sieve would buy"
EXAMPLE = "psdstats budget my-trial --out my-budget"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    parser.add_argument(
        "--by",
        metavar="COLUMN",
        default=TIME,
        help="column between whose levels differences are taken (default: milling time)",
    )
    add_sources(parser)
    add_writing(parser)
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Divide the variance, print, write."""
    from psdstats.output.pages.budget import (
        budget_files,
        budget_notes,
        budget_sentences,
        budget_tables,
        shares_drawing,
    )
    from psdstats.uncertainty import budget

    study, _ = read_checked(options, console)
    found = budget(study, by=options.by, sources=options.sources)
    tables, files = budget_tables(found), budget_files(found)
    sentences, notes = budget_sentences(found), budget_notes(found)
    console.document(
        {
            "sentences": list(sentences),
            **{table.key: records(table) for table in files},
            "notes": list(notes),
        }
    )
    print_sentences(sentences, options, console)
    for table in tables:
        console.say()
        print_table(table, options, console)
    remark_notes(notes, options, console)
    write_result(options, console, tables=[*tables, *files], drawings=[shares_drawing(found)])
    return 0
