"""Inputs that belong to single balance readings, with tares shared where they were weighed once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from psdstats.study.records import Balance, TareHandling
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Weighings

__all__ = ["reading_inputs"]


def reading_inputs(
    weighings: Weighings,
    *,
    kind: Kind,
    u_g: Callable[[Balance], float],
    degrees_of_freedom: float = np.inf,
) -> ElementaryInputs:
    """One input for every gross and every tare reading; none where its uncertainty is 0.

    Parameters
    ----------
    weighings : Weighings
        The readings.
    kind : Kind
        Distribution of the error of one reading.
    u_g : callable
        Standard uncertainty of one reading on a balance, g.
    degrees_of_freedom : float, default=inf
        Of that standard uncertainty.

    Notes
    -----
    With `tares = "once"` a tare is known by sieve, balance and the value written down, so every
    run that reuses the reading shares its error.  Otherwise each run has a tare of its own.
    """
    once = weighings.study.tares is TareHandling.ONCE
    arrays = weighings.arrays
    shape = degrees_of_freedom if kind is Kind.STUDENT else 0.0
    result = ElementaryInputs(kind=kind)
    for row, run in enumerate(weighings.runs):
        u = u_g(weighings.balance(row))
        if u == 0:
            continue
        for place in np.flatnonzero(arrays.real[row]).tolist():
            sieve = arrays.sieves[row][place]
            written = repr(float(arrays.tare_g[row, place]))
            tare = ("tare", sieve, run.balance, written) if once else ("tare", sieve, run.name)
            gross = ("gross", sieve, run.name)
            for identity, sign in ((gross, 1.0), (tare, -1.0)):
                index = result.index(identity, shape=shape, degrees_of_freedom=degrees_of_freedom)
                result.on_mass.add(index, row, place, sign * u)
    return result
