"""psdstats plan precision: balance and sample that a wanted uncertainty asks for."""

from __future__ import annotations

import argparse

from psdstats import limits
from psdstats.columns import QUANTITIES

from ..console import Console, present
from ..options import (
    add_page,
    add_quantity,
    add_sharing,
    add_simulation,
    add_values,
    add_weighing,
    expected_powder,
    planned_weighing,
    sharing,
)
from ..values import powder, several

SUMMARY = "balance resolution and sample mass for a wanted uncertainty of a size"
EXAMPLE = (
    "psdstats plan precision --powder 70,150,300 --apertures 45,63,90,125,180,250,355,500 "
    "--density 2.7 --wanted 1"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_values(parser, ("--powder", ..., "D10,D50,D90", "sizes expected, µm"), kind=powder)
    stack = ("--apertures", ..., "A,B", "sieves of the stack, µm")
    add_values(parser, stack, kind=several(limits.APERTURE_UM))
    tried = ("--resolution", (0.1, 0.01, 0.001), "D,D", "balance resolutions to try, g")
    add_values(parser, tried, kind=several(limits.RESOLUTION_G))
    masses = ("--sample-g", (10.0, 25.0, 50.0, 100.0), "M,M", "sample masses to try, g")
    add_values(parser, masses, kind=several(limits.MASS_G))
    add_quantity(parser, QUANTITIES[:3])
    change = parser.add_mutually_exclusive_group()
    stated = "change of all sizes to plan for, per cent (default: -10)"
    add_values(change, ("--change", None, "PERCENT", stated), kind=limits.CHANGE_PERCENT)
    after = "sizes that the powder changes to, µm"
    add_values(change, ("--to", None, "D10,D50,D90", after), kind=powder)
    wanted = "wanted standard uncertainty of the size, per cent"
    add_values(parser, ("--wanted", 1.0, "PERCENT", wanted), kind=limits.DECLARED_PERCENT)
    add_weighing(parser, density=...)
    add_simulation(
        parser, trials=256, what="simulated stacks a cell, two samples of each powder on each"
    )
    add_sharing(parser, "pays with thousands of stacks a cell")
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Plan, print, write."""
    from psdstats.output.pages.planning import precision_page
    from psdstats.planning import precision

    weighing = planned_weighing(options, resolution_g=min(options.resolution))
    with console.progress("Simulating") as progress:
        plan = precision(
            expected_powder(options.powder),
            options.apertures,
            wanted_percent=options.wanted,
            to=options.change if options.to is None else expected_powder(options.to),
            weighing=weighing,
            quantity=options.quantity,
            resolution_g=options.resolution,
            sample_g=options.sample_g,
            trials=options.trials,
            seed=options.seed,
            progress=progress,
            **sharing(options, console, len(options.resolution) * len(options.sample_g)),
        )
    return present(precision_page(plan, options.say), options, console)
