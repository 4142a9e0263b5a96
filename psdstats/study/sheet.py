"""Labels for the samples of a trial, as one HTML page that prints on A4 (3 by 8 labels).

The page stands alone: no script, no outside request.  All text is escaped.

The words on a recording sheet: how to fill it in, and the usual cautions.

The cautions are general; local rules and licensed practice come first.

What a recording sheet accepts as it is typed, and what it shows in red.

Masses in g.  A loaded sieve lighter than the empty one is questioned, not refused: an empty sieve
may read so by noise.

The recording sheet as an XLSX workbook: inputs checked as typed, net mass and loss computed.

Cells to fill in are shaded and unlocked, all others are protected without a password.  Printed, it
fits A4.  The filled workbook is a study as it stands; columns with formulas are not read.

Recording sheets and sample labels, written before the first powder is milled.

The sheet, filled in, is a study as it stands: `read_study` reads the workbook, the folder or the
flat file without further work.
"""

from __future__ import annotations

import io
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.errors import OutputError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.sieves.standards import practice_rule
from psdstats.study.cells import MAX_MASS_G, number_text
from psdstats.study.records import TareHandling
from psdstats.study.save import (
    MASS_COLUMNS,
    OutTable,
    StudyForm,
    csv_text,
    put_number,
    put_text,
    setting_rows,
    step_decimals,
    toml_lines,
)
from psdstats.study.sheet_plan import (
    PlannedRun,
    SheetPlan,
    first_rows,
    plan_runs,
    plan_settings,
    plan_sieves,
    plan_weighings,
)

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet


_STYLE = """
@page { size: A4 portrait; margin: 10mm 5mm; }
body { margin: 0; font: 10pt/1.25 sans-serif; color: #000; background: #fff; }
h1 { font-size: 12pt; margin: 2mm; }
ul { display: grid; grid-template-columns: repeat(3, 1fr); gap: 1mm; margin: 0; padding: 0;
  list-style: none; }
li { box-sizing: border-box; height: 33mm; padding: 2mm 3mm; border: 0.2mm solid #666;
  overflow: hidden; break-inside: avoid; overflow-wrap: anywhere; }
strong { display: block; font-size: 13pt; }
@media print { h1 { display: none; } }
"""


def labels_html(plan: SheetPlan) -> str:
    """Page with one label a run."""
    labels = "\n".join(_label(plan, run) for run in plan.runs())
    title = escape(plan.title)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f"<title>Labels: {title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>Labels: {title}</h1>\n<ul>\n{labels}\n</ul>\n</body>\n</html>\n"
    )


def _label(plan: SheetPlan, run: PlannedRun) -> str:
    facts = [f"{run.group}, {number_text(run.milling_time_min)} min"]
    facts += [
        f"{name} {level if isinstance(level, str) else number_text(level)}"
        for name, level in run.factors.items()
    ]
    facts += [f"replicate {run.replicate}"] if run.replicate else []
    facts += [plan.material] if plan.material else []
    lines = "<br>".join(escape(fact) for fact in facts)
    return (
        f"<li><strong>{escape(run.name)}</strong>{lines}<br>date ____________ initials ______</li>"
    )


CAUTIONS = (
    "Many fine powders, sugars and starches among them, burn or explode as dust: keep layers and "
    "clouds small, earth metal parts, and keep flames, sparks and hot surfaces away.",
    "Do not breathe the dust: work under extraction or wear a mask that fits, and know the safety "
    "data sheet of the material.",
    "Mills and shakers are loud: wear hearing protection.",
    "Keep hands, hair and sleeves away from turning rollers; stop and switch off before reaching "
    "in.",
    "Local rules, the makers' instructions and licensed practice come first.",
)
"""The usual cautions for milling and sieving."""


def guide_lines(plan: SheetPlan) -> list[str]:
    """Lines of the sheet `guide`."""
    tares = (
        "Weigh every sieve empty before each run (tare_g)."
        if plan.tares is TareHandling.EACH_RUN
        else "Weigh every sieve empty once, on its first row (tare_g); the other rows repeat it."
    )
    loss = practice_rule("loss_percent")
    sample = f" (about {plan.sample_mass_g:g} g)" if plan.sample_mass_g is not None else ""
    lines = [
        plan.title,
        "Fill in the shaded cells of the sheets runs and weighings, masses in g. Empty rows may "
        "wait: runs not weighed yet are left out of the evaluation.",
        f"Sheet runs: weigh the sample{sample} and write what the balance shows (sample_mass_g).",
        f"Sheet weighings: {tares}",
        "After shaking, weigh every sieve and the pan with its powder (gross_g) before emptying "
        "any of them.",
        "net_g, recovered_g, loss_g and loss_percent are computed. A net mass below zero or a loss "
        f"above {loss.value:g} % ({loss.source}) is shown in bold red: look again before the "
        "powder is gone.",
        "Sheet sieves: write the average aperture and its expanded uncertainty from the "
        "certificate, if there is one. Sheet study: add settings as rows of key and value.",
    ]
    if plan.second_shaking:
        lines.append(
            "Shake once more and weigh the loads again (gross_again_g): the end point is reached "
            "when they do not change any more."
        )
    return [*lines, "", "Cautions", *CAUTIONS]


