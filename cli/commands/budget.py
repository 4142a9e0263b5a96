"""psdstats budget: which source makes which share of the uncertainty, and what would help."""

from __future__ import annotations

import argparse

from psdstats.columns import QUANTITIES, TIME

from ..console import Console, present
from ..options import add_page, add_quantity, add_sources, add_study, read_checked

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
    parser.add_argument(
        "--run",
        dest="run_name",
        metavar="RUN",
        help="show the budget of one size of one run instead, input by input",
    )
    add_quantity(parser, QUANTITIES, "of that run")
    add_sources(parser)
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Divide the variance, print, write."""
    from psdstats.output.content import Page
    from psdstats.output.pages import budget as pages
    from psdstats.uncertainty import budget, propagate
    from psdstats.uncertainty.budget import input_budget
    from psdstats.uncertainty.law import prepare

    study, _ = read_checked(options, console)
    if options.run_name is None:
        found = budget(study, by=options.by, sources=options.sources)
        return present(pages.budget_page(found, options.say), options, console)
    inputs = input_budget(prepare(study, sources=options.sources))
    sizes = propagate(study, method="linear", sources=options.sources)
    named = (options.run_name, options.quantity)
    page = pages.run_budget_page(inputs, sizes, *named, options.say)
    traced = (pages.balances_table(study), pages.sieves_table(study))
    return present(page + Page(heading=page.heading, blocks=traced), options, console)
