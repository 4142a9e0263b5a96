"""psdstats compare: has it become finer, since when, when to stop, what else mattered."""

from __future__ import annotations

import argparse
from contextlib import nullcontext

from psdstats.columns import QUANTITIES

from ..console import Console, present
from ..in_hand import add_in_hand, compare_hand, read_in_hand
from ..options import (
    add_attained,
    add_comparison,
    add_page,
    add_quantities,
    add_sources,
    add_study,
    add_values,
    attain,
    compare_study,
    read_checked,
)
from ..values import names

SUMMARY = "has it become finer, since when, when to stop, what else mattered"
EXAMPLE = "psdstats compare my-trial --out my-comparison"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    add_quantities(parser, QUANTITIES)
    families = "families of contrasts: some of against-first, successive, all-pairs (default: all)"
    add_values(parser, ("--families", None, "A,B", families), kind=names)
    add_sources(parser)
    add_attained(parser, alone=True)
    add_in_hand(parser)
    add_page(parser)
    parser.add_argument(
        "--checks",
        action="store_true",
        help="also check the models: residuals, what single groups do, common tests, resampled "
        "tests, the fit of another package (takes seconds)",
    )
    parser.add_argument(
        "--resample",
        action="store_true",
        help="an interval of each headline by resampling groups, charges or runs; from the "
        "readings alone where there are fewer than four",
    )


def run(options: argparse.Namespace, console: Console) -> int:
    """Compare, print, write."""
    from psdstats.uncertainty.law import curves_beside

    families = options.families and [one.replace("-", " ") for one in options.families]
    values = read_in_hand(options, console)
    study = None if values is not None else read_checked(options, console)[0]
    with nullcontext() if study is None else curves_beside(study, options.sources):
        from psdstats.output.pages.comparison import comparison_page

    with console.stages({"comparing": 1}):
        console.begin("comparing")
        if values is not None:
            comparison = compare_hand(values, options, families)
        elif study is not None:
            quantities = options.quantity or QUANTITIES
            comparison = compare_study(study, options, families=families, quantities=quantities)
    page = comparison_page(comparison, options.say)
    if options.checks:
        from psdstats.output.pages.checks import model_checks_page

        page += model_checks_page(comparison, options.say, thorough=True)
    if options.resample:
        from psdstats.output.pages.checks import resampled_page

        page += resampled_page(comparison, seed=options.seed)
    attained = attain(comparison, options, console)
    if attained is not None:
        from psdstats.output.pages.checks import attained_page

        page += attained_page(attained, options.say)
    return present(page, options, console)
