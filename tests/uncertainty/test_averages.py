"""Means over runs: what is shared does not average out, what is not shared does."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.uncertainty import propagate
from psdstats.uncertainty.propagation import mean_sizes

NETS = (2.0, 5.0, 3.0)
APERTURES = (0, 90, 180)


def _half_width(study, sources, runs):
    propagation = propagate(study, method="linear", sources=sources)
    frame = mean_sizes(propagation, study.runs_frame().iloc[:runs], ["group"])
    row = frame[frame["quantity"] == "D50"].iloc[0]
    return np.log(row["upper"] / row["lower"]) / 2, row


@pytest.mark.parametrize(("source", "factor"), [("aperture", 1.0), ("repeatability", 2**-0.5)])
def test_a_shared_sieve_does_not_average_out_but_readings_do(make_run, make_study, source, factor):
    two = make_study(make_run("a", NETS, APERTURES), make_run("b", NETS, APERTURES))
    one = make_study(make_run("a", NETS, APERTURES))
    of_two, row = _half_width(two, [source], 2)
    of_one, _ = _half_width(one, [source], 1)
    assert of_two == pytest.approx(factor * of_one, rel=1e-9)
    assert row["n_runs"] == 2


def test_an_open_run_makes_the_mean_a_bound(make_run, make_study):
    study = make_study(
        make_run("a", (2.0, 5.0, 3.0), APERTURES), make_run("b", (6.0, 2.0, 2.0), APERTURES)
    )
    propagation = propagate(study, method="linear", sources=["repeatability"])
    frame = mean_sizes(propagation, study.runs_frame(), ["group"])
    row = frame[frame["quantity"] == "D50"].iloc[0]
    single = propagation.value[0, 1]
    assert row["side"] == "<"
    assert row["value"] == pytest.approx(np.sqrt(single * 90.0))
