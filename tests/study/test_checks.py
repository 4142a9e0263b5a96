"""Bench checks: clean studies stay quiet, planted faults are found, limits are the documents'."""

import dataclasses
from decimal import Decimal
from importlib import import_module
from types import MappingProxyType

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.errors import StudyError
from psdstats.sieves import Sieve
from psdstats.study import Balance, Reading, Run, Study, check_file, check_study, read_study
from psdstats.study.flags import CHECKS
from psdstats.study.tables import Origin, make_table
from psdstats.study.tares import stopping_flags

bench, faults, studies = map(import_module, ("bench_checks", "bench_faults", "bench_studies"))


def test_clean_studies_stay_quiet():
    """The long run (500 studies) is in tests/calibration/results/bench_checks.md."""
    warned, by_check = bench.false_alarms(60, np.random.default_rng(1))
    assert warned <= 8, by_check  # 60 studies at the wanted 5 % exceed 8 with probability 0.3 %


@pytest.mark.parametrize("check", CHECKS)
def test_planted_fault_is_found(check):
    """At the wanted 95 %, fewer than 9 of 12 are found with probability 0.2 %."""
    assert bench.found(check, 12, np.random.default_rng(2)) >= 9
    assert faults.SIZES[check]


def test_every_flag_says_what_to_do():
    """By its function, or by `checks.csv` where that is always the same."""
    rng, seen = np.random.default_rng(3), set()
    for check in CHECKS:
        for _ in range(20):
            planted = faults.plant(check, studies.clean_study(rng), 0, rng)
            flags = check_study(planted).flags if planted else ()
            assert all(flag.remedy.endswith(".") for flag in flags), check
            seen |= {flag.check for flag in flags}
            if check in seen:
                break
    assert seen == {*CHECKS}


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
                reading, sieve="odd", aperture_um=aperture_um,
                gross_g=round(reading.tare_g + net_g, 3),
            )  # fmt: skip
            readings = (*study.runs[0].readings[:-1], loaded)
            sieves = {**study.sieves, "odd": Sieve(key="odd", nominal_um=aperture_um)}
            changed = faults.with_run(
                dataclasses.replace(study, sieves=sieves), 0, readings=readings
            )
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
        "error: weighings.csv, row 13: column gross_g: 1 run is weighed in part: missing is "
        "gross_g of sieve B pan in run b-0 (row 13). Weigh what is missing and write its mass "
        "in g; else write planned or abandoned into the column status."
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


def _runs(study, change):
    return dataclasses.replace(study, runs=tuple(map(change, study.runs)))


@pytest.mark.parametrize(
    ("typed", "way"),
    [
        ("alder", "upper and lower case"),
        ("Al\u200bder", "signs that show nothing"),
        ("Аlder", "letters of another script"),  # a Cyrillic A
        ("Alder\u00a0", "blanks"),
        ("Al der", "blanks"),
        ("A\u00adlDer", "signs that show nothing and in upper and lower case"),
    ],
)
def test_names_that_read_alike(study, typed, way):
    """The group is told, not the sieves that are named after it."""
    planted = faults.with_run(study, 3, group=typed)
    found = only(check_study(planted), "similar_names")
    assert [each.spot.run for each in found] == [study.runs[3].name]
    assert found[0].says.endswith(f"they differ in {way}")
    assert ("<U+" in found[0].says) is not typed.isprintable()


@pytest.mark.parametrize("names", [("Run 1 1", "Run 11"), ("Op A", "Op B"), ("a-1", "a1")])
def test_names_that_do_not_read_alike(study, names):
    for number, name in enumerate(names):
        study = faults.with_run(study, number, name=name)
    assert not only(check_study(study), "similar_names")


def test_sieves_certificates_and_columns_that_read_alike(study):
    first = study.runs[0].readings[2].sieve
    odd = first.upper()
    sieves = {**study.sieves, odd: dataclasses.replace(study.sieves[first], key=odd)}
    typed = faults.with_reading(dataclasses.replace(study, sieves=sieves), 0, 2, sieve=odd)
    (flag,) = only(check_study(typed), "similar_names")
    assert (flag.spot.run, flag.spot.sieve) == (study.runs[0].name, odd)
    mixed = _runs(study, lambda run: dataclasses.replace(run, factors={"mill": "A"}))
    mixed = faults.with_run(mixed, 0, factors={"Mill": "A"})
    (flag,) = only(check_study(mixed), "similar_names")
    assert flag.says.startswith("columns ")


