"""Size against milling time: rate curves, when to stop, first-order loss above each sieve."""

from psdstats.rate.curves import CurveName
from psdstats.rate.fit_rate import RateResult, fit_rate
from psdstats.rate.run_sizes import withdrawal

__all__ = ["CurveName", "RateResult", "fit_rate", "withdrawal"]
