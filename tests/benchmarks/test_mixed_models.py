"""Speed of mixed-model fits as ratios within one run: run with ``pytest tests/benchmarks``.

The other side is statsmodels, which needs 10 to 40 ms for one fit of this kind of model.
"""

import importlib.util
from pathlib import Path

import pytest

from psdstats.models.resampling import bootstrap_test

_spec = importlib.util.spec_from_file_location(
    "benchmark_mixed_models", Path(__file__).with_name("mixed_models.py")
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


def statsmodels_seconds(frame):
    return bench.median_seconds(lambda: bench.statsmodels_fit(frame), repeats=5)


@pytest.mark.parametrize("frame", [bench.ROWS_15, bench.ROWS_32], ids=["15 rows", "32 rows"])
def test_fit_with_kenward_roger_table_beats_a_plain_fit(frame):
    ours = bench.median_seconds(lambda: bench.fit_and_table(frame), repeats=15)
    assert ours < statsmodels_seconds(frame)


@pytest.mark.parametrize(
    ("frame", "cells", "factor"),
    [
        (bench.ROWS_15, False, 20),
        (bench.ROWS_32, False, 20),
        (bench.ROWS_32, True, 15),
        (bench.ROWS_32.iloc[1:], True, 10),
    ],
    ids=["15 rows", "32 rows", "32 rows, cells", "31 rows, cells"],
)
def test_a_thousand_bootstrap_ratios(frame, cells, factor):
    """A thousand ratios are two thousand fits."""
    fitted = bench.fit(frame, cells=cells)
    ours = bench.median_seconds(lambda: bootstrap_test(fitted, "time", 1000, 1), repeats=3)
    assert ours < 2000 * statsmodels_seconds(frame) / factor


def test_strata_make_complete_designs_cheaper():
    complete = bench.fit(bench.ROWS_32, cells=True)
    missing = bench.fit(bench.ROWS_32.iloc[1:], cells=True)
    fast = bench.median_seconds(lambda: bootstrap_test(complete, "time", 500, 1), repeats=3)
    slow = bench.median_seconds(lambda: bootstrap_test(missing, "time", 500, 1), repeats=3)
    assert fast < slow