def test_a_ratio_in_words_among_numbers(study):
    planted = faults.plant_mixed_levels(study, 0, np.random.default_rng(0))
    report = check_study(planted)
    (own,) = [own for own in report.findings if own[0].check == "mixed_levels"]
    assert len(own) == 6  # runs of one group
    assert own[0].remedy == "Write 5 for 5:1, as in the other runs."
    words = _runs(study, lambda run: dataclasses.replace(run, factors={"mill": run.group}))
    assert not only(check_study(words), "mixed_levels")


@pytest.mark.parametrize(
    ("value", "hint"),
    [(2710.0, "2.71 if 2710 is in kg/m³"), (0.00271, "2.71 if 0.00271 is in g/mm³"), (23.0, None)],
)
def test_a_density_that_no_solid_has(study, value, hint):
    (flag,) = only(check_study(dataclasses.replace(study, density_g_per_cm3=value)), "density")
    assert flag.limit == (22.6 if value > 1 else 0.1)
    assert (hint in flag.remedy) if hint else flag.remedy == "Write density_g_per_cm3 in g/cm³."
    for sound in (0.2, 2.71, 19.3, 22.5):
        changed = dataclasses.replace(study, density_g_per_cm3=sound)
        assert not only(check_study(changed), "density")


def test_times_of_one_group_in_hours(study):
    """0, 6, 12, … min as 0, 0.1, 0.2, … h in one group; the others are the usual ones."""
    group = study.runs[-1].group
    hours = _runs(
        study,
        lambda run: (
            run
            if run.group != group
            else dataclasses.replace(run, milling_time_min=round(run.milling_time_min / 60, 4))
        ),
    )
    report = check_study(hours)
    (own,) = [own for own in report.findings if own[0].check == "time_unit"]
    assert {flag.spot.run for flag in own} <= {r.name for r in study.runs if r.group == group}
    assert own[0].common == f"the times of group {group} are those of the other groups in h"
    assert [flag.limit / flag.value for flag in own] == pytest.approx([60.0] * len(own), rel=0.01)
    assert set(report.doubted_runs) == {flag.spot.run for flag in own}


def test_times_that_groups_choose_themselves_are_sound(study):
    """One group stops at other times than the others, 60 times as long among them."""
    first = study.runs[0].group
    for times in ((0.0, 1.0, 60.0), (0.0, 7.0, 11.0)):
        own = iter([run for run in study.runs if run.group == first])
        chosen = {run.name: times[place % 3] for place, run in enumerate(own)}
        changed = _runs(
            study,
            lambda run, chosen=chosen: dataclasses.replace(
                run, milling_time_min=chosen.get(run.name, run.milling_time_min)
            ),
        )
        assert not only(check_study(changed), "time_unit")


def test_a_resolution_that_the_readings_contradict_is_one_finding(study):
    for resolution_g, says in (
        (10.0, "show finer steps"),
        (1e11, "show finer"),
        (1e-5, "of 0.01 g"),
    ):
        planted = faults.with_balance(study, 0, resolution_g=resolution_g)
        report = check_study(planted)
        (flag,) = only(report, "resolution")
        assert says in flag.says
        assert not only(report, "finer_than_resolution")
    assert not only(check_study(faults.with_balance(study, 0, resolution_g=0.005)), "resolution")


def test_a_copy_is_told_and_empty_sieves_are_no_copy(study):
    planted = faults.with_run(study, 4, readings=study.runs[1].readings)
    (flag,) = only(check_study(planted), "copied_run")
    assert flag.spot.run == study.runs[4].name
    assert f"as in run {study.runs[1].name}" in flag.says
    nearly = faults.with_reading(planted, 4, 2, gross_g=planted.runs[4].readings[2].gross_g + 0.01)
    assert not only(check_study(nearly), "copied_run")


def test_sample_masses_that_are_missing(study):
    some = faults.with_run(faults.with_run(study, 0, sample_mass_g=None), 1, sample_mass_g=None)
    (own,) = [own for own in check_study(some).findings if own[0].check == "sample_mass"]
    assert [flag.spot.run for flag in own] == [run.name for run in study.runs[:2]]
    assert own[0].severity == "warning"
    none = check_study(faults.plant_no_sample_mass(study, 0, None))
    assert [flag.severity for flag in none.flags if "sample_mass" in flag.check] == ["note"]


