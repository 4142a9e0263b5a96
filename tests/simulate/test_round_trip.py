"""A simulated study survives being written and read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from psdstats.simulate import TrialDesign, simulate_study
from psdstats.simulate.design import Spread
from psdstats.study import Study, TareHandling, read_study, save_study


def weighings(study: Study) -> pd.DataFrame:
    return study.to_frames()["weighings"].sort_values(["run", "aperture_um"], ignore_index=True)


@pytest.mark.parametrize("tares", list(TareHandling))
def test_saved_and_read_again(design: TrialDesign, tares: TareHandling, tmp_path: Path) -> None:
    design = replace(design, spread=Spread(rate_run=0.05), loss_percent=(0.5, 2), tares=tares)
    study = simulate_study(design, seed=11).study
    save_study(study, tmp_path / "study", form="folder")
    again = read_study(tmp_path / "study")
    pd.testing.assert_frame_equal(weighings(again), weighings(study))
    pd.testing.assert_frame_equal(again.runs_frame(), study.runs_frame())
    assert dict(again.sieves) == dict(study.sieves)
    assert dict(again.balances) == dict(study.balances)
    assert again.tares == study.tares
