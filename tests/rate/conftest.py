"""Sizes made from known curves, and studies whose class masses follow a stated law."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import pytest
from rate_runs import run_sizes

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study

TIMES = (0.0, 6.0, 12.0, 24.0, 48.0)


@pytest.fixture
def make_sizes():
    """Sizes on the curve D0·(s + (1 − s) exp(−k t)) with noise from a fixed seed."""

    def make(*, groups=1, replicates=1, seed=1, run_sd=0.02, level_sd=0.0, known=None, s=0.35,
             k=0.06, times=TIMES):  # fmt: skip
        rng = np.random.default_rng(seed)
        time = np.tile(np.repeat(np.array(times), replicates), groups)
        group = np.repeat(np.arange(groups), len(times) * replicates)
        ln_size = np.log(250 * (s + (1 - s) * np.exp(-k * time)))
        ln_size += level_sd * rng.standard_normal(groups)[group]
        ln_size += run_sd * rng.standard_normal(len(time))
        return run_sizes(time, np.exp(ln_size), group=group, known_covariance=known)

    return make


@pytest.fixture
def make_study():
    """A study whose share above each sieve is R0·exp(−K t), K growing with the aperture."""

    def make(*, rates, start, groups=("a",), replicates=1, times=TIMES, run_sd=0.0, seed=3,
             resolution_g=0.0001, sample_g=50.0, factors=None, bend=0.0):  # fmt: skip
        rng = np.random.default_rng(seed)
        apertures = sorted(rates, reverse=True)
        runs = []
        for group in groups:
            for time in times:
                for replicate in range(replicates):
                    noise = np.exp(run_sd * rng.standard_normal())
                    above = [
                        start[um] * np.exp(-rates[um] * time + bend * time**2) * noise
                        for um in apertures
                    ]
                    net = np.diff([0.0, *above, 1.0]) * sample_g
                    readings = tuple(
                        Reading(
                            sieve=f"{group} {um:g}",
                            aperture_um=um,
                            tare_g=300.0,
                            gross_g=300.0 + float(mass),
                            place=Place("weighings.csv", 2),
                        )
                        for um, mass in zip((*apertures, 0.0), net, strict=True)
                    )
                    runs.append(
                        Run(
                            name=f"{group}-{time:g}-{replicate}",
                            group=group,
                            milling_time_min=time,
                            readings=readings,
                            balance="bench",
                            replicate=str(replicate) if replicates > 1 else None,
                            sample_mass_g=sample_g,
                            factors=MappingProxyType(factors or {}),
                        )
                    )
        return Study(
            title="made up",
            rule="semilog",
            runs=tuple(runs),
            sieves=MappingProxyType(
                {f"{g} {um:g}": Sieve(key=f"{g} {um:g}", nominal_um=um)
                 for g in groups for um in apertures}
            ),
            balances=MappingProxyType({"bench": Balance(name="bench", resolution_g=resolution_g)}),
        )  # fmt: skip

    return make
