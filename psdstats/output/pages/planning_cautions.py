"""Cautions as a text file that lies beside a plan."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["cautions_text"]


def cautions_text(cautions: Iterable[str]) -> str:
    """Cautions as plain text, one a line.

    Examples
    --------
    >>> print(cautions_text(["Keep the guard closed."]), end="")
    Cautions
    - Keep the guard closed.
    """
    return "".join(["Cautions\n", *(f"- {caution}\n" for caution in cautions)])
