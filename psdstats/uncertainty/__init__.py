"""Uncertainty of sizes: sources, linear propagation, Monte Carlo, bootstrap, budget."""

from psdstats.uncertainty.archive import propagate_archive
from psdstats.uncertainty.averages import mean_sizes
from psdstats.uncertainty.bootstrap import BootstrapMethod
from psdstats.uncertainty.bootstrap_sizes import BootstrapResult, bootstrap_sizes
from psdstats.uncertainty.budgets import Budget, budget
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.jacobian import percentile_jacobian
from psdstats.uncertainty.linear import combine, coverage_factor
from psdstats.uncertainty.mean_curve import mean_curve_covariance, mean_curve_study
from psdstats.uncertainty.monte_carlo import adaptive_monte_carlo, validate_linear
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratio_result import RatioIntervals
from psdstats.uncertainty.ratios import ratio_intervals
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
