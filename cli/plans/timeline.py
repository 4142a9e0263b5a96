"""psdstats plan timeline: milling, sieving and cleaning side by side, as table and calendar."""

from __future__ import annotations

import argparse

from ..console import Console
from ..options import add_page, names, numbers
from ..writing import present
from .options import add_simulation, moment

SUMMARY = "a bench plan for one mill and one shaker, as table, figure and calendar file"
EXAMPLE = (
    "psdstats plan timeline --times 0,6,12,24,48 --charges 2 --start 2026-01-05T08:30 --out plan"
)

_STEPS = (
    ("load-charge", "charging jar and balls"),
    ("sample", "stopping, taking one sample, closing"),
    ("empty-mill", "emptying and cleaning the mill"),
    ("weigh-empty", "weighing the empty sieves"),
    ("load-stack", "loading the stack"),
    ("shake", "shaking, unattended"),
    ("weigh-full", "weighing the fractions"),
    ("clean-sieves", "brushing the sieves clean"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--times",
        type=numbers,
        required=True,
        metavar="T,T",
        help="milling times at which samples are taken, min; 0 is the unmilled powder",
    )
    charges = parser.add_mutually_exclusive_group()
    charges.add_argument(
        "--charges",
        type=int,
        default=1,
        metavar="N",
        help="how many charges are milled (default 1)",
    )
    charges.add_argument(
        "--charge-names", type=names, metavar="A,B", help="names of the charges, in order"
    )
    parser.add_argument(
        "--fresh-charge",
        action="store_true",
        help="mill every time from the start with a charge of its own",
    )
    parser.add_argument(
        "--start",
        type=moment,
        metavar="MOMENT",
        help="beginning of the first day, such as 2026-01-05T08:30",
    )
    parser.add_argument(
        "--day-hours",
        type=float,
        metavar="HOURS",
        help="longest working day; charges that do not fit go to the next (default: one stretch)",
    )
    for name, meaning in _STEPS:
        parser.add_argument(
            f"--{name}-min", type=float, metavar="MIN", help=f"minutes for {meaning}"
        )
    parser.add_argument(
        "--tares-once",
        action="store_true",
        help="weigh the empty sieves before the first sample only",
    )
    parser.add_argument(
        "--title", default="Milling trial", metavar="TEXT", help="name of the calendar"
    )
    parser.add_argument(
        "--attended-only",
        action="store_true",
        help="leave the steps that run by themselves out of the calendar",
    )
    parser.add_argument(
        "--spread-percent",
        type=float,
        default=15.0,
        metavar="PERCENT",
        help="standard deviation of a hands-on step from day to day, per cent of its minutes "
        "(default 15; 0: no simulation)",
    )
    add_simulation(parser, trials=2000, what="simulated days, for the time by which 9 of 10 end")
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Plan, print with cautions, write table, figure and calendar."""
    from psdstats.output.pages.planning import timeline_page
    from psdstats.planning.bench import BenchTimes, timeline

    fields = [f"{name.replace('-', '_')}_min" for name, _ in _STEPS]
    stated = {name: getattr(options, name) for name in fields}
    minutes = {name: value for name, value in stated.items() if value is not None}
    moments = {} if options.start is None else {"start": options.start}
    plan = timeline(
        options.times,
        charges=options.charge_names or options.charges,
        bench=BenchTimes(
            tares_once=options.tares_once, spread_percent=options.spread_percent, **minutes
        ),
        fresh_charge_each_time=options.fresh_charge,
        day_min=None if options.day_hours is None else 60 * options.day_hours,
        title=options.title,
        simulated_days=options.trials,
        seed=options.seed,
        **moments,
    )
    page = timeline_page(plan, attended_only=options.attended_only, say=options.say)
    return present(page, options, console)
