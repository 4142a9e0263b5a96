"""Runs with the size of another milling time are named by `check`; clean trials stay quiet."""

import dataclasses
from importlib import import_module

import numpy as np
import pytest

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import Balance, check_study
from psdstats.study.runs import chord_um

times = import_module("wrong_times")


def trial(groups, replicates, seed=7):
    balance = Balance(name="bench", resolution_g=0.01, repeatability_g=0.01)
    lab = SieveSet(name="lab", apertures_um=times.APERTURES_UM)
    names = ("Alder", "Birch", "Cedar")[:groups]
    design = TrialDesign(
        benches=tuple(Bench(name=name, sieves=lab, balance=balance) for name in names),
        powder=Powder(breakage=Breakage(rate_per_min=0.05), feed_d50_um=400.0),
        times_min=(0.0, 5.0, 10.0, 20.0, 40.0, 60.0),
        replicates=replicates,
        spread=Spread(size_run=0.02, size_bench=0.03, rate_bench=0.05),
    )
    return simulate_study(design, seed=seed).study


def with_times(study, **minutes):
    runs = [
        dataclasses.replace(run, milling_time_min=minutes.get(run.name, run.milling_time_min))
        for run in study.runs
    ]
    return dataclasses.replace(study, runs=tuple(runs))


def found(study):
    return [flag for flag in check_study(study).flags if flag.check == "wrong_time"]


def test_a_wrong_label_is_named_with_what_its_curve_looks_like():
    study = trial(3, 2)
    (flag,) = found(with_times(study, **{"birch-40min-a": 10.0}))
    assert flag.spot.run == "birch-40min-a"
    assert flag.doubts
    assert (flag.value, flag.limit, flag.unit) == (40.0, 10.0, "min")
    assert "group Birch, 10 min, replicate a: its curve looks like that of 40 min" in flag.says
    own, there = (
        next(run for run in study.runs if run.name == name)
        for name in ("birch-40min-a", "birch-40min-b")
    )
    assert f"D50 {chord_um(own, 0.5):.3g} µm" in flag.says
    assert f"others have {chord_um(there, 0.5):.3g} µm at 40 min" in flag.says
    assert "Look at the label" in flag.remedy


@pytest.mark.parametrize(("groups", "replicates"), [(1, 2), (1, 3), (2, 1), (3, 1), (3, 2)])
def test_two_exchanged_samples_are_named_together(groups, replicates):
    letter = "" if replicates == 1 else "-a"
    one, other = f"alder-5min{letter}", f"alder-20min{letter}"
    flags = found(with_times(trial(groups, replicates), **{one: 20.0, other: 5.0}))
    says = {flag.spot.run: flag.says for flag in flags}
    assert {*says} == {one, other}
    assert f"as if its sample and that of run {other} were exchanged" in says[one]


def test_all_runs_of_a_time_are_named_once_with_what_others_have():
    minutes = {"alder-10min-a": 20.0, "alder-10min-b": 20.0}
    minutes |= {"alder-20min-a": 10.0, "alder-20min-b": 10.0}
    study = trial(3, 2)
    flags = found(with_times(study, **minutes))
    assert {flag.spot.run: flag.limit for flag in flags} == minutes
    says = {flag.limit: flag.says for flag in flags}
    assert {flag.common for flag in flags} == {*says.values()}
    assert (
        "group Alder, 20 min: its 2 curves look like those of 10 min, not of 20 min" in says[20.0]
    )
    assert "as if its samples and those of 10 min were exchanged" in says[20.0]
    own, others = (
        sorted(
            chord_um(run, 0.5)
            for run in study.runs
            if (run.group == "Alder") == is_own and run.milling_time_min == 10.0
        )
        for is_own in (True, False)
    )
    assert f"(D50 {own[0]:.3g} to {own[-1]:.3g} µm" in says[20.0]
    assert f"others have {others[0]:.3g} to {others[-1]:.3g} µm at 10 min" in says[20.0]


def test_all_runs_of_one_time_have_that_which_their_group_lacks():
    study = trial(3, 3)
    left = [run for run in study.runs if not run.name.startswith("alder-20min")]
    wrong = dataclasses.replace(study, runs=tuple(left))
    names = [f"alder-10min-{one}" for one in "abc"]
    flags = found(with_times(wrong, **dict.fromkeys(names, 20.0)))
    assert [flag.spot.run for flag in flags] == names
    assert {flag.value for flag in flags} == {10.0}
    assert "its 3 curves look like those of 10 min, not of 20 min" in flags[0].says
    assert "exchanged" not in flags[0].says


def test_single_runs_of_one_group_tell_a_rise_and_no_more():
    study = trial(1, 1)
    assert not found(study)
    flags = found(with_times(study, **{"alder-40min": 5.0, "alder-5min": 40.0}))
    assert len(flags) == 2
    assert flags[0].says == flags[1].says
    assert flags[0].says.startswith("D50 rises from ")
    assert "single runs do not tell which is wrong" in flags[0].remedy


def test_a_size_of_no_time_is_told_without_one():
    study = trial(3, 2)
    place = [run.name for run in study.runs].index("birch-0min-a")
    run = study.runs[place]
    nets = [one.net_g for one in run.readings]
    shifted = [0.0, *nets[:-2], nets[-2] + nets[-1]]  # one class coarser throughout
    readings = [
        dataclasses.replace(one, gross_g=round(one.tare_g + net, 2))
        for one, net in zip(run.readings, shifted, strict=True)
    ]
    runs = [*study.runs]
    runs[place] = dataclasses.replace(run, readings=tuple(readings))
    (flag,) = found(dataclasses.replace(study, runs=tuple(runs)))
    assert "its curve looks like that of no time, not of 0 min" in flag.says
    assert flag.value is None


def test_ratios_are_courses_of_their_own_and_operators_are_not():
    study = trial(2, 2)
    runs = [dataclasses.replace(run, factors={"operator": run.group}) for run in study.runs]
    wrong = dataclasses.replace(study, runs=tuple(runs))
    assert len(found(with_times(wrong, **{"birch-40min-a": 10.0}))) == 1
    ratio = {"Alder": 5.0, "Birch": 10.0}
    runs = [
        dataclasses.replace(
            run,
            factors={"ball_ratio": ratio[run.group]},
            milling_time_min=run.milling_time_min * (1.0 if run.group == "Alder" else 0.5),
        )
        for run in study.runs
    ]
    assert not found(dataclasses.replace(study, runs=tuple(runs)))


def test_clean_trials_stay_quiet_and_faults_are_found():
    """The long run is in tests/calibration/results/wrong_times.md."""
    clean, planted = times.measure(40, np.random.default_rng(1))
    assert sum(count for (_, what), count in clean.items() if what == "alarms") <= 5
    far = [
        (what, n)
        for ((_, kind, apart), what), n in planted.items()
        if apart in ("20 to 40 %", "40 % and more") and kind != "one group, single runs"
    ]
    assert times.FAULTS[3] in {fault for (fault, *_), _ in planted}
    total, named = (sum(n for one, n in far if one == what) for what in ("trials", "all named"))
    assert named >= 0.9 * total
