"""Speed of the law of a size and of its correlation: run with ``pytest tests/benchmarks``."""

import importlib.util
from pathlib import Path

_spec = importlib.util.spec_from_file_location(
    "benchmark_law_speed", Path(__file__).with_name("law_speed.py")
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


def test_a_thousand_single_runs_take_at_most_four_seconds():
    """Of the processor where it is free; on a busy one the ratio decides."""
    law, unit = bench.law(1000), bench.inversions(200_000)
    assert law < 4 or law / unit < 8


def test_correlation_of_six_hundred_sizes_takes_well_under_a_second():
    spent, unit = bench.correlation(200), bench.inversions(200_000)
    assert spent < 0.8 or spent / unit < 1
