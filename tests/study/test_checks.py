"""Bench checks: clean studies stay quiet, planted faults are found, limits are the documents'."""

import dataclasses
import sys
from importlib import import_module
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.study import check_file, check_study, read_study
from psdstats.study.flags import CHECKS

CALIBRATION = str(Path(__file__).parents[1] / "calibration")


def _calibration(name):
    """A script of the calibration, which finds its neighbours in its own folder."""
    sys.path.insert(0, CALIBRATION)
    try:
        return import_module(name)
    finally:
        sys.path.remove(CALIBRATION)


bench, faults, studies = map(_calibration, ("bench_checks", "bench_faults", "bench_studies"))


def test_clean_studies_stay_quiet():
    """The long run (500 studies) is in tests/calibration/results/bench_checks.md."""
    warned, by_check = bench.false_alarms(60, np.random.default_rng(1))
    assert warned <= 8, by_check  # 60 studies at the wanted 5 % exceed 8 with probability 0.3 %


@pytest.mark.parametrize("check", CHECKS)
def test_planted_fault_is_found(check):
    """At the wanted 95 %, fewer than 16 of 20 are found with probability 0.3 %."""
    assert bench.found(check, 20, np.random.default_rng(2)) >= 16
    assert faults.SIZES[check]


@pytest.fixture
def study():
    return studies.clean_study(np.random.default_rng(38))  # 24 runs of four groups on alike stacks


def only(report, check):
    return [each for each in report.flags if each.check == check]


def test_switches(study):
    planted = faults.plant_mass_balance(study, 0, np.random.default_rng(0))
    assert check_study(planted).exit_code == 1
    off = dataclasses.replace(planted, checks=MappingProxyType({"mass_balance": False}))
    assert not only(check_study(off), "mass_balance")
    assert "mass_balance" in check_study(off).switched_off


def test_thresholds(study):
    nets = [0.97 * reading.net_g for reading in study.runs[0].readings]
    lossy = faults.with_nets(study, 0, nets)
    assert not only(check_study(lossy), "mass_balance")
    strict = MappingProxyType({"mass_balance": MappingProxyType({"percent": 1.5})})
    found = only(check_study(dataclasses.replace(lossy, checks=strict)), "mass_balance")
    assert found[0].limit == -1.5
    assert found[0].spot.run == study.runs[0].name


def test_checks_that_stop_cannot_be_switched_off(study):
    planted = faults.plant_no_pan(study, 0, np.random.default_rng(0))
    off = dataclasses.replace(planted, checks=MappingProxyType({"no_pan": False}))
    assert check_study(off).exit_code == 2


def test_load_limits_of_astm_c136():
    """ASTM C136/C136M-19, 8.3: 7 kg/m² below 4.75 mm; 2.5 kg/(m² mm) from there on.

    On a 200 mm frame (0.0314 m²) that is 0.220 kg, and 0.63 kg on an 8 mm sieve.
    """
    study = studies.clean_study(np.random.default_rng(9))
    for aperture_um, limit_g in ((500.0, 220.0), (8000.0, 628.3)):
        reading = study.runs[0].readings[-1]
        for net_g, alarm in ((0.99 * limit_g, False), (1.01 * limit_g, True)):
            loaded = dataclasses.replace(
                reading, aperture_um=aperture_um, gross_g=round(reading.tare_g + net_g, 3)
            )
            readings = (*study.runs[0].readings[:-1], loaded)
            changed = faults.with_run(study, 0, readings=readings)
            found = only(check_study(changed), "overload")
            assert bool(found) is alarm
            if found:
                assert found[0].limit == pytest.approx(limit_g, rel=1e-3)
                assert "ASTM C136" in found[0].source


