"""The general laws of JCGM 100 and 101 for any model, from the parts that a study's law uses.

Also a small trial of a day (invented).
"""

import numpy as np
import pytest
from scipy import sparse

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.uncertainty.linear import Contributions
from psdstats.uncertainty.monte_carlo import (
    Accumulator,
    BlockSummary,
    JointMoments,
    interval_ends,
)


def _combine(sensitivities, u, degrees_of_freedom=np.inf):
    parts = np.atleast_2d(np.asarray(sensitivities, dtype=float)) * np.asarray(u, dtype=float)
    return Contributions(
        matrix=sparse.csr_array(parts),
        known=np.ones(len(parts), dtype=bool),
        degrees_of_freedom=np.broadcast_to(np.asarray(degrees_of_freedom, float), parts.shape[1:]),
        source=np.zeros(parts.shape[1], dtype=np.intp),
    )


def _summary(values, coverage):
    ends = np.array([interval_ends(np.sort(row), coverage) for row in values]).T
    missing = np.isinf(values)
    return BlockSummary(
        draws=values.shape[1],
        moments=JointMoments.of(values, ~missing if missing.any() else None),
        ends=ends,
        missing=missing.sum(axis=1),
        negative=np.zeros(0),
    )


def _adaptive_monte_carlo(draw_block, *, coverage=0.95, max_blocks=100, **options):
    accumulator = Accumulator(**options)
    accumulator.take(
        _summary(np.array(draw_block(number), dtype=float), coverage)
        for number in range(max_blocks)
    )
    return accumulator


@pytest.fixture
def combine():
    """Contributions of independent inputs to numbers with these sensitivities."""
    return _combine


@pytest.fixture
def adaptive_monte_carlo():
    """Draw blocks until the results have settled to the wanted digits of u."""
    return _adaptive_monte_carlo


_APERTURES = (0, 63, 90, 125, 180, 250)
_UNMILLED = (0.4, 2.1, 8.2, 21.4, 14.6, 3.3)
_MILLED = (3.9, 12.8, 18.1, 11.4, 3.2, 0.6)


def _run(name, nets, time):
    return Run(
        name=name,
        group="Alder",
        milling_time_min=time,
        balance="house",
        readings=tuple(
            Reading(
                sieve=f"{um} µm" if um else "pan",
                aperture_um=float(um),
                tare_g=400.0 + row,
                gross_g=round(400.0 + row + net, 2),
            )
            for row, (um, net) in enumerate(zip(_APERTURES, nets, strict=True))
        ),
    )


def _trial(day, shift=0.02, *, replicates=2, title="Trial (invented)", **settings):
    """A trial in which everything is coarser by a shift of mass to the next sieve, in g."""
    moved = [-shift, -shift, -shift, shift, shift, shift]
    runs = tuple(
        _run(f"{kind}-{k}", [n + m * (1 + 4 * k) for n, m in zip(nets, moved, strict=True)], time)
        for kind, nets, time in (("feed", _UNMILLED, 0.0), ("milled", _MILLED, 24.0))
        for k in range(replicates)
    )
    return Study(
        title=title,
        material="chalk (invented)",
        date=day,
        runs=runs,
        sieves={f"{um} µm": Sieve(key=f"{um} µm", nominal_um=float(um)) for um in _APERTURES[1:]},
        balances={"house": Balance(name="house", resolution_g=0.01, repeatability_g=0.004)},
        **{"rule": "semilog"} | settings,
    )


@pytest.fixture(scope="session")
def dated_trial():
    """A small trial of two milling times (invented), made for a day."""
    return _trial
