"""Options that the plans share: values, powders, moments, weighing, simulation."""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import TYPE_CHECKING

from ..options import add_values, names, numbers

if TYPE_CHECKING:
    from psdstats.planning import ExpectedPowder, PlannedWeighing

__all__ = [
    "add_simulation",
    "add_weighing",
    "ball_sizes",
    "expected_powder",
    "moment",
    "planned_weighing",
    "powder",
    "whole_numbers",
]


def whole_numbers(text: str) -> tuple[int, ...]:
    """Whole numbers between commas, for argparse."""
    try:
        return tuple(int(part) for part in names(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a list of whole numbers") from None


def moment(text: str) -> datetime:
    """Local date and time such as 2026-01-05T08:30, for argparse."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text} is not a date and time; write it like 2026-01-05T08:30"
        ) from None
    if found.tzinfo is not None:
        raise argparse.ArgumentTypeError(f"{text} names a time zone; give local time without one")
    return found


def powder(text: str) -> tuple[str, tuple[float, ...]]:
    """A powder such as unmilled=150,250,400 (D10, D50, D90 in µm), for argparse."""
    name, _, sizes = text.rpartition("=")
    values = numbers(sizes)
    if len(values) != 3:
        raise argparse.ArgumentTypeError(
            f"{text} does not give D10, D50 and D90; write it like unmilled=150,250,400"
        )
    return name or "powder", values


def ball_sizes(text: str) -> tuple[tuple[float, float], ...]:
    """Ball sizes with parts by mass such as 20:2,10:1 (mm:parts), for argparse."""
    found = []
    for part in names(text):
        diameter, _, parts = part.partition(":")
        found.append((*numbers(diameter), *(numbers(parts) if parts else (1.0,))))
    if any(len(one) != 2 for one in found) or not found:
        raise argparse.ArgumentTypeError(f"{text} is not a list of sizes such as 20:2,10:1")
    return tuple((one[0], one[1]) for one in found)


def add_weighing(parser: argparse.ArgumentParser, *, density: object = 2.7) -> None:
    """Particles, repeatability of the balance and sieves of the samples to come."""
    near = "" if density is ... else ", near calcite and quartz"
    add_values(
        parser,
        ("--density", density, "RHO", f"particle density, g/cm³{near}"),
        (
            "--repeatability-d",
            1.0,
            "N",
            "standard deviation of repeated readings in scale intervals",
        ),
        (
            "--certified-u",
            None,
            "PERCENT",
            "standard uncertainty of certified apertures, per cent (default: tolerance of the "
            "standard)",
        ),
        ("--shape-factor", 0.5, "F", "particle volume over the cube of its sieve size"),
    )
    meaning = "standard whose tolerance applies without certificates"
    add_values(parser, ("--standard", "ISO 3310-1", "NAME", meaning), kind=str)


def planned_weighing(options: argparse.Namespace, *, resolution_g: float) -> PlannedWeighing:
    """What `add_weighing` was told, for one balance."""
    from psdstats.planning import PlannedWeighing

    return PlannedWeighing(
        density_g_per_cm3=options.density,
        shape_factor=options.shape_factor,
        resolution_g=resolution_g,
        repeatability_d=options.repeatability_d,
        certified_u_percent=options.certified_u,
        standard=options.standard,
    )


def expected_powder(given: tuple[str, tuple[float, ...]]) -> ExpectedPowder:
    """A powder as `powder` parses it."""
    from psdstats.planning import ExpectedPowder

    name, (d10, d50, d90) = given
    return ExpectedPowder(name=name, d10_um=d10, d50_um=d50, d90_um=d90)


def add_simulation(parser: argparse.ArgumentParser, *, trials: int, what: str) -> None:
    """How much is simulated, and from which seed."""
    seed = "seed of the simulation; the same seed gives the same result"
    add_values(parser, ("--trials", trials, "N", what), ("--seed", 0, "N", seed), kind=int)
