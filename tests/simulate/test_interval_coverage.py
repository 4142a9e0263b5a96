"""Intervals of the main job against the simulator's truth; the long form is in tests/calibration.

Bounds are three binomial standard errors around 95 %, for the stated number of studies.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

CALIBRATION = Path(__file__).parents[1] / "calibration"
STUDIES = 200
TRIALS = 250


def load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, CALIBRATION / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("case", "changes"),
    [
        (3, {}),
        (1, {"times_min": (0.0, 12.0, 48.0)}),
    ],
    ids=["three benches, five times", "one shared stack, three times"],
)
def test_time_effect_is_covered(case: int, changes: dict[str, object]) -> None:
    """Interval of ln D50(last) − ln D50(first) from `psdstats.compare`, and its bias.

    On a shared stack the estimate was 4 % off as long as each run was weighed by its own curve.
    """
    module = load("time_effect")
    design = replace(module.CASES[case], **changes)
    row = module.coverage_row(design, trials=TRIALS, seed=2, spreads=("drifting",))
    assert 93 <= row["coverage_percent"] <= 97  # 1.5 binomial standard errors
    assert row["bias_percent"] == pytest.approx(0, abs=3 * row["bias_error_percent"])
    assert row["bias_error_percent"] < 0.3


def test_certified_sieves_give_covering_size_intervals() -> None:
    """Linear intervals of D10, D50, D90 and span; sieves certified, so inputs are near normal."""
    module = load("percentile_coverage")
    setting = next(one for one in module.SETTINGS if one.certificate_percent is not None)
    rows = module.setting_rows(setting, trials=STUDIES, seed=1, methods=("linear",))
    error = 100 * np.sqrt(0.95 * 0.05 / STUDIES)
    for name in module.COLUMNS:
        assert rows[0][name] == pytest.approx(95, abs=3 * error), name