def test_one_aperture_of_a_group_beside_all_others(study):
    planted = faults.plant_odd_aperture(study, 0, np.random.default_rng(3))
    (own,) = [own for own in check_study(planted).findings if own[0].check == "odd_aperture"]
    assert len(own) == 6
    assert own[0].value == round(1.05 * own[0].limit)
    assert own[0].severity == "warning"


@pytest.mark.parametrize(
    ("stated", "limit"), [(500.0, "above"), (4.8, "above"), (0.0009, "below"), (4.5, None)]
)
def test_certified_uncertainty_beside_the_tolerance(study, stated, limit):
    """Y of 90 µm is 90^0.98 / 27 + 1.6 = 4.65 µm (ISO 3310-1:2016, from memory)."""
    changed = faults.with_sieve(
        study, study.runs[0].readings[2].sieve,
        nominal_um=90.0, certified_um=90.0, expanded_uncertainty_um=stated,
    )  # fmt: skip
    found = only(check_study(changed), "certificate_uncertainty")
    assert [limit] * len(found) == [each for each in [limit] if each]
    if found:
        assert f"is {limit} what is plausible for 90 µm" in found[0].says
        assert found[0].limit == pytest.approx(4.65 if limit == "above" else 0.027, abs=0.01)


def test_crossed_certificates_stop_in_one_finding(write_folder, catalogue):
    """Certificates of two sieves exchanged: nothing is computed with them."""
    sieves = (
        "sieve,nominal_um,certified_um,expanded_uncertainty_um\nA 90,90,45.2,1\nA 45,45,90.3,1\n"
    )
    folder = write_folder({"sieves.csv": sieves})
    with pytest.raises(StudyError) as caught:
        read_study(folder)
    (problem,) = caught.value.problems
    assert "certified_order" not in str(problem)
    assert str(problem).endswith(
        "by its certificate sieve A 45 has 90.3 µm (nominal 45 µm), at least as wide as sieve A 90 "
        "with 45.2 µm (nominal 90 µm) (also in a-6). Correct the aperture of sieve A 45 in the "
        "sieve table; look whether two certificates were exchanged."
    )
    report = check_file(folder)
    assert [own[0].check for own in report.findings if own[0].severity == "error"] == [
        "certified_order"
    ]
    assert only(report, "certificate")  # the other checks see the runs all the same


def test_one_name_for_the_sieves_of_two_groups(study):
    """Two groups weigh another sieve under one name; the balance's noise is no second sieve."""
    planted = faults.plant_shared_sieve(study, len(study.runs) - 1, np.random.default_rng(0))
    report = check_study(planted)
    (own,) = [own for own in report.findings if own[0].check == "shared_sieve"]
    assert len(own) == 6
    assert abs(own[0].value) > own[0].limit
    assert not only(report, "tare_drift")  # each group beside itself

    def same_sieve(run):
        shared = {one.sieve: one for one in planted.runs[0].readings}
        readings = tuple(
            dataclasses.replace(one, tare_g=shared[one.sieve].tare_g)
            if one.aperture_um > 0 and one.sieve in shared
            else one
            for one in run.readings
        )
        return dataclasses.replace(run, readings=readings)

    assert not only(check_study(_runs(planted, same_sieve)), "shared_sieve")


