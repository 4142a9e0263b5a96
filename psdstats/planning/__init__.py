"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""

from psdstats.planning.bench_steps import BenchTimes
from psdstats.planning.bench_timeline import Timeline, timeline
from psdstats.planning.charge import MillCharge, mill_charge
from psdstats.planning.expected_powder import ExpectedPowder, load_limit_g
from psdstats.planning.mill_parts import Balls, Jar, critical_speed_rpm
from psdstats.planning.plan_error import PlanError
from psdstats.planning.planned_weighing import FoundSize, PlannedWeighing
from psdstats.planning.power_result import PowerResult
from psdstats.planning.power_simulation import power
from psdstats.planning.precision_plan import PrecisionPlan, precision
from psdstats.planning.stack_choice import StackChoice, choose_sieves
from psdstats.planning.stack_trial import StackTrial
from psdstats.planning.study_variation import variation_of
from psdstats.planning.trial_plan import Design, Variation
from psdstats.planning.weighed_variation import weighed_variation

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
