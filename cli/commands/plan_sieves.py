"""psdstats plan sieves: which sieves of a standard series make the stack."""

from __future__ import annotations

import argparse

from psdstats import limits

from ..console import Console, present
from ..options import (
    add_page,
    add_sharing,
    add_simulation,
    add_values,
    add_weighing,
    expected_powder,
    planned_weighing,
    sharing,
)
from ..values import powder

SUMMARY = "a stack of standard sieves for the powders a trial will meet"
EXAMPLE = (
    "psdstats plan sieves --powder unmilled=150,250,400 --powder milled=45,110,210 --sample-g 50"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--powder",
        type=powder,
        action="append",
        required=True,
        metavar="NAME=D10,D50,D90",
        help="sizes expected, µm; repeat for each powder, the unmilled and the finest at least",
    )
    series = "series to choose from: R20/3, R40/3 or R20"
    add_values(parser, ("--series", "R20/3", "NAME", series), kind=str)
    add_values(
        parser,
        ("--finest", 20.0, "SIZE", "finest sieve at hand, µm"),
        ("--coarsest", 16_000.0, "SIZE", "coarsest sieve, µm"),
        kind=limits.APERTURE_UM,
    )
    add_values(parser, ("--sample-g", 50.0, "MASS", "sample, g"), kind=limits.MASS_G)
    frame = ("--frame-mm", 200.0, "SIZE", "diameter of the sieve frames, mm")
    add_values(parser, frame, kind=limits.LENGTH_MM)
    balance = ("--resolution", 0.01, "D", "resolution of the balance for the stack tried out, g")
    add_values(parser, balance, kind=limits.RESOLUTION_G)
    fewest = "number of sieves (default: the fewest that keep the fullest class small)"
    add_values(
        parser,
        ("--sieve-count", None, "N", fewest),
        ("--most", 8, "N", "sieves the shaker takes besides the pan"),
        kind=limits.COUNT,
    )
    fullest = "share of the sample aimed at for the fullest class"
    add_values(parser, ("--fullest", 0.30, "SHARE", fullest), kind=limits.SHARE)
    add_weighing(parser)
    add_simulation(
        parser, trials=1000, what="simulated stacks, two samples of every powder on each"
    )
    add_sharing(parser, "pays with thousands of stacks")
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Choose, try out, print, write."""
    from psdstats.errors import PlanError
    from psdstats.output.pages.planning import stack_page
    from psdstats.planning import choose_sieves
    from psdstats.sieves import series

    names = [name for name, _ in options.powder]
    if len(set(names)) < len(names):
        raise PlanError(f"powders are named {', '.join(names)}; give each a name of its own.")
    choice = choose_sieves(
        [expected_powder(one) for one in options.powder],
        series(options.series, finest_um=options.finest, coarsest_um=options.coarsest),
        sieves=options.sieve_count,
        most_sieves=options.most,
        sample_g=options.sample_g,
        frame_diameter_mm=options.frame_mm,
        fullest_share=options.fullest,
        weighing=planned_weighing(options, resolution_g=options.resolution),
        trials=options.trials,
        seed=options.seed,
        **sharing(options, console, len(names)),
    )
    return present(stack_page(choice, options.say), options, console)
