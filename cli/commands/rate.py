"""psdstats rate: size against milling time, and when to stop."""

from __future__ import annotations

import argparse

from psdstats import limits
from psdstats.columns import QUANTITIES

from ..console import Console, present
from ..options import (
    add_margin,
    add_page,
    add_quantity,
    add_sources,
    add_study,
    add_target,
    add_values,
    read_checked,
)

CURVES = ("no change", "constant rate", "power law", "approach to a limit")
SUMMARY = "how fast it grinds: curve of size against time, time to a target, when to stop"
EXAMPLE = "psdstats rate my-trial --target-um 90 --margin 5 --out my-rate"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_quantity(parser, QUANTITIES[:3])
    parser.add_argument(
        "--at-each",
        action="append",
        metavar="COLUMN",
        help="further factor, each of whose levels gets a curve of its own, added to those that "
        "are crossed with milling time, such as ball_ratio; may be repeated",
    )
    parser.add_argument(
        "--together", action="store_true", help="one curve for all runs, whatever their factors"
    )
    parser.add_argument(
        "--curve",
        choices=CURVES,
        metavar="NAME",
        help=f"curve to use: {', '.join(map(repr, CURVES))} (default: the one the information "
        "criterion prefers)",
    )
    add_target(parser)
    add_margin(parser)
    ratio = "powder charged, g: effect of the samples taken out on the ball-to-powder ratio"
    balls = "balls charged, g; not needed where the runs have a ball_ratio"
    add_values(
        parser,
        ("--powder-g", None, "MASS", ratio),
        ("--balls-g", None, "MASS", balls),
        kind=limits.MASS_G,
    )
    add_values(parser, ("--level", 0.95, "P", "confidence level"), kind=limits.LEVEL)
    add_sources(parser)
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Fit, print, write."""
    from psdstats.output.pages.rate import collect_loss, rate_factor, rate_page
    from psdstats.rate import fit_rate

    study, _ = read_checked(options, console)
    with console.stages({"fitting curves": 80, "loss above sieves": 20}):
        console.begin("fitting curves")
        out = rate_factor(study) if options.together else ()
        result = fit_rate(
            study,
            quantity=options.quantity,
            at_each=options.at_each,
            leave_out=out or None,
            curve=options.curve,
            target_um=options.target_um,
            margin_percent=options.margin,
            level=options.level,
            powder_g=options.powder_g,
            balls_g=options.balls_g,
            sources=options.sources,
        )
        console.begin("loss above sieves")
        loss, notes = collect_loss(study, at_each=result.at_each, level=options.level)
    page = rate_page(result, loss, notes=notes, say=options.say)
    return present(page, options, console)