@pytest.mark.parametrize(
    ("net_g", "moved_g", "alarm"),
    [
        (10.0, 0.49, False),  # below 5 % of the load
        (10.0, 0.51, True),
        (1.5, 0.09, False),  # 6 %, but below 0.1 g
        (1.5, 0.11, False),  # 3 % of 50 g is a small share: 20 % of it may move
        (1.5, 0.31, True),
    ],
)
def test_end_point_of_usp_786(study, net_g, moved_g, alarm):
    """USP <786> (from memory): 5 % or 0.1 g; 20 % where a sieve holds under 5 % of the powder."""
    total = 50.0
    count = len(study.runs[0].readings)
    nets = [(total - net_g) / (count - 1)] * count
    nets[3] = net_g
    changed = faults.with_nets(study, 0, nets)
    reading = changed.runs[0].readings[3]
    changed = faults.with_reading(changed, 0, 3, gross_again_g=reading.gross_g - moved_g)
    assert bool(only(check_study(changed), "end_point")) is alarm


def test_bracketing_names_the_levels(study):
    count = len(study.runs[0].readings)
    nets = [30.0, *[15.0 / (count - 2)] * (count - 2), 5.0]
    found = only(check_study(faults.with_nets(study, 0, nets)), "not_bracketed")
    assert [each.says.split(" lie")[0] for each in found] == ["D10, D50"]
    nets = [1.0, *[20.0 / (count - 2)] * (count - 2), 29.0]
    found = only(check_study(faults.with_nets(study, 0, nets)), "not_bracketed")
    assert [each.says.split(" lie")[0] for each in found] == ["D50, D90"]


def test_report_as_frame(study):
    planted = faults.plant_overload(study, 0, np.random.default_rng(0))
    frame = check_study(planted).to_frame()
    assert {
        "severity",
        "check",
        "file",
        "row",
        "run",
        "sieve",
        "value",
        "limit",
        "unit",
        "source",
        "remedy",
    } <= set(frame.columns)
    row = frame[frame["check"] == "overload"].iloc[0]
    assert row["value"] > row["limit"]
    assert check_study(study).to_frame().columns.tolist() == frame.columns.tolist()


def test_errors_come_first(study):
    planted = faults.plant_overload(study, 0, np.random.default_rng(0))
    planted = faults.plant_gross_below_tare(planted, 1, np.random.default_rng(0))
    severities = [str(each.severity) for each in check_study(planted).flags]
    order = ["error", "warning", "note"]
    assert severities == sorted(severities, key=order.index)
    assert check_study(planted).exit_code == 2


def test_a_mistyped_tare_is_told_by_the_tares_of_the_other_runs(study):
    run = study.runs[0]
    same = [
        one.tare_g
        for other in study.runs[1:]
        for one in other.readings
        if one.sieve == run.readings[0].sieve
    ]
    wrong = dataclasses.replace(run.readings[0], tare_g=run.readings[0].tare_g + 30.0)
    runs = (dataclasses.replace(run, readings=(wrong, *run.readings[1:])), *study.runs[1:])
    (found,) = check_study(dataclasses.replace(study, runs=runs)).of_severity("error")
    assert f"In its other runs this sieve weighs {np.median(same):.10g} g empty" in str(found)


def test_a_gross_too_low_is_weighed_again(study):
    run = study.runs[0]
    wrong = dataclasses.replace(run.readings[0], gross_g=run.readings[0].tare_g - 5.0)
    runs = (dataclasses.replace(run, readings=(wrong, *run.readings[1:])), *study.runs[1:])
    (found,) = check_study(dataclasses.replace(study, runs=runs)).of_severity("error")
    assert "Weigh the sieve with its powder again" in str(found)


