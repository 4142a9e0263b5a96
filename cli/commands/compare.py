"""psdstats compare: did time, group or ball ratio change the size, and by how much."""

from __future__ import annotations

import argparse

from ..console import Console, present
from ..options import (
    add_comparison,
    add_page,
    add_propagation,
    add_study,
    compare_study,
    propagate_study,
    read_checked,
)

SUMMARY = "compare milling times, groups or ball ratios, with verdicts in plain words"
EXAMPLE = "psdstats compare my-trial --by milling_time_min --within group --out my-comparison"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    parser.add_argument(
        "--family",
        action="append",
        metavar="NAME",
        help="family of contrasts: against-first, successive or all-pairs; may be repeated "
        "(default: all that the levels allow)",
    )
    add_propagation(parser)
    add_page(parser)
    parser.add_argument(
        "--checks",
        action="store_true",
        help="also check the models: residuals, what single groups do, common tests, resampled "
        "tests, the fit of another package (takes seconds)",
    )


def run(options: argparse.Namespace, console: Console) -> int:
    """Compare, print, write."""
    from psdstats.output.pages.comparison import comparison_page
    from psdstats.uncertainty.registry import measurement_sources

    study, _ = read_checked(options, console)
    sources = measurement_sources(study, options.sources)
    with console.stages({"comparing": 40, "drawing readings": 60}):
        console.begin("comparing")
        comparison = compare_study(
            study,
            options,
            lambda: propagate_study(study, options, console, sources=sources),
            families=options.family and [one.replace("-", " ") for one in options.family],
        )
    page = comparison_page(comparison, options.say)
    if options.checks:
        from psdstats.output.pages.model_checks import model_checks_page

        page += model_checks_page(comparison, options.say, thorough=True)
    return present(page, options, console)
