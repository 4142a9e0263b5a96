"""Size against milling time: rate curves, when to stop, first-order loss above each sieve."""

from psdstats.rate.curves import CURVES, Curve, CurveName
from psdstats.rate.first_order import LossRates, SizeExponent, loss_rates
from psdstats.rate.fit_rate import RateResult, fit_rate
from psdstats.rate.profile import OpenInterval
from psdstats.rate.run_sizes import RunSizes, run_sizes
from psdstats.rate.withdrawal import Withdrawal, withdrawal

__all__ = [
    "CURVES",
    "Curve",
    "CurveName",
    "LossRates",
    "OpenInterval",
    "RateResult",
    "RunSizes",
    "SizeExponent",
    "Withdrawal",
    "fit_rate",
    "loss_rates",
    "run_sizes",
    "withdrawal",
]