def column_letters(sheet: Worksheet) -> dict[str, str]:
    """Letters of the columns of a sheet by their names."""
    return {str(cell.value): cell.column_letter for cell in sheet[1]}


def add_validations(runs: Worksheet, weighings: Worksheet, plan: SheetPlan) -> None:
    """Add the checks of what is typed and the marks on what is computed."""
    _check_masses(weighings, plan)
    _check_samples(runs, plan)
    _mark_in_red(runs, weighings)


def _check_masses(sheet: Worksheet, plan: SheetPlan) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    capacity = plan.balance.capacity_g if plan.balance is not None else None
    largest = f"{MAX_MASS_G if capacity is None else capacity:.10g}"
    letters, last = column_letters(sheet), sheet.max_row
    tare, gross = letters["tare_g"], letters["gross_g"]
    mass = DataValidation(
        type="decimal",
        operator="between",
        formula1="0",
        formula2=largest,
        error=f"Write a mass in g from 0 to {largest}, the number alone.",
        errorTitle="Not a mass",
        prompt="Mass in g, the number alone.",
        showErrorMessage=True,
        showInputMessage=True,
    )
    load = DataValidation(
        type="custom",
        formula1=f"=AND(ISNUMBER({gross}2),{gross}2>={tare}2,{gross}2<={largest})",
        errorStyle="warning",
        error="The loaded sieve is lighter than the empty one, above the balance's capacity, or "
        "this is no number. Weigh it again.",
        errorTitle="Look again",
        prompt="Mass with powder in g, the number alone.",
        showErrorMessage=True,
        showInputMessage=True,
    )
    mass.add(f"{tare}2:{tare}{last}")
    load.add(f"{gross}2:{gross}{last}")
    if "gross_again_g" in letters:
        mass.add(f"{letters['gross_again_g']}2:{letters['gross_again_g']}{last}")
    sheet.add_data_validation(mass)
    sheet.add_data_validation(load)


def _check_samples(sheet: Worksheet, plan: SheetPlan) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    about = f" (about {plan.sample_mass_g:g})" if plan.sample_mass_g else ""
    sample = DataValidation(
        type="decimal",
        operator="greaterThan",
        formula1="0",
        error="Write the mass put on the stack in g, the number alone.",
        errorTitle="Not a mass",
        prompt=f"Mass put on the stack in g{about}.",
        showErrorMessage=True,
        showInputMessage=True,
    )
    column = column_letters(sheet)["sample_mass_g"]
    sample.add(f"{column}2:{column}{sheet.max_row}")
    sheet.add_data_validation(sample)


def _mark_in_red(runs: Worksheet, weighings: Worksheet) -> None:
    from openpyxl.formatting.rule import CellIsRule
    from openpyxl.styles import Font

    bold = Font(bold=True, color="C00000")
    net = column_letters(weighings)["net_g"]
    weighings.conditional_formatting.add(
        f"{net}2:{net}{weighings.max_row}",
        CellIsRule(operator="lessThan", formula=["0"], font=bold),
    )
    percent = column_letters(runs)["loss_percent"]
    limit = f"{practice_rule('loss_percent').value:g}"
    runs.conditional_formatting.add(
        f"{percent}2:{percent}{runs.max_row}",
        CellIsRule(operator="notBetween", formula=[f"-{limit}", limit], font=bold),
    )


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
    """
    place = Path(target)
    if form == StudyForm.FOLDER:
        return write_folder_atomically(
            place,
            lambda folder: _write_folder(plan, folder),
            holds=Holds.READINGS,
            replace=replace,
        )
    if form != StudyForm.WORKBOOK:
        raise OutputError(f"A recording sheet has no form {str(form)!r}. Use workbook or folder.")
    if place.suffix.lower() != ".xlsx":
        raise OutputError(f"{place.name} should end in .xlsx. Rename it, or write a folder.")
    return write_file_atomically(
        place, lambda draft: write_recording_workbook(plan, draft), replace=replace
    )


def recording_labels(plan: SheetPlan, target: str | Path, *, replace: bool = False) -> Path:
    """Write the labels of a plan as an HTML page."""
    return write_file_atomically(target, labels_html(plan), replace=replace)


def _write_folder(plan: SheetPlan, folder: Path) -> None:
    texts = {
        "study.toml": "".join(f"{line}\n" for line in toml_lines(plan_settings(plan))),
        "runs.csv": csv_text(plan_runs(plan)),
        "weighings.csv": csv_text(plan_weighings(plan)),
        "sieves.csv": csv_text(plan_sieves(plan)),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
