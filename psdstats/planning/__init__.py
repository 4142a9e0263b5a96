"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""

from psdstats.planning.bench_steps import BenchTimes
from psdstats.planning.charge import MillCharge, mill_charge
from psdstats.planning.mill_parts import Balls, Jar, critical_speed_rpm
from psdstats.planning.plan_error import PlanError
from psdstats.planning.timeline import Timeline, timeline

__all__ = [
    "Balls",
    "BenchTimes",
    "Jar",
    "MillCharge",
    "PlanError",
    "Timeline",
    "critical_speed_rpm",
    "mill_charge",
    "timeline",
]
