"""A simulated milling trial: breakage, sampling, sieving and weighing.

Data made here are invented.  They serve the demo studies, the calibration of intervals and the
planning of trials.
"""

from psdstats.simulate.breakage import Breakage, breakage_rates, mill, rate_matrix, size_edges
from psdstats.simulate.design import Bench, Powder, SieveSet, Spread, TrialDesign
from psdstats.simulate.trial import (
    SimulatedMasses,
    SimulatedTrial,
    simulate_net_masses,
    simulate_study,
)

__all__ = [
    "Bench",
    "Breakage",
    "Powder",
    "SieveSet",
    "SimulatedMasses",
    "SimulatedTrial",
    "Spread",
    "TrialDesign",
    "breakage_rates",
    "mill",
    "rate_matrix",
    "simulate_net_masses",
    "simulate_study",
    "size_edges",
]
