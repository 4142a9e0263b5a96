"""Recording sheets and sample labels, written before the first powder is milled.

The sheet, filled in, is a study as it stands: `read_study` reads the workbook or the folder
without further work.  In the workbook each run is a block on the sheet `bench`, in the proposed
order: inputs are checked as typed; net masses, totals, loss and a D50 by the chord are computed by
the spreadsheet's own formulas; cells to fill in are shaded and unlocked, all others are protected
without a password.  Printed on A4 no block is cut; labels stand 3 by 7.  Masses in g.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from psdstats import columns as col
from psdstats.errors import OutputError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.output.blocks import (
    D50,
    LOSS_PERCENT,
    NET,
    BenchBlock,
    dress,
    dress_head,
    font,
    print_setup,
    protect,
    validate,
)
from psdstats.study.cells import number_text, workbook_bytes
from psdstats.study.records import TareHandling
from psdstats.study.save import (
    OutCell,
    OutTable,
    StudyForm,
    csv_text,
    put_cell,
    toml_text,
    write_texts,
)
from psdstats.study.sheet_plan import (
    PlannedRun,
    SheetPlan,
    plan_runs,
    plan_settings,
    plan_sieves,
    plan_weighings,
)
from psdstats.study.sheets import (
    BALANCE_WORDS,
    BENCH,
    RUN_LIST,
    SETTING_WORDS,
    balance_setting,
)
from psdstats.words.study import SETTING_HINTS, guide_lines

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet


def recording_sheet(
    plan: SheetPlan,
    target: str | Path,
    *,
    form: StudyForm | str = StudyForm.WORKBOOK,
    replace: bool = False,
) -> Path:
    """Write the recording sheet of a plan.

    Parameters
    ----------
    plan : SheetPlan
        The trial.
    target : str or Path
        XLSX file (form "workbook") or folder of CSV files (form "folder").
    form : {"workbook", "folder"}, default="workbook"
        What to write.
    replace : bool, default=False
        Whether an existing target may be replaced.

    Returns
    -------
    Path
        The resolved target.

    Raises
    ------
    OutputError
        If the target exists, has the wrong ending or cannot be written, or the form is not known.

    Examples
    --------
    >>> from psdstats.study import SheetPlan
    >>> plan = SheetPlan(
    ...     title="Trial",
    ...     groups=("Alder",),
    ...     times_min=(0, 12),
    ...     apertures_um=(63, 125),
    ...     replicates=2,
    ... )
    >>> from tempfile import TemporaryDirectory
    >>> from psdstats.output import recording_sheet
    >>> with TemporaryDirectory() as folder:
    ...     path = recording_sheet(plan, f"{folder}/sheet.xlsx")
    >>> path.name
    'sheet.xlsx'
    """
    place = Path(target)
    if form == StudyForm.FOLDER:
        texts = {
            "study.toml": toml_text(plan_settings(plan)),
            "runs.csv": csv_text(plan_runs(plan)),
            "weighings.csv": csv_text(plan_weighings(plan)),
            "sieves.csv": csv_text(plan_sieves(plan)),
        }
        return write_folder_atomically(
            place,
            lambda folder: write_texts(folder, texts),
            holds=Holds.READINGS,
            replace=replace,
        )
    if form != StudyForm.WORKBOOK:
        raise OutputError(f"A recording sheet has no form {str(form)!r}. Use workbook or folder.")
    if place.suffix.lower() != ".xlsx":
        raise OutputError(f"{place.name} should end in .xlsx. Rename it, or write a folder.")
    return write_file_atomically(place, _workbook(plan), replace=replace)


def recording_labels(plan: SheetPlan, target: str | Path, *, replace: bool = False) -> Path:
    """Write the labels of a plan as an HTML page that stands alone: no script, no request."""
    page = Template((files("psdstats.output") / "labels.html").read_text(encoding="utf-8"))
    labels = "\n".join(_label(plan, run) for run in plan.runs())
    text = page.substitute(title=escape(plan.title), labels=labels)
    return write_file_atomically(target, text, replace=replace)


def _label(plan: SheetPlan, run: PlannedRun) -> str:
    """Label of one run, all text escaped, with lines to write on."""
    facts = [run.group, f"{number_text(run.milling_time_min)} min"]
    facts += [
        f"{name.replace('_', ' ')} {level if isinstance(level, str) else number_text(level)}"
        for name, level in run.factors.items()
    ]
    facts += [
        f"{name} {text}" for name, text in (("split", run.split), ("charge", run.charge)) if text
    ]
    facts += [plan.material] if plan.material else []
    return (
        f"<li><strong>{escape(run.name)}</strong><span>{escape(', '.join(facts))}</span>"
        "<b>sample</b><i>g</i><b>taken at</b><i></i><b>date</b><i></i><b>by</b><i></i></li>"
    )


def _workbook(plan: SheetPlan) -> bytes:
    """Bytes of the workbook of a plan."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    book._fonts[0] = font()  # of every cell that has no other, and what widths are measured in
    _guide_sheet(book, plan)
    listed = book.create_sheet(RUN_LIST)
    bench = BenchBlock(book.create_sheet(BENCH), plan)
    bench.write()
    _list_runs(listed, bench)
    sieves = _sheet(book, "sieves", plan_sieves(plan), plan, inputs=col.SIEVE_COLUMNS[2:])
    validate(sieves, [f"C2:E{sieves.max_row}"], "decimal", "0", kind="number")  # certified
    _settings_sheet(book, plan)
    book.active = book.sheetnames.index(BENCH)
    return workbook_bytes(book)


