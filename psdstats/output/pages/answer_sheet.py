"""Page one of a report: the answer, the sizes against time, the changes, five short answers.

Everything on it is read from records; sentences and cells are made in `psdstats.words.sheet` and
`psdstats.words.short_answers`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from psdstats.columns import GROUP, column_words
from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.beside import Gain, LeftOut, gains, without_runs
from psdstats.comparison.result import Comparison, QuantityComparison, Route
from psdstats.errors import PsdstatsError
from psdstats.findings import Course, FactorAnswer, Finding, Remark, Verdict
from psdstats.output.collect import Results
from psdstats.output.content import Drawing, Sheet, ShortAnswer
from psdstats.output.pages.sizes import sizes_drawing
from psdstats.output.table import Table, fields, table_of
from psdstats.rate.fit_rate import RateResult
from psdstats.words import sheet as words
from psdstats.words import short_answers as answers
from psdstats.words.comparison import leading
from psdstats.words.courses import level_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import sentence
from psdstats.words.sheet import Told

_MOST_LEVELS, _MOST_ROWS = 2, 6  # side by side; one below the other
_HEIGHT_MM = 70.0
NAME = "changes"


def answer_sheet(found: Results, say: Numerals = PLAIN) -> Sheet:
    """Page one of what was found."""
    compared = found.compared
    table = None if compared is None else changes_table(compared, say)
    lead, rest = _headline(found, say)
    return Sheet(
        line=words.title_line(
            found.study,
            _factors(compared),
            found.checks,
            author=found.author or found.study.author,
            report_date=found.report_date,
        ),
        lead=lead,
        sentence=rest,
        drawing=_drawing(found, say),
        table=table,
        answers=tuple(_answers(found, say)),
        footnotes=() if compared is None or table is None else _footnotes(compared, say),
    )


def _factors(compared: Comparison | None) -> tuple[str, ...]:
    return () if compared is None else compared.plan.factors


def _headline(found: Results, say: Numerals) -> Told:
    if isinstance(found.comparison, PsdstatsError):
        return words.not_compared(found.comparison, found.propagation, say)
    return words.headline(found.comparison, say)


def _drawing(found: Results, say: Numerals) -> Drawing | None:
    """The panels of the sizes; one run alone needs none."""
    return sizes_drawing(found, say, height_mm=_HEIGHT_MM) if len(found.study.runs) > 1 else None


def _answers(found: Results, say: Numerals) -> list[ShortAnswer]:
    """The questions that the study can answer, in order."""
    compared = found.compared
    main = None if compared is None else words.main_result(compared)
    spread = None if compared is None or main is None else compared.analysis[main.quantity].spread
    told: dict[str, Told | None] = {answers.WHEN: None, answers.AGREE: None}
    bought: tuple[Gain, ...] = ()
    if compared is not None and main is not None:
        rate = found.rate if isinstance(found.rate, RateResult) else None
        told[answers.WHEN] = answers.when_to_stop(compared, rate, say)
        told[answers.AGREE] = answers.benches_agree(compared, say)
        bought = gains(compared, main.quantity)
    told[answers.SURE] = answers.how_sure(main, spread, found.budget, say)
    told[answers.HELP] = answers.what_would_help(compared, bought, found.budget, say)
    told[answers.ACT] = _act_on(found, main, say)
    return [
        ShortAnswer(question=question, strong=one.strong, sentence=one.rest)
        for question, one in told.items()
        if one is not None
    ]


def _act_on(found: Results, main: QuantityComparison | None, say: Numerals) -> Told | None:
    """What to look at; of values in hand no reading is known, and perhaps nothing asks for it."""
    look, checks = _to_look_at(main), found.checks
    if checks is None:
        return answers.act_on(None, (), look, say)
    flags = [one for one in checks.flags if one.doubts]
    return answers.act_on(flags, moved_without(found.compared, checks.doubted_runs), look, say)


def moved_without(compared: Comparison | None, runs: Sequence[str]) -> list[LeftOut]:
    """Changes of the quantity that leads without some runs together."""
    if compared is None or not runs:
        return []
    quantity = words.main_result(compared).quantity
    return [one for one in without_runs(compared, runs) if one.quantity == quantity]


def _to_look_at(main: QuantityComparison | None) -> list[Remark]:
    """Benches and levels that ask for a look, by what was found."""
    found = () if main is None else main.advice
    kinds = (AdviceRemark.LOOK_AT_START, AdviceRemark.LOOK_AT_GROUP)
    return [one for one in found if one.kind in kinds]


def changes_table(compared: Comparison, say: Numerals = PLAIN) -> Table | None:
    """The changes of every size: a pair of columns per level, or a row per level or pair."""
    courses = _courses(compared)
    if not courses:
        return _pairs_table(compared, say)
    wheres = list(dict.fromkeys(one.where for one in courses))  # of every size
    if len(wheres) > _MOST_LEVELS:
        return _levels_table(compared, courses, wheres, say)
    return _courses_table(compared, courses, wheres, say)


def _courses(compared: Comparison) -> list[Course]:
    return [one for result in compared.results for one in result.courses]


def _earlier(compared: Comparison) -> list[str]:
    """Times before the last for which a cell of the table holds."""
    courses = _courses(compared)
    last = _last(courses) if courses else ""
    has_pair = len({one.where for one in courses}) <= _MOST_LEVELS
    factors = [one for result in compared.results for one in result.factors[:1]]
    at = [_last_at(one) for one in factors if has_pair]
    times = [one.times[-1] for one in courses]
    times += [one.subject.where for one in at if one is not None]
    return list(dict.fromkeys(one for one in times if one != last))


def _last(courses: Sequence[Course]) -> str:
    return max((one.times[-1] for one in courses), key=float)


def _courses_table(
    compared: Comparison, courses: Sequence[Course], wheres: Sequence[str], say: Numerals
) -> Table:
    """One row a size, a pair of columns a level, the levels against each other behind."""
    plan, last = compared.plan, _last(courses)
    pairs = [one.factors[0] for one in compared.results if one.factors]
    rows = []
    for result in compared.results:
        row: dict[str, object] = {"quantity": result.quantity}
        own = {one.where: one for one in result.courses}
        for number, where in enumerate(wheres):
            course = own.get(where)
            cell = words.course_cell(course, _mark(compared, course, say), say)
            row |= {f"change_{number}": cell.change, f"interval_{number}": cell.interval}
            row |= _percent(None if course is None else course.fallen, str(number))
        if pairs:
            at = _last_at(result.factors[0] if result.factors else None)
            row |= {"against": words.pair_cell(at, say, _mark(compared, at, say))}
            row |= _percent(at, "against")
        rows.append(row)
    headings = {"quantity": words.changes_heading(courses, last, plan, say)}
    for number, where in enumerate(wheres):
        headings[f"change_{number}"] = level_words(where, plan, say) or "change"
        headings[f"interval_{number}"] = f"{say(100 * compared.level, '.3g')} % interval"
    if pairs:
        headings["against"] = f"{pairs[0].high} against {pairs[0].low}"
    return _table(rows, headings)


def _mark(compared: Comparison, told: Course | Finding | None, say: Numerals) -> str:
    """The sign of what holds for a time before the last."""
    if told is None:
        return ""
    time = told.times[-1] if isinstance(told, Course) else told.subject.where
    several = len(_earlier(compared)) > 1
    return words.earlier_words(time, _last(_courses(compared)), several=several, say=say)


def _percent(finding: Finding | None, name: str) -> dict[str, float]:
    """A difference and its interval in per cent, in full."""
    if finding is None:
        return {}
    own = finding.numbers
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        ends = 100.0 * np.expm1([own.estimate, own.lower, own.upper])
    names = ("percent", "lower_percent", "upper_percent")
    return {f"{name}_{end}": float(value) for end, value in zip(names, ends, strict=True)}


def _last_at(answer: FactorAnswer | None) -> Finding | None:
    """Two levels at the last time that both were compared at."""
    later = () if answer is None else answer.at
    return next(reversed(later), None)


def _levels_table(
    compared: Comparison, courses: Sequence[Course], wheres: Sequence[str], say: Numerals
) -> Table:
    """One row a level, a column a size."""
    by_level = {(one.quantity, one.where): one for one in courses}
    names = [one.quantity for one in compared.results]
    rows = []
    for where in wheres[:_MOST_ROWS]:
        row: dict[str, object] = {"level": where}
        for name in names:
            own = by_level.get((name, where))
            row |= {name: str(words.course_cell(own, _mark(compared, own, say), say))}
            row |= _percent(None if own is None else own.fallen, name)
        rows.append(row)
    change = words.changes_heading(courses, _last(courses), compared.plan, say)
    factors = ", ".join(map(column_words, compared.plan.at_each))
    heading = f"{change} ({say(100 * compared.level, '.3g')} % interval), by {factors}"
    return _table(rows, {"level": heading} | dict(zip(names, names, strict=True)))


def _pairs_table(compared: Comparison, say: Numerals) -> Table | None:
    """One row a pair of levels, a column a size."""
    names = [one.quantity for one in compared.results]
    rows = []
    for own in _ranked_pairs(compared):
        pair = words.pair_words(next(iter(own.values())), compared.plan, say)
        row: dict[str, object] = {"pair": pair}
        for name in names:
            row |= {name: words.pair_cell(own.get(name), say), **_percent(own.get(name), name)}
        rows.append(row)
    heading = words.changes_heading((), "", compared.plan, say)
    return _table(rows, {"pair": heading} | dict(zip(names, names, strict=True))) if rows else None


def _ranked_pairs(compared: Comparison) -> list[dict[str, Finding]]:
    """The pairs of levels of the table, by quantity; the farthest first where there are many."""
    found: dict[tuple[str, str, str], dict[str, Finding]] = {}
    for result in compared.results:
        for one in words.last_of_each(leading(result) if result.findings else []):
            key = (one.subject.high, one.subject.low, one.subject.where)
            found.setdefault(key, {})[result.quantity] = one
    main = words.main_result(compared).quantity
    ranked = sorted(found.values(), key=lambda own: -_size_of(own.get(main)))
    return ranked[:_MOST_ROWS]


def _size_of(finding: Finding | None) -> float:
    return 0.0 if finding is None else float(np.nan_to_num(abs(finding.numbers.estimate)))


def _table(rows: Sequence[Mapping[str, object]], headings: Mapping[str, str]) -> Table:
    head, *columns = fields(**headings)
    return table_of(NAME, pd.DataFrame(list(rows)), (head,), columns, is_front=True)


def _footnotes(compared: Comparison, say: Numerals) -> tuple[str, ...]:
    """The signs of the table, and what its intervals hold for."""
    reasons = [sentence(one, say) for one in _reasons(compared)]
    is_by_group = compared.plan.by == GROUP
    signs, earlier = _signs(compared), _earlier(compared)
    return words.footnotes(signs, reasons, earlier, say, is_by_group=is_by_group)


def _signs(compared: Comparison) -> set[str]:
    """Signs of what the table shows: bounds, and what cannot be told."""
    names = [one.quantity for one in compared.results]
    by_level = {(one.quantity, one.where): one for one in _courses(compared)}
    wheres = list(dict.fromkeys(where for _, where in by_level))
    if not wheres:
        pairs = [own.get(name) for own in _ranked_pairs(compared) for name in names]
        return set(map(words.pair_sign, pairs))
    shown = [by_level.get((name, where)) for name in names for where in wheres[:_MOST_ROWS]]
    signs = set(map(words.course_sign, shown))
    if len(wheres) <= _MOST_LEVELS and any(one.factors for one in compared.results):
        against = (_last_at(next(iter(one.factors), None)) for one in compared.results)
        signs |= set(map(words.pair_sign, against))
    return signs


def _reasons(compared: Comparison) -> list[Remark]:
    """Why a cell of the table cannot be told."""
    found: list[Remark] = []
    for result in compared.results:
        if result.route is Route.NONE:
            found += [one for _, one in result.basis.data if isinstance(one, Remark)]
            continue
        own = [one.fallen for one in result.courses]
        own = own or (leading(result) if result.findings else [])
        for one in own:
            if one.verdict is Verdict.CANNOT_BE_TOLD:
                found += one.reasons
        for factor in result.factors:
            last = _last_at(factor)
            if last is not None and last.verdict is Verdict.CANNOT_BE_TOLD:
                found += last.reasons
    return found
