"""Every figure takes an Axes and gives it back, and has a test that reads what it drew."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from psdstats.output import figures

DRAWING = sorted(
    name
    for name in figures.__all__
    if "ax" in inspect.signature(getattr(figures, name)).parameters and name != "set_decimal_sign"
)
TESTS = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(Path(__file__).parent.glob("test_*.py"))
)


def test_the_figures_are_found() -> None:
    assert len(DRAWING) >= 18


@pytest.mark.parametrize("name", DRAWING)
def test_it_takes_an_axes_and_gives_it_back(name: str) -> None:
    signature = inspect.signature(getattr(figures, name))
    assert signature.parameters["ax"].annotation == "Axes"
    assert signature.return_annotation == "Axes"


@pytest.mark.parametrize("name", DRAWING)
def test_a_test_calls_it(name: str) -> None:
    assert f"{name}(" in TESTS
