"""An archive as a section: what was collected, latest verdicts, a size over dates, runs alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.archive import Archive
from psdstats.archive.charts import ControlChart, Limits, Repeatability
from psdstats.columns import unit_of
from psdstats.errors import OutputError
from psdstats.output import table as col
from psdstats.output.content import Drawing, Page, drawing_of
from psdstats.output.style import new_axes
from psdstats.output.table import Place, Table, table_of
from psdstats.words import archive as words
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LATEST = 12  # rows of the first table


def archive_page(
    archive: Archive,
    say: Numerals = PLAIN,
    *,
    quantity: str = "D50",
    where: Mapping[str, str] | None = None,
    limits: Limits | str = Limits.BETWEEN,
) -> Page:
    """All that an archive tells of one size."""
    trials, answers, spreads = archive.trials_frame(), archive.to_frame(), archive.repeatability()
    own = answers[answers["quantity"] == quantity]
    refused = trials[trials["refusal"].notna()]
    page = Page(
        heading=words.HEADING,
        sentences=(words.collected(trials, archive.evaluated, archive.unchanged),),
        blocks=(
            *(_refused_tables(refused) if len(refused) else ()),
            *(_answer_tables(own, answers, quantity) if len(own) else ()),
            *((_spread_table(spreads),) if spreads else ()),
            table_of("trials", trials, place=Place.CSV),
            *_trend(own, quantity, say),
        ),
        notes=tuple(one for one in (words.way_words(trials), words.copies_words(trials)) if one),
    )
    page += _chart_page(archive, say, quantity, where or {}, limits)
    told = [words.spread_sentence(spreads, quantity, say)] if len(trials) > len(refused) else []
    told += [words.use_words(archive.path.name)] if spreads else []
    return page + Page(heading="", sentences=tuple(told))


def _refused_tables(refused: pd.DataFrame) -> tuple[Table, ...]:
    frame = refused[["path", "refusal"]].assign(
        refusal=refused["refusal"].str.split("\n").str[0].str.slice(0, 300)
    )
    place = Place.FIRST if len(frame) <= _LATEST else Place.REPORT
    named = col.fields(path="trial", refusal="why")
    return (table_of("refused trials", frame, named[:1], named[1:], place=place),)


def _answer_tables(own: pd.DataFrame, answers: pd.DataFrame, quantity: str) -> tuple[Table, ...]:
    """The latest trials for a reader, and all of them for a machine."""
    unit = unit_of(quantity)
    start, end = (
        col.interval(f"{at}_size", at, unit, lower=f"{at}_lower", upper=f"{at}_upper")
        for at in ("start", "end")
    )
    since = col.Column("since", "finer since", "min", spare=True)
    verdict = (col.ratio("end/start"), "verdict", since)
    told = own.sort_values("study_date", ascending=False, kind="stable").head(_LATEST)
    latest = table_of(
        "latest trials",
        told,
        col.fields(study_date="date", path="trial"),
        (
            *(col.fields(place="at") if own["place"].fillna("").any() else ()),
            *col.spare(start),
            end,
            *(verdict if own["verdict"].notna().any() else ()),
        ),
        place=Place.FIRST,
        shown=len(told),
        rows=len(own),
    )
    return latest, table_of("answers", answers, place=Place.CSV)


def _spread_table(spreads: tuple[Repeatability, ...]) -> Table:
    per_cent = {
        "percent": "beyond it",
        "lower_percent": "from",
        "upper_percent": "to",
        "measurement_percent": "measurement",
    }
    return table_of(
        "runs alike",
        pd.DataFrame([vars(one) for one in spreads]),
        col.fields(quantity="size"),
        (
            *col.counts("trials"),
            *col.numbers(2, "%", **per_cent),
            *col.numbers(1, "", "df"),
            *col.spare(*col.fields(p_alike="p of one for all")),
        ),
        place=Place.FIRST,
    )


def _label(quantity: str) -> str:
    return quantity if quantity == "span" else f"{quantity} / µm"


def _trend(own: pd.DataFrame, quantity: str, say: Numerals) -> tuple[Drawing, ...]:
    dated = own[(own["study_date"].fillna("") != "") & own["end_size"].notna()]
    dated = dated.rename(columns={"study_date": "date"})
    if dated["date"].nunique() < 2:
        return ()

    def draw() -> Axes:
        from psdstats.output.figures.archive import trials_over_dates  # only to draw

        return trials_over_dates(dated, new_axes(say=say), label=_label(quantity))

    return (
        drawing_of(
            "trials over dates",
            draw,
            words.trend_caption(quantity),
            words.trend_told(dated, quantity, say),
        ),
    )


def _chart_page(
    archive: Archive, say: Numerals, quantity: str, where: Mapping[str, str], limits: Limits | str
) -> Page:
    """The control chart; where nothing was chosen and none can be made, a note says why."""
    try:
        chart = archive.chart(quantity, where, limits=limits)
    except OutputError as cause:
        if where:
            raise
        return Page(heading="", notes=(words.no_chart(str(cause)),))
    told = tuple(words.chart_sentences(chart, where, say))
    undated = int((archive.trials_frame()["study_date"].fillna("") == "").sum())

    def draw() -> Axes:
        from psdstats.output.figures.archive import control_chart  # only to draw

        axes, label = new_axes(say=say), _label(quantity)
        return control_chart(chart.points, axes, mean=chart.mean, label=label)

    return Page(
        heading="",
        sentences=told,
        blocks=(
            drawing_of("control chart", draw, words.chart_caption(chart, where), told),
            _points_table(chart),
        ),
        notes=tuple(words.chart_notes(chart, undated)),
    )


def _points_table(chart: ControlChart) -> Table:
    unit = unit_of(chart.quantity)
    frame = chart.points.assign(
        u_size=chart.points["u"] * chart.points["size"],
        sign=chart.points["is_outside"].map({True: "outside", False: ""}),
    )
    return table_of(
        "points of the chart",
        frame,
        col.fields("date", path="trial"),
        (
            *col.counts("runs"),
            col.Column("size", chart.quantity, unit, show=col.Show.MEASURED, u="u_size"),
            *col.numbers(None, unit, lower="lower limit", upper="upper limit"),
            "sign",
        ),
        place=Place.FILES,
    )
