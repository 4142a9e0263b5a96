"""Page one of a report: the answer, the sizes against time, the changes, short answers.

Everything on it is read from records; sentences and cells are made in `psdstats.words.sheet` and
`psdstats.words.short_answers`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from psdstats.columns import GROUP, TIME, column_words
from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.beside import Gain, LeftOut, conditions_without, gains, without_runs
from psdstats.comparison.result import Comparison, QuantityComparison, Route
from psdstats.errors import PsdstatsError
from psdstats.findings import Course, FactorAnswer, Finding, FindingKind, Remark
from psdstats.output.collect import Results
from psdstats.output.content import Drawing, Sheet, ShortAnswer
from psdstats.output.pages.sizes import sizes_drawing
from psdstats.output.table import Table, fields, table_of
from psdstats.rate.fit_rate import RateResult
from psdstats.words import sheet as words
from psdstats.words import short_answers as answers
from psdstats.words.budget import LIMITS_HEADING
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
    changes = None if compared is None else _Changes(compared, say)
    table = None if changes is None else changes.table()
    lead, rest = _headline(found, say)
    return Sheet(
        line=words.title_line(
            found.study,
            () if compared is None else compared.plan.factors,
            found.checks,
            author=found.author or found.study.author,
            report_date=found.report_date,
        ),
        lead=lead,
        sentence=rest,
        drawing=_drawing(found, say),
        table=table,
        answers=tuple(_answers(found, say)),
        footnotes=() if changes is None or table is None else changes.footnotes(),
    )


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
    told[LIMITS_HEADING] = answers.keeps_to_limits(found.limits, say)
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
    wrong = [one.spot.run or "" for one in flags if one.check == "wrong_time"]
    compared, sizes = found.compared, tuple[LeftOut, ...]()
    if compared is not None and main is not None and wrong and compared.plan.by == TIME:
        sizes = conditions_without(compared, main.quantity, wrong)
    moved = moved_without(compared, checks.doubted_runs)
    return answers.act_on(flags, moved, look, say, sizes)


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


class _Changes:
    """The table of changes while it is made, with the signs and reasons that its cells ask for."""

    def __init__(self, compared: Comparison, say: Numerals) -> None:
        self.compared, self.plan, self.say = compared, compared.plan, say
        self.names = [one.quantity for one in compared.results]
        self.courses = [one for result in compared.results for one in result.courses]
        self.wheres = list(dict.fromkeys(one.where for one in self.courses))  # of every size
        self.last = max((one.times[-1] for one in self.courses), key=float, default="")
        self.pairs = [one.factors[0] for one in compared.results if one.factors]
        lasts = map(_last_at, self.pairs if len(self.wheres) <= _MOST_LEVELS else ())
        times = [one.times[-1] for one in self.courses]
        times += [one.subject.where for one in lasts if one is not None]
        self.earlier = list(dict.fromkeys(one for one in times if one != self.last))
        self.signs, self.reasons = set[str](), list[Remark]()
        for result in compared.results:
            if result.route is Route.NONE:
                self.reasons += [one for _, one in result.basis.data if isinstance(one, Remark)]

    def table(self) -> Table | None:
        """The form that suits the levels; None where there is nothing to tell."""
        if not self.courses:
            return self._by_pair()
        return self._by_size() if len(self.wheres) <= _MOST_LEVELS else self._by_level()

    def footnotes(self) -> tuple[str, ...]:
        """The signs of the table, and what its intervals hold for."""
        reasons = [sentence(one, self.say) for one in self.reasons]
        is_by_group = self.plan.by == GROUP
        return words.footnotes(self.signs, reasons, self.earlier, self.say, is_by_group=is_by_group)

    def _cell(self, one: Course | Finding | None) -> words.Cell:
        """A difference, and the sign of what holds for a time before the last."""
        finding, time = _told(one)
        sign = words.sign_of(finding)
        self.signs.add(sign)
        if finding is not None and sign == words.UNTOLD:
            self.reasons += finding.reasons
        several = len(self.earlier) > 1
        mark = words.earlier_words(time or self.last, self.last, several=several, say=self.say)
        return words.difference_cell(finding, mark, self.say)

    def _by_size(self) -> Table:
        """One row a size, a pair of columns a level, the levels against each other behind."""
        headings = {"quantity": self._heading()}
        for number, where in enumerate(self.wheres):
            headings[f"change_{number}"] = level_words(where, self.plan, self.say) or "change"
            headings[f"interval_{number}"] = f"{self._level()} interval"
        if self.pairs:
            headings["against"] = f"{self.pairs[0].high} against {self.pairs[0].low}"
        return _table([self._row_of(one) for one in self.compared.results], headings)

    def _row_of(self, result: QuantityComparison) -> dict[str, object]:
        row: dict[str, object] = {"quantity": result.quantity}
        own = {one.where: one for one in result.courses}
        for number, where in enumerate(self.wheres):
            course = own.get(where)
            cell = self._cell(course)
            row |= {f"change_{number}": cell.marked, f"interval_{number}": cell.interval}
            row |= _percent(course, str(number))
        if self.pairs:
            last = _last_at(next(iter(result.factors), None))
            row |= {"against": str(self._cell(last))} | _percent(last, "against")
        return row

    def _by_level(self) -> Table:
        """One row a level, a column a size."""
        factors = ", ".join(map(column_words, self.plan.at_each))
        heading = f"{self._heading()} ({self._level()} interval), by {factors}"
        rows = [
            (where, {one.quantity: one for one in self.courses if one.where == where})
            for where in self.wheres[:_MOST_ROWS]
        ]
        return self._by_row("level", heading, rows)

    def _by_pair(self) -> Table | None:
        """One row a pair of levels, a column a size; the farthest first where there are many."""
        found: dict[tuple[str, str, str], dict[str, Finding]] = {}
        for result in self.compared.results:
            for one in words.last_of_each(leading(result) if result.findings else []):
                key = (one.subject.high, one.subject.low, one.subject.where)
                found.setdefault(key, {})[result.quantity] = one
        main = words.main_result(self.compared).quantity
        ranked = sorted(found.values(), key=lambda own: -_size_of(own.get(main)))[:_MOST_ROWS]
        first = (words.pair_words(next(iter(own.values())), self.plan, self.say) for own in ranked)
        rows = list(zip(first, ranked, strict=True))
        return self._by_row("pair", self._heading(), rows) if rows else None

    def _by_row(
        self, first: str, heading: str, rows: Sequence[tuple[str, Mapping[str, Course | Finding]]]
    ) -> Table:
        """Rows by their names, and what each says of every size."""
        frame = []
        for label, own in rows:
            row: dict[str, object] = {first: label}
            for name in self.names:
                row |= {name: str(self._cell(own.get(name)))} | _percent(own.get(name), name)
            frame.append(row)
        return _table(frame, {first: heading} | dict(zip(self.names, self.names, strict=True)))

    def _heading(self) -> str:
        return words.changes_heading(self.courses, self.last, self.plan, self.say)

    def _level(self) -> str:
        return f"{self.say(100 * self.compared.level, '.3g')} %"


def _last_at(answer: FactorAnswer | None) -> Finding | None:
    """Two levels at the last time that both were compared at."""
    later = () if answer is None else answer.at
    return next(reversed(later), None)


def _told(one: Course | Finding | None) -> tuple[Finding | None, str]:
    """What was found, and the time it holds for; "" where it is not one of several."""
    if isinstance(one, Course):
        return words.claimed(one), one.times[-1]
    is_factor = one is not None and one.kind is FindingKind.FACTOR
    return one, one.subject.where if one is not None and is_factor else ""


def _percent(one: Course | Finding | None, name: str) -> dict[str, object]:
    """A difference and its interval in per cent, in full."""
    finding, _ = _told(one)
    if finding is None:
        return {}
    own = finding.numbers
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        ends = 100.0 * np.expm1([own.estimate, own.lower, own.upper])
    names = ("percent", "lower_percent", "upper_percent")
    return {f"{name}_{end}": float(value) for end, value in zip(names, ends, strict=True)}


def _size_of(finding: Finding | None) -> float:
    return 0.0 if finding is None else float(np.nan_to_num(abs(finding.numbers.estimate)))


def _table(rows: Sequence[Mapping[str, object]], headings: Mapping[str, str]) -> Table:
    head, *columns = fields(**headings)
    return table_of(NAME, pd.DataFrame(list(rows)), (head,), columns, is_front=True)
