"""Estimated contrasts and the law that judges them: what every procedure on effects asks.

A procedure (fallen since when, when to stop, families) takes a `Judged` and knows no model.  Two
routes give one: `models.level` (the calibrated level) and Student's t (`StudentJudged`).  Arrays
may carry leading axes, one a data set of the same design; contrasts stand on the last axis.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import StrEnum

from psdstats.frozen import Array, freeze_arrays


class Side(StrEnum):
    """Which departure a family looks for."""

    BOTH = "both"
    BELOW = "below"


@dataclass(frozen=True)
class Family:
    """Contrasts judged together by the smallest p among them.

    Parameters
    ----------
    members : tuple of int
        Rows of the question.
    signs : tuple of int
        1 or -1: the row, or its opposite.
    side : Side
        Both sides, or that the signed contrasts lie below zero.
    """

    members: tuple[int, ...]
    signs: tuple[int, ...]
    side: Side = Side.BOTH


@dataclass(frozen=True, kw_only=True, eq=False)
class Question:
    """All that is asked of one response, at once.

    Parameters
    ----------
    contrasts : ndarray, shape (q, p)
        Rows on the coefficients.
    families : tuple of Family
        Families of signed rows.
    jointly : tuple of tuple of int
        Sets of independent rows, each tested at once.
    """

    contrasts: Array
    families: tuple[Family, ...] = ()
    jointly: tuple[tuple[int, ...], ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)


class Judged(ABC):
    """Estimates of contrasts (..., q) with tests and limits that hold their level.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (..., q)
        Estimates, the scale of the t ratio, its degrees of freedom.
    """

    estimate: Array
    se: Array
    df: Array

    @abstractmethod
    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or more"; small: it lies below."""

    @abstractmethod
    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or less"; small: it lies above."""

    @abstractmethod
    def half_width(self, alpha: float) -> Array:
        """Half width (..., q) of the two-sided interval of each contrast alone."""

    @abstractmethod
    def family_p(self, family: Family) -> Array:
        """Adjusted p (..., members) of the signed contrasts of a family."""

    @abstractmethod
    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (..., members) of limits that hold together.

        Two-sided: signed estimate plus and minus; one side: signed estimate plus is the upper
        limit of each.
        """

    @abstractmethod
    def joint_p(self, number: int) -> Array:
        """Test of one of the sets of ``Question.jointly`` at once: its p (...,)."""
