"""The bench checks as a section, followed through: what changes without what is in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import QUANTITIES, listed, unit_of
from psdstats.comparison.beside import LeftOut, conditions_without, without_runs
from psdstats.comparison.result import Comparison
from psdstats.output.content import Drawing, Note, Page, Paragraph, page_of, panel_of
from psdstats.output.figures.bench import tare_course
from psdstats.output.table import Column, Place, Table, changes, counts, fields, numbers, table_of
from psdstats.study.flags import CheckReport, Flag, Severity
from psdstats.words import study as words
from psdstats.words.captions import FIGURES
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import fill
from psdstats.words.sheet import main_result


def checks_table(report: CheckReport) -> Table:
    """One row a flag, worst first, with its limit and the source of the limit."""
    named = fields(says="found", remedy="what to do", source="source of the limit")
    return table_of(
        "checks",
        report.to_frame(),
        ("severity",),
        ("check", "run", "sieve", "file", *counts("row"), *named),
        place=Place.FILES,
    )


@page_of.register
def checks_page(
    report: CheckReport, compared: Comparison | None = None, say: Numerals = PLAIN
) -> Page:
    """What to look at and what changes without it; notes are only counted, and stand in files."""
    pressing = [own for own in report.findings if own[0].severity is not Severity.NOTE]
    pressing.sort(key=lambda own: not own[0].doubts)
    notes, off = len(report.of_severity(Severity.NOTE)), report.switched_off
    return Page(
        heading="Checks of the readings",
        behind=words.FURTHER_NOTES,
        lead=_lead(report, compared, say),
        blocks=(
            _pressing_table(pressing, compared, say)
            if pressing
            else Paragraph(words.NOTHING_FOUND),
            *([Paragraph(words.notes_sentence(notes))] if notes else []),
            *([Note(words.switched_off_sentence(off))] if off else []),
            checks_table(report),
        ),
    )


def _lead(report: CheckReport, compared: Comparison | None, say: Numerals) -> tuple[str, ...]:
    """How many readings are in doubt, and what all their runs together move."""
    runs = report.doubted_runs
    if not runs:
        return ()
    told = words.moves_sentence(_points(compared, runs), say)
    return (words.doubted_sentence(len(runs), told),)


def effect_page(report: CheckReport, compared: Comparison, say: Numerals = PLAIN) -> Page:
    """Each run in doubt, and those of one finding together: D50 and the main answer without it."""
    why: dict[tuple[str, ...], list[str]] = {}
    doubts = [own for own in report.findings if own[0].doubts]
    for own in doubts:
        for run in words.runs_of(own):
            why.setdefault((run,), []).append(own[0].check)
    for own in doubts:
        why.setdefault(tuple(words.runs_of(own)), [own[0].check])
    why.setdefault(report.doubted_runs, [words.ALL_IN_DOUBT])
    if not doubts:
        return Page(heading=words.EFFECT, sentences=(words.NO_DOUBT,))
    rows = [
        {"runs": listed(runs, words.RUNS_NAMED), "check": ", ".join(dict.fromkeys(checks))}
        | _effect_row(compared, runs)
        for runs, checks in why.items()
    ]
    told = [
        words.effect_sentence(runs, *_effect(compared, runs), compared.plan, say) for runs in why
    ]
    columns = _effect_columns(main_result(compared).quantity)
    frame = pd.DataFrame(rows, columns=[one.name for one in columns])
    table = table_of("runs in doubt", frame, columns[:1], columns[1:])
    return Page(heading=words.EFFECT, sentences=tuple(told), blocks=(table,))


def _effect(compared: Comparison, runs: Sequence[str]) -> tuple[LeftOut | None, LeftOut | None]:
    """What moves the most without some runs: a size at their conditions, and the main answer."""
    quantity = main_result(compared).quantity
    sizes = sorted(conditions_without(compared, quantity, runs), key=lambda one: -one.moved)
    changes = [one for one in without_runs(compared, runs) if one.quantity == quantity]
    own = [one for one in changes if one.where in {size.where for size in sizes}]
    return next(iter(sizes), None), next(iter(own or changes), None)


def _effect_row(compared: Comparison, runs: Sequence[str]) -> dict[str, object]:
    """Sizes in µm and changes in per cent, with and without some runs."""
    row: dict[str, object] = {}
    for kind, one in zip(("size", "change"), _effect(compared, runs), strict=True):
        if one is None:
            continue
        row[f"{kind}_where"] = words.where_moved(one, compared.plan)
        values = np.exp([one.effect, one.without])
        values = values if kind == "size" else 100.0 * (values - 1.0)
        row[kind], row[f"{kind}_without"] = map(float, values)
        row[f"{kind}_moves"] = one.percent if kind == "size" else float(np.diff(values)[0])
    return row


def _effect_columns(quantity: str) -> list[Column]:
    """Sizes and changes with and without some runs, and by how much they move."""
    unit = unit_of(quantity)
    sizes = {"size": "all runs", "size_without": "without"}
    return [
        *fields(runs="without", check="check", size_where=f"{quantity} at"),
        *numbers(1 if unit else 3, unit, **sizes),
        *changes(size_moves="moves"),
        *fields(change_where=f"change of {quantity}"),
        *changes(change="all runs", change_without="without"),
        *changes("points", change_moves="moves"),
    ]


def _points(compared: Comparison | None, runs: Sequence[str]) -> dict[str, float]:
    """How far the changes of each size move without some runs together, in points."""
    found: dict[str, float] = {}
    for one in () if compared is None else without_runs(compared, runs):
        found[one.quantity] = max(one.points, found.get(one.quantity, 0.0))
    order = {name: place for place, name in enumerate(QUANTITIES)}
    return dict(sorted(found.items(), key=lambda item: order[item[0]]))


def tare_drawings(history: pd.DataFrame, say: Numerals = PLAIN) -> list[Drawing]:
    """Tares over the runs, one drawing a group; none where no sieve was weighed empty twice."""
    drawings = []
    for group, own in history.groupby("group", sort=False):
        moved = own[own["is_outside"]]
        drawings.append(
            panel_of(
                f"tares {group}",
                partial(tare_course, own),
                fill(FIGURES["tares"], group=group),
                words.tares_alternative(list(zip(moved["sieve"], moved["run"], strict=True))),
                height_mm=85.0,
                say=say,
            )
        )
    return drawings


def _pressing_table(
    pressing: Sequence[Sequence[Flag]], compared: Comparison | None, say: Numerals
) -> Table:
    """One row a finding."""
    return table_of(
        "to look at",
        pd.DataFrame([_row(own, compared, say) for own in pressing]),
        ("severity",),
        fields(
            where="where",
            says="found",
            remedy="what to do",
            size=words.SIZE_WITHOUT,
            without=words.WITHOUT,
        ),
        is_front=True,
    )


def _row(own: Sequence[Flag], compared: Comparison | None, say: Numerals) -> dict[str, str]:
    """One row: what was found where, what to do, and what moves without these runs."""
    first, runs = own[0], words.runs_of(own)
    without = size = MISSING
    if first.check == "not_bracketed":
        without = words.BOUNDED
    elif runs and first.doubts:
        without = words.moved_words(_points(compared, runs), say)
        if compared is not None:
            size = words.size_moved(_effect(compared, runs)[0], say)
    return {
        "severity": str(first.severity),
        "where": words.where_of(own),
        "says": words.says_of(own),
        "remedy": first.remedy,
        "size": size,
        "without": without,
    }
