"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""

from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import (
    EDITIONS,
    SERIES,
    FinenessClass,
    PracticeRule,
    aperture_table,
    fineness_classes,
    nominal_apertures_um,
    practice_rule,
    practice_rules,
    series,
    tolerance_um,
)

__all__ = [
    "EDITIONS",
    "SERIES",
    "FinenessClass",
    "PracticeRule",
    "Sieve",
    "aperture_table",
    "fineness_classes",
    "nominal_apertures_um",
    "practice_rule",
    "practice_rules",
    "series",
    "tolerance_um",
]
