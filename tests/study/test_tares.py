"""Tare history: the limit follows from the balance, faults are named at the right run."""

import dataclasses
import math
from statistics import NormalDist

import numpy as np
import pytest

from psdstats.sieves import Sieve
from psdstats.study import Balance, Reading, Run, Study, TareHandling, check_study
from psdstats.study.records import Place
from psdstats.study.tares import tare_history


def make(tares, *, step=0.01, spread=0.01, groups=None, keys=("A 90", "A 45", "A pan")):
    """One study from rows of tares (runs by sieves), every sieve loaded with 10 g."""
    runs = []
    for number, row in enumerate(tares):
        readings = tuple(
            Reading(
                sieve=key,
                aperture_um=aperture,
                tare_g=tare,
                gross_g=round(tare + 10.0, 6),
                place=Place("weighings.csv", 3 * number + index + 2),
            )
            for index, (key, aperture, tare) in enumerate(
                zip(keys, (90.0, 45.0, 0.0), row, strict=True)
            )
        )
        runs.append(
            Run(
                name=f"r{number}",
                group=groups[number] if groups else "A",
                milling_time_min=float(number),
                readings=readings[::-1],
                balance="b",
            )
        )
    balance = Balance(name="b", resolution_g=step, repeatability_g=spread)
    sieves = {
        key: Sieve(key=key, nominal_um=aperture)
        for key, aperture in zip(keys, (90.0, 45.0), strict=False)
    }
    return Study(title="t", runs=tuple(runs), sieves=sieves, balances={"b": balance})


STEADY = [[400.00, 380.00, 300.00]] * 5


def test_reference_is_the_median_of_the_other_runs():
    rng = np.random.default_rng(4)
    for runs in (2, 3, 4, 7):
        tares = np.round(300 + rng.integers(0, 5, (runs, 3)) * 0.01, 2)
        frame = tare_history(make(tares.tolist()))
        for sieve, column in (("A 90", 0), ("A 45", 1), ("A pan", 2)):
            expected = [np.median(np.delete(tares[:, column], run)) for run in range(runs)]
            found = frame[frame["sieve"] == sieve]["reference_g"]
            assert found.tolist() == pytest.approx(expected)


def findings(study):
    return [
        (each.check, each.spot.run, each.spot.sieve)
        for each in check_study(study).flags
        if each.check in ("tare_drift", "swapped_sieves")
    ]


def test_limit_by_hand():
    """Z u sqrt(1 + v) for 15 tares, four others each, d = s_r = 0.01 g."""
    z = NormalDist().inv_cdf(1 - 0.01 / 30)
    u = math.sqrt(0.01**2 / 12 + 0.01**2)
    frame = tare_history(make(STEADY))
    assert frame["limit_g"].tolist() == pytest.approx([z * u * math.sqrt(1 + math.pi / 8)] * 15)
    assert len(frame) == 15
    assert not frame["is_outside"].any()
    assert frame["run_number"].tolist()[:5] == [1, 2, 3, 4, 5]


def test_median_variance_bound_holds():
    """V = min(1, π/2m) bounds the variance of the median of m normal values from above."""
    rng = np.random.default_rng(3)
    for m in (1, 2, 3, 4, 5, 8, 15):
        medians = np.median(rng.standard_normal((100_000, m)), axis=1)
        assert medians.var() <= min(1.0, math.pi / (2 * m)) * 1.02  # Monte Carlo error 0.5 %


def test_residue_and_damage():
    tares = [list(row) for row in STEADY]
    tares[3][0] += 0.12
    tares[2][1] -= 0.20
    assert sorted(findings(make(tares))) == [
        ("tare_drift", "r2", "A 45"),
        ("tare_drift", "r3", "A 90"),
    ]
    remedies = [
        each.remedy for each in check_study(make(tares)).flags if each.check == "tare_drift"
    ]
    assert any("brush powder left out of the mesh" in text for text in remedies)
    assert any("damaged mesh or a loose frame" in text for text in remedies)


def test_swapped():
    tares = [list(row) for row in STEADY]
    tares[4][0], tares[4][1] = tares[4][1], tares[4][0]
    assert set(findings(make(tares))) == {
        ("swapped_sieves", "r4", "A 90"),
        ("swapped_sieves", "r4", "A 45"),
    }


def test_of_two_runs_the_later_is_named():
    tares = [list(row) for row in STEADY[:2]]
    tares[1][2] += 0.5
    assert findings(make(tares)) == [("tare_drift", "r1", "A pan")]


def test_neighbouring_display_values_are_no_alarm():
    rng = np.random.default_rng(0)
    for _ in range(50):
        tares = [[round(value + 0.1 * int(rng.integers(2)), 1) for value in row] for row in STEADY]
        assert not findings(make(tares, step=0.1, spread=0.0))


def test_noise_is_estimated_where_none_is_stated():
    rng = np.random.default_rng(1)
    alarms = 0
    for _ in range(200):
        tares = [[round(v + rng.normal(0, 0.05), 2) for v in row] for row in STEADY * 2]
        alarms += bool(findings(make(tares, spread=0.0)))
    assert alarms <= 20  # true noise five steps, nothing stated


def test_pans_of_two_groups_are_two_pans():
    tares = [[400.0, 380.0, 300.0 + 7.0 * (number % 2)] for number in range(6)]
    groups = ["A", "B"] * 3
    study = make(tares, groups=groups, keys=("s90", "s45", "pan"))
    assert not findings(study)


def test_sieves_exchanged_in_one_run_of_three_are_no_drift():
    """One far tare moves the median of two others, so that all three lie off it."""
    found = findings(make([[400.0, 380.0, 300.0], [400.0, 380.0, 300.0], [380.0, 400.0, 300.0]]))
    assert {(check, run) for check, run, _ in found} == {("swapped_sieves", "r2")}


def test_nothing_to_compare():
    once = dataclasses.replace(make(STEADY), tares=TareHandling.ONCE)
    assert tare_history(once).empty
    assert tare_history(make(STEADY[:1])).empty
    assert "tare_g" in tare_history(once).columns


def test_false_alarm_setting_moves_the_limit():
    study = make(STEADY)
    wide = dataclasses.replace(study, checks={"tare_drift": {"false_alarm": 1e-6}})
    assert tare_history(wide)["limit_g"].min() > tare_history(study)["limit_g"].max()
