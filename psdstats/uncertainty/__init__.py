"""Uncertainty of sizes: sources, linear propagation, Monte Carlo, bootstrap, budget."""

from psdstats.uncertainty.archive import propagate_archive
from psdstats.uncertainty.bootstrap import BootstrapMethod, BootstrapResult, bootstrap_sizes
from psdstats.uncertainty.budget import Budget, budget
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.linear import combine, coverage_factor, percentile_jacobian
from psdstats.uncertainty.means import mean_curve_covariance, mean_curve_study, mean_sizes
from psdstats.uncertainty.monte_carlo import adaptive_monte_carlo, validate_linear
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratios import RatioIntervals, ratio_intervals
from psdstats.uncertainty.registry import choose_sources, known_sources
from psdstats.uncertainty.sources.base import Source
from psdstats.uncertainty.undersize import undersize_bands

__all__ = [
    "BootstrapMethod",
    "BootstrapResult",
    "Budget",
    "Method",
    "Propagation",
    "RatioIntervals",
    "Source",
    "adaptive_monte_carlo",
    "bootstrap_sizes",
    "budget",
    "choose_sources",
    "combine",
    "coverage_factor",
    "known_sources",
    "mean_curve_covariance",
    "mean_curve_study",
    "mean_sizes",
    "percentile_jacobian",
    "propagate",
    "propagate_archive",
    "ratio_intervals",
    "undersize_bands",
    "validate_linear",
]
