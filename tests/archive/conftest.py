"""Small trials of a laboratory (invented): two milling times, runs alike, a date."""

import os
import shutil
from pathlib import Path

import pytest

from psdstats import collect
from psdstats.sieves.sieve import Sieve
from psdstats.study import save_study
from psdstats.study.records import Balance, Reading, Run, Study

APERTURES = (0, 63, 90, 125, 180, 250)
UNMILLED = (0.4, 2.1, 8.2, 21.4, 14.6, 3.3)
MILLED = (3.9, 12.8, 18.1, 11.4, 3.2, 0.6)


def _run(name, nets, time):
    return Run(
        name=name,
        group="Alder",
        milling_time_min=time,
        balance="house",
        readings=tuple(
            Reading(
                sieve=f"{um} µm" if um else "pan",
                aperture_um=float(um),
                tare_g=400.0 + row,
                gross_g=round(400.0 + row + net, 2),
            )
            for row, (um, net) in enumerate(zip(APERTURES, nets, strict=True))
        ),
    )


def _trial(day, shift=0.02, *, replicates=2, title="Trial (invented)", **settings):
    """A trial in which everything is coarser by a shift of mass to the next sieve, in g."""
    moved = [-shift, -shift, -shift, shift, shift, shift]
    runs = tuple(
        _run(f"{kind}-{k}", [n + m * (1 + 4 * k) for n, m in zip(nets, moved, strict=True)], time)
        for kind, nets, time in (("feed", UNMILLED, 0.0), ("milled", MILLED, 24.0))
        for k in range(replicates)
    )
    return Study(
        title=title,
        material="chalk (invented)",
        date=day,
        runs=runs,
        sieves={f"{um} µm": Sieve(key=f"{um} µm", nominal_um=float(um)) for um in APERTURES[1:]},
        balances={"house": Balance(name="house", resolution_g=0.01, repeatability_g=0.004)},
        **{"rule": "semilog"} | settings,
    )


@pytest.fixture
def make_trial():
    return _trial


@pytest.fixture(scope="session")
def collected_once(tmp_path_factory):
    """Four trials, saved long ago, and their archive: two of one title, a workbook, one broken."""
    place = tmp_path_factory.mktemp("laboratory")
    folder = place / "trials"
    for number, day in enumerate(("2026-01-05", "2026-02-05", "2026-03-05")):
        study = _trial(day, 0.02 * (number + 1))
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
