"""Size distributions from sieve masses: fractions, undersize, percentiles, moments."""

from psdstats.distribution.closed_forms import LogNormal, RosinRammlerBennett
from psdstats.distribution.percentiles import PercentileBounds, percentile_bounds, percentiles
from psdstats.distribution.rules import InterpolationRule

__all__ = [
    "InterpolationRule",
    "LogNormal",
    "PercentileBounds",
    "RosinRammlerBennett",
    "percentile_bounds",
    "percentiles",
]
