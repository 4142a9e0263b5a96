"""The data that come with psdstats: demo studies made again, and read as a user would."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest
from psdstats_datasets import (
    DEMO_STUDIES,
    PUBLISHED_CASES,
    demo_path,
    demo_study,
    published_path,
)

from psdstats.errors import StudyError
from psdstats.simulate import simulate_study
from psdstats.study import Study, check_study, read_study


@pytest.fixture(scope="module")
def make_demo() -> ModuleType:
    path = demo_path("four_benches").parents[1] / "make_demo.py"
    spec = importlib.util.spec_from_file_location("make_demo", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def four_benches() -> Study:
    return read_study(demo_study("four_benches"))


def test_the_script_makes_the_committed_bytes(make_demo: ModuleType, tmp_path: Path) -> None:
    make_demo.write_demo(tmp_path)
    made = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv"))
    folder = demo_path("four_benches").parent
    assert made == sorted(path.relative_to(folder) for path in folder.rglob("*.csv"))
    for path in made:
        assert (tmp_path / path).read_bytes() == (folder / path).read_bytes(), path


def test_the_settings_describe_the_simulated_balances(
    make_demo: ModuleType, four_benches: Study
) -> None:
    """study.toml is typed by hand: it must say what the simulation did."""
    design = make_demo._four_benches()
    assert dict(four_benches.balances) == {b.balance.name: b.balance for b in design.benches}
    assert four_benches.density_g_per_cm3 == design.powder.density_g_per_cm3
    assert four_benches.shape_factor == design.powder.shape_factor
    assert four_benches.title == design.title
    assert four_benches.tares == design.tares
    switches = ("rounding", "repeatability", "calibration", "aperture", "sampling", "lost_powder")
    assert all(four_benches.uncertainty[name] is True for name in switches)


def test_the_files_hold_what_was_simulated(make_demo: ModuleType, four_benches: Study) -> None:
    """Through text and back: every mass as simulated, blemishes included."""
    design = make_demo._four_benches()
    seed = make_demo.SEED_FOUR_BENCHES
    made = make_demo._blemish(simulate_study(design, seed=seed).study)
    columns = ["run", "aperture_um", "sieve"]
    expected = made.to_frames()["weighings"].sort_values(columns, ignore_index=True)
    found = four_benches.to_frames()["weighings"].sort_values(columns, ignore_index=True)
    pd.testing.assert_frame_equal(found, expected, check_exact=False, atol=1e-9)
    runs = four_benches.runs_frame().drop(columns="shaking_time_min")
    pd.testing.assert_frame_equal(runs, made.runs_frame(), check_like=True)
    birch = {key: sieve for key, sieve in made.sieves.items() if sieve.is_certified}
    assert {key: four_benches.sieves[key] for key in birch} == birch


def test_four_benches_is_a_complete_design(four_benches: Study) -> None:
    frame = four_benches.runs_frame()
    cells = frame.groupby(["group", "milling_time_min", "ball_ratio"]).size()
    assert len(cells) == 4 * 5 * 2
    assert cells.eq(2).all()
    certified = {key for key, sieve in four_benches.sieves.items() if sieve.is_certified}
    assert {key.split(" ")[0] for key in certified} == {"Birch"}
    assert len(certified) == 8
    rowan = [run for run in four_benches.runs if run.group == "Rowan"]
    assert {reading.aperture_um for reading in rowan[0].readings} >= {53.0, 600.0}


def test_the_checks_find_the_blemishes(four_benches: Study) -> None:
    findings = check_study(four_benches).to_frame()
    found = {(row.check, row.run) for row in findings.itertuples()}
    assert ("tare_drift", "alder-10to1-12min-b") in found
    assert ("mass_balance", "birch-5to1-24min-a") in found
    assert ("finer_than_resolution", "cedar-5to1-6min-b") in found
    open_ends = {run for check, run in found if check == "not_bracketed"}
    assert open_ends
    assert all("-48min-" in run for run in open_ends)
    warned = findings[findings["severity"] == "warning"]
    assert set(warned["check"]) == {
        "tare_drift", "mass_balance", "finer_than_resolution", "not_bracketed",
    }  # fmt: skip
    notes = findings[findings["severity"] == "note"]  # empty sieves, within the noise of weighing
    assert set(notes["check"]) <= {"negative_net"}
    assert set(findings["severity"]) <= {"warning", "note"}


def test_one_bench_is_one_file_with_one_run_a_time() -> None:
    study = read_study(demo_study("one_bench"))
    assert [run.milling_time_min for run in study.runs] == [0, 6, 12, 24, 48]
    assert {len(run.readings) for run in study.runs} == {9}
    assert demo_study("one_bench").is_file()


@pytest.mark.parametrize("name", DEMO_STUDIES)
def test_demo_studies_say_that_they_are_invented(name: str) -> None:
    readme = (demo_path(name) / "README.md").read_text(encoding="utf-8")
    assert "invented" in readme.splitlines()[0]
    assert "Every number here is invented" in readme


@pytest.mark.parametrize("name", PUBLISHED_CASES)
def test_published_cases_have_a_readme(name: str) -> None:
    path = published_path(name)
    assert path.exists()
    readme = (path if path.is_dir() else path.parent) / "README.md"
    assert readme.exists()
    assert path.is_dir() or f"## {path.name}" in readme.read_text(encoding="utf-8")


def test_unknown_names_list_the_known_ones() -> None:
    with pytest.raises(StudyError, match=r"five_benches: .* Choose one of four_benches, one_bench"):
        demo_path("five_benches")
    with pytest.raises(StudyError, match="Choose one of crushed_quartz, mixed_models"):
        published_path("sand")
