"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""

from psdstats.planning.bench.charge import Balls, Jar, MillCharge, critical_speed_rpm, mill_charge
from psdstats.planning.bench.schedule import BenchTimes
from psdstats.planning.bench.timeline import Timeline, timeline
from psdstats.planning.plan_error import PlanError
from psdstats.planning.planned_weighing import (
    ExpectedPowder,
    FoundSize,
    PlannedWeighing,
    load_limit_g,
)
from psdstats.planning.power import PowerResult, power
from psdstats.planning.precision_plan import PrecisionPlan, precision
from psdstats.planning.stack_choice import StackChoice, StackTrial, choose_sieves
from psdstats.planning.variation import Design, Variation, variation_of, weighed_variation

__all__ = [
    "Balls",
    "BenchTimes",
    "Design",
    "ExpectedPowder",
    "FoundSize",
    "Jar",
    "MillCharge",
    "PlanError",
    "PlannedWeighing",
    "PowerResult",
    "PrecisionPlan",
    "StackChoice",
    "StackTrial",
    "Timeline",
    "Variation",
    "choose_sieves",
    "critical_speed_rpm",
    "load_limit_g",
    "mill_charge",
    "power",
    "precision",
    "timeline",
    "variation_of",
    "weighed_variation",
]
