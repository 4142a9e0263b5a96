"""The recording sheet as an XLSX workbook: inputs checked as typed, net mass and loss computed.

Cells to fill in are shaded and unlocked, all others are protected without a password.  Printed, it
fits A4.  The filled workbook is a study as it stands; columns with formulas are not read.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.study.save_workbook import put_number, put_text, setting_rows
from psdstats.study.sheet_plan import SheetPlan
from psdstats.study.sheet_tables import (
    first_rows,
    plan_runs,
    plan_settings,
    plan_sieves,
    plan_weighings,
)
from psdstats.study.sheet_texts import guide_lines
from psdstats.study.sheet_validation import add_validations, column_letters
from psdstats.study.tables_out import MASS_COLUMNS, OutTable, step_decimals

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["write_recording_workbook"]

_INPUT_FILL = "FFF2CC"
_HEAD_FILL = "D9E1F2"
_WIDTHS = {"run": 18, "sieve": 18, "remark": 26, "group": 12}
_MASS_FORMULAS = ("net_g", "recovered_g", "loss_g")


def write_recording_workbook(plan: SheetPlan, place: Path) -> None:
    """Write the workbook of a plan."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    _guide_sheet(book, plan)
    settings: OutTable = (["key", "value"], list(setting_rows(plan_settings(plan))))
    study = _sheet(book, "study", settings, plan, inputs=("value",))
    study.column_dimensions["A"].width = 34
    study.column_dimensions["B"].width = 50
    runs = _sheet(
        book,
        "runs",
        plan_runs(plan),
        plan,
        inputs=("sample_mass_g", "shaking_time_min", "balance", *plan.factors),
        formulas=("recovered_g", "loss_g", "loss_percent"),
    )
    weighings = _sheet(
        book,
        "weighings",
        plan_weighings(plan),
        plan,
        inputs=(*MASS_COLUMNS, "remark"),
        formulas=("net_g",),
    )
    certificates = ("certified_um", "expanded_uncertainty_um", "coverage_factor", "standard")
    _sheet(book, "sieves", plan_sieves(plan), plan, inputs=certificates)
    _weighing_formulas(weighings, plan)
    _loss_formulas(runs, weighings, plan)
    add_validations(runs, weighings, plan)
    book.active = book.sheetnames.index("weighings")
    content = io.BytesIO()  # a broken-off save complains later if its file was closed before it
    book.save(content)
    place.write_bytes(content.getvalue())


def _guide_sheet(book: Workbook, plan: SheetPlan) -> None:
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("guide")
    sheet.column_dimensions["A"].width = 95
    for row, line in enumerate(guide_lines(plan), start=1):
        put_text(sheet, row, 1, line)
        sheet.cell(row, 1).alignment = Alignment(wrap_text=True, vertical="top")
    sheet.cell(1, 1).font = Font(bold=True, size=14)
    _print_setup(sheet, plan)
    sheet.protection.sheet = True


def _sheet(
    book: Workbook,
    name: str,
    table: OutTable,
    plan: SheetPlan,
    *,
    inputs: tuple[str, ...],
    formulas: tuple[str, ...] = (),
) -> Worksheet:
    """Write one table; cells of the columns in `inputs` may be filled in."""
    sheet = book.create_sheet(name)
    names = [*table[0], *formulas]
    _head(sheet, names)
    formats = dict.fromkeys((*MASS_COLUMNS, *_MASS_FORMULAS, "sample_mass_g"), _mass_format(plan))
    formats["loss_percent"] = "0.00"
    for number, row in enumerate(table[1], start=2):
        for column, title in enumerate(names, start=1):
            value = row[column - 1] if column <= len(row) else None
            if isinstance(value, str):
                put_text(sheet, number, column, value)
            elif value is not None:
                put_number(sheet, number, column, value)
            _style(sheet.cell(number, column), is_input=title in inputs)
            if title in formats:
                sheet.cell(number, column).number_format = formats[title]
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    _print_setup(sheet, plan)
    return sheet


def _head(sheet: Worksheet, names: list[str]) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    for column, title in enumerate(names, start=1):
        put_text(sheet, 1, column, title)
        head = sheet.cell(1, column)
        head.font = Font(bold=True)
        head.fill = PatternFill("solid", fgColor=_HEAD_FILL)
        head.alignment = Alignment(wrap_text=True, vertical="top")
        width = _WIDTHS.get(title, max(10, len(title) // 2 + 4))
        sheet.column_dimensions[get_column_letter(column)].width = width
    sheet.freeze_panes = "A2"


def _style(cell: Cell, *, is_input: bool) -> None:
    from openpyxl.styles import Border, PatternFill, Protection, Side

    cell.border = Border(*[Side(style="thin", color="999999")] * 4)
    if is_input:
        cell.protection = Protection(locked=False)
        cell.fill = PatternFill("solid", fgColor=_INPUT_FILL)


def _mass_format(plan: SheetPlan) -> str:
    decimals = 2 if plan.balance is None else step_decimals(plan.balance.resolution_g)
    return "0." + "0" * decimals if decimals else "0"


def _print_setup(sheet: Worksheet, plan: SheetPlan) -> None:
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.orientation = "landscape" if sheet.title == "runs" else "portrait"
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    if sheet.title != "guide":
        sheet.print_title_rows = "1:1"
    sheet.oddHeader.left.text = plan.title[:100].replace("&", "&&")
    sheet.oddHeader.right.text = sheet.title
    sheet.oddFooter.left.text = "date and initials:"
    sheet.oddFooter.right.text = "page &P of &N"


def _weighing_formulas(sheet: Worksheet, plan: SheetPlan) -> None:
    from openpyxl.styles import PatternFill, Protection

    letters = column_letters(sheet)
    tare, gross, net = letters["tare_g"], letters["gross_g"], letters["net_g"]
    first = first_rows(plan)
    for row in range(2, sheet.max_row + 1):
        sheet[f"{net}{row}"] = (
            f'=IF(OR({tare}{row}="",{gross}{row}=""),"",ROUND({gross}{row}-{tare}{row},7))'
        )
        start = first.get(str(sheet[f"{letters['sieve']}{row}"].value), row - 2) + 2
        if start < row:  # the tare weighed once is repeated
            sheet[f"{tare}{row}"] = f'=IF({tare}${start}="","",{tare}${start})'
            sheet[f"{tare}{row}"].protection = Protection(locked=True)
            sheet[f"{tare}{row}"].fill = PatternFill()


def _loss_formulas(runs: Worksheet, weighings: Worksheet, plan: SheetPlan) -> None:
    letters = column_letters(runs)
    sample, recovered = letters["sample_mass_g"], letters["recovered_g"]
    loss, percent = letters["loss_g"], letters["loss_percent"]
    net = column_letters(weighings)["net_g"]
    start = 2
    for row, run in enumerate(plan.runs(), start=2):
        count = len(plan.stack(run.group)) + 1
        nets = f"weighings!${net}${start}:${net}${start + count - 1}"
        start += count
        runs[f"{recovered}{row}"] = f'=IF(COUNT({nets})={count},ROUND(SUM({nets}),7),"")'
        runs[f"{loss}{row}"] = (
            f'=IF(OR({sample}{row}="",{recovered}{row}=""),"",'
            f"ROUND({sample}{row}-{recovered}{row},7))"
        )
        runs[f"{percent}{row}"] = f'=IF({loss}{row}="","",100*{loss}{row}/{sample}{row})'
