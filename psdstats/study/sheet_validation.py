"""What a recording sheet accepts as it is typed, and what it shows in red.

Masses in g.  A loaded sieve lighter than the empty one is questioned, not refused: an empty sieve
may read so by noise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from psdstats.sieves.rules import practice_rule
from psdstats.study.limits import MAX_MASS_G
from psdstats.study.sheet_plan import SheetPlan

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["add_validations", "column_letters"]


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
