"""psdstats budget: which source makes which share of the uncertainty, and what would help."""

from __future__ import annotations

import argparse

from psdstats.columns import TIME

from ..console import Console, present
from ..options import add_page, add_sources, add_study, read_checked

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
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Divide the variance, print, write."""
    from psdstats.output.pages.budget import budget_page
    from psdstats.uncertainty import budget

    study, _ = read_checked(options, console)
    found = budget(study, by=options.by, sources=options.sources)
    return present(budget_page(found, options.say), options, console)
