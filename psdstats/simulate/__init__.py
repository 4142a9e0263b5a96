"""A simulated milling trial: breakage, sampling, sieving and weighing, and how long steps take.

Data made here are invented.  They serve the demo studies, the calibration of intervals and the
planning of trials.
"""

from psdstats.simulate.design import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.trial import SimulatedTrial, simulate_study

__all__ = ["Bench", "Powder", "SieveSet", "SimulatedTrial", "TrialDesign", "simulate_study"]
