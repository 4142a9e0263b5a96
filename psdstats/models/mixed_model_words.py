"""Items as a list in a sentence."""

from __future__ import annotations

from collections.abc import Sequence


def joined(items: Sequence[str]) -> str:
    """Items as a list in a sentence.

    Examples
    --------
    >>> joined(["time", "ball ratio", "group"])
    'time, ball ratio and group'
    """
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]
