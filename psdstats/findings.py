"""Records between numbers and words: contrasts, verdicts and their reasons.

Numeric code returns these; `psdstats.words` makes sentences of them, once; nothing reads a sentence
back.  Effects are differences of ln size until the last table.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from enum import Enum, StrEnum
from math import nan
from typing import TypedDict

from psdstats.frozen import Array


class Verdict(StrEnum):
    """What can be said of one comparison."""

    CHANGED = "changed"
    EQUIVALENT = "equivalent"
    NOT_SHOWN = "not shown"
    CANNOT_BE_TOLD = "cannot be told"


class ContrastKind(StrEnum):
    """The families of contrasts a factor's levels allow.

    Examples
    --------
    >>> from psdstats.models import ContrastKind
    >>> [str(kind) for kind in ContrastKind]
    ['against first', 'all pairs', 'successive', 'trend', 'interaction', 'own']
    """

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
    lower_single, upper_single : float
        Interval of this contrast alone.
    u : float
        Standard uncertainty of the estimate.
    df, p, p_adjusted : float
        Degrees of freedom; p of "no change" alone and in its family.
    detectable_decrease_percent : float
        Smallest decrease this trial would have shown with 80 % power.
    detectable_low_percent, detectable_high_percent : float
        Range of it, since the spread is estimated.
    equivalence_p, equivalence_lower, equivalence_upper : float
        p of the equivalence test at the margin, and its interval, which lies within the margin
        where that p is small.
    """

    estimate: float = nan
    lower: float = nan
    upper: float = nan
    lower_single: float = nan
    upper_single: float = nan
    u: float = nan
    df: float = nan
    p: float = nan
    p_adjusted: float = nan
    detectable_decrease_percent: float = nan
    detectable_low_percent: float = nan
    detectable_high_percent: float = nan
    equivalence_p: float = nan
    equivalence_lower: float = nan
    equivalence_upper: float = nan

    def widened(self, other: Numbers) -> Numbers:
        """The same estimate with limits and p that hold what another law says of it as well."""
        low, high = ("lower", "lower_single"), ("upper", "upper_single", "p", "p_adjusted")
        ends = {name: min(getattr(self, name), getattr(other, name)) for name in low}
        ends |= {name: max(getattr(self, name), getattr(other, name)) for name in high}
        return replace(self, **ends)


def numbers_of(columns: Mapping[str, Array]) -> tuple[Numbers, ...]:
    """One record a place of arrays (m,) that are named as the fields."""
    rows = zip(*columns.values(), strict=True)
    return tuple(Numbers(**dict(zip(columns, map(float, row), strict=True))) for row in rows)


class Rule(TypedDict):
    """Confidence level, and the change too small to matter, by which findings are judged."""

    level: float
    margin_percent: float | None


class FindingKind(StrEnum):
    """What a finding is about."""

    LEVELS = "levels"  # of milling time or of any factor
    GROUP = "group"  # one group against the others
    DISTRIBUTION = "distribution"  # whole distributions
    RATE = "rate"  # whether a size changes with milling time, whether a curve fits
    LOSS = "loss"  # first-order loss above a sieve
    FALLEN = "fallen"  # whether a size is finer at a time than at the first
    FACTOR = "factor"  # levels of a further factor at one time
    BENCH_RATE = "bench rate"  # how a group changes from first to last time, against the others


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


class Ending(StrEnum):
    """What can be said of the end of a trial, where the question is when to stop."""

    LITTLE_LEFT = "little left"  # less than the margin was left to gain from a time on
    STILL_FALLING = "still falling"
    COARSER_AGAIN = "coarser again"
    CANNOT_BE_TOLD = "cannot be told"


