"""Time to the first answer, as ratios within one run: run with ``pytest tests/benchmarks``."""

import importlib.util
from pathlib import Path

_spec = importlib.util.spec_from_file_location(
    "benchmark_startup", Path(__file__).with_name("startup.py")
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

HEAVY = {"numpy", "pandas", "scipy", "matplotlib", "statsmodels", "pingouin", "openpyxl"}


def test_help_is_under_0_3_s():
    """Seconds where the machine is free; on a busy one the ratio decides."""
    helped, nothing = bench.help_page(), bench.empty_python()
    assert helped < 0.3 or helped / nothing < 6


def test_help_loads_nothing_heavy():
    assert not HEAVY & bench.imports_of_help()
