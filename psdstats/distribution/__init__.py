"""Size distributions from sieve masses: fractions, undersize, percentiles, moments."""

from psdstats.distribution.arrays import StudyArrays, study_arrays
from psdstats.distribution.closed_forms import LogNormal, RosinRammlerBennett
from psdstats.distribution.curves import (
    InterpolationRule,
    cumulative_undersize,
    curve_frame,
    mass_fractions,
)
from psdstats.distribution.fineness import Fineness, fineness, fineness_table
from psdstats.distribution.fits import DistributionFit, Family, FittedSize, fit_distribution
from psdstats.distribution.moments import Moments, moments, study_moments
from psdstats.distribution.percentiles import (
    PercentileBounds,
    SizeTable,
    percentile_bounds,
    percentiles,
    sizes,
)

__all__ = [
    "DistributionFit",
    "Family",
    "Fineness",
    "FittedSize",
    "InterpolationRule",
    "LogNormal",
    "Moments",
    "PercentileBounds",
    "RosinRammlerBennett",
    "SizeTable",
    "StudyArrays",
    "cumulative_undersize",
    "curve_frame",
    "fineness",
    "fineness_table",
    "fit_distribution",
    "mass_fractions",
    "moments",
    "percentile_bounds",
    "percentiles",
    "sizes",
    "study_arrays",
    "study_moments",
]
