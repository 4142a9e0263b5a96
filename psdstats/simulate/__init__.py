"""A simulated milling trial: breakage, sampling, sieving and weighing, and how long steps take.

Data made here are invented.  They serve the demo studies, the calibration of intervals and the
planning of trials.
"""

from psdstats.simulate.breakage import Breakage, breakage_rates, mill, rate_matrix, size_edges
from psdstats.simulate.design import Bench, Powder, SieveSet, Spread, TrialDesign
from psdstats.simulate.durations import simulate_durations
from psdstats.simulate.trial import (
    SimulatedMasses,
    SimulatedTrial,
    simulate_net_masses,
    simulate_study,
)
from psdstats.simulate.trial_sizes import SizeSpread, simulate_ln_sizes

__all__ = [
    "Bench",
    "Breakage",
    "Powder",
    "SieveSet",
    "SimulatedMasses",
    "SimulatedTrial",
    "SizeSpread",
    "Spread",
    "TrialDesign",
    "breakage_rates",
    "mill",
    "rate_matrix",
    "simulate_durations",
    "simulate_ln_sizes",
    "simulate_net_masses",
    "simulate_study",
    "size_edges",
]
