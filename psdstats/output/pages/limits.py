"""Decisions on limits as a section: the answer, a table a limit, the rule and what it rests on."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial, reduce
from operator import add

import numpy as np

from psdstats.columns import RUN, UNITS, column_words, unit_of
from psdstats.output.content import Page, Paragraph
from psdstats.output.pages.parts import number_column, table_of
from psdstats.output.tables.table import Column, Place, Show, Table, counts, shares, spare, texts
from psdstats.uncertainty.conformity import LimitResult, Specification
from psdstats.words import conformity as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.sizes import notes_in_words


def limits_page(results: Iterable[LimitResult], say: Numerals = PLAIN) -> Page:
    """Whether every condition keeps to every limit."""
    return reduce(add, (_page(result, say) for result in results))


def _page(result: LimitResult, say: Numerals) -> Page:
    told, rule = words.limit_sentences(result, say)
    return Page(
        heading=words.HEADING,
        lead=(told,),
        sentences=(told, rule),
        blocks=(Paragraph(rule), limit_table(result, say)),
        notes=notes_in_words(result.notes, say),
    )


def limit_table(result: LimitResult, say: Numerals = PLAIN) -> Table:
    """One row a condition: value, where it would be accepted, verdict, probability and risks."""
    limit, frame = result.specification, result.table.copy()
    is_open = frame["value"].isna()
    below = is_open & np.isfinite(frame["bound_upper"])
    bound = frame["bound_upper"].where(below, frame["bound_lower"])
    frame["value"] = frame["value"].where(~is_open, bound)
    frame["side"] = np.where(below, "<", np.where(is_open, ">", ""))
    frame["verdict"] = frame["verdict"].map(str)
    frame["risk"] = frame["consumer_risk"].fillna(frame["producer_risk"])
    shown = [name for name in result.conditions if frame[name].nunique(dropna=False) > 1]
    shown += [RUN] if frame[RUN].notna().any() else []
    named = [
        number_column(frame[name], name=name, heading=column_words(name), unit=UNITS.get(name, ""))
        for name in shown
    ]
    what = words.limit_words(limit, say)
    columns = [one for one in _columns(limit) if frame[one.name].notna().any()]
    return table_of(
        what, frame, named, columns, key="limits", place=Place.FIRST, is_front=True, limit=what
    )


def _columns(limit: Specification) -> list[Column]:
    unit = "" if limit.is_share else unit_of(limit.quantity)
    measured = partial(Column, unit=unit, u="u", show=Show.MEASURED)
    value = "share" if limit.is_share else limit.quantity
    return [
        *spare(*counts("runs")),
        measured(name="value", heading=value, side="side"),
        measured(name="u", heading="u"),
        measured(name="accept_from", heading="accepted from", spare=True),
        measured(name="accept_to", heading="accepted to", spare=True),
        *texts("verdict"),
        *shares(1, "probability"),
        *spare(*shares(1, "risk")),
        *shares(2, all_consumer_risk="all: consumer", all_producer_risk="all: producer"),
    ]
