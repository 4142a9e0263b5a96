"""Studies whose sizes and joint covariance are planted, so that every answer is known."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.comparison.analysis import analyse_sizes
from psdstats.comparison.compare import compare_analysis
from psdstats.comparison.plan import plan_comparison
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.uncertainty.inputs import measurement_sources
from psdstats.uncertainty.propagation import Joint

APERTURES = (0.0, 63.0, 125.0, 250.0, 500.0)
NETS = (4.0, 9.0, 20.0, 12.0, 5.0)


def _run(number, fields):
    readings = tuple(
        Reading(sieve=f"s{x:g}", aperture_um=x, tare_g=400.0, gross_g=400.0 + net)
        for x, net in zip(APERTURES, NETS, strict=True)
    )
    known = ("group", "milling_time_min", "charge")
    own = {name: fields.pop(name) for name in known if name in fields}
    return Run(
        name=f"run-{number}",
        readings=readings,
        balance="bench",
        group=str(own.get("group", "all")),
        milling_time_min=float(own.get("milling_time_min", 0.0)),
        charge=own.get("charge"),
        factors=fields,
    )


@pytest.fixture
def planted_study():
    """A study with one run a row of a run table (a list of dicts)."""

    def make(rows, **settings):
        return Study(
            title="invented",
            runs=tuple(_run(number, dict(row)) for number, row in enumerate(rows)),
            sieves={f"s{x:g}": Sieve(key=f"s{x:g}", nominal_um=x) for x in APERTURES[1:]},
            balances={"bench": Balance(name="bench", resolution_g=0.01, repeatability_g=0.005)},
            **({"rule": "semilog"} | settings),
        )

    return make


@pytest.fixture
def planted_sizes():
    """The propagation of a study with ln sizes and their covariance put in its place."""

    def make(study, ln_size, covariance):
        ln_size = np.asarray(ln_size, dtype=float)
        joint = np.kron(np.asarray(covariance, dtype=float), np.eye(4))
        return replace(
            propagate(study, method="linear", sources=measurement_sources(study)),
            value=np.exp(np.repeat(ln_size[:, None], 4, axis=1)),
            joint=Joint(of_logs=joint),
        )

    return make


@pytest.fixture
def planted(planted_study, planted_sizes):
    """Compare D50 over planted ln sizes: rows, ln sizes, covariance, options of `compare`.

    The planted covariance stands for that at the mean curves as well.
    """

    def make(rows, ln_size, covariance=None, *, settings=None, level=0.95, **options):
        study = planted_study(rows, **(settings or {}))
        if covariance is None:
            covariance = 1e-12 * np.eye(len(rows))
        sizes = planted_sizes(study, ln_size, covariance)
        plan = plan_comparison(study, **options)
        known = {"D50": np.asarray(covariance)}
        analysis = analyse_sizes(
            study, plan, sizes.value, known, measured=lambda: sizes, level=level
        )
        return compare_analysis(analysis, level=level)

    return make
