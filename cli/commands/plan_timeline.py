"""psdstats plan timeline: milling, sieving and cleaning side by side, as table and calendar."""

from __future__ import annotations

import argparse

from psdstats import limits

from ..console import Console, present
from ..options import add_page, add_simulation, add_values
from ..values import moment, names, several

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
    times = "milling times at which samples are taken, min; 0 is the unmilled powder"
    add_values(parser, ("--times", ..., "T,T", times), kind=several(limits.STEP_MIN))
    charges = parser.add_mutually_exclusive_group()
    add_values(charges, ("--charges", 1, "N", "how many charges are milled"), kind=limits.COUNT)
    named = "names of the charges, in order"
    add_values(charges, ("--charge-names", None, "A,B", named), kind=names)
    start = "beginning of the first day, such as 2026-01-05T08:30"
    add_values(parser, ("--start", None, "MOMENT", start), kind=moment)
    for flag, meaning in (
        ("--fresh-charge", "mill every time from the start with a charge of its own"),
        ("--tares-once", "weigh the empty sieves before the first sample only"),
        ("--attended-only", "leave the steps that run by themselves out of the calendar"),
    ):
        parser.add_argument(flag, action="store_true", help=meaning)
    add_values(parser, ("--title", "Milling trial", "TEXT", "name of the calendar"), kind=str)
    day = "longest working day; charges that do not fit go to the next (default: one stretch)"
    add_values(parser, ("--day-hours", None, "HOURS", day), kind=limits.DAY_HOURS)
    steps = ((f"--{name}-min", None, "MIN", f"minutes for {what}") for name, what in _STEPS)
    add_values(parser, *steps, kind=limits.STEP_MIN)
    spread = (
        "standard deviation of a hands-on step from day to day, per cent of its minutes; 0: no "
        "simulation"
    )
    varied = ("--spread-percent", 15.0, "PERCENT", spread)
    add_values(parser, varied, kind=limits.SPREAD_PERCENT)
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
