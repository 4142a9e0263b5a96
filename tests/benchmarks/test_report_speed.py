"""Time of the whole report, demo studies and an archive: run with ``pytest tests/benchmarks``."""

import importlib.util
from pathlib import Path

from psdstats import read_study

_spec = importlib.util.spec_from_file_location(
    "benchmark_report_speed", Path(__file__).with_name("report_speed.py")
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


def test_archive_holds_what_it_says(tmp_path):
    study = read_study(bench.write_archive(tmp_path / "archive", 200))
    assert len(study.runs) == 200
    assert {run.group for run in study.runs} == {"Alder", "Birch", "Cedar", "Hazel", "Rowan"}
    assert len(study.balances) == 4
    shared = {
        group: {
            reading.sieve for run in study.runs if run.group == group for reading in run.readings
        }
        for group in ("Alder", "Birch", "Cedar")
    }
    assert shared["Alder"] == shared["Birch"]
    assert not shared["Alder"] & shared["Cedar"]
    assert any(sieve.is_certified for sieve in study.sieves.values())


def test_demo_reports_take_under_12_s():
    """Both demo studies, cold, with Monte Carlo, everything written; processor time, one thread."""
    for small in (True, False):
        _, processor = bench.demo_report(small=small)
        assert processor < 12


def test_archive_of_200_runs_is_reported_under_60_s():
    """Everything written, in a fresh process of one thread; processor time."""
    _, processor = bench.archive_report(200)
    assert processor < 60
