"""psdstats plan charge: balls, powder and speed for one jar, with the usual cautions."""

from __future__ import annotations

import argparse

from psdstats import limits

from ..console import Console, present
from ..options import add_page, add_values
from ..values import ball_sizes

SUMMARY = "ball masses and counts, powder and speed for one jar, with cautions"
EXAMPLE = (
    "psdstats plan charge --jar-mm 150 --jar-ml 2000 --balls 20:2,10:1 --ball-density 7.8 "
    "--ball-to-powder 5"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_values(
        parser,
        ("--jar-mm", ..., "VALUE", "inner diameter of the jar, mm"),
        ("--outer-mm", None, "VALUE", "outer diameter of the jar, mm"),
        ("--roller-mm", None, "VALUE", "diameter of the rollers, mm; with --outer-mm: their speed"),
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
