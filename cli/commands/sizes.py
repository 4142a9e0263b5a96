"""psdstats sizes: D10, D50, D90 and span of every run with their joint uncertainty."""

from __future__ import annotations

import argparse

from ..console import Console, present
from ..options import add_page, add_propagation, add_study, propagate_study, read_checked

SUMMARY = "sizes of every run with uncertainty, and how much of it is the balance"
EXAMPLE = "psdstats sizes my-trial --out my-sizes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_propagation(parser)
    for name, what in (
        (
            "--ratios",
            "ratios of the mean sizes at its levels to those at the first",
        ),
        ("--bootstrap", "bootstrap intervals of the mean sizes at its levels and of their ratios"),
    ):
        parser.add_argument(name, metavar="COLUMN", help=f"column of the run table: {what}")
    parser.add_argument(
        "--joint",
        action="store_true",
        help="with --json, also the joint covariance of each size over the runs (--out has it "
        "always)",
    )
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Propagate, print, write."""
    from psdstats.output.content import Page
    from psdstats.output.pages.sizes import (
        bootstrap_page,
        conditions_page,
        course_drawing,
        covariance_tables,
        ratios_page,
        sizes_page,
    )
    from psdstats.uncertainty import ratio_intervals, undersize_bands
    from psdstats.uncertainty.ratios import level_pairs

    study, _ = read_checked(options, console)
    propagation = propagate_study(study, options, console)
    runs = study.runs_frame()
    bands = undersize_bands(study, sources=propagation.sources, coverage=propagation.coverage)
    page = sizes_page(propagation, runs, bands, options.say)
    page += conditions_page(propagation, runs, options.say)
    page += Page(heading="", blocks=(course_drawing(study, propagation, say=options.say),))
    if options.ratios:
        pairs = level_pairs(study, options.ratios)
        with console.progress("drawing ratios") as progress:
            found = ratio_intervals(
                study,
                pairs.values(),
                method=propagation.method,
                seed=options.seed,
                sources=options.sources,
                coverage=propagation.coverage,
                draws=propagation.draws or None,
                workers=options.workers,
                cluster=options.cluster,
                progress=progress,
            )
        page += ratios_page(found, tuple(pairs), options.ratios, options.say)
    if options.bootstrap:
        page += bootstrap_page(propagation, runs, options.bootstrap, options.say, seed=options.seed)
    held_back = () if options.joint else [one.name for one in covariance_tables(propagation)]
    return present(page, options, console, files_alone=held_back)