def _guide_sheet(book: Workbook, plan: SheetPlan) -> None:
    """How to fill in the sheet, and the cautions."""
    sheet = book.create_sheet("guide")
    sheet.column_dimensions["A"].width = 84
    for number, line in enumerate(guide_lines(plan), start=1):
        put_cell(sheet.cell(number, 1), line or None)
        _wrap(sheet, number, {1: 84}, points=20 if number == 1 else 15)
    sheet.cell(1, 1).font = font(bold=True, size=14)
    print_setup(sheet, plan)
    sheet.protection.sheet = True


def _wrap(sheet: Worksheet, row: int, widths: Mapping[int, float], *, points: float = 15) -> None:
    """Wrap the cells of a row, which is as high as the longest of them needs."""
    from openpyxl.styles import Alignment

    lines = 1
    for column, width in widths.items():
        cell = sheet.cell(row, column)
        cell.alignment = Alignment(wrap_text=True, vertical="top", horizontal="left")
        lines = max(lines, -(-len(str(cell.value or "")) // int(width)))
    sheet.row_dimensions[row].height = points * lines + 2


def _settings_sheet(book: Workbook, plan: SheetPlan) -> None:
    """Settings in words, each with a hint; those of the plan are filled in."""
    given = dict(_flat(plan_settings(plan)))
    rows: list[tuple[str, OutCell, str]] = [
        (words, given.get(key), SETTING_HINTS[key]) for key, words in SETTING_WORDS.items()
    ]
    if plan.balance is not None:
        name = plan.balance.name
        rows += [
            (balance_setting(name, key), given.get(f"balances.{name}.{key}"), SETTING_HINTS[key])
            for key in BALANCE_WORDS
        ]
    table = ["Setting", "Value", "Hint"], [list(row) for row in rows]
    sheet = _sheet(book, "study", table, plan, inputs=("Value",))
    widths = {1: 34.0, 2: 22.0, 3: 62.0}
    for column, width in widths.items():
        sheet.column_dimensions["ABC"[column - 1]].width = width
    for number, (words, *_) in enumerate(rows, start=2):
        _wrap(sheet, number, widths)
        if words == SETTING_WORDS["tares"]:
            validate(sheet, [f"B{number}"], "list", f'"{",".join(TareHandling)}"', kind="tares")
        elif ":" in words or "," in words:
            validate(sheet, [f"B{number}"], "decimal", "0", kind="number")


def _flat(settings: Mapping[str, object], *path: str) -> Iterator[tuple[str, OutCell]]:
    """Settings by their keys, parts joined by dots."""
    for key, value in settings.items():
        if isinstance(value, Mapping):
            yield from _flat(value, *path, key)
        elif isinstance(value, str | int | float):
            yield ".".join((*path, key)), value


def _sheet(
    book: Workbook, name: str, table: OutTable, plan: SheetPlan, *, inputs: Sequence[str]
) -> Worksheet:
    """Write one table; cells of the columns in `inputs` may be filled in."""
    sheet = book.create_sheet(name)
    names, rows = table
    for column, title in enumerate(names, start=1):
        put_cell(sheet.cell(1, column), col.heading(title))
    dress_head(sheet, 1, len(names))
    for number, row in enumerate(rows, start=2):
        for column, value in enumerate(row, start=1):
            cell = sheet.cell(number, column)
            put_cell(cell, value)
            dress(cell, is_input=names[column - 1] in inputs, side="left")
    for column in range(1, len(names) + 1):
        sheet.column_dimensions[sheet.cell(1, column).column_letter].width = 18
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    print_setup(sheet, plan)
    protect(sheet)
    return sheet


def _list_runs(sheet: Worksheet, bench: BenchBlock) -> None:
    """The runs in the proposed order, with what the blocks say of them."""
    from openpyxl.worksheet.hyperlink import Hyperlink

    plan = bench.plan
    names = [col.RUN_ORDER, col.RUN, col.GROUP, col.CHARGE, col.TIME, *plan.factors, col.STATUS]
    names += [col.WEIGHED_ON, col.WEIGHED_BY, col.SAMPLE_MASS, NET, LOSS_PERCENT, D50]
    widths = {col.RUN: 18, col.GROUP: 12, col.CHARGE: 16, col.WEIGHED_BY: 12, col.WEIGHED_ON: 11}
    for column, name in enumerate(names, start=1):
        cell = sheet.cell(1, column)
        put_cell(cell, name.replace("_", " ") if name in plan.factors else col.heading(name))
        sheet.column_dimensions[cell.column_letter].width = widths.get(name, 10)
    dress_head(sheet, 1, len(names))
    for row, block in enumerate(bench.blocks, start=2):
        for column, name in enumerate(names, start=1):
            cell, source = sheet.cell(row, column), f"{BENCH}!{block.cells[name]}"
            cell.value = f'=IF({source}="","",{source})'
            shown = bench.formats.get(name, "")
            dress(cell, is_input=False, number_format=shown, side="left")
        link = sheet.cell(row, 2)
        link.hyperlink = Hyperlink(ref=link.coordinate, location=f"{BENCH}!A{block.start}")
        link.font = font(underline="single")
    sheet.freeze_panes = "C2"
    sheet.print_title_rows = "1:1"
    print_setup(sheet, plan, way="landscape")
    protect(sheet)
