"""The jar and the balls of a tumbling mill, and the speed at which balls stick to the wall.

Lengths in mm, volumes in mL (= cm³), masses in g, densities in g/cm³, speeds in rpm.  Critical
speed: 42.3/√(D − d) rpm with D and d in metres, n = √(2g/(D − d))/2π (common practice).

Ball masses, ball counts, powder mass and speed for one jar of a tumbling mill.

Lengths in mm, volumes in mL (= cm³), masses in g, densities in g/cm³, speeds in rpm.

The balls take up `ball_fill` of the jar as a bed with voids between them; the mass ratio between
the ball sizes shares the solid volume out.  The usual ranges of fill and speed are quoted from
memory: ball fill 30 to 45 %, powder filling 0.6 to 1.1 of the voids (Austin, Klimpel and Luckie,
Process Engineering of Size Reduction: Ball Milling, 1984), 65 to 80 % of the critical speed.

It does not predict how fast the powder breaks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import auto
from math import pi, sqrt

import pandas as pd

from psdstats import limits
from psdstats.errors import PlanError
from psdstats.findings import Remark, RemarkKind
from psdstats.present import Shown

GRAVITY_M_PER_S2 = 9.80665


@dataclass(frozen=True, kw_only=True)
class Jar:
    """A jar (or drum) of a tumbling mill.

    Parameters
    ----------
    diameter_mm : float
        Inner diameter.
    volume_ml : float
        Inner volume with the lid on.
    outer_diameter_mm, roller_diameter_mm : float or None
        For a jar driven by rollers: both are needed to turn the jar's speed into the rollers'.

    Examples
    --------
    >>> from psdstats.planning.bench import Jar
    >>> Jar(diameter_mm=100, volume_ml=1000).volume_ml
    1000
    """

    diameter_mm: float
    volume_ml: float
    outer_diameter_mm: float | None = None
    roller_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        limits.LENGTH_MM.require("jar inner diameter", self.diameter_mm)
        limits.VOLUME_ML.require("jar volume", self.volume_ml)
        for name in ("outer_diameter_mm", "roller_diameter_mm"):
            value = getattr(self, name)
            if value is not None:
                limits.LENGTH_MM.require(name, value)


@dataclass(frozen=True, kw_only=True)
class Balls:
    """One size of ball in the charge.

    Parameters
    ----------
    diameter_mm : float
        Ball diameter.
    density_g_per_cm3 : float
        Density of the ball material.
    parts : float, default=1
        Parts by mass in the ratio between the ball sizes (2 and 1 for a ratio of 2:1).

    Examples
    --------
    >>> from psdstats.planning.bench import Balls
    >>> round(Balls(diameter_mm=10, density_g_per_cm3=7.8).one_ball_g, 2)
    4.08
    """

    diameter_mm: float
    density_g_per_cm3: float
    parts: float = 1.0

    def __post_init__(self) -> None:
        limits.LENGTH_MM.require("ball diameter", self.diameter_mm)
        limits.DENSITY.require("ball density", self.density_g_per_cm3)
        limits.PARTS.require("parts by mass", self.parts)

    @property
    def one_ball_g(self) -> float:
        """Mass of one ball, g."""
        return self.density_g_per_cm3 * pi / 6 * (self.diameter_mm / 10) ** 3


def critical_speed_rpm(diameter_mm: float, ball_diameter_mm: float = 0.0) -> float:
    """Speed at which a ball is just held against the wall of a turning drum.

    Notes
    -----
    n = (60/2π) √(2 g/(D − d)), that is 42.3/√(D − d) with lengths in metres (common practice).

    Examples
    --------
    >>> round(critical_speed_rpm(2000, 100), 2)
    30.68
    """
    limits.LENGTH_MM.require("drum diameter", diameter_mm)
    if not 0 <= ball_diameter_mm < diameter_mm:
        raise PlanError(
            f"a ball of {ball_diameter_mm:g} mm does not fit into a drum of {diameter_mm:g} mm; "
            "give the inner diameter of the drum and a smaller ball."
        )
    radius_m = (diameter_mm - ball_diameter_mm) / 2000
    return 60 / (2 * pi) * sqrt(GRAVITY_M_PER_S2 / radius_m)


class ChargeRemark(RemarkKind):
    """What of a charge is unusual, or misses what was asked."""

    BALL_FILL = auto()
    POWDER_FILLING = auto()
    SPEED = auto()
    BALL_TO_POWDER = auto()
    STICKS = auto()
    MISSES_MASS = auto()


USUAL = {
    ChargeRemark.BALL_FILL: (0.30, 0.45),
    ChargeRemark.POWDER_FILLING: (0.6, 1.1),
    ChargeRemark.SPEED: (0.65, 0.80),
    ChargeRemark.BALL_TO_POWDER: (4.0, 20.0),
}


@dataclass(frozen=True, kw_only=True, repr=False)
class MillCharge(Shown):
    """What goes into the jar and how fast to turn it.

    Parameters
    ----------
    jar : Jar
        The jar.
    balls : tuple of Balls
        Ball sizes asked for.
    count : tuple of int
        Whole balls of each size.
    target_g : tuple of float
        Ball mass of each size before rounding to whole balls.
    powder_g : float
        Powder charge for the ball-to-powder ratio asked for.
    ball_fill : float
        Share of the jar volume taken by the bed of whole balls, voids included.
    powder_filling : float or None
        Loose powder volume over the volume of the voids; None without a bulk density.
    speed_rpm, speed_fraction : float
        Jar speed, and that speed over the critical speed of the smallest ball.
    roller_rpm : float or None
        Speed of the rollers, where both diameters are known (no slip).
    critical_rpm : tuple of float
        Critical speed for each ball size.
    remarks : tuple of Remark
        What lies outside the usual ranges.

    Examples
    --------
    >>> from psdstats.planning.bench import Balls, Jar, mill_charge
    >>> jar = Jar(diameter_mm=100, volume_ml=1000)
    >>> charge = mill_charge(jar, [Balls(diameter_mm=10, density_g_per_cm3=7.8)])
    >>> charge.count, round(charge.ball_to_powder, 1)
    ((401,), 10.0)
    """

    jar: Jar
    balls: tuple[Balls, ...]
    count: tuple[int, ...]
    target_g: tuple[float, ...]
    powder_g: float
    ball_fill: float
    powder_filling: float | None
    speed_rpm: float
    speed_fraction: float
    roller_rpm: float | None
    critical_rpm: tuple[float, ...]
    remarks: tuple[Remark, ...]

    @property
    def mass_g(self) -> tuple[float, ...]:
        """Mass of the whole balls of each size, g."""
        both = zip(self.count, self.balls, strict=True)
        return tuple(number * ball.one_ball_g for number, ball in both)

    @property
    def ball_g(self) -> float:
        """Mass of all whole balls, g."""
        return sum(self.mass_g)

    @property
    def ball_to_powder(self) -> float:
        """Ball mass over powder mass, with whole balls."""
        return self.ball_g / self.powder_g

    def to_frame(self) -> pd.DataFrame:
        """One row a ball size: size, density, parts, target and whole-ball mass, count, speed.

        Examples
        --------
        >>> from psdstats.planning.bench import Balls, Jar, mill_charge
        >>> jar = Jar(diameter_mm=100, volume_ml=1000)
        >>> charge = mill_charge(jar, [Balls(diameter_mm=10, density_g_per_cm3=7.8)])
        >>> charge.to_frame()[["ball_diameter_mm", "count"]]
           ball_diameter_mm  count
        0                10    401
        """
        return pd.DataFrame(
            {
                "ball_diameter_mm": [ball.diameter_mm for ball in self.balls],
                "density_g_per_cm3": [ball.density_g_per_cm3 for ball in self.balls],
                "parts_by_mass": [ball.parts for ball in self.balls],
                "target_g": self.target_g,
                "count": self.count,
                "mass_g": self.mass_g,
                "critical_speed_rpm": self.critical_rpm,
            }
        )


def mill_charge(
    jar: Jar,
    balls: Sequence[Balls],
    *,
    ball_fill: float = 0.35,
    bed_voidage: float = 0.40,
    ball_to_powder: float = 10.0,
    powder_bulk_density_g_per_cm3: float | None = None,
    speed_rpm: float | None = None,
    speed_fraction: float = 0.70,
) -> MillCharge:
    """Balls, powder and speed for one jar.

    Parameters
    ----------
    jar : Jar
        The jar.
    balls : sequence of Balls
        Ball sizes with their parts by mass; at least one.
    ball_fill : float, default=0.35
        Share of the jar volume taken by the bed of balls, voids included.
    bed_voidage : float, default=0.40
        Share of voids in a bed of balls (from memory: Austin, Klimpel and Luckie 1984).
    ball_to_powder : float, default=10
        Ball mass over powder mass.
    powder_bulk_density_g_per_cm3 : float or None
        Loose bulk density of the powder, to tell how full the voids are.
    speed_rpm : float or None
        Jar speed; where None, `speed_fraction` of the critical speed is proposed.
    speed_fraction : float, default=0.70
        Share of the critical speed of the smallest ball, used where no speed is given.

    Returns
    -------
    MillCharge

    Raises
    ------
    PlanError
        For a number out of range or a ball that does not fit.

    Notes
    -----
    Solid ball volume V = V_jar · fill · (1 − voidage); with mass shares p_i and densities ρ_i the
    ball mass is M = V / Σ(p_i/ρ_i).  The smallest ball has the lowest critical speed and is the
    first to stick to the wall, so the fraction is taken of that speed.

    Examples
    --------
    >>> from psdstats.planning.bench.charge import Balls, Jar
    >>> jar = Jar(diameter_mm=100, volume_ml=1000)
    >>> steel = [Balls(diameter_mm=20, density_g_per_cm3=7.8)]
    >>> mill_charge(jar, steel, ball_fill=0.4, ball_to_powder=10).count
    (57,)
    """
    balls = tuple(balls)
    if not balls:
        raise PlanError("no ball size is given; give at least one.")
    limits.SHARE.require("ball fill", ball_fill)
    limits.SHARE.require("bed voidage", bed_voidage)
    limits.PARTS.require("ball-to-powder ratio", ball_to_powder)
    critical = tuple(critical_speed_rpm(jar.diameter_mm, ball.diameter_mm) for ball in balls)
    if speed_rpm is None:
        speed_rpm = limits.SPEED_SHARE.require("speed fraction", speed_fraction)
        speed_rpm *= min(critical)
    shares = [ball.parts / sum(each.parts for each in balls) for ball in balls]
    solid_ml = jar.volume_ml * ball_fill * (1 - bed_voidage)
    per_g = sum(part / ball.density_g_per_cm3 for part, ball in zip(shares, balls, strict=True))
    target_g = tuple(solid_ml / per_g * part for part in shares)
    count = tuple(
        max(1, round(mass / ball.one_ball_g)) for mass, ball in zip(target_g, balls, strict=True)
    )
    whole_ml = sum(
        n * one.one_ball_g / one.density_g_per_cm3 for n, one in zip(count, balls, strict=True)
    )
    powder_g = sum(target_g) / ball_to_powder
    filling = None
    if powder_bulk_density_g_per_cm3 is not None:
        density = limits.DENSITY.require("powder bulk density", powder_bulk_density_g_per_cm3)
        filling = powder_g / density / (jar.volume_ml * ball_fill * bed_voidage)
    charge = MillCharge(
        jar=jar,
        balls=balls,
        count=count,
        target_g=target_g,
        powder_g=powder_g,
        ball_fill=whole_ml / (1 - bed_voidage) / jar.volume_ml,
        powder_filling=filling,
        speed_rpm=limits.SPEED_RPM.require("jar speed", speed_rpm),
        speed_fraction=speed_rpm / min(critical),
        roller_rpm=_roller_rpm(jar, speed_rpm),
        critical_rpm=critical,
        remarks=(),
    )
    return replace(charge, remarks=_remarks(charge, ball_to_powder))


def _roller_rpm(jar: Jar, speed_rpm: float) -> float | None:
    if jar.outer_diameter_mm is None or jar.roller_diameter_mm is None:
        return None
    return speed_rpm * jar.outer_diameter_mm / jar.roller_diameter_mm


def _remarks(charge: MillCharge, asked_ratio: float) -> tuple[Remark, ...]:
    values = (charge.ball_fill, charge.powder_filling, charge.speed_fraction, asked_ratio)
    remarks = [
        kind(value=value, low=low, high=high)
        for (kind, (low, high)), value in zip(USUAL.items(), values, strict=True)
        if value is not None and not low - 5e-3 <= value <= high + 5e-3
    ]
    if charge.speed_fraction >= 1:
        remarks.append(ChargeRemark.STICKS())
    for mass, ball, target in zip(charge.mass_g, charge.balls, charge.target_g, strict=True):
        if abs(mass - target) > 0.05 * target:
            remarks.append(ChargeRemark.MISSES_MASS(diameter_mm=ball.diameter_mm))
    return tuple(remarks)
