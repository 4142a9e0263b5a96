"""The whole report: verdicts first, then everything a reviewer asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from psdstats.columns import TIME, column_words
from psdstats.output.content import Answer, Block, Note, Page, Paragraph, ReportContent
from psdstats.output.pages.checks import checks_page
from psdstats.output.pages.method import CAUTIONS, REFERENCES, method_section
from psdstats.output.pages.parts import (
    as_sentence,
    number_column,
    page_with_sign,
    without_repeats,
)
from psdstats.output.provenance import provenance_text
from psdstats.output.tables.table import Column, Show, Table
from psdstats.study.flags import CheckReport
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation
from psdstats.words.numbers import PLAIN, Numerals


def report_content(
    study: Study,
    checks: CheckReport,
    propagation: Propagation,
    *,
    sizes: Page,
    comparison: Page,
    further: Sequence[Page],
    record: Mapping[str, object],
    say: Numerals = PLAIN,
) -> ReportContent:
    """Put the pages in their order; answers on the measurement itself come last."""
    signed = [page_with_sign(page, say.decimal) for page in (sizes, comparison, *further)]
    first = (page_with_sign(page, say.decimal) for page in (study_page(study), checks_page(checks)))
    pages = (*first, *signed)
    return ReportContent(
        title=study.title,
        subtitle=_subtitle(study, say),
        answers=tuple(
            Answer(each.word, each.sentence[:1].upper() + each.sentence[1:])
            for page in (*signed[1:], signed[0])
            for each in page.answers
        ),
        sections=without_repeats(
            (*(page.section() for page in pages), method_section(study, propagation))
        ),
        files=tuple(table for page in pages for table in page.files),
        cautions=CAUTIONS,
        references=REFERENCES,
        provenance=provenance_text(record),
        say=say,
    )


def uncompared_page(by: str, reason: str) -> Page:
    """What stands in place of a comparison that the study does not allow."""
    words, why = column_words(by), as_sentence(reason)
    return Page(
        heading=f"Did {words} change the size?",
        answers=(
            Answer("cannot be told", f"Whether {words} changed the size cannot be told. {why}"),
        ),
        blocks=(Note(f"Not computed: {why}"),),
    )


def study_page(study: Study) -> Page:
    """What was done: groups, times, runs, balances."""
    groups = len({run.group for run in study.runs})
    blocks: list[Block] = [
        Paragraph(
            f"{len(study.runs)} runs in {groups} group{'s' if groups > 1 else ''}"
            + (f"; material: {study.material}." if study.material else ".")
        ),
        _groups_table(study),
        _balance_table(study),
    ]
    return Page(
        heading="The study",
        blocks=tuple(blocks),
        notes=study.notes,
        notes_heading="What had to be assumed",
    )


def _groups_table(study: Study) -> Table:
    runs = study.runs_frame()
    counts = (
        runs.groupby("group", sort=False)
        .agg(
            runs=("run", "size"),
            times=(
                TIME,
                lambda times: ", ".join(f"{t:g}" for t in sorted(set(times))),
            ),
            balance=("balance", lambda names: ", ".join(dict.fromkeys(names))),
        )
        .reset_index()
    )
    stacks = {
        run.group: ", ".join(f"{r.aperture_um:g}" for r in run.readings if r.aperture_um > 0)
        for run in reversed(study.runs)
    }
    counts["apertures_um"] = counts["group"].map(stacks)
    return Table(
        name="groups",
        frame=counts,
        caption="Runs, milling times, sieves and balance of each group.",
        columns=(
            Column(name="group", heading="group"),
            Column(name="runs", heading="runs", show=Show.COUNT),
            Column(name="times", heading="milling times", unit="min", show=Show.WORDS),
            Column(name="apertures_um", heading="apertures", unit="µm", show=Show.WORDS),
            Column(name="balance", heading="balance"),
        ),
    )


def _balance_table(study: Study) -> Table:
    import pandas as pd

    rows = [
        {
            "balance": balance.name,
            "resolution_g": balance.resolution_g,
            "repeatability_g": balance.repeatability_g,
        }
        for balance in study.balances.values()
    ]
    frame = pd.DataFrame(rows)
    return Table(
        name="balances",
        frame=frame,
        caption="Balances as declared.",
        columns=(
            Column(name="balance", heading="balance"),
            *(
                number_column(frame[f"{name}_g"], name=f"{name}_g", heading=name, unit="g")
                for name in ("resolution", "repeatability")
            ),
        ),
    )


def _subtitle(study: Study, say: Numerals) -> str:
    times = sorted({run.milling_time_min for run in study.runs})
    span = f"{say(times[0])} to {say(times[-1])} min" if len(times) > 1 else f"{say(times[0])} min"
    return f"Milling trial, {span}; sizes by sieving, with joint uncertainty"
