"""The jar and the balls of a tumbling mill, and the speed at which balls stick to the wall.

Lengths in mm, volumes in mL (= cm³), masses in g, densities in g/cm³, speeds in rpm.  Critical
speed: 42.3/√(D − d) rpm with D and d in metres, n = √(2g/(D − d))/2π (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

from psdstats.planning.plan_error import PlanError, require_positive

__all__ = ["Balls", "Jar", "critical_speed_rpm"]

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
    """

    diameter_mm: float
    volume_ml: float
    outer_diameter_mm: float | None = None
    roller_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        require_positive("jar inner diameter", self.diameter_mm)
        require_positive("jar volume", self.volume_ml)
        for name in ("outer_diameter_mm", "roller_diameter_mm"):
            value = getattr(self, name)
            if value is not None:
                require_positive(name, value)


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
    """

    diameter_mm: float
    density_g_per_cm3: float
    parts: float = 1.0

    def __post_init__(self) -> None:
        require_positive("ball diameter", self.diameter_mm)
        require_positive("ball density", self.density_g_per_cm3)
        require_positive("parts by mass", self.parts)

    @property
    def one_ball_g(self) -> float:
        """Mass of one ball, g."""
        return self.density_g_per_cm3 * pi / 6 * (self.diameter_mm / 10) ** 3


def critical_speed_rpm(diameter_mm: float, ball_diameter_mm: float = 0.0) -> float:
    """Speed at which a ball is just held against the wall of a turning drum.

    Parameters
    ----------
    diameter_mm : float
        Inner diameter of the drum.
    ball_diameter_mm : float, default=0
        Diameter of the ball.

    Returns
    -------
    float
        Critical speed, rpm.

    Raises
    ------
    PlanError
        If the ball does not fit into the drum.

    Notes
    -----
    n = (60/2π) √(2 g/(D − d)), that is 42.3/√(D − d) with lengths in metres (common practice).

    Examples
    --------
    >>> round(critical_speed_rpm(2000, 100), 2)
    30.68
    """
    require_positive("drum diameter", diameter_mm)
    if not 0 <= ball_diameter_mm < diameter_mm:
        raise PlanError(
            f"a ball of {ball_diameter_mm:g} mm does not fit into a drum of {diameter_mm:g} mm; "
            "give the inner diameter of the drum and a smaller ball."
        )
    radius_m = (diameter_mm - ball_diameter_mm) / 2000
    return 60 / (2 * pi) * sqrt(GRAVITY_M_PER_S2 / radius_m)
