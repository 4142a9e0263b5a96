"""Small studies built by hand (invented weighings)."""

import pytest

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study

APERTURES = (0, 45, 63, 90, 125, 180, 250, 355, 500)
NETS = (1.83, 3.07, 6.21, 9.4, 11.9, 8.7, 5.32, 2.9, 1.05)


def _make_run(name, nets=NETS, apertures=APERTURES, *, stack="a", tare=400.0, **fields):
    readings = tuple(
        Reading(
            sieve=f"{stack}-{aperture:g}" if aperture else f"{stack}-pan",
            aperture_um=float(aperture),
            tare_g=tare + row,
            gross_g=tare + row + net,
            place=Place("weighings.csv", row + 2),
        )
        for row, (aperture, net) in enumerate(zip(apertures, nets, strict=True))
    )
    settings = {"group": "alder", "milling_time_min": 0.0, "balance": "bench"} | fields
    return Run(name=name, readings=readings, **settings)


def _make_study(*runs, sieves=None, balance=None, **fields):
    known = {
        reading.sieve: Sieve(key=reading.sieve, nominal_um=reading.aperture_um)
        for run in runs
        for reading in run.readings
        if reading.aperture_um
    }
    bench = {"resolution_g": 0.01, "repeatability_g": 0.004} | (balance or {})
    settings = {"balances": {"bench": Balance(name="bench", **bench)}, "rule": "semilog"} | fields
    return Study(title="invented", runs=runs, sieves=known | (sieves or {}), **settings)


@pytest.fixture
def make_run():
    return _make_run


@pytest.fixture
def make_study():
    return _make_study


@pytest.fixture
def one_run():
    return _make_study(_make_run("one"))


@pytest.fixture
def milling():
    """Four runs on one stack, two times, every source switched on."""
    nets = [
        (1.1, 2.5, 5.9, 9.4, 11.9, 8.7, 6.6, 3.1, 1.0),
        (1.2, 2.4, 6.1, 9.2, 12.1, 8.5, 6.4, 3.0, 1.1),
        (2.6, 5.1, 10.6, 12.4, 9.3, 6.2, 2.6, 1.1, 0.3),
        (2.7, 5.0, 10.8, 12.1, 9.5, 6.1, 2.7, 1.0, 0.4),
    ]
    runs = [
        _make_run(f"run-{number}", net, milling_time_min=time, sample_mass_g=50.4)
        for number, (net, time) in enumerate(zip(nets, [0.0, 0.0, 24.0, 24.0], strict=True))
    ]
    return _make_study(
        *runs,
        balance={"slope_u": 1e-4, "linearity_g": 0.02, "capacity_g": 2000.0},
        density_g_per_cm3=2.7,
        uncertainty={
            "sampling": True,
            "lost_powder": True,
            "run_to_run_percent": 1.5,
        },
    )
