"""Uncertainty of sizes: sources, linear propagation, Monte Carlo, bootstrap, budget."""

from psdstats.uncertainty.bootstrap import bootstrap_sizes
from psdstats.uncertainty.budget import Budget, budget
from psdstats.uncertainty.engine import propagate, undersize_bands
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratios import RatioIntervals, ratio_intervals

__all__ = [
    "Budget",
    "Method",
    "Propagation",
    "RatioIntervals",
    "Source",
    "bootstrap_sizes",
    "budget",
    "propagate",
    "ratio_intervals",
    "undersize_bands",
]
