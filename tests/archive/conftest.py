"""Small trials of a laboratory (invented): two milling times, runs alike, a date."""

import os
import shutil
from pathlib import Path

import pytest

from psdstats import collect
from psdstats.study import save_study


@pytest.fixture(scope="session")
def collected_once(tmp_path_factory, dated_trial):
    """Four trials, saved long ago, and their archive: two of one title, a workbook, one broken."""
    place = tmp_path_factory.mktemp("laboratory")
    folder = place / "trials"
    for number, day in enumerate(("2026-01-05", "2026-02-05", "2026-03-05")):
        study = dated_trial(day, 0.02 * (number + 1))
        if number == 2:
            save_study(study, folder / "third.xlsx", form="workbook")
        else:
            save_study(study, folder / f"2026/{day}")
    (folder / "broken.csv").write_text("run,milling_time_min\na,0\n", encoding="utf-8")
    for path in folder.rglob("*"):
        os.utime(path, (1_700_000_000, 1_700_000_000))
    collect([folder], place / "a.sqlite")
    return place


@pytest.fixture
def laboratory(collected_once, tmp_path):
    """The same to be changed, each file as old as it was."""
    return Path(shutil.copytree(collected_once, tmp_path / "laboratory"))
