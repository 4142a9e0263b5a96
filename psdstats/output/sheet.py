"""Recording sheets and sample labels, written before the first powder is milled.

The sheet, filled in, is a study as it stands: `read_study` reads the workbook or the folder
without further work.  In the workbook inputs are checked as typed, net mass and loss are computed
and shown in red where they ask for a second look; cells to fill in are shaded and unlocked, all
others are protected without a password.  Printed, sheet and labels (3 by 8) fit A4.  Masses in g.
"""

from __future__ import annotations

from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from psdstats.columns import (
    BALANCE,
    CHARGE,
    GROSS,
    GROSS_AGAIN,
    SAMPLE_MASS,
    SHAKING_TIME,
    SIEVE,
    TARE,
)
from psdstats.errors import OutputError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.sieves.standards import practice_rule
from psdstats.study.cells import MAX_MASS_G, number_text
from psdstats.study.save import (
    MASS_COLUMNS,
    OutTable,
    StudyForm,
    csv_text,
    decimals_of,
    fill_sheet,
    setting_rows,
    toml_text,
    write_texts,
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
from psdstats.study.tables import SIEVE_COLUMNS
from psdstats.words.study import LOAD_MESSAGES, guide_lines, mass_messages, sample_messages
from psdstats.workbooks import workbook_bytes

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

_INPUT_FILL = "FFF2CC"
_HEAD_FILL = "D9E1F2"
_WIDTHS = {"run": 18, "sieve": 18, "remark": 26, "group": 12, CHARGE: 16}
_NET, _RECOVERED, _LOSS, _LOSS_PERCENT = "net_g", "recovered_g", "loss_g", "loss_percent"


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
    """Label of one run, all text escaped."""
    facts = [f"{run.group}, {number_text(run.milling_time_min)} min"]
    facts += [
        f"{name} {level if isinstance(level, str) else number_text(level)}"
        for name, level in run.factors.items()
    ]
    facts += [f"replicate {run.replicate}"] if run.replicate else []
    facts += [f"charge {run.charge}"]
    facts += [plan.material] if plan.material else []
    lines = "<br>".join(escape(fact) for fact in facts)
    return (
        f"<li><strong>{escape(run.name)}</strong>{lines}<br>date ____________ initials ______</li>"
    )


def _workbook(plan: SheetPlan) -> bytes:
    """Bytes of the workbook of a plan."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    _guide_sheet(book, plan)
    settings = list(setting_rows(plan_settings(plan)))
    study = _sheet(book, "study", (["key", "value"], settings), plan, inputs=("value",))
    study.column_dimensions["A"].width = 34
    study.column_dimensions["B"].width = 50
    runs = _sheet(
        book,
        "runs",
        plan_runs(plan),
        plan,
        inputs=(CHARGE, SAMPLE_MASS, SHAKING_TIME, BALANCE, *plan.factors),
        formulas=(_RECOVERED, _LOSS, _LOSS_PERCENT),
    )
    weighings = _sheet(
        book,
        "weighings",
        plan_weighings(plan),
        plan,
        inputs=(*MASS_COLUMNS, "remark"),
        formulas=(_NET,),
    )
    _sheet(book, "sieves", plan_sieves(plan), plan, inputs=SIEVE_COLUMNS[2:])
    _weighing_formulas(weighings, plan)
    _loss_formulas(runs, weighings, plan)
    _check_masses(weighings, plan)
    _check_samples(runs, plan)
    _mark_in_red(runs, weighings)
    book.active = book.sheetnames.index("weighings")
    return workbook_bytes(book)


def _guide_sheet(book: Workbook, plan: SheetPlan) -> None:
    """How to fill in the sheet, and the cautions."""
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("guide")
    sheet.column_dimensions["A"].width = 95
    first, *rest = guide_lines(plan)
    fill_sheet(sheet, ([first], [[line or None] for line in rest]), 0)
    for (cell,) in sheet["A1" : f"A{len(rest) + 1}"]:
        cell.alignment = Alignment(wrap_text=True, vertical="top")
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
    fill_sheet(sheet, (names, table[1]), 0)
    sheet.freeze_panes = "A2"
    _dress_head(sheet, names)
    decimals = 2 if plan.balance is None else decimals_of(plan.balance)
    mass = "0." + "0" * decimals if decimals else "0"
    formats = dict.fromkeys((*MASS_COLUMNS, _NET, _RECOVERED, _LOSS, SAMPLE_MASS), mass)
    formats[_LOSS_PERCENT] = "0.00"
    for number in range(2, len(table[1]) + 2):
        for column, title in enumerate(names, start=1):
            cell = sheet.cell(number, column)
            _dress(cell, is_input=title in inputs)
            if title in formats:
                cell.number_format = formats[title]
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    _print_setup(sheet, plan)
    return sheet


def _dress_head(sheet: Worksheet, names: list[str]) -> None:
    """Bold, shaded names of columns, wide enough for what stands below."""
    from openpyxl.styles import Alignment, Font, PatternFill

    for head, title in zip(sheet[1], names, strict=True):
        head.font = Font(bold=True)
        head.fill = PatternFill("solid", fgColor=_HEAD_FILL)
        head.alignment = Alignment(wrap_text=True, vertical="top")
        width = _WIDTHS.get(title, max(10, len(title) // 2 + 4))
        sheet.column_dimensions[head.column_letter].width = width


def _dress(cell: Cell, *, is_input: bool) -> None:
    """Border, and where a cell may be filled in its shade."""
    from openpyxl.styles import Border, PatternFill, Protection, Side

    cell.border = Border(*[Side(style="thin", color="999999")] * 4)
    if is_input:
        cell.protection = Protection(locked=False)
        cell.fill = PatternFill("solid", fgColor=_INPUT_FILL)


def _print_setup(sheet: Worksheet, plan: SheetPlan) -> None:
    """A4, as wide as the page, with title, sheet and page in the margins."""
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


def _letters(sheet: Worksheet) -> dict[str, str]:
    """Letters of the columns of a sheet by their names."""
    return {str(cell.value): cell.column_letter for cell in sheet[1]}


def _weighing_formulas(sheet: Worksheet, plan: SheetPlan) -> None:
    """Net masses; where tares are weighed once, the later rows repeat the first."""
    from openpyxl.styles import PatternFill, Protection

    letters = _letters(sheet)
    tare, gross, net = letters[TARE], letters[GROSS], letters[_NET]
    first = first_rows(plan)
    for row in range(2, sheet.max_row + 1):
        sheet[f"{net}{row}"] = (
            f'=IF(OR({tare}{row}="",{gross}{row}=""),"",ROUND({gross}{row}-{tare}{row},7))'
        )
        start = first.get(str(sheet[f"{letters[SIEVE]}{row}"].value), row - 2) + 2
        if start < row:
            sheet[f"{tare}{row}"] = f'=IF({tare}${start}="","",{tare}${start})'
            sheet[f"{tare}{row}"].protection = Protection(locked=True)
            sheet[f"{tare}{row}"].fill = PatternFill()


def _loss_formulas(runs: Worksheet, weighings: Worksheet, plan: SheetPlan) -> None:
    """What came back of each sample, once all its sieves are weighed."""
    letters = _letters(runs)
    sample, recovered = letters[SAMPLE_MASS], letters[_RECOVERED]
    loss, percent = letters[_LOSS], letters[_LOSS_PERCENT]
    net = _letters(weighings)[_NET]
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


def _check_masses(sheet: Worksheet, plan: SheetPlan) -> None:
    """Refuse what is no mass; question a load below its tare, which noise may cause."""
    from openpyxl.worksheet.datavalidation import DataValidation

    capacity = plan.balance.capacity_g if plan.balance is not None else None
    largest = f"{MAX_MASS_G if capacity is None else capacity:.10g}"
    letters, last = _letters(sheet), sheet.max_row
    tare, gross = letters[TARE], letters[GROSS]
    shown = {"showErrorMessage": True, "showInputMessage": True}
    mass = DataValidation(
        type="decimal",
        operator="between",
        formula1="0",
        formula2=largest,
        **mass_messages(largest),
        **shown,
    )
    fits = f"=AND(ISNUMBER({gross}2),{gross}2>={tare}2,{gross}2<={largest})"
    load = DataValidation(
        type="custom", formula1=fits, errorStyle="warning", **LOAD_MESSAGES, **shown
    )
    mass.add(f"{tare}2:{tare}{last}")
    load.add(f"{gross}2:{gross}{last}")
    if GROSS_AGAIN in letters:
        mass.add(f"{letters[GROSS_AGAIN]}2:{letters[GROSS_AGAIN]}{last}")
    sheet.add_data_validation(mass)
    sheet.add_data_validation(load)


def _check_samples(sheet: Worksheet, plan: SheetPlan) -> None:
    """Refuse what is no mass of a sample."""
    from openpyxl.worksheet.datavalidation import DataValidation

    sample = DataValidation(
        type="decimal",
        operator="greaterThan",
        formula1="0",
        **sample_messages(plan.sample_mass_g),
        showErrorMessage=True,
        showInputMessage=True,
    )
    column = _letters(sheet)[SAMPLE_MASS]
    sample.add(f"{column}2:{column}{sheet.max_row}")
    sheet.add_data_validation(sample)


def _mark_in_red(runs: Worksheet, weighings: Worksheet) -> None:
    """Net masses below zero and losses beyond the limit, in bold red."""
    from openpyxl.formatting.rule import CellIsRule
    from openpyxl.styles import Font

    bold = Font(bold=True, color="C00000")
    limit = f"{practice_rule('loss_percent').value:g}"
    for sheet, title, operator, formula in (
        (weighings, _NET, "lessThan", ["0"]),
        (runs, _LOSS_PERCENT, "notBetween", [f"-{limit}", limit]),
    ):
        column = _letters(sheet)[title]
        rule = CellIsRule(operator=operator, formula=formula, font=bold)
        sheet.conditional_formatting.add(f"{column}2:{column}{sheet.max_row}", rule)
