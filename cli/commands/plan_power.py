"""psdstats plan power: what a trial of so many groups, times and replicates would show."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    read_asked,
    sharing,
)
from ..values import powder, several

if TYPE_CHECKING:
    from psdstats.planning import Variation

SUMMARY = "chance of showing a change, and that little was left; the smallest trial"
EXAMPLE = (
    "psdstats plan power --run-percent 2 --drift-percent 2 --change -10 --replicates 1,2,3 "
    "--powder 70,150,300 --apertures 45,63,90,125,180,250,355,500 --resolution 0.1 --sample-g 25"
)

_QUESTIONS = {
    "end": "fallen by the end",
    "each": "each against first",
    "last": "last against first",
}
_SOURCES = (
    ("run", "between repeated runs of one group at one time"),
    ("group", "between groups, the same at all times (default 0)"),
    ("group-time", "between groups in their change, at each time anew (default 0)"),
    ("drift", "between groups in how far they have drifted apart by the last time (default 0)"),
    ("measurement", "of the readings, each run for itself (default 0)"),
    ("sieves", "of the sieves, shared by the runs of a group (default 0)"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--study", type=Path, metavar="STUDY", help="take the variation from this study"
    )
    parser.add_argument("--encoding", metavar="NAME", help="text encoding of the study's CSV files")
    add_quantity(parser, QUANTITIES, "whose variation is taken from the study or weighed")
    add_values(
        parser,
        *(
            (f"--{name}-percent", None, "SD", f"standard deviation {meaning}, per cent of size")
            for name, meaning in _SOURCES
        ),
        kind=limits.SPREAD_PERCENT,
    )
    shown = "change of size from first to last time that shall be shown"
    add_values(parser, ("--change", -10.0, "PERCENT", shown), kind=limits.CHANGE_PERCENT)
    gain = (
        "gain too small to go on for: less shall be shown to be left after a level last step "
        "(default 5; not asked of span, which has no direction)"
    )
    add_values(parser, ("--margin", None, "PERCENT", gain), kind=limits.GAIN_PERCENT)
    add_values(
        parser,
        ("--groups", (4,), "N,N", "numbers of groups to try"),
        ("--time-points", (5,), "N,N", "numbers of times to try"),
        ("--replicates", (1, 2, 3), "N,N", "numbers of replicates to try"),
        kind=several(limits.COUNT),
    )
    parser.add_argument(
        "--question",
        choices=tuple(_QUESTIONS),
        help="finer (or coarser) by the end, one-sided; the last time within each against the "
        "first, two-sided; or the last against the first alone, two-sided (default: end; for span, "
        "which has no direction, last)",
    )
    parser.add_argument(
        "--spread",
        choices=("drifting", "pooled"),
        default="drifting",
        help="whether the analysis lets groups drift apart, where three hold three times, or "
        "takes one spread for all times (default: drifting)",
    )
    add_values(parser, ("--level", 0.95, "P", "confidence level"), kind=limits.PLAN_LEVEL)
    add_values(parser, ("--power", 0.8, "P", "power aimed at"), kind=limits.POWER)
    weighed = (
        "sizes expected, µm: measurement and sieves are then found from simulated weighings on the "
        "stack and balance named by the options that follow"
    )
    add_values(parser, ("--powder", None, "D10,D50,D90", weighed), kind=powder)
    stack = "sieves of each group's stack, µm"
    add_values(parser, ("--apertures", None, "A,B", stack), kind=several(limits.APERTURE_UM))
    add_values(
        parser, ("--resolution", 0.01, "D", "balance resolution, g"), kind=limits.RESOLUTION_G
    )
    add_values(parser, ("--sample-g", 50.0, "MASS", "sample, g"), kind=limits.MASS_G)
    add_weighing(parser)
    add_simulation(parser, trials=2000, what="simulated trials per design")
    add_sharing(parser, "pays with many designs or trials")
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Simulate, print, write."""
    from psdstats.output.pages.planning import power_page
    from psdstats.planning import power

    question, margin = _asked(options)
    variation = _variation(options, console)
    with console.progress("Simulating") as progress:
        result = power(
            variation,
            groups=options.groups,
            times=options.time_points,
            replicates=options.replicates,
            change_percent=options.change,
            margin_percent=margin,
            question=_QUESTIONS[question],
            spread=options.spread,
            alpha=round(1.0 - options.level, 12),
            wanted_power=options.power,
            seek_smallest=True,
            trials=options.trials,
            seed=options.seed,
            progress=progress,
            **sharing(options, console),
        )
    return present(power_page(result, options.say), options, console)


def _asked(options: argparse.Namespace) -> tuple[str, float | None]:
    """The question and the margin: span is asked nothing that needs a direction."""
    from psdstats.comparison.ordered import DEFAULT_MARGIN_PERCENT
    from psdstats.errors import PlanError

    if options.quantity != "span":
        margin = DEFAULT_MARGIN_PERCENT if options.margin is None else options.margin
        return options.question or "end", margin
    if options.question == "end" or options.margin is not None:
        raise PlanError(
            "span has no direction, so neither a fall by the end nor what was left is asked of it; "
            "leave --margin out and ask --question each or last."
        )
    return options.question or "last", None


def _variation(options: argparse.Namespace, console: Console) -> Variation:
    """Variation of the study named or as stated, with its measurement weighed where asked."""
    from psdstats.errors import PlanError
    from psdstats.planning.designs import weighed_variation

    stated = {
        f"{name.replace('-', '_')}_percent": getattr(options, f"{name.replace('-', '_')}_percent")
        for name, _ in _SOURCES
    }
    given = {name: value for name, value in stated.items() if value is not None}
    if (options.powder is None) != (options.apertures is None):
        raise PlanError("--powder and --apertures belong together; give both, or neither.")
    if options.powder is None:
        return _told_variation(options, console, given)
    both = [name for name in ("measurement_percent", "sieves_percent") if name in given]
    if both:
        raise PlanError(
            f"{' and '.join(both)} cannot be given with --powder, which finds it by simulation; "
            "leave one of the two out."
        )
    return weighed_variation(
        _told_variation(options, console, given),
        expected_powder(options.powder),
        options.apertures,
        planned_weighing(options, resolution_g=options.resolution),
        sample_g=options.sample_g,
        quantity=options.quantity,
        seed=options.seed,
    )


def _told_variation(
    options: argparse.Namespace, console: Console, given: dict[str, Any]
) -> Variation:
    """Variation of the study named, or as stated on the command line."""
    from psdstats.errors import PlanError
    from psdstats.planning import Variation, variation_of

    if options.study is not None and given:
        raise PlanError(
            f"both a study and {', '.join(given)} are given; name the study, or state the "
            "variation, not both."
        )
    if options.study is not None:
        from psdstats.study.records import in_order

        return variation_of(in_order(read_asked(options, console)), quantity=options.quantity)
    if "run_percent" not in given:
        raise PlanError(
            "the variation is not known; name a study with --study, or state the standard "
            "deviation of repeated runs with --run-percent."
        )
    return Variation(**given)
