"""From sieve weighings of a milling trial to sizes with uncertainty, a verdict and a report.

The names below are loaded on first use, so that importing psdstats stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from psdstats.archive import collect
    from psdstats.comparison.compare import compare, compare_values
    from psdstats.errors import PsdstatsError
    from psdstats.output.report import report
    from psdstats.study.check import check_study
    from psdstats.study.reader import read_study
    from psdstats.study.records import Study
    from psdstats.study.save import save_study
    from psdstats.uncertainty.engine import propagate

__version__ = "0.1.0"

__all__ = [
    "PsdstatsError",
    "Study",
    "__version__",
    "check_study",
    "collect",
    "compare",
    "compare_values",
    "propagate",
    "read_study",
    "report",
    "save_study",
]

_HOME = {
    "PsdstatsError": "psdstats.errors",
    "Study": "psdstats.study",
    "check_study": "psdstats.study",
    "collect": "psdstats.archive",
    "compare": "psdstats.comparison",
    "compare_values": "psdstats.comparison",
    "propagate": "psdstats.uncertainty",
    "read_study": "psdstats.study",
    "report": "psdstats.output.report",
    "save_study": "psdstats.study",
}
_FOLDERS = (
    "archive",
    "comparison",
    "distribution",
    "models",
    "output",
    "planning",
    "rate",
    "sieves",
    "simulate",
    "study",
    "uncertainty",
)


def __getattr__(name: str) -> object:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    if name in _FOLDERS:
        return import_module(f"psdstats.{name}")
    raise AttributeError(f"psdstats has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, *_FOLDERS])