def test_half_weighed_run_does_not_hide_the_others(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"].replace("313.90", "").replace("401.00", "398.00")
    report = check_file(write_folder({"weighings.csv": text}))
    errors = report.of_severity("error")
    assert [(each.check, each.spot.row) for each in errors] == [
        ("reading", 13),
        ("gross_below_tare", 6),
    ]
    assert str(errors[0]) == (
        "error: weighings.csv, row 13: column gross_g: 1 run is weighed in part: empty is gross_g "
        "of sieve B pan in run b-0 (row 13). Weigh what is missing and write its mass in g; else "
        "write planned or abandoned into the column status."
    )


def test_sound_study_on_disk(write_folder):
    folder = write_folder()
    report = check_file(folder)
    assert report.exit_code == check_study(read_study(folder)).exit_code
    assert not report.of_severity("error")


def test_order_of_rows_is_judged_in_the_file(write_folder, catalogue):
    rows = catalogue.SOUND["weighings.csv"].splitlines(keepends=True)
    rows[1], rows[2] = rows[2], rows[1]
    found = only(check_file(write_folder({"weighings.csv": "".join(rows)})), "aperture_order")
    assert [(each.spot.run, each.spot.row) for each in found] == [("a-0", 3)]


def test_unreadable_path(tmp_path):
    report = check_file(tmp_path / "nothing")
    assert report.exit_code == 2
    assert "there is no such file or folder" in str(report.flags[0])


def charged(study, charges, **changes):
    """The first runs of a study with these charges, the rest left out."""
    runs = [
        dataclasses.replace(run, charge=name, **changes)
        for run, name in zip(study.runs, charges, strict=False)
    ]
    return dataclasses.replace(study, runs=tuple(runs))


def test_one_charge_sampled_at_all_times_or_fresh_ones_are_sound(study):
    for name in (lambda run: f"{run.group} {run.replicate}", lambda run: run.name):
        sound = charged(study, map(name, study.runs))
        assert not only(check_study(sound), "charge")
        assert len(sound.runs) == len(study.runs)
    assert not only(check_study(charged(study, [None] * len(study.runs))), "charge")


def test_a_charge_sampled_twice_at_a_time_unless_the_sample_was_split(study):
    twice = charged(study, ["1", "1"], milling_time_min=6.0, replicate="a", group="Alder")
    (flag,) = only(check_study(twice), "charge")
    assert flag.spot.run == study.runs[1].name
    assert "sampled at 6 min" in flag.says
    parts = [dataclasses.replace(r, split=str(n)) for n, r in enumerate(twice.runs)]
    assert not only(check_study(dataclasses.replace(twice, runs=tuple(parts))), "charge")


def test_a_charge_in_two_groups_or_of_two_ball_ratios(study):
    one = charged(study, ["1", "1"], group="Alder")
    other = dataclasses.replace(one.runs[1], group="Rowan", milling_time_min=99.0)
    (flag,) = only(check_study(dataclasses.replace(one, runs=(one.runs[0], other))), "charge")
    assert "is in group Alder and in group Rowan" in flag.says
    runs = [
        dataclasses.replace(run, milling_time_min=minutes, factors={"ball_ratio": ratio})
        for run, minutes, ratio in zip(one.runs, (0.0, 6.0), (5.0, 10.0), strict=True)
    ]
    (flag,) = only(check_study(dataclasses.replace(one, runs=tuple(runs))), "charge")
    assert f"ball ratio 5 in run {runs[0].name} and 10 here" in flag.says


def test_a_run_without_a_charge_among_others_with_one(study):
    (flag,) = only(check_study(charged(study, ["1", None])), "charge")
    assert flag.spot.run == study.runs[1].name


def test_only_flags_on_readings_throw_doubt_on_a_run():
    """Demo: three readings are in doubt; sizes below the finest sieve are bounds, no doubt."""
    report = check_study(read_study(demo_study("four_benches")))
    doubts = {one.check for one in report.flags if one.doubts}
    assert doubts == {"finer_than_resolution", "mass_balance", "tare_drift"}
    assert set(report.doubted_runs) == {
        "cedar-5to1-6min-b",
        "birch-5to1-24min-a",
        "alder-10to1-12min-b",
    }
    assert not any(one.doubts for one in report.flags if one.check == "not_bracketed")
