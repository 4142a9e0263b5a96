"""psdstats plan charge: balls, powder and speed for one jar, with the usual cautions."""

from __future__ import annotations

import argparse

from ..console import Console
from ..options import add_page, share
from ..writing import present
from .options import ball_sizes

SUMMARY = "ball masses and counts, powder and speed for one jar, with cautions"
EXAMPLE = (
    "psdstats plan charge --jar-mm 150 --jar-ml 2000 --balls 20:2,10:1 --ball-density 7.8 "
    "--ball-to-powder 5"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    for name, meaning in (
        ("--jar-mm", "inner diameter of the jar, mm"),
        ("--jar-ml", "inner volume of the jar, mL"),
        ("--ball-density", "density of the balls, g/cm³"),
    ):
        parser.add_argument(name, type=float, required=True, metavar="VALUE", help=meaning)
    parser.add_argument(
        "--balls",
        type=ball_sizes,
        required=True,
        metavar="MM:PARTS,…",
        help="ball diameters in mm with parts by mass, such as 20:2,10:1",
    )
    for name, meaning in (
        ("--outer-mm", "outer diameter of the jar, mm"),
        ("--roller-mm", "diameter of the rollers, mm; with --outer-mm: their speed"),
        ("--bulk-density", "loose bulk density of the powder, g/cm³: how full the voids are"),
        ("--speed-rpm", "speed of the jar (default: a share of the critical speed)"),
    ):
        parser.add_argument(name, type=float, metavar="VALUE", help=meaning)
    parser.add_argument(
        "--ball-to-powder",
        type=float,
        default=10.0,
        metavar="RATIO",
        help="ball mass over powder mass (default 10)",
    )
    for name, default, meaning in (
        ("--fill", 0.35, "share of the jar taken by the bed of balls, voids included"),
        ("--voidage", 0.40, "share of voids in the bed of balls"),
    ):
        parser.add_argument(
            name,
            type=share,
            default=default,
            metavar="SHARE",
            help=f"{meaning} (default {default:g})",
        )
    parser.add_argument(
        "--speed-fraction",
        type=float,
        default=0.70,
        metavar="SHARE",
        help="share of the critical speed of the smallest ball (default 0.7)",
    )
    add_page(parser)


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
    return present(charge_page(charge, jar, options.say), options, console)
