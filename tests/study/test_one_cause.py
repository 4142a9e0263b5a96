"""What many runs have in common is told once, and no run is in doubt for it."""

import dataclasses
from importlib import import_module

import numpy as np
import pytest

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import Balance, check_study

times = import_module("wrong_times")


def trial(tares="each run", *, own=False):
    """30 runs of three groups on a balance of 0.01 g."""
    balance = Balance(name="bench", resolution_g=0.01, repeatability_g=0.01)
    design = TrialDesign(
        benches=tuple(
            Bench(
                name=name,
                sieves=SieveSet(name=name if own else "lab", apertures_um=times.APERTURES_UM),
                balance=balance,
            )
            for name in ("Alder", "Birch", "Cedar")
        ),
        powder=Powder(breakage=Breakage(rate_per_min=0.05), feed_d50_um=350.0),
        times_min=(0.0, 5.0, 10.0, 20.0, 40.0),
        replicates=2,
        tares=tares,
        spread=Spread(size_run=0.02, size_bench=0.03),
    )
    return simulate_study(design, seed=3).study


def with_readings(study, change):
    """The study with the fields that a function of run and reading gives."""
    runs = [
        dataclasses.replace(
            run,
            readings=[
                dataclasses.replace(
                    one, **{name: round(mass, 3) for name, mass in change(run, one).items()}
                )
                for one in run.readings
            ],
        )
        for run in study.runs
    ]
    return dataclasses.replace(study, runs=tuple(runs))


def told(report):
    return [own for own in report.findings if own[0].severity != "note"]


def test_clean_trials_are_quiet():
    for study in (trial(), trial("once"), trial(own=True)):
        assert not [own for own in told(check_study(study)) if own[0].doubts]


@pytest.mark.parametrize("sieve", ["lab 125 µm", "lab 250 µm"])
def test_a_tare_weighed_once_that_is_too_low_is_one_finding(sieve):
    """1.5 g more in each of 30 runs: 3 % beyond what was put on."""
    study = with_readings(
        trial("once"), lambda _, one: {"tare_g": one.tare_g - 1.5 * (one.sieve == sieve)}
    )
    report = check_study(study)
    (own,) = [own for own in told(report) if own[0].check == "mass_balance"]
    (flag,) = own
    assert flag.says.startswith("the 30 runs of Alder, Birch, Cedar weigh 1.")
    assert flag.value == pytest.approx(3.0, abs=0.2)
    assert "were it the tare of one sieve, D50 would move by up to" in flag.says
    assert flag.doubts
    assert flag.spot.run is None
    assert report.doubted_runs == ()


def test_one_bench_is_named_and_a_run_beyond_its_others_stays_in_doubt():
    def change(run, one):
        off_g = 2.5 * (one.sieve == "Birch 125 µm") + 4.0 * (
            run.name == "birch-20min-a" and one.sieve == "Birch 180 µm"
        )
        return {"tare_g": one.tare_g - off_g}

    report = check_study(with_readings(trial("once", own=True), change))
    flags = [flag for flag in report.flags if flag.check == "mass_balance"]
    assert [flag.spot.run for flag in flags] == [None, "birch-20min-a"]
    assert flags[0].says.startswith("the 10 runs of Birch weigh 2.")
    assert "beside what its runs have in common" in flags[1].says
    assert "mass_balance" in {flag.check for flag in report.flags if flag.spot.run}


def test_tares_that_scatter_are_one_finding_of_the_balance():
    rng = np.random.default_rng(2)

    def change(_, one):
        off_g = rng.normal(0.0, 0.3)
        return {"tare_g": one.tare_g + off_g, "gross_g": one.gross_g + off_g + rng.normal(0.0, 0.3)}

    report = check_study(with_readings(trial(), change))
    (own,) = [own for own in told(report) if own[0].check == "tare_scatter"]
    assert "the tares on balance bench scatter by 0.3" in own[0].says
    assert "moves D50 by up to" in own[0].says
    assert len([own for own in told(report) if own[0].severity == "error"]) <= 1
    assert {*report.doubted_runs} == {
        flag.spot.run for flag in report.flags if flag.check == "gross_below_tare"
    }
    assert not {"shared_sieve", "tare_drift"} & {flag.check for flag in report.flags}


def test_a_mistyped_tare_among_tares_that_scatter_is_its_run():
    rng = np.random.default_rng(2)

    def change(run, one):
        off_g = rng.normal(0.0, 0.1)
        far_g = 10.0 * (run.name == "birch-20min-a" and one.sieve == "lab 180 µm")
        return {"tare_g": one.tare_g + off_g + far_g, "gross_g": one.gross_g + off_g + far_g}

    flags = check_study(with_readings(trial(), change)).flags
    assert [flag.spot.run for flag in flags if flag.check == "tare_drift"] == ["birch-20min-a"]
    assert sum(flag.check == "tare_scatter" for flag in flags) == 1


def test_a_sieve_that_fills_up_is_one_finding_of_the_sieve():
    study = trial()
    order = {run.name: place for place, run in enumerate(study.runs)}

    def change(run, one):
        residue_g = 0.02 * order[run.name] * (one.sieve == "lab 125 µm")
        return {"tare_g": one.tare_g + residue_g, "gross_g": one.gross_g + residue_g}

    report = check_study(with_readings(study, change))
    (own,) = [own for own in told(report) if own[0].check in ("tare_drift", "shared_sieve")]
    assert own[0].common.startswith("the tare of sieve lab 125 µm lies between ")
    assert "the sieve changed, not these runs" in own[0].says
    assert report.doubted_runs == ()


def test_one_tare_above_the_gross_of_many_runs_is_one_finding():
    study = with_readings(
        trial("once"), lambda _, one: {"tare_g": one.tare_g + 20.0 * (one.sieve == "lab 710 µm")}
    )
    (own,) = [own for own in told(check_study(study)) if own[0].severity == "error"]
    assert len(own) == 30
    assert "one tare for all its runs" in own[0].says


def test_tares_of_a_finer_balance_are_one_finding():
    study = with_readings(trial("once"), lambda _, one: {"tare_g": one.tare_g + 0.003})
    report = check_study(study)
    (own,) = [
        own for own in told(report) if own[0].check in ("resolution", "finer_than_resolution")
    ]
    assert "tare masses show finer steps" in own[0].says
    assert report.doubted_runs == ()
