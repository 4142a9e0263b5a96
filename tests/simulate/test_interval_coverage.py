"""Intervals of the main job against the simulator's truth; the long form is in tests/calibration.

Bounds are three binomial standard errors around 95 %, for the stated number of studies.
"""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest

from psdstats.models import level_table

STUDIES = 200


@pytest.mark.parametrize(
    ("case", "changes", "borrowing", "trials"),
    [
        (3, {}, False, 60),
        (1, {"times_min": (0.0, 12.0, 48.0)}, True, 12),
    ],
    ids=["five times, runs alone", "one shared stack, three times"],
)
def test_time_effect_is_covered(
    case: int, changes: dict[str, object], borrowing: bool, trials: int, monkeypatch
) -> None:
    """Interval of ln D50(last) − ln D50(first) by the law of `compare`, against the powder's own.

    What the curve may do between the sieves makes the intervals wide rather than narrow, and its
    bias belongs to them: it stays within a third of the half width.  On a shared stack the estimate
    was 4 % off as long as each run was weighed by its own curve.
    """
    module = import_module("time_effect")
    monkeypatch.setattr(module, "SOURCES", {**module.SOURCES, "borrowing": borrowing})
    design = replace(module.CASES[case], **changes)
    monkeypatch.setattr(level_table, "_BUDGET", 0.2)  # as many draws as for all of `compare`
    row = module.last_row(design, trials=trials, seed=2)
    error = 100 * np.sqrt(0.95 * 0.05 / trials)
    assert row["coverage_percent"] >= min(93, 95 - 2 * error)
    assert abs(row["bias_percent"]) < row["half_width_percent"] / 3
    assert row["bias_error_percent"] < 1
    assert row["half_width_percent"] < 8


def test_certified_sieves_give_covering_size_intervals() -> None:
    """Linear intervals of D10, D50, D90 and span; sieves certified, so inputs are near normal."""
    module = import_module("percentile_coverage")
    setting = next(one for one in module.SETTINGS if one.certificate_percent is not None)
    rows = module.setting_rows(setting, trials=STUDIES, seed=1, methods=("linear",))
    error = 100 * np.sqrt(0.95 * 0.05 / STUDIES)
    for name in module.COLUMNS:
        assert rows[0][name] == pytest.approx(95, abs=3 * error), name
