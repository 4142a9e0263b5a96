"""Small studies built by hand (invented weighings)."""

import pytest

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study


def _make_run(name, apertures, nets, *, stack="a", tare=400.0, **fields):
    readings = tuple(
        Reading(
            sieve=f"{stack}-{aperture:g}" if aperture else "pan",
            aperture_um=float(aperture),
            tare_g=tare,
            gross_g=tare + net,
            place=Place("weighings.csv", row + 2),
        )
        for row, (aperture, net) in enumerate(zip(apertures, nets, strict=True))
    )
    settings = {"group": "alder", "milling_time_min": 0.0, "balance": "bench"} | fields
    return Run(name=name, readings=readings, **settings)


def _make_study(*runs, sieves=None, **fields):
    known = {
        reading.sieve: Sieve(key=reading.sieve, nominal_um=reading.aperture_um)
        for run in runs
        for reading in run.readings
        if reading.aperture_um
    }
    settings = {"balances": {"bench": Balance(name="bench", resolution_g=0.01)}} | fields
    return Study(
        title="invented", rule="semilog", runs=runs, sieves=known | (sieves or {}), **settings
    )


@pytest.fixture
def make_run():
    return _make_run


@pytest.fixture
def make_study():
    return _make_study


@pytest.fixture
def two_stacks():
    """Three runs; the second has fewer sieves, the third is too fine for its D10."""
    return _make_study(
        _make_run("one", [0, 63, 125, 250, 500], [4, 16, 50, 25, 5]),
        _make_run("two", [0, 90, 180], [10, 70, 20], stack="b"),
        _make_run("three", [0, 63, 125, 250, 500], [30, 40, 20, 10, 0]),
    )
