"""Interpolation: the curve between two sieves is not known, and the rules differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.curves import InterpolationRule, ln_sizes, undersize_of_masses
from psdstats.distribution.percentiles import LEVELS
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, Weighings


@dataclass(frozen=True)
class Interpolation(Source):
    """Half the range between the interpolation rules, rectangular, one variable for each stack.

    All runs of a stack use one rule, so they are wrong in the same sense: the half-range carries
    the sign of (log-probit minus semilog), and one rectangular variable drives all of them.

    Source: half-range as rectangular, JCGM 100:2008, 4.3.7; the range between rules: common
    practice, no source.
    """

    name: ClassVar[str] = "interpolation"
    order: ClassVar[int] = 7

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One uniform input a stack, on ln D10, ln D50 and ln D90."""
        result = ElementaryInputs(kind=Kind.UNIFORM)
        half_range = rule_half_range(weighings)
        for row, sieves in enumerate(weighings.arrays.sieves):
            index = result.index(tuple(key for key in sieves[1:] if key))
            for level, half in enumerate(half_range[row].tolist()):
                if half != 0.0:
                    result.on_ln_size.add(index, row, level, half / sqrt(3))
        return [result]


def rule_half_range(weighings: Weighings) -> NDArray[np.float64]:
    """Signed half-range of ln D among the rules, shape (R, 3); 0 where not bracketed."""
    arrays = weighings.arrays
    undersize = undersize_of_masses(arrays.net_g)
    by_rule = {
        rule: ln_sizes(undersize, arrays.ln_aperture, LEVELS, rule) for rule in InterpolationRule
    }
    every = np.stack(list(by_rule.values()))
    finite = np.isfinite(every).all(axis=0)
    every = np.where(finite, every, 0.0)
    half = (every.max(axis=0) - every.min(axis=0)) / 2
    with np.errstate(invalid="ignore"):
        lean = by_rule[InterpolationRule.LOGPROBIT] - by_rule[InterpolationRule.SEMILOG]
    signed: NDArray[np.float64] = np.where(np.where(finite, lean, 0.0) < 0, -half, half)
    return signed
