"""The bench checks as a section."""

from __future__ import annotations

from psdstats.output.content import Block, Note, NoteKind, Paragraph, Section
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.study import CheckReport

__all__ = ["checks_section", "checks_table"]


def checks_table(report: CheckReport) -> Table:
    """One row a finding, worst first."""
    frame = report.to_frame()
    return Table(
        name="checks",
        frame=frame,
        caption="What the bench checks found.",
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="check", heading="check"),
            Column(name="run", heading="run"),
            Column(name="sieve", heading="sieve"),
            Column(name="file", heading="file"),
            Column(name="row", heading="row", show=Show.COUNT),
            Column(name="says", heading="found"),
            Column(name="remedy", heading="what to do"),
            Column(name="source", heading="source of the limit"),
        ),
    )


def checks_section(report: CheckReport) -> Section:
    """Findings as a table, or the sentence that there are none."""
    blocks: list[Block] = []
    count = len(report.findings)
    if count == 0:
        blocks.append(Paragraph("Every check passed."))
    else:
        blocks.append(
            Note(
                f"The checks found {count} thing{'s' if count > 1 else ''} to look at; they stand "
                "with every number below.",
                kind=NoteKind.WARNING if report.exit_code else NoteKind.NOTE,
            )
        )
        blocks.append(checks_table(report))
    if report.switched_off:
        names = ", ".join(report.switched_off)
        blocks.append(Note(f"Checks switched off in this study: {names}."))
    return Section(heading="Checks of the readings", blocks=tuple(blocks))
