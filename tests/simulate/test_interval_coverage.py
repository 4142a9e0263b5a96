"""Intervals of the main job against the simulator's truth; the long form is in tests/calibration.

Bounds are three binomial standard errors around 95 %, for the stated number of studies.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

CALIBRATION = Path(__file__).parents[1] / "calibration"
STUDIES = 200


def load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, CALIBRATION / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def test_time_effect_is_covered() -> None:
    """Three benches, five times: Kenward-Roger interval of ln D50(last) − ln D50(first)."""
    module = load("time_effect")
    row = module.coverage_row(module.CASES[3], trials=STUDIES, seed=1, own_curve=False)
    error = 100 * np.sqrt(0.95 * 0.05 / STUDIES)
    assert row["coverage_percent"] == pytest.approx(95, abs=3 * error)
    assert row["bias_percent"] == pytest.approx(0, abs=3 * row["bias_error_percent"])


def test_certified_sieves_give_covering_size_intervals() -> None:
    """Linear intervals of D10, D50, D90 and span; sieves certified, so inputs are near normal."""
    module = load("percentile_coverage")
    setting = next(one for one in module.SETTINGS if one.certificate_percent is not None)
    rows = module.setting_rows(setting, trials=STUDIES, seed=1, methods=("linear",))
    error = 100 * np.sqrt(0.95 * 0.05 / STUDIES)
    for name in module.COLUMNS:
        assert rows[0][name] == pytest.approx(95, abs=3 * error), name
