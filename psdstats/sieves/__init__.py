"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""

from psdstats.sieves.rules import (
    FinenessClass,
    PracticeRule,
    fineness_classes,
    practice_rule,
    practice_rules,
)
from psdstats.sieves.series import SERIES, aperture_table, nominal_apertures_um, series
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.tolerance import EDITIONS, tolerance_um

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