def test_mixed_decimal_signs_stand_beside_the_other_findings(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"].replace(",", ";").replace("403.00", "403,00")
    report = check_file(write_folder({"weighings.csv": text.replace("313.90", "305.90")}))
    errors = [own[0] for own in report.findings if own[0].severity == "error"]
    assert [each.check for each in errors] == ["reading", "gross_below_tare"]
    assert "decimal points and decimal commas are mixed" in errors[0].says


@pytest.mark.parametrize("row", ["a-0,Total,,1440.00,1449.90", ",Total,,,1449.90", "total,,,,1449"])
def test_a_row_of_sums_is_to_be_deleted(write_folder, catalogue, row):
    text = catalogue.SOUND["weighings.csv"] + row + "\n"
    report = check_file(write_folder({"weighings.csv": text}))
    (flag,) = [each for each in report.flags if each.severity == "error"]
    assert "the row is a sum and no weighing" in flag.says
    assert flag.remedy == "Delete the row: sums are computed."
    assert flag.spot.row == 14


def test_a_text_with_a_comma_among_numbers_of_a_workbook_is_asked_about():
    """A text 1,320 is 1.32 or 1320; 368,15 is a decimal comma, and a column of texts has one."""
    for texts, refused in ((("1,320", Decimal(400)), True), (("368,15", Decimal(400)), False),
                           (("1,320", "400,150"), False)):  # fmt: skip
        problems = []
        rows = [(1, ["gross_g"]), *((number + 2, [one]) for number, one in enumerate(texts))]
        table = make_table(Origin("weighings", problems), rows, known=["gross_g"])
        value = table.number(table.rows[0], "gross_g")
        assert (value is None) is refused
        assert [each.fault for each in problems] == (
            ["among numbers this text could be 1.320 or 1320"] if refused else []
        )


def test_absurd_times(study, write_folder, catalogue):
    for minutes in (50_000.0, 0.001):
        (flag,) = only(
            check_study(faults.with_run(study, 2, milling_time_min=minutes)), "time_range"
        )
        assert (flag.spot.run, flag.value) == (study.runs[2].name, minutes)
    text = catalogue.SOUND["runs.csv"].replace("Alder,6", "Alder,1e300")
    with pytest.raises(StudyError, match="the time is above 1000000 min"):
        read_study(write_folder({"runs.csv": text}))


def test_what_is_alike_is_one_finding(study):
    count = len(study.runs[0].readings)
    nets = [30.0, *[15.0 / (count - 2)] * (count - 2), 5.0]
    for number in (0, 1):
        study = faults.with_nets(study, number, nets)
    report = check_study(study)
    (own,) = [own for own in report.findings if own[0].check == "not_bracketed"]
    assert [flag.spot.run for flag in own] == [run.name for run in study.runs[:2]]
    assert {flag.common for flag in own} == {"D10, D50 lie below the finest sieve"}


def test_switches_of_every_new_check():
    """Every warning and note can be switched off by its name; errors that stop cannot."""
    for check in CHECKS:
        rng, planted = np.random.default_rng(7), None
        while planted is None:
            study = studies.clean_study(rng)
            planted = faults.plant(check, study, len(study.runs) - 1, rng)
        off = dataclasses.replace(planted, checks={check: False})
        assert bool(only(check_study(off), check)) is CHECKS[check].stops
        assert CHECKS[check].source


def test_exchanged_columns_are_one_finding(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"].replace("tare_g,gross_g", "gross_g,tare_g")
    (own,) = [
        own for own in check_file(write_folder({"weighings.csv": text})).findings
        if own[0].severity == "error"
    ]  # fmt: skip
    assert [one.spot.run for one in own] == ["a-0", "a-6", "b-0"]
    assert "as if tare_g and gross_g were exchanged" in own[0].says


def test_a_balance_of_unstated_repeatability_is_as_noisy_as_its_tares():
    """Readings that scatter by 0.2 g with d = 0.1 g: 0.6 g below the tare is noise, 5 g is not."""
    rng = np.random.default_rng(3)
    tares = 400.0 + 0.1 * np.round(rng.normal(0.0, 2.0, (8, 3)))
    runs = [
        Run(name=f"r{k}", group="g", milling_time_min=k, balance="b", readings=[
            Reading(sieve=name, aperture_um=size, tare_g=tare, gross_g=tare + net)
            for name, size, tare, net in zip(
                ("pan", "s 90", "s 180"), (0, 90, 180), own, (20.0, 10.0, -0.6), strict=True)
        ])
        for k, own in enumerate(tares)
    ]  # fmt: skip
    study = Study(
        title="t", runs=runs, balances={"b": Balance(name="b", resolution_g=0.1)},
        sieves={f"s {size}": Sieve(key=f"s {size}", nominal_um=size) for size in (90, 180)},
    )  # fmt: skip
    assert [*stopping_flags(study)] == []
    wrong = dataclasses.replace(runs[0].readings[-1], gross_g=runs[0].readings[-1].tare_g - 5.0)
    run = dataclasses.replace(runs[0], readings=(*runs[0].readings[:-1], wrong))
    (found,) = stopping_flags(dataclasses.replace(study, runs=(run, *runs[1:])))
    assert found.check == "gross_below_tare"
    stated = {"b": Balance(name="b", resolution_g=0.1, repeatability_g=0.02)}
    assert len([*stopping_flags(dataclasses.replace(study, balances=stated))]) == 8
