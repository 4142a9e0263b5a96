"""The command in the provenance of a report gives the same numbers again."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

from psdstats_cli.main import main
from psdstats_datasets import demo_study

STUDY = str(demo_study("one_bench"))


def _report(target: Path, words: list[str]) -> dict[str, bytes]:
    assert main([*words, "--out", str(target), "--quiet"]) == 0
    return {path.name: path.read_bytes() for path in sorted((target / "tables").iterdir())}


def test_the_command_told_repeats_the_report(tmp_path):
    options = ["--method", "monte-carlo", "--draws", "5000", "--seed", "7", "--margin", "4"]
    options += ["--coverage", "0.9", "--level", "0.9", "--sources", "rounding,aperture", "--across"]
    first = _report(tmp_path / "a", ["report", STUDY, *options])
    record = json.loads((tmp_path / "a" / "provenance.json").read_text(encoding="utf-8"))
    told = shlex.split(record["repeat_with"])
    assert told[:3] == ["psdstats", "report", "STUDY"]
    assert first == _report(tmp_path / "b", ["report", STUDY, *told[3:]])
    assert json.loads((tmp_path / "b" / "provenance.json").read_text(encoding="utf-8")) == record
