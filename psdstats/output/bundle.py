"""A result as one folder: report.html, tables/, figures/ and provenance.json.

The folder appears whole or not at all.  The same content gives the same bytes in every file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path

from psdstats.files import write_folder_atomically
from psdstats.output.content import Drawing, ReportContent, told_apart
from psdstats.output.figures.save import PROLOGUE, png_bytes
from psdstats.output.formats import to_csv, to_latex, to_markdown, to_xlsx
from psdstats.output.html import report_html
from psdstats.output.table import Place, Table
from psdstats.processes import shared_out
from psdstats.provenance import write as write_record
from psdstats.words.numbers import PLAIN, Numerals

WORKBOOK = "all-tables.xlsx"
MOST_SET = 1_000  # rows of a table that is also set for documents, some 20 pages

Progress = Callable[[int, int], None]
"""Called with what is done and what there is in all."""


def write_report_folder(
    target: str | Path,
    content: ReportContent,
    *,
    provenance: Mapping[str, object],
    replace: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Write a report with everything it shows into one folder, its tables beside the figures."""
    content = content.told_apart()
    every = told_apart((*content.tables, *content.files))

    def write(folder: Path) -> None:
        steps = len(content.drawings) + 3
        if every:
            (folder / "tables").mkdir()
        if content.drawings:
            (folder / "figures").mkdir()
        work: list[Callable[[], tuple[str, str] | None]] = [
            partial(_draw, folder / "figures", drawing) for drawing in content.drawings
        ]
        work.insert(1, partial(_tables, folder / "tables", every, content.say))
        made = shared_out(work, told=lambda done: _tell(progress, done, steps))
        drawn = [one for one in made if one is not None]
        for drawing, texts in zip(content.drawings, drawn, strict=True):
            drawing.keep(*texts)
        _write(folder / "report.html", report_html(content))
        write_record(folder, provenance)
        _tell(progress, steps, steps)

    return write_folder_atomically(target, write, replace=replace) / "report.html"


def _draw(folder: Path, drawing: Drawing) -> tuple[str, str]:
    """Write a drawing; its text for the page, wide and narrow."""
    write_drawings(folder, [drawing])
    return drawing.svg, drawing.narrow_svg


def _tables(folder: Path, tables: list[Table], say: Numerals) -> None:
    if tables:
        write_tables(folder, tables, say)


def write_tables(folder: Path, tables: Iterable[Table], say: Numerals = PLAIN) -> list[Path]:
    """Write tables as CSV, Markdown and LaTeX each, and as one workbook together.

    A table for machines is written as CSV alone, one that no document holds not for documents.
    """
    tables = told_apart(tables)
    written = []
    for table in tables:
        forms = (("csv", to_csv), ("md", to_markdown), ("tex", to_latex))
        is_set = table.place is not Place.CSV and len(table.frame) <= MOST_SET
        for ending, writer in forms if is_set else forms[:1]:
            path = folder / f"{table.key}.{ending}"
            _write(path, writer(table, say))
            written.append(path)
    book = folder / WORKBOOK
    book.write_bytes(to_xlsx([table for table in tables if table.place is not Place.CSV]))
    return [*written, book]


def write_drawings(folder: Path, drawings: Iterable[Drawing]) -> list[Path]:
    """Write drawings as SVG and PNG."""
    written = []
    for drawing in told_apart(drawings):
        svg, png = folder / f"{drawing.key}.svg", folder / f"{drawing.key}.png"
        _write(svg, PROLOGUE + drawing.svg)
        drawing.figure.set_layout_engine("none")  # both files take the layout found for the SVG
        png.write_bytes(png_bytes(drawing.figure))
        written += [svg, png]
    return written


def _tell(progress: Progress | None, done: int, total: int) -> None:
    if progress is not None:
        progress(done, total)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
