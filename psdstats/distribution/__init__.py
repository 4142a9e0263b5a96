"""Size distributions from sieve masses: fractions, undersize, percentiles, moments."""

from psdstats.distribution.curves import InterpolationRule, cumulative_undersize, mass_fractions
from psdstats.distribution.fits import DistributionFit, fit_distribution
from psdstats.distribution.moments import fineness, moments
from psdstats.distribution.percentiles import SizeTable, percentiles, sizes

__all__ = [
    "DistributionFit",
    "InterpolationRule",
    "SizeTable",
    "cumulative_undersize",
    "fineness",
    "fit_distribution",
    "mass_fractions",
    "moments",
    "percentiles",
    "sizes",
]
