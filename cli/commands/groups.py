"""psdstats groups: do the groups agree, and did the whole distribution change."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from psdstats.columns import QUANTITIES, TIME
from psdstats.limits import LEVEL

from ..console import Console, present
from ..options import (
    add_margin,
    add_page,
    add_propagation,
    add_quantity,
    add_study,
    add_values,
    propagate_study,
    read_checked,
)

if TYPE_CHECKING:
    from psdstats.output.content import Page
    from psdstats.study import Study

SUMMARY = "do the groups agree, which size classes moved, which curve fits"
EXAMPLE = "psdstats groups my-trial --margin 5 --whole --out my-groups"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_quantity(parser, QUANTITIES, "the groups are compared in")
    add_margin(parser)
    level = ("--level", 0.95, "P", "confidence level, joint over the groups")
    add_values(parser, level, kind=LEVEL)
    parser.add_argument(
        "--raw", action="store_true", help="precision in units of the size, not per cent of it"
    )
    parser.add_argument(
        "--whole",
        action="store_true",
        help="test the whole distribution too, and show which size classes moved",
    )
    parser.add_argument(
        "--by",
        default=TIME,
        metavar="COLUMN",
        help="column whose levels --whole compares (default: milling time)",
    )
    parser.add_argument(
        "--fits",
        action="store_true",
        help="fit three distributions to every run too, with goodness of fit, fineness class and "
        "mean sizes",
    )
    add_propagation(parser)
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Judge the groups, then what else was asked; print, write."""
    from psdstats.output.pages.groups import collect_groups, groups_page, stated_margin
    from psdstats.uncertainty.inputs import measurement_sources

    study, _ = read_checked(options, console)
    wanted = {"drawing readings": 30, "judging the groups": 25}
    wanted |= {"whole distributions": 10} if options.whole else {}
    wanted |= {"fitting distributions": 35} if options.fits else {}
    with console.stages(wanted):
        sources = measurement_sources(study, options.sources)
        known = propagate_study(study, options, console, sources=sources)
        console.begin("judging the groups")
        results = collect_groups(
            study,
            known,
            quantity=options.quantity,
            scale="raw" if options.raw else "log",
            margin_percent=stated_margin(study) if options.margin is None else options.margin,
            level=options.level,
        )
        page = groups_page(results, options.say)
        if options.whole:
            console.begin("whole distributions")
            page += _whole(study, options)
        if options.fits:
            console.begin("fitting distributions")
            page += _fits(study, options)
    return present(page, options, console)


def _whole(study: Study, options: argparse.Namespace) -> Page:
    from psdstats.comparison.whole import compare_distributions
    from psdstats.output.pages.whole_distribution import whole_page

    found = compare_distributions(
        study,
        by=options.by,
        within=None if options.by == "group" else "group",
        level=options.level,
        seed=options.seed,
    )
    return whole_page(found, options.say)


def _fits(study: Study, options: argparse.Namespace) -> Page:
    from psdstats.comparison.whole import curve_points, fit_study
    from psdstats.distribution.moments import fineness_table
    from psdstats.output.pages.sizes import moments_page
    from psdstats.output.pages.whole_distribution import fits_page

    points = curve_points(study, sources=options.sources)
    fits = fit_study(study, sources=options.sources)
    fitted = fits_page(fits, points, study.runs_frame(), fineness_table(study), options.say)
    return fitted + moments_page(study)
