"""Seconds for the law of 1,000 single runs on 8 sieves; target: at most 4 s on one core.

python tests/benchmarks/law_speed.py
"""

import sys
import time

import numpy as np
from scipy.special import ndtr

from psdstats.distribution.borrowing import between_correlation
from psdstats.distribution.powder_curve import curve_law

LN = np.log([45, 63, 90, 125, 180, 250, 355, 500.0])


def undersizes(runs):
    """Two-mode powders, which need most of the components."""
    rng = np.random.default_rng(3)
    first, second = rng.uniform(80, 130, runs), rng.uniform(170, 300, runs)
    share, width = rng.uniform(0.2, 0.8, runs), rng.uniform(0.2, 0.5, runs)
    fine, coarse = (
        ndtr((LN - np.log(median)[:, None]) / width[:, None]) for median in (first, second)
    )
    return share[:, None] * fine + (1 - share[:, None]) * coarse


def law_of(undersize):
    shape = undersize.shape
    return curve_law(undersize, np.broadcast_to(LN, shape), u_ln_aperture=np.full(shape, 0.004))


def seconds(action):
    """Of the processor, the better of two goes."""
    spent = []
    for _ in range(2):
        began = time.process_time()
        action()
        spent.append(time.process_time() - began)
    return min(spent)


def law(runs):
    undersize = undersizes(runs)
    return seconds(lambda: law_of(undersize))


def correlation(runs):
    found = law_of(undersizes(runs))
    return seconds(lambda: between_correlation(found, np.arange(runs)))


def inversions(count):
    """Of 10 x 10 matrices by numpy: what the machine can do just now."""
    matrices = np.random.default_rng(4).normal(size=(count, 10, 10))
    return seconds(lambda: np.linalg.inv(matrices))


if __name__ == "__main__":
    sys.stdout.write(f"law of 1,000 runs: {law(1000):.2f} s; 200,000 inversions: ")
    sys.stdout.write(f"{inversions(200_000):.2f} s\ncorrelation of 600: {correlation(200):.2f} s\n")
