"""Records between numbers and words: contrasts, verdicts and their reasons.

Numeric code returns these; `psdstats.words` makes sentences of them, once; nothing reads a sentence
back.  Effects are differences of ln size until the last table.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from enum import Enum, StrEnum
from math import nan


class Verdict(StrEnum):
    """What can be said of one comparison."""

    CHANGED = "changed"
    EQUIVALENT = "equivalent"
    NOT_SHOWN = "not shown"
    CANNOT_BE_TOLD = "cannot be told"


class ContrastKind(StrEnum):
    """The families of contrasts a factor's levels allow."""

    AGAINST_FIRST = "against first"
    ALL_PAIRS = "all pairs"
    SUCCESSIVE = "successive"
    TREND = "trend"
    INTERACTION = "interaction"
    OWN = "own"


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """What is compared with what.

    Parameters
    ----------
    high, low : str
        Levels as text; the name of a contrast that is no simple difference stands in ``high``.
        A group against all others has an empty ``low``.
    where : str
        Level of another factor at which they are compared; empty where there is none.
    quantity : str
        Such as "D50".
    family : ContrastKind
        Family it is adjusted with.
    """

    high: str
    low: str = ""
    where: str = ""
    quantity: str = ""
    family: ContrastKind = ContrastKind.OWN

    @property
    def label(self) -> str:
        """The contrast as a table shows it; for display alone, nothing reads it back.

        Examples
        --------
        >>> Contrast(high="6", low="0", where="5:1").label
        '6 - 0 at 5:1'
        """
        pair = f"{self.high} - {self.low}" if self.low else self.high
        return f"{pair} at {self.where}" if self.where else pair


class RemarkKind(Enum):
    """Kinds of remark; each room of the library lists its own in a subclass.

    Kinds of two rooms never are the same, whatever their values.
    """

    def __call__(self, **data: Hashable) -> Remark:
        """A remark of this kind with its data."""
        return Remark(self, tuple(data.items()))


@dataclass(frozen=True)
class Remark:
    """Something a reader must know, or the reason of a verdict: its kind and data, no words.

    Parameters
    ----------
    kind : RemarkKind
        Which; `psdstats.words.remarks` has the words of each.
    data : tuple of (str, object)
        Names and values that the words need.
    """

    kind: RemarkKind
    data: tuple[tuple[str, Hashable], ...] = ()

    def __getitem__(self, name: str) -> Hashable:
        return dict(self.data)[name]


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """The numbers of one finding; NaN where there is none.

    Parameters
    ----------
    estimate, lower, upper : float
        Difference of ln size (or what the finding is about) and the interval of its verdict.
    u : float
        Standard uncertainty of the estimate.
    df, p, p_adjusted : float
        Degrees of freedom; p of "no change" alone and in its family.
    detectable_decrease_percent : float
        Smallest decrease this trial would have shown with 80 % power.
    equivalence_p : float
        p of the equivalence test at the margin.
    """

    estimate: float = nan
    lower: float = nan
    upper: float = nan
    u: float = nan
    df: float = nan
    p: float = nan
    p_adjusted: float = nan
    detectable_decrease_percent: float = nan
    equivalence_p: float = nan


class FindingKind(StrEnum):
    """What a finding is about."""

    LEVELS = "levels"  # of milling time or of any factor
    GROUP = "group"  # one group against the others
    DISTRIBUTION = "distribution"  # whole distributions
    RATE = "rate"  # whether a size changes with milling time, whether a curve fits
    LOSS = "loss"  # first-order loss above a sieve


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One answer: its subject, verdict, reasons and numbers.

    Parameters
    ----------
    kind : FindingKind
        What it is about.
    subject : Contrast
        What was compared with what.
    verdict : Verdict
        One of four.
    reasons : tuple of Remark
        Why, where the numbers alone do not say it.
    numbers : Numbers
        On the log scale.
    level : float
        Confidence level of the interval.
    margin_percent : float or None
        Change too small to matter, where one was stated.
    within_margin : bool or None
        Whether the change was shown to be smaller than the margin; None without a margin.
    """

    kind: FindingKind
    subject: Contrast
    verdict: Verdict
    reasons: tuple[Remark, ...] = ()
    numbers: Numbers = Numbers()
    level: float = 0.95
    margin_percent: float | None = None
    within_margin: bool | None = None
