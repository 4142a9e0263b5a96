"""The bench checks as a section."""

from __future__ import annotations

import re

import pandas as pd

from psdstats.output.content import Block, Drawing, Note, NoteKind, Page, Paragraph
from psdstats.output.figures.bench import tare_history
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.study.findings import CheckReport

_NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]*\w)")
_MOST_ALIKE = 3  # findings of one kind that stand in rows of their own
_RUNS_NAMED = 3


def checks_table(report: CheckReport) -> Table:
    """One row a finding, worst first, with its limit and the source of the limit."""
    return Table(
        name="checks",
        frame=report.to_frame(),
        caption="What the bench checks found.",
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="check", heading="check"),
            Column(name="run", heading="run"),
            Column(name="sieve", heading="sieve"),
            Column(name="file", heading="file"),
            Column(name="row", heading="row", show=Show.COUNT),
            Column(name="says", heading="found", show=Show.WORDS),
            Column(name="remedy", heading="what to do", show=Show.WORDS),
            Column(name="source", heading="source of the limit"),
        ),
        place=Place.FILES,
    )


def checks_page(report: CheckReport) -> Page:
    """Errors and warnings as a table; notes are only counted, and stand in the files."""
    frame = report.to_frame()
    pressing = frame[frame["severity"] != "note"]
    notes = len(frame) - len(pressing)
    blocks: list[Block] = []
    if pressing.empty:
        blocks.append(Paragraph("Nothing was found that asks for action."))
    else:
        blocks.append(
            Note(
                f"The checks found {len(pressing)} thing{'s' if len(pressing) > 1 else ''} to look "
                "at; keep them in mind with every number below.",
                kind=NoteKind.WARNING,
            )
        )
        blocks.append(_pressing_table(pressing))
    if notes:
        blocks.append(
            Paragraph(
                f"{notes} further note{'s ask' if notes > 1 else ' asks'} for nothing (such as a "
                "class that weighs a little less than nothing, within weighing noise); see the "
                "table of checks among the files."
            )
        )
    if report.switched_off:
        names = ", ".join(report.switched_off)
        blocks.append(Note(f"Checks switched off in this study: {names}."))
    blocks.append(checks_table(report))
    return Page(heading="Checks of the readings", blocks=tuple(blocks))


def tare_drawings(history: pd.DataFrame) -> list[Drawing]:
    """Tares over the runs, one drawing a group; none where no sieve was weighed empty twice."""
    drawings = []
    for group, own in history.groupby("group", sort=False):
        with house_style():
            ax = new_axes(height_mm=85.0)
            tare_history(own, ax)
        moved = own[own["is_outside"]]
        found = ", ".join(
            f"{sieve} in {run}" for sieve, run in zip(moved["sieve"], moved["run"], strict=True)
        )
        drawings.append(
            Drawing(
                name=f"tares {group}",
                figure=ax.figure,  # type: ignore[arg-type]
                caption=f"Tares of the sieves of {group} over the runs; shaded is what weighing "
                "explains, rings mark readings beyond it.",
                alternative=f"Outside its limits: {found}." if found else "No tare moved.",
            )
        )
    return drawings


def _pressing_table(pressing: pd.DataFrame) -> Table:
    text = pressing[["severity", "run", "sieve", "file", "row", "says", "remedy"]].copy()
    place = text["file"].fillna("") + ", row " + text["row"].astype("Int64").astype(str)
    text["where"] = (
        text["run"].fillna("")
        + text["sieve"].map(lambda sieve: f", {sieve}" if isinstance(sieve, str) else "")
        + " ("
        + place.where(text["row"].notna(), text["file"].fillna(""))
        + ")"
    )
    kind = text["severity"] + text["remedy"] + text["says"].str.replace(_NUMBER, "#", regex=True)
    alike = [own for _, own in text.groupby(kind, sort=False)]
    return Table(
        name="to look at",
        frame=pd.concat([_together(own) for own in alike], ignore_index=True),
        caption="What to look at.",
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="where", heading="where"),
            Column(name="says", heading="found", show=Show.WORDS),
            Column(name="remedy", heading="what to do", show=Show.WORDS),
        ),
    )


def _together(alike: pd.DataFrame) -> pd.DataFrame:
    """Findings that differ in their numbers only: as they are, or many of them in one row."""
    shown = ["severity", "where", "says", "remedy"]
    if len(alike) <= _MOST_ALIKE:
        return alike[shown]
    runs = list(dict.fromkeys(alike["run"].dropna()))
    more = f" and {len(runs) - _RUNS_NAMED} more" if len(runs) > _RUNS_NAMED else ""
    where = (
        f"{len(alike)} findings: {', '.join(runs[:_RUNS_NAMED])}{more} (all in tables/checks.csv)"
    )
    return alike.head(1).assign(where=where, says=_with_ranges(list(alike["says"])))[shown]


def _with_ranges(texts: list[str]) -> str:
    """One text for several that differ in their numbers: "11 to 14 % of the powder"."""
    columns = [
        sorted(set(own), key=float) for own in zip(*map(_NUMBER.findall, texts), strict=True)
    ]
    ranges = iter(own[0] if len(own) == 1 else f"{own[0]} to {own[-1]}" for own in columns)
    return _NUMBER.sub(lambda _: next(ranges), texts[0])
