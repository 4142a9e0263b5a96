"""What spread a contrast is judged by."""

from __future__ import annotations

from enum import StrEnum

from psdstats.errors import ModelError

__all__ = ["SpreadRule", "as_spread_rule"]


class SpreadRule(StrEnum):
    """What a comparison allows the scatter to do from level to level.

    ``drifting``: groups may drift apart in the order of the levels, each along a line of its own.
    ``pooled``: one spread for all levels.  ``each contrast``: no model of the spread at all, every
    contrast is judged by its own differences.
    """

    DRIFTING = "drifting"
    POOLED = "pooled"
    EACH_CONTRAST = "each contrast"


def as_spread_rule(given: object) -> SpreadRule:
    """The rule named, or the default for None.

    Raises
    ------
    ModelError
        If there is no rule of that name.
    """
    if given is None:
        return SpreadRule.DRIFTING
    try:
        return SpreadRule(given)  # type: ignore[arg-type]
    except ValueError as cause:
        known = ", ".join(repr(str(one)) for one in SpreadRule)
        raise ModelError(f"There is no spread {given!r}; choose from {known}.") from cause
