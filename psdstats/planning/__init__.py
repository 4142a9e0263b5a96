"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""

from psdstats.planning.charge import MillCharge, mill_charge
from psdstats.planning.mill_parts import Balls, Jar, critical_speed_rpm
from psdstats.planning.plan_error import PlanError

__all__ = ["Balls", "Jar", "MillCharge", "PlanError", "critical_speed_rpm", "mill_charge"]
