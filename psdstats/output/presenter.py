"""Forms in which results show themselves; `psdstats.present` loads them on use.

A form is a function of a result; which words belong to it goes by its class.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch

from psdstats.comparison.result import Comparison
from psdstats.errors import OutputError
from psdstats.words import comparison


@singledispatch
def summary(result: object) -> str:
    """The answer in plain words."""
    raise OutputError(f"A {type(result).__name__} has no summary in words.")


@summary.register
def _(result: Comparison) -> str:
    return comparison.summary(result)


FORMS: dict[str, Callable[..., object]] = {"summary": summary}
"""Forms by name."""
