"""Page one of a report in words: the title line, the large sentence, the table.

A fact stands on page one once: sizes in the large sentence, changes in the table.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from psdstats.columns import BALL_RATIO, CHARGE, GROUP, TIME, column_words, with_unit
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.findings import ContrastKind, Course, Ending, Finding, Numbers, Verdict
from psdstats.study.flags import CheckReport, Severity
from psdstats.study.records import Trial
from psdstats.uncertainty.propagation import Propagation
from psdstats.words.comparison import leading
from psdstats.words.courses import level_words, size_words, way_of
from psdstats.words.numbers import LEAST_TOLD, MISSING, PLAIN, Numerals, decimals_for
from psdstats.words.remarks import capital, joined, place, plural, sentence

BLANK = "____"
BOUND, EARLIER, UNTOLD = "*", "†", "‡"
"""Signs of the table: a bound, a time before the last one, a verdict that cannot be given."""

SEVERAL_LEVELS = 2
"""Levels of the further factors that are told one by one."""


class Told(NamedTuple):
    """An answer: what leads in bold, and what follows."""

    strong: str
    rest: str = ""


def title_line(
    study: Trial,
    factors: Sequence[str],
    checks: CheckReport | None,
    *,
    author: str = "",
    report_date: str = "",
) -> tuple[str, ...]:
    """When, by whom, the design, and how many warnings touch the numbers; blanks to fill in."""
    return (
        *([f"report of {report_date}"] if report_date else []),
        f"trial of {study.date or BLANK}",
        f"prepared by {author or BLANK}",
        design_words(study, factors),
        *([] if checks is None else [_touch(checks)]),
    )


def _touch(checks: CheckReport) -> str:
    """How many warnings touch the numbers."""
    warnings = [own for own in checks.findings if own[0].severity is Severity.WARNING]
    touching = [own for own in warnings if own[0].doubts or own[0].check == "not_bracketed"]
    if not touching:
        return "no warning touches these numbers"
    touch = "touches" if len(touching) == 1 else "touch"
    return f"{len(touching)} of {plural(len(warnings), 'warning')} {touch} these numbers"


def design_words(study: Trial, factors: Sequence[str]) -> str:
    """The design: "80 runs: 4 groups × 5 milling times × 2 ball ratios × 2 runs"."""
    frame = study.runs_frame()
    columns = [GROUP, TIME, *(one for one in factors if one not in (GROUP, TIME))]
    if frame[CHARGE].notna().all() and frame.groupby(CHARGE)[TIME].nunique().max() > 1:
        columns.insert(1, CHARGE)
    varied = [name for name in columns if frame[name].nunique() > 1]
    runs = plural(len(frame), "run")
    if not varied:
        return runs
    parts = [_levels_words(name, frame[name].nunique()) for name in varied]
    each = frame.groupby(varied).size()
    if len(each) == np.prod([frame[name].nunique() for name in varied]) and each.nunique() == 1:
        several = [plural(int(each.iloc[0]), "run")] if each.iloc[0] > 1 else []
        return f"{runs}: {' × '.join([*parts, *several])}"
    return f"{runs}: {', '.join(parts)}"


def _levels_words(column: str, number: int) -> str:
    if column in (GROUP, TIME, CHARGE, BALL_RATIO):
        return plural(number, column_words(column))
    return f"{plural(number, 'level')} of {column_words(column)}"


def main_result(comparison: Comparison) -> QuantityComparison:
    """The quantity that page one leads with: D50, or the first that could be compared."""
    ranked = sorted(comparison.results, key=lambda one: one.quantity != "D50")
    told = (one for one in ranked if one.courses or _is_told(one.findings))
    return next(told, ranked[0])


def _is_told(findings: Sequence[Finding]) -> bool:
    return any(one.verdict is not Verdict.CANNOT_BE_TOLD for one in findings)


def headline(comparison: Comparison, say: Numerals = PLAIN) -> Told:
    """The large sentence: sizes from and to, with intervals, and whether it was still falling."""
    result, plan = main_result(comparison), comparison.plan
    if result.courses:
        ends = _intervals(
            [one.end for one in result.courses], result.quantity, comparison.level, say
        )
        return Told(_went(result.courses, plan, say), f"{ends}{_state(result.courses, plan, say)}")
    lead = last_of_each(leading(result)) if result.findings else []
    if not _is_told(lead):
        why = f", because {sentence(lead[0].reasons[0], say)}" if lead and lead[0].reasons else ""
        name = column_words(plan.by)
        return Told(f"It cannot be told whether {name} changed {result.quantity}{why}.")
    return _pairs_headline(result, lead, plan, say)


def _went(courses: Sequence[Course], plan: ComparisonPlan, say: Numerals) -> str:
    """What the size did at every level, levels alike in one sentence."""
    if not all(one.stop is not None and one.shown[-1] for one in courses):
        said = [_verdict_clause(one, plan, say) for one in courses[:SEVERAL_LEVELS]]
        more = len(courses) - len(said)
        rest = f" ({plural(more, 'further level')} in the table.)" if more else ""
        return f"{' '.join(f'{capital(one)}.' for one in said)}{rest}"
    name = courses[0].quantity
    head = f"{_milled(courses[0], say)} {name} {way_of(plan).went}"
    if len(courses) > SEVERAL_LEVELS:
        return f"{head} at all {len(courses)} {levels_words(plan)}: {_extremes(courses, say)}."
    starts = [with_unit(size_words(one.start, name, say), name) for one in courses]
    ends = [
        f"{with_unit(size_words(one.end, name, say), name)}{at_words(one, plan, say, k)}"
        for k, one in enumerate(courses)
    ]
    if len(set(starts)) == 1:
        return f"{head} from {starts[0]} to {' and to '.join(ends)}."
    both = (f"from {start} to {end}" for start, end in zip(starts, ends, strict=True))
    return f"{head} {' and '.join(both)}."


def _milled(course: Course, say: Numerals) -> str:
    first, last = (float(course.times[k]) for k in (0, -1))
    if first == 0.0:
        return f"In {say(last, '.12g')} min"
    return f"From {say(first, '.12g')} to {say(last, '.12g')} min"


def at_words(course: Course, plan: ComparisonPlan, say: Numerals, number: int) -> str:
    """The level behind a size, the factor named at the first; empty without levels."""
    if not course.where:
        return ""
    short = course.where if number and len(plan.at_each) == 1 else ""
    return f" at {short or level_words(course.where, plan, say)}"


def levels_words(plan: ComparisonPlan) -> str:
    """What the levels of the further factors are called, more than one."""
    names = joined([column_words(one) for one in plan.at_each])
    if plan.at_each == (BALL_RATIO,):
        return f"{names}s"
    return f"{'combinations' if len(plan.at_each) > 1 else 'levels'} of {names}"


def _extremes(courses: Sequence[Course], say: Numerals) -> str:
    """The levels with the finest and the coarsest end."""

    def end(course: Course) -> float:
        return float(np.nan_to_num(course.end.estimate, nan=course.end.upper))

    ranked = sorted(courses, key=end)
    told = [f"{_from_to(one, say)} at {one.where}" for one in (ranked[0], ranked[-1])]
    return f"finest {told[0]}, coarsest {told[1]}"


def _from_to(course: Course, say: Numerals) -> str:
    """Both ends, each with its unit."""
    name = course.quantity
    start, end = (with_unit(size_words(one, name, say), name) for one in (course.start, course.end))
    return f"from {start} to {end}"


def _verdict_clause(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """One level where not every level fell by the end."""
    name, at = course.quantity, at_words(course, plan, say, 0)
    went, milled = _from_to(course, say), _milled(course, say)
    way, own = way_of(plan), course.fallen
    if course.stop is not None and course.shown[-1]:
        return f"{milled}{at} {name} {way.went} {went}"
    match own.verdict:
        case Verdict.CHANGED:
            up = own.numbers.estimate > 0 or own.numbers.lower > 0
            return f"{milled}{at} {name} {'rose' if up else 'fell'} {went}"
        case Verdict.EQUIVALENT:
            margin = say(own.margin_percent or 0.0)
            return f"{milled}{at} {name} stayed the same within ±{margin} %: it went {went}"
        case Verdict.CANNOT_BE_TOLD:
            why = " and ".join(sentence(one, say) for one in own.reasons)
            said = f"it cannot be told whether {name} {way.went}{at}"
            return f"{said}: it went {went}{f'; {why}' if why else ''}"
    verb = "changed" if course.stop is None else way.gone
    return f"{milled}{at} {name} is not shown to have {verb}: it went {went}"


def _intervals(ends: Sequence[Numbers], quantity: str, level: float, say: Numerals) -> str:
    """Intervals of the sizes told, where they are sizes and not bounds."""
    known = [one for one in ends if np.isfinite([one.estimate, one.lower, one.upper]).all()]
    if not known or len(ends) > SEVERAL_LEVELS:
        return ""
    told = with_unit(joined([size_interval(one, say) for one in known]), quantity)
    sure = f"{say(100 * level, '.3g')} %"
    if len(known) == 1:
        return f"Its {sure} interval is {told}. "
    return f"The {sure} intervals are {told}. "


def size_interval(numbers: Numbers, say: Numerals = PLAIN) -> str:
    """The interval of a size, rounded as the size is."""
    size, low, high = np.exp([numbers.estimate, numbers.lower, numbers.upper]).tolist()
    u = numbers.u if np.isfinite(numbers.u) else (numbers.upper - numbers.lower) / 4
    return say.interval(low, high, u=size * u)


def _state(courses: Sequence[Course], plan: ComparisonPlan, say: Numerals) -> str:
    """Whether it was still falling at the end, or since when little was left; levels alike once."""
    alike: dict[str, list[Course]] = {}
    for one in courses:
        alike.setdefault(_ending(one, plan, say), []).append(one)
    alike.pop("", None)
    if len(alike) == 1:
        (said,) = alike
        return f"{capital(said)}."
    told = (
        f"At {joined([level_words(one.where, plan, say) for one in own])} {said}."
        for said, own in alike.items()
    )
    return " ".join(told)


def _ending(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    stop, way = course.stop, way_of(plan)
    if stop is None:
        return ""
    match stop.ending:
        case Ending.STILL_FALLING:
            return f"it was still {way.going} at the end"
        case Ending.LITTLE_LEFT:
            since, margin = place(TIME, stop.since or stop.before, say), say(stop.margin_percent)
            return f"from {since} on less than {margin} % was left to gain"
        case Ending.COARSER_AGAIN:
            than = joined([place(TIME, one, say) for one in stop.coarser_after])
            return f"at the end it was {way.other} again than at {than}"
        case Ending.CANNOT_BE_TOLD:
            return f"whether it was still {way.going} cannot be told"


def _pairs_headline(
    result: QuantityComparison, lead: Sequence[Finding], plan: ComparisonPlan, say: Numerals
) -> Told:
    """Levels without a course over time: how many pairs differ, and the one that differs most."""
    name, changed = result.quantity, [one for one in lead if one.verdict is Verdict.CHANGED]
    known = [one for one in lead if np.isfinite(one.numbers.estimate)]
    pair = max(changed or known or lead, key=lambda one: abs(one.numbers.estimate))
    high, low = pair_sides(pair, plan, say)
    means = _means(result, plan)
    sizes = [means.get((one, pair.subject.where)) for one in (pair.subject.high, pair.subject.low)]
    told = [with_unit(size_words(one, name, say), name) for one in sizes if one is not None]
    against = f": {told[0]} against {told[1]}" if len(told) == len(sizes) else ""
    ends = [one for one in sizes if one is not None]
    rest = _intervals(ends, name, pair.level, say).strip()
    many = "" if len(lead) < 2 else f" Of {plural(len(lead), 'pair')} {len(changed)} "
    many += "" if not many else "differs." if len(changed) == 1 else "differ."
    way = "higher" if pair.numbers.estimate > 0 else "lower"
    if changed:
        return Told(f"{capital(name)} is {way} {high} than {low}{against}.{many}", rest)
    if pair.verdict is Verdict.EQUIVALENT and len(lead) == 1:
        margin = say(pair.margin_percent or 0.0)
        return Told(
            f"{capital(name)} is the same {high} and {low} within ±{margin} %{against}.", rest
        )
    if len(lead) > 1:
        what = "groups" if plan.by == GROUP else f"levels of {column_words(plan.by)}"
        said = f"No two of the {what} are shown to differ in {name}; farthest apart are"
        return Told(f"{said} {pair.subject.high} and {pair.subject.low}{against}.", rest)
    return Told(f"{capital(name)} is not shown to differ {high} and {low}{against}.", rest)


def last_of_each(findings: Sequence[Finding]) -> list[Finding]:
    """Every pair; against the first level only the last one at each further level."""
    if any(one.subject.family is not ContrastKind.AGAINST_FIRST for one in findings):
        return list(findings)
    return list({one.subject.where: one for one in findings}.values())


def pair_sides(finding: Finding, plan: ComparisonPlan, say: Numerals = PLAIN) -> tuple[str, str]:
    """Both sides of a pair: "on Alder", "at 24 min", "at ball ratio 10"."""
    subject = finding.subject
    if plan.by == GROUP:
        return f"on {subject.high}", f"on {subject.low}"
    at = f", {level_words(subject.where, plan, say)}" if subject.where else ""
    high = place(plan.by, subject.high, say)
    return f"at {high}{at}", f"at {place(plan.by, subject.low, say)}"


def _means(result: QuantityComparison, plan: ComparisonPlan) -> Mapping[tuple[str, str], Numbers]:
    """Mean size of each level, and of each level of the further factors."""
    rows = result.means.to_dict("records")
    return {
        (str(row[plan.by]), str(row.get(str(plan.where), ""))): Numbers(
            estimate=float(np.log(row["value"])),
            lower=float(np.log(row["lower"])),
            upper=float(np.log(row["upper"])),
        )
        for row in rows
    }


def not_compared(reason: Exception, propagation: Propagation, say: Numerals = PLAIN) -> Told:
    """What the sizes are; why there is no comparison, and what to do."""
    at = propagation.quantities.index("D50")
    value = propagation.value[:, at]
    rows = np.flatnonzero(np.isfinite(value))
    why = capital(str(reason))
    if not len(rows):
        return Told("The sizes could not be compared.", why)
    if len(rows) > 1:
        low, high = (say.significant(float(one)) for one in (value[rows].min(), value[rows].max()))
        told = f"D50 of {plural(len(rows), 'run')} lies between {low} µm and {high} µm."
        return Told(told, f"Nothing was compared. {why}")
    (row,) = rows
    ends = (float(one[row, at]) for one in (propagation.lower, propagation.upper))
    inside = say.interval(*ends, u=float(propagation.u[row, at]))
    sure = f"{say(100 * propagation.coverage, '.3g')} %"
    return Told(
        f"D50 is {say.significant(float(value[row]))} µm.",
        f"Its {sure} interval is {inside} µm. Nothing was compared. {why}",
    )


def changes_heading(
    courses: Sequence[Course], last: str, plan: ComparisonPlan, say: Numerals = PLAIN
) -> str:
    """First heading of the table of page one."""
    if not courses:
        what = "groups" if plan.by == GROUP else f"levels of {column_words(plan.by)}"
        return f"Difference between {what}"
    first = say(float(courses[0].times[0]), ".12g")
    return f"Change from {first} to {place(TIME, last, say)}"


class Cell(NamedTuple):
    """A difference in per cent as page one shows it, its interval, and the signs behind it."""

    change: str = "cannot be told"
    interval: str = MISSING
    mark: str = UNTOLD

    @property
    def marked(self) -> str:
        """The difference with its signs; they stand alone where there is none."""
        return f"{'' if self.change == MISSING else self.change}{self.mark}" or MISSING

    def __str__(self) -> str:
        interval = "" if self.interval == MISSING else f" ({self.interval})"
        return f"{self.change}{interval}{self.mark}"


def difference_cell(finding: Finding | None, earlier: str, say: Numerals = PLAIN) -> Cell:
    """A change or difference and its interval: "−49.1 %", "−51.9 to −46.0", ``earlier`` behind."""
    is_untold = sign_of(finding) == UNTOLD
    if finding is None or (is_untold and not np.isfinite(finding.numbers.estimate)):
        return Cell()  # a bound holds by itself, the verdict beside all others
    sign = UNTOLD if is_untold else ""
    return Cell(*percent_parts(finding.numbers, say), sign + earlier)


def sign_of(finding: Finding | None) -> str:
    """The sign that a cell has, that of an earlier time apart: of a bound, of what is not told."""
    if finding is None or finding.verdict is Verdict.CANNOT_BE_TOLD:
        return UNTOLD
    own = finding.numbers
    if np.isfinite(own.estimate):
        return ""
    is_closed = bool(np.isfinite([own.lower, own.upper]).all())
    return BOUND if is_closed or own.upper <= 0.0 or own.lower >= 0.0 else UNTOLD


def claimed(course: Course) -> Finding:
    """The change by the end; a bound is the limit that holds together with since when."""
    own, (*_, gain) = course.fallen, (np.nan, *course.at_least)
    is_known = np.isfinite(own.numbers.estimate)
    if is_known or course.verdict is not Verdict.CHANGED or np.isnan(gain):
        return own
    is_fall = np.isneginf(own.numbers.lower)
    limits = (
        {"lower": -np.inf, "upper": 0.0 - gain} if is_fall else {"lower": gain, "upper": np.inf}
    )
    return replace(own, verdict=Verdict.CHANGED, numbers=Numbers(**limits))


def pair_words(finding: Finding, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """A pair of levels in front of its row."""
    subject = finding.subject
    at = f", {level_words(subject.where, plan, say)}" if subject.where else ""
    high = subject.high if plan.by == GROUP else place(plan.by, subject.high, say)
    return f"{high} against {subject.low}{at}"


def earlier_words(time: str, last: str, *, several: bool, say: Numerals = PLAIN) -> str:
    """The sign of a time before the last one, which is named where there are several such."""
    if time == last:
        return ""
    return f" (at {place(TIME, time, say)}){EARLIER}" if several else EARLIER


def percent_parts(own: Numbers, say: Numerals = PLAIN) -> tuple[str, str]:
    """A difference of ln size and its interval in per cent, or the bound that it lies beyond."""
    with np.errstate(over="ignore"):
        middle, low, high = (
            float(one) for one in 100.0 * np.expm1([own.estimate, own.lower, own.upper])
        )
    places = 1
    if np.isfinite([low, high]).all() and high > low:
        places = min(max(decimals_for((high - low) / 2.0), 0), 1)
    is_closed = bool(np.isfinite([own.lower, own.upper]).all())
    between = f"{say.signed(low, places)} to {say.signed(high, places)}" if is_closed else MISSING
    if np.isfinite(own.estimate):
        return f"{say.signed(middle, places)} %", between
    if is_closed:
        return MISSING, f"{between}{BOUND}"
    share, way = (-high / 100.0, "lower") if own.upper <= 0.0 else (low / 100.0, "higher")
    limit = f"≥ {say.at_least(share)} " if share >= LEAST_TOLD else ""
    return f"{limit}{way}{BOUND}", MISSING


def footnotes(
    signs: Collection[str],
    reasons: Iterable[str],
    earlier: Sequence[str] = (),
    say: Numerals = PLAIN,
    *,
    is_by_group: bool = False,
) -> tuple[str, ...]:
    """What the signs in the table mean, as far as they stand there, and what an interval holds.

    Parameters
    ----------
    signs : collection of str
        `BOUND` and `UNTOLD`, where something in the table has them.
    reasons : iterable of str
        Why something in it cannot be told.
    earlier : sequence of str
        Times before the last that something in it holds for.
    say : Numerals
        Writes the numbers.
    is_by_group : bool
        Whether groups are compared pair by pair.
    """
    found = []
    if BOUND in signs:
        found.append(f"{BOUND} Bound: runs lie beyond the sieves.")
    if earlier:
        at = f"At {place(TIME, earlier[0], say)}, the last" if len(earlier) == 1 else "The last"
        found.append(f"{EARLIER} {at} within the sieves.")
    why = "; ".join(dict.fromkeys(one for one in reasons if one))
    if UNTOLD in signs and why:
        found.append(f"{UNTOLD} {capital(why)}.")
    if is_by_group:
        found.append("Intervals hold for all pairs of one size together.")
    return tuple(found)
