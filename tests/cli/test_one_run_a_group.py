"""Studies in which every group has a single run: groups and runs are one variance."""

from __future__ import annotations

import pytest
from psdstats_cli.main import main

HEAD = "run,group,milling_time_min,aperture_um,tare_g,gross_g"


def _study(folder, times):
    rows = [HEAD]
    for number, time in enumerate(times):
        masses = {0: 1.0 + time / 10, 90: 20 - number % 2, 180: 20 - time / 10, 360: 4}
        rows += [
            f"r{number},g{number},{time},{aperture},300.00,{300 + mass:.2f}"
            for aperture, mass in masses.items()
        ]
    path = folder / "trial.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_the_report_is_written_and_says_so(tmp_path, capsys):
    study = _study(tmp_path, (0, 0, 10, 10))
    out = tmp_path / "out"
    assert main(["report", str(study), "--out", str(out), "--method", "linear"]) == 0
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Each group has a single run" in page
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("times", [(0, 10, 20), (0, 0, 10, 10)])
def test_the_comparison_says_so(tmp_path, capsys, times):
    assert main(["compare", str(_study(tmp_path, times)), "--all-notes"]) == 0
    said = capsys.readouterr()
    assert "Each group has a single run" in said.out
    assert "Traceback" not in said.err
