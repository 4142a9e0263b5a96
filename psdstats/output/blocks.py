"""The sheet `bench` of a recording workbook: a block a run, and how sheets are dressed and printed.

A block has what is known of the run, its sieves from top to bottom as they stand in the stack,
and formulas of the spreadsheet's own for net masses, running total, share, loss and a D50 by the
chord.  Cells to fill in are shaded and unlocked.  Masses in g, heights in points.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from psdstats import columns as col
from psdstats.sieves.standards import practice_rule
from psdstats.study.cells import STATUSES
from psdstats.study.records import TareHandling
from psdstats.study.save import OutCell, decimals_of, put_cell
from psdstats.study.sheet_plan import PlannedRun, SheetPlan, plan_runs
from psdstats.study.sheets import LOSS, TOTAL
from psdstats.study.tables import MAX_MASS_G
from psdstats.study.tares import lowest_net_g
from psdstats.words.study import cell_messages, mass_messages, sample_messages

if TYPE_CHECKING:
    from openpyxl.cell import Cell
    from openpyxl.styles import Font
    from openpyxl.worksheet.worksheet import Worksheet

_INPUT_FILL, _HEAD_FILL, _GREY = "FFF2CC", "D9E1F2", "666666"
NET, _RUNNING, _SHARE, _FINER = "net_g", "running_total_g", "share_percent", "finer_percent"
LOSS_PERCENT, D50 = "loss_percent", "bench_D50_um"
_WIDTHS = {
    col.SIEVE: 15.0,
    col.APERTURE: 8.5,
    col.TARE: 9.5,
    col.GROSS: 9.5,
    col.GROSS_AGAIN: 9.5,
    NET: 8.5,
    _RUNNING: 8.5,
    _SHARE: 6.5,
    _FINER: 7.0,
    "remark": 11.0,
}  # in characters
_LABEL, _VALUE, _HEAD, _READING, _GAP = 11.0, 17.0, 27.0, 16.5, 14.0  # heights of rows in points
_PAGE_PT, _PAGE_CHARACTERS = 745.0, 80.0  # what A4 holds, also where letters are wide
_SMALLEST_SCALE = 0.84  # at which one more block is put on a page
_TALLER = 1.4  # rows of readings are made at most, where a page has room
_ALIKE = 50  # blocks whose cells share one rule of validation


def protect(sheet: Worksheet) -> None:
    """Lock what is not to be filled in, without a password; columns may be made wider."""
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False


def dress_head(sheet: Worksheet, row: int, columns: int) -> None:
    """Bold, shaded headings."""
    from openpyxl.styles import Alignment, PatternFill

    sheet.row_dimensions[row].height = _HEAD
    for column in range(1, columns + 1):
        head = sheet.cell(row, column)
        head.font = font(bold=True, size=9)
        head.fill = PatternFill("solid", fgColor=_HEAD_FILL)
        head.alignment = Alignment(wrap_text=True, vertical="center")
        _frame(head)


def font(*, size: float = 10, **more: Any) -> Font:
    """Letters that every spreadsheet program has, or has its like of."""
    from openpyxl.styles import Font

    return Font(name="Arial", size=size, **more)


def _frame(cell: Cell) -> None:
    """A thin line around."""
    from openpyxl.styles import Border, Side

    cell.border = Border(*[Side(style="thin", color="999999")] * 4)


def dress(
    cell: Cell,
    *,
    is_input: bool = False,
    number_format: str = "",
    side: str | None = None,
    **letters: Any,
) -> None:
    """Border, letters, and where a cell may be filled in its shade; long text is smaller."""
    from openpyxl.styles import Alignment, PatternFill, Protection

    _frame(cell)
    cell.alignment = Alignment(horizontal=side, shrink_to_fit=True, vertical="center")
    if letters:
        cell.font = font(**letters)
    if number_format:
        cell.number_format = number_format
    if is_input:
        cell.protection = Protection(locked=False)
        cell.fill = PatternFill("solid", fgColor=_INPUT_FILL)


def print_setup(
    sheet: Worksheet, plan: SheetPlan, *, scale: float | None = None, way: str = "portrait"
) -> None:
    """A4 with title, sheet and page in the margins; as wide as the page, or at a scale."""
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.orientation = way
    sheet.print_options.horizontalCentered = True
    sheet.page_margins.left = sheet.page_margins.right = 0.3
    sheet.page_margins.top, sheet.page_margins.bottom = 0.65, 0.55
    sheet.page_margins.header = sheet.page_margins.footer = 0.25
    if scale is None:
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
    else:
        sheet.page_setup.scale = int(100 * scale)
    sheet.oddHeader.left.text = plan.title[:100].replace("&", "&&")
    sheet.oddHeader.right.text = sheet.title
    sheet.oddFooter.right.text = "page &P of &N"


def validate(
    sheet: Worksheet,
    cells: Sequence[str],
    rule: str,
    formula: str,
    *,
    kind: str = "",
    messages: Mapping[str, str] | None = None,
    most: str | None = None,
) -> None:
    """Refuse in some cells what a rule does not allow."""
    from openpyxl.worksheet.datavalidation import DataValidation

    operators = {
        "decimal": "greaterThanOrEqual" if most is None else "between",
        "date": "greaterThan",
    }
    check = DataValidation(
        type=rule,
        operator=operators.get(rule),
        formula1=formula,
        formula2=most,
        allow_blank=True,
        showErrorMessage=True,
        showInputMessage=True,
        **(cell_messages(kind) if messages is None else messages),
    )
    for each in cells:
        check.add(each)
    sheet.add_data_validation(check)


@dataclass(frozen=True)
class Block:
    """Where a block has what other cells refer to: cells of the run, first and last reading."""

    run: PlannedRun
    start: int
    cells: dict[str, str]
    first: int
    last: int

    @property
    def end(self) -> int:
        """Its last row, that of the loss."""
        return self.last + 2


@dataclass
class BenchBlock:
    """The sheet of blocks while it is written."""

    sheet: Worksheet
    plan: SheetPlan
    blocks: list[Block] = field(default_factory=list)
    tares: dict[str, str] = field(default_factory=dict)  # cell of a tare weighed once, by sieve
    looks: dict[tuple[object, ...], Any] = field(default_factory=dict)  # styles made already

    def __post_init__(self) -> None:
        again = [col.GROSS_AGAIN] if self.plan.second_shaking else []
        readings = [col.SIEVE, col.APERTURE, col.TARE, col.GROSS, *again]
        self.columns = [*readings, NET, _RUNNING, _SHARE, _FINER, "remark"]
        self.letters = dict(zip(self.columns, "ABCDEFGHIJ", strict=False))
        balance = self.plan.balance
        decimals = 2 if balance is None else decimals_of(balance)
        mass = "0." + "0" * decimals if decimals else "0"
        self.formats = dict.fromkeys(
            (col.TARE, col.GROSS, col.GROSS_AGAIN, NET, _RUNNING, col.SAMPLE_MASS, LOSS), mass
        )
        self.formats |= {_SHARE: "0.0", _FINER: "0.0", LOSS_PERCENT: "0.0", D50: "0.0"}
        self.formats[col.WEIGHED_ON] = "yyyy-mm-dd"

    def write(self) -> None:
        """Headings that stay in view, the blocks, what may be typed, and how it is printed."""
        for column, name in enumerate(self.columns, start=1):
            self.sheet.cell(1, column).value = col.heading(name)
            self.sheet.column_dimensions[self.letters[name]].width = _WIDTHS[name]
        dress_head(self.sheet, 1, len(self.columns))
        self.sheet.freeze_panes = "B2"
        start = 2
        names, rows = plan_runs(self.plan)
        for run, row in zip(self.plan.runs(), rows, strict=True):
            self.blocks.append(self._block(run, start, dict(zip(names, row, strict=True))))
            start = self.blocks[-1].end + 2
        self._check_what_is_typed()
        self._mark_in_red()
        self._break_pages()
        protect(self.sheet)

    def _block(self, run: PlannedRun, start: int, facts: Mapping[str, OutCell]) -> Block:
        """Write one block: what is known of the run, its sieves, its totals."""
        head, cells = self._facts(start, facts)
        for column, name in enumerate(self.columns, start=1):
            self.sheet.cell(head, column).value = col.heading(name)
        dress_head(self.sheet, head, len(self.columns))
        stack = [(sieve.key, sieve.nominal_um) for sieve in self.plan.stack(run.group)]
        stack.append((self.plan.pan(run.group), 0.0))
        block = Block(run, start, cells, head + 1, head + len(stack))
        for row, (sieve, aperture_um) in enumerate(stack, start=block.first):
            self._reading(block, row, sieve, aperture_um)
        self._totals(block)
        self.sheet.row_dimensions[block.end + 1].height = _GAP
        return block

    def _facts(self, row: int, facts: Mapping[str, OutCell]) -> tuple[int, dict[str, str]]:
        """Pairs of a name and the value below; the row after them, and the cells of the values."""
        titles = (col.RUN, col.GROUP, col.CHARGE, col.TIME)
        at_hand = (col.BALANCE, col.SHAKING_TIME, col.SAMPLE_MASS)
        typed = (*at_hand, col.STATUS, col.WEIGHED_ON, col.WEIGHED_BY, col.RUN_REMARK)
        inputs = (*typed, col.CHARGE, *self.plan.factors)
        inner = [name for name in facts if name not in (*titles, *typed)]
        names = [name for name in (*titles, *inner, *typed) if name in facts]
        count = len(self.columns)
        slots = [(1, 1), *((first, min(first + 1, count)) for first in range(2, count + 1, 2))]
        cells: dict[str, str] = {}
        for index, name in enumerate(names):
            line, place = divmod(index, len(slots))
            first, last = slots[place]
            if name == names[-1]:
                last = count  # the remark has the rest of the line
            label, value = (self.sheet.cell(row + 2 * line + down, first) for down in (0, 1))
            known = name not in self.plan.factors
            put_cell(label, col.heading(name) if known else name.replace("_", " "))
            label.font = font(size=8, color=_GREY)
            size, is_input = 12 if name == col.RUN else 10, name in inputs
            self._across(value, last, name, is_input=is_input, bold=name in titles, size=size)
            put_cell(value, facts[name])
            self.sheet.row_dimensions[label.row].height = _LABEL
            self.sheet.row_dimensions[value.row].height = _VALUE
            cells[name] = value.coordinate
        return row + 2 * -(-len(names) // len(slots)), cells

    def _dress(self, cell: Cell, name: str, **look: Any) -> None:
        """Dress a cell of a column like the first that looked so, which is much faster."""
        look["number_format"] = self.formats.get(name, "")
        key = tuple(sorted(look.items()))
        if key not in self.looks:
            dress(cell, **look)
            self.looks[key] = cell._style
        cell._style = copy(self.looks[key])

    def _across(self, cell: Cell, last: int, name: str, **look: Any) -> None:
        """Dress a cell that reaches to a column."""
        from openpyxl.worksheet.cell_range import CellRange

        for column in range(cell.column, last + 1):
            self._dress(self.sheet.cell(cell.row, column), name, side="left", **look)
        if last > cell.column:
            merged = CellRange(
                min_row=cell.row, max_row=cell.row, min_col=cell.column, max_col=last
            )
            self.sheet.merged_cells.ranges.add(merged)  # without comparing it with all others

    def _reading(self, block: Block, row: int, sieve: str, aperture_um: float) -> None:
        """One sieve: its name and aperture, cells for its masses, and what follows from them."""
        at = {name: f"{letter}{row}" for name, letter in self.letters.items()}
        total = f"{self.letters[NET]}{block.last + 1}"
        nets = f"{self.letters[NET]}{block.first}:{at[NET]}"
        values: dict[str, OutCell] = {col.SIEVE: sieve, col.APERTURE: aperture_um}
        formulas = {
            NET: f'=IF(OR({at[col.TARE]}="",{at[col.GROSS]}=""),"",'
            f"ROUND({at[col.GROSS]}-{at[col.TARE]},7))",
            _RUNNING: f'=IF(COUNT({nets})={row - block.first + 1},ROUND(SUM({nets}),7),"")',
            _SHARE: f'=IF(N({total})=0,"",100*{at[NET]}/{total})',
            _FINER: f'=IF(N({total})=0,"",100-100*{at[_RUNNING]}/{total})',
        }
        if self.plan.tares is TareHandling.ONCE:
            first = self.tares.setdefault(sieve, f"${self.letters[col.TARE]}${row}")
            if not first.endswith(f"${row}"):
                formulas[col.TARE] = f'=IF({first}="","",{first})'
        for name, address in at.items():
            cell = self.sheet[address]
            self._dress(cell, name, is_input=name not in values and name not in formulas)
            if name in formulas:
                cell.value = formulas[name]
            else:
                put_cell(cell, values.get(name))
        self.sheet.row_dimensions[row].height = _READING

    def _totals(self, block: Block) -> None:
        """Total, loss against the sample mass, and D50 by the chord."""
        row, net = block.last + 1, self.letters[NET]
        total, sample, loss = f"{net}{row}", block.cells[col.SAMPLE_MASS], f"B{row + 1}"
        nets, count = f"{net}{block.first}:{net}{block.last}", block.last - block.first + 1
        summed = f'=IF(COUNT({nets})={count},ROUND(SUM({nets}),7),"")'
        lost = f'=IF(OR(N({sample})=0,{total}=""),"",ROUND({sample}-{total},7))'
        share = self.letters[_SHARE]
        for address, name, formula in (
            (f"A{row}", "", TOTAL),
            (f"{net}{row}", NET, summed),
            (f"{share}{row}", _SHARE, f'=IF(N({total})=0,"",100)'),
            (f"A{row + 1}", "", LOSS),
            (f"B{row + 1}", LOSS, lost),
            (f"C{row + 1}", "", col.heading(LOSS_PERCENT)),
            (f"D{row + 1}", LOSS_PERCENT, f'=IF({loss}="","",100*{loss}/{sample})'),
            (f"{net}{row + 1}", "", col.heading(D50)),
            (f"{share}{row + 1}", D50, self._chord(block)),
        ):
            cell = self.sheet[address]
            cell.value = formula
            last = cell.column + (cell.row == row + 1 and address[0] in (net, share))
            self._across(cell, last, name, bold=bool(name), size=10 if name else 9)
            if name:
                block.cells[name] = cell.coordinate
        for number in (row, row + 1):
            self.sheet.row_dimensions[number].height = _READING

    def _chord(self, block: Block) -> str:
        """D50 linear in the logarithm of size between the two sieves around 50 %."""
        first, last = block.first, block.last - 1  # without the pan
        size, finer = (
            f"{self.letters[name]}{first}:{self.letters[name]}{last}"
            for name in (col.APERTURE, _FINER)
        )
        top, bottom = (f"{self.letters[col.APERTURE]}{row}" for row in (first, last))
        above = f'COUNTIF({finer},">=50")'
        x1, x2 = (f"LN(INDEX({size},{above}{step}))" for step in ("", "+1"))
        q1, q2 = (f"INDEX({finer},{above}{step})" for step in ("", "+1"))
        chord = f"EXP({x1}+(50-{q1})/({q2}-{q1})*({x2}-{x1}))"
        total = f"{self.letters[NET]}{block.last + 1}"
        return (
            f'=IF(N({total})<=0,"",IF({above}=0,"above "&{top},'
            f'IF({above}={last - first + 1},"below "&{bottom},{chord})))'
        )

    def _check_what_is_typed(self) -> None:
        """Refuse what is no mass, a load below its tare by more than noise, what is no date."""
        plan, balance = self.plan, self.plan.balance
        capacity = balance.capacity_g if balance is not None else None
        most = f"{MAX_MASS_G if capacity is None else capacity:.10g}"
        room = f"{-lowest_net_g(balance) if balance is not None else 0.0:.10g}"
        for start in range(0, len(self.blocks), _ALIKE):
            blocks = self.blocks[start : start + _ALIKE]

            def cells(name: str, blocks: Sequence[Block] = blocks) -> list[str]:
                if name in self.letters:
                    letter = self.letters[name]
                    return [f"{letter}{one.first}:{letter}{one.last}" for one in blocks]
                return [one.cells[name] for one in blocks if name in one.cells]

            tare, told = self.letters[col.TARE], mass_messages(most)
            validate(self.sheet, cells(col.TARE), "decimal", "0", messages=told, most=most)
            for name in (col.GROSS, col.GROSS_AGAIN):
                if name in self.letters:
                    load = f"{self.letters[name]}{blocks[0].first}"
                    rule = f"AND(ISNUMBER({load}),{load}<={most},"
                    rule += f"{load}>=N({tare}{blocks[0].first})-{room})"
                    validate(self.sheet, cells(name), "custom", rule, kind="load")
            sample = sample_messages(plan.sample_mass_g)
            validate(self.sheet, cells(col.SAMPLE_MASS), "decimal", "0.000001", messages=sample)
            validate(
                self.sheet, cells(col.STATUS), "list", f'"{",".join(STATUSES)}"', kind="status"
            )
            validate(self.sheet, cells(col.WEIGHED_ON), "date", "36526", kind="date")
            if plan.shaking_time_min is not None:
                validate(self.sheet, cells(col.SHAKING_TIME), "decimal", "0.000001", kind="number")

    def _mark_in_red(self) -> None:
        """Net masses below zero and losses beyond the limit, in bold red."""
        from openpyxl.formatting.rule import CellIsRule
        from openpyxl.styles import Font

        bold = Font(bold=True, color="C00000")
        limit = f"{practice_rule('loss_percent').value:g}"
        net = self.letters[NET]
        below = CellIsRule(operator="lessThan", formula=["0"], font=bold)
        self.sheet.conditional_formatting.add(f"{net}2:{net}{self.sheet.max_row}", below)
        for block in self.blocks:
            beyond = CellIsRule(operator="notBetween", formula=[f"-{limit}", limit], font=bold)
            cell = block.cells[LOSS_PERCENT]
            self.sheet.conditional_formatting.add(cell, beyond)

    def _break_pages(self) -> None:
        """As many whole blocks to a page as fit, every group on pages of its own."""
        from openpyxl.worksheet.pagebreak import Break

        tallest = max(self._points(block) for block in self.blocks)
        fits = (_PAGE_PT / (each * tallest) for each in (4, 3, 2))
        down = next((fit for fit in fits if fit >= _SMALLEST_SCALE), _PAGE_PT / tallest)
        across = _PAGE_CHARACTERS / sum(_WIDTHS[name] for name in self.columns)
        scale = min(down, across, 1.0)
        for block in self.blocks:  # room for writing
            for row in range(block.first, block.last + 1):
                self.sheet.row_dimensions[row].height = _READING * min(down / scale, _TALLER)
        print_setup(self.sheet, self.plan, scale=scale)
        self.sheet.print_area = f"A2:{self.letters['remark']}{self.blocks[-1].end}"
        used = self._points(self.blocks[0])
        for before, block in itertools.pairwise(self.blocks):
            other = before.run.group != block.run.group and not self.plan.one_stack
            if other or (used + self._points(block)) * scale > _PAGE_PT + _GAP:
                self.sheet.row_breaks.append(Break(id=block.start - 1))
                used = 0.0
            used += self._points(block)

    def _points(self, block: Block) -> float:
        """Height of a block with the gap below it."""
        rows = range(block.start, block.end + 2)
        return sum(float(self.sheet.row_dimensions[row].height) for row in rows)
