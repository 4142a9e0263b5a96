"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""

from psdstats.planning.designs import Design, Variation, variation_of
from psdstats.planning.planned_samples import ExpectedPowder, PlannedWeighing
from psdstats.planning.power import PowerResult, power
from psdstats.planning.precision_plan import PrecisionPlan, precision
from psdstats.planning.stack_choice import StackChoice, choose_sieves

__all__ = [
    "Design",
    "ExpectedPowder",
    "PlannedWeighing",
    "PowerResult",
    "PrecisionPlan",
    "StackChoice",
    "Variation",
    "choose_sieves",
    "power",
    "precision",
    "variation_of",
]
