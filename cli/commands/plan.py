"""psdstats plan: the next trial, before any powder is weighed."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from psdstats import limits
from psdstats.columns import QUANTITIES

from ..console import Console, present
from ..main import CommandParser, add_command
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
from ..values import ball_sizes, moment, names, powder, several

if TYPE_CHECKING:
    from psdstats.planning import Variation

SUMMARY = "plan the next trial: power, precision, sieves, mill charge, bench timeline"
EXAMPLE = "psdstats plan power --study my-trial --change -10 --groups 3,4 --replicates 1,2,3"


def add_arguments(parser: CommandParser) -> None:
    """Declare one subcommand a plan."""
    plans = parser.add_subparsers(
        dest="plan",
        metavar="PLAN",
        required=True,
        help="what to plan; each has a --help of its own",
    )
    for name, plan in PLANS.items():
        add_command(plans, name, plan).set_defaults(make_plan=plan.run)


def run(options: argparse.Namespace, console: Console) -> int:
    """Make the plan that was asked for."""
    code: int = options.make_plan(options, console)
    return code


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


class Power:
    """psdstats plan power: what a trial of so many groups, times and replicates would show."""

    SUMMARY = "chance of showing a change, and that little was left; the smallest trial"
    EXAMPLE = (
        "psdstats plan power --run-percent 2 --drift-percent 2 --change -10 --replicates 1,2,3 "
        "--powder 70,150,300 --apertures 45,63,90,125,180,250,355,500 --resolution 0.1 "
        "--sample-g 25"
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        parser.add_argument(
            "--study", type=Path, metavar="STUDY", help="take the variation from this study"
        )
        parser.add_argument(
            "--encoding", metavar="NAME", help="text encoding of the study's CSV files"
        )
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
            "first, two-sided; or the last against the first alone, two-sided (default: end; for "
            "span, which has no direction, last)",
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
            "sizes expected, µm: measurement and sieves are then found from simulated weighings on "
            "the stack and balance named by the options that follow"
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

    @staticmethod
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


class Precision:
    """psdstats plan precision: balance and sample that a wanted uncertainty asks for."""

    SUMMARY = "balance resolution and sample mass for a wanted uncertainty of a size"
    EXAMPLE = (
        "psdstats plan precision --powder 70,150,300 --apertures 45,63,90,125,180,250,355,500 "
        "--wanted 1"
    )

    @staticmethod
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
        add_weighing(parser)
        add_simulation(
            parser, trials=256, what="simulated stacks a cell, two samples of each powder on each"
        )
        add_sharing(parser, "pays with thousands of stacks a cell")
        add_page(parser)

    @staticmethod
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


class Sieves:
    """psdstats plan sieves: which sieves of a standard series make the stack."""

    SUMMARY = "a stack of standard sieves for the powders a trial will meet"
    EXAMPLE = (
        "psdstats plan sieves --powder unmilled=150,250,400 --powder milled=45,110,210 "
        "--sample-g 50"
    )

    @staticmethod
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
        balance = (
            "--resolution",
            0.01,
            "D",
            "resolution of the balance for the stack tried out, g",
        )
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

    @staticmethod
    def run(options: argparse.Namespace, console: Console) -> int:
        """Choose, try out, print, write."""
        from psdstats.errors import PlanError
        from psdstats.output.pages.planning import stack_page
        from psdstats.planning import choose_sieves
        from psdstats.sieves import series

        names = [name for name, _ in options.powder]
        if len(set(names)) < len(names):
            raise PlanError(
                f"--powder has the names {', '.join(names)}; give each powder its own, as in "
                "--powder feed=60,150,300."
            )
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


class Charge:
    """psdstats plan charge: balls, powder and speed for one jar, with the usual cautions."""

    SUMMARY = "ball masses and counts, powder and speed for one jar, with cautions"
    EXAMPLE = (
        "psdstats plan charge --jar-mm 150 --jar-ml 2000 --balls 20:2,10:1 --ball-density 7.8 "
        "--ball-to-powder 5"
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        add_values(
            parser,
            ("--jar-mm", ..., "VALUE", "inner diameter of the jar, mm"),
            ("--outer-mm", None, "VALUE", "outer diameter of the jar, mm"),
            (
                "--roller-mm",
                None,
                "VALUE",
                "diameter of the rollers, mm; with --outer-mm: their speed",
            ),
            kind=limits.LENGTH_MM,
        )
        volume = ("--jar-ml", ..., "VALUE", "inner volume of the jar, mL")
        add_values(parser, volume, kind=limits.VOLUME_ML)
        loose = "loose bulk density of the powder, g/cm³: how full the voids are"
        add_values(
            parser,
            ("--ball-density", ..., "VALUE", "density of the balls, g/cm³"),
            ("--bulk-density", None, "VALUE", loose),
            kind=limits.DENSITY,
        )
        turning = "speed of the jar (default: a share of the critical speed)"
        add_values(parser, ("--speed-rpm", None, "VALUE", turning), kind=limits.SPEED_RPM)
        ratio = ("--ball-to-powder", 10.0, "RATIO", "ball mass over powder mass")
        add_values(parser, ratio, kind=limits.PARTS)
        fraction = "share of the critical speed of the smallest ball"
        add_values(parser, ("--speed-fraction", 0.70, "SHARE", fraction), kind=limits.SPEED_SHARE)
        diameters = "ball diameters in mm with parts by mass, such as 20:2,10:1"
        add_values(parser, ("--balls", ..., "MM:PARTS,…", diameters), kind=ball_sizes)
        add_values(
            parser,
            ("--fill", 0.35, "SHARE", "share of the jar taken by the bed of balls, voids included"),
            ("--voidage", 0.40, "SHARE", "share of voids in the bed of balls"),
            kind=limits.SHARE,
        )
        add_page(parser)

    @staticmethod
    def run(options: argparse.Namespace, console: Console) -> int:
        """Compute the charge, print it with its cautions, write."""
        from psdstats.output.pages.planning import charge_page
        from psdstats.planning.bench import Balls, Jar, mill_charge

        jar = Jar(
            diameter_mm=options.jar_mm,
            volume_ml=options.jar_ml,
            outer_diameter_mm=options.outer_mm,
            roller_diameter_mm=options.roller_mm,
        )
        charge = mill_charge(
            jar,
            [
                Balls(diameter_mm=size, density_g_per_cm3=options.ball_density, parts=parts)
                for size, parts in options.balls
            ],
            ball_fill=options.fill,
            bed_voidage=options.voidage,
            ball_to_powder=options.ball_to_powder,
            powder_bulk_density_g_per_cm3=options.bulk_density,
            speed_rpm=options.speed_rpm,
            speed_fraction=options.speed_fraction,
        )
        return present(charge_page(charge, options.say), options, console)


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


class Timeline:
    """psdstats plan timeline: milling, sieving and cleaning side by side, as table and calendar."""

    SUMMARY = "a bench plan for one mill and one shaker, as table, figure and calendar file"
    EXAMPLE = (
        "psdstats plan timeline --times 0,6,12,24,48 --charges 2 --start 2026-01-05T08:30 "
        "--out plan"
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the options."""
        times = "milling times at which samples are taken, min; 0 is the unmilled powder"
        add_values(parser, ("--times", ..., "T,T", times), kind=several(limits.STEP_MIN))
        charges = parser.add_mutually_exclusive_group()
        add_values(
            charges, ("--charges", 1, "N", "how many charges are milled"), kind=limits.CHARGES
        )
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
        add_simulation(
            parser, trials=2000, what="simulated days, for the time by which 9 of 10 end"
        )
        add_page(parser)

    @staticmethod
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


PLANS: dict[str, Any] = {
    "power": Power,
    "precision": Precision,
    "sieves": Sieves,
    "charge": Charge,
    "timeline": Timeline,
}
