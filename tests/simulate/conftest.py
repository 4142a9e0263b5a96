"""Small designs shared by the simulator tests; everything in them is invented."""

from __future__ import annotations

import pytest

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.design import Breakage
from psdstats.study.records import Balance

FINE = Balance(name="fine", resolution_g=1e-6)
COARSE = Balance(name="coarse", resolution_g=0.05, repeatability_g=0.04)
STACK_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
OTHER_UM = (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0)


@pytest.fixture
def powder() -> Powder:
    breakage = Breakage(rate_per_min=0.08, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3)
    return Powder(breakage=breakage)


@pytest.fixture
def design(powder: Powder) -> TrialDesign:
    """Three benches: two share one stack, the third has its own, certified, and shorter."""
    common = SieveSet(name="common", apertures_um=STACK_UM)
    own = SieveSet(name="own", apertures_um=OTHER_UM, certificate_percent=1.0)
    benches = (
        Bench(name="Alder", sieves=common, balance=FINE),
        Bench(name="Birch", sieves=common, balance=FINE),
        Bench(name="Cedar", sieves=own, balance=COARSE),
    )
    return TrialDesign(
        benches=benches,
        powder=powder,
        times_min=(0, 12, 48),
        replicates=2,
        ball_ratios={5.0: 0.8, 10.0: 1.0},
    )
