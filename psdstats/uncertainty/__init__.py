"""Uncertainty of sizes: sources, linear propagation, Monte Carlo, bootstrap, budget."""

from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.jacobian import percentile_jacobian
from psdstats.uncertainty.linear import combine, coverage_factor
from psdstats.uncertainty.monte_carlo import adaptive_monte_carlo, validate_linear
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.registry import choose_sources, known_sources
from psdstats.uncertainty.sources.base import Source

__all__ = [
    "Method",
    "Propagation",
    "Source",
    "adaptive_monte_carlo",
    "choose_sources",
    "combine",
    "coverage_factor",
    "known_sources",
    "percentile_jacobian",
    "propagate",
    "validate_linear",
]