@dataclass(frozen=True, kw_only=True)
class Stop:
    """When to stop, for one size at one level of the further factors.

    Gains are falls of ln size, positive where the powder became finer.

    Parameters
    ----------
    ending : Ending
        The answer.
    since : str or None
        Earliest time from which less than the margin was left to gain by the end of the trial.
    last, before : str
        Last time and the one before: the last step.
    margin_percent : float
        Gain too small to go on for.
    is_stated : bool
        Whether the margin was stated, not the default.
    gain_at_least, gain_at_most : float
        One-sided limits of what the last step gained; NaN where there is none.
    coarser_after : tuple of str
        Times than which the end is coarser.
    stayed_within : str or None
        Earliest time from which the size stayed within the margin of the end, finer or coarser.
    reasons : tuple of Remark
        Why it cannot be told, and what would tell.
    """

    ending: Ending
    last: str
    before: str
    margin_percent: float
    is_stated: bool = False
    since: str | None = None
    gain_at_least: float = nan
    gain_at_most: float = nan
    coarser_after: tuple[str, ...] = ()
    stayed_within: str | None = None
    reasons: tuple[Remark, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Course:
    """What one size did over milling time, at one level of the further factors.

    Parameters
    ----------
    quantity : str
        Such as "D50".
    where : str
        Level of the further factors; empty where there is none.
    times : tuple of str
        All times that were compared, the first one being what the others are compared with.
    start, end : Numbers
        ln size at first and last time, each with its own interval.
    fallen : Finding
        Of kind FALLEN, last time against first: the two-sided interval of the change.
    shown : tuple of bool
        For each time after the first whether it is shown to be finer (in the direction asked).
    at_least : tuple of float
        For each time after the first a lower bound of the fall of ln size; NaN if none.
    since : str or None
        Earliest time from which all later ones are shown.
    stop : Stop or None
        When to stop; None for a quantity without direction (span).
    """

    quantity: str
    where: str = ""
    times: tuple[str, ...]
    start: Numbers
    end: Numbers
    fallen: Finding
    shown: tuple[bool, ...]
    at_least: tuple[float, ...]
    since: str | None = None
    stop: Stop | None = None

    @property
    def verdict(self) -> Verdict:
        """That of its last time, in the direction asked where it has one."""
        fell = self.stop is not None and self.shown[-1]
        return Verdict.CHANGED if fell else self.fallen.verdict


@dataclass(frozen=True, kw_only=True)
class FactorAnswer:
    """Two levels of a further factor compared at each time.

    Parameters
    ----------
    quantity, factor : str
        What was compared, and the column whose levels were.
    high, low : str
        The two levels.
    control : Finding
        At the first time, where no difference is expected yet.
    at : tuple of Finding
        Of kind FACTOR, one a later time, ``subject.where`` being the time.
    since : str or None
        Earliest time from which the levels differ at all later ones.
    is_one_course : bool or None
        Whether the changes at both levels were shown to be the same within the margin, so that one
        course may stand for both; None without a margin.
    """

    quantity: str
    factor: str
    high: str
    low: str
    control: Finding
    at: tuple[Finding, ...]
    since: str | None = None
    is_one_course: bool | None = None


@dataclass(frozen=True, kw_only=True)
class BenchAnswer:
    """One group against the others: at each condition, in rate, and on average.

    Parameters
    ----------
    quantity, group : str
        What was compared, and the group.
    at : tuple of Finding
        Of kind GROUP, ``subject.where`` being the levels of the condition; intervals hold for all
        groups and conditions together.
    conditions : tuple of tuple of (str, str)
        Columns and levels of each condition, milling time first; none where one finding tells why
        nothing can be said.
    rate : Finding or None
        Of kind BENCH_RATE: change from first to last time against that of the others.
    average : Finding or None
        Of kind GROUP, averaged over the conditions.
    beside : str
        The group farther off without which this one, which differs, is not shown to; else empty.
    """

    quantity: str
    group: str
    at: tuple[Finding, ...] = ()
    conditions: tuple[tuple[tuple[str, str], ...], ...] = ()
    rate: Finding | None = None
    average: Finding | None = None
    beside: str = ""


@dataclass(frozen=True, kw_only=True)
class BalanceAnswer:
    """Whether the balance is good enough for the headline of one quantity.

    Parameters
    ----------
    quantity : str
        Such as "D50".
    shorter_percent : float
        By how much a perfect balance would shorten the headline's interval.
    is_enough : bool
        Under 5 per cent.
    """

    quantity: str
    shorter_percent: float
    is_enough: bool
