"""The tables of a study as rows of cells, ready for a CSV file or a sheet.

Units are in the column names.  Columns that no run uses are left out; computed values are never
among them.

A table as comma-separated text: UTF-8, decimal points, no cell a spreadsheet would compute.

Settings as TOML text that reads back the same.

Python reads TOML and does not write it; the few kinds of values that settings have are written
here: texts, numbers, switches, lists of them, and tables.

A study as one XLSX workbook: sheets study, runs, weighings and sieves.

Text is always stored as text, so that nothing in a study becomes a formula.

Writing a study so that reading it gives the same study, in any of the three forms.

The text is UTF-8 with points as decimal sign.  What was written is read again before it is put
in place: a study that would lose something is refused.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.columns import TIME
from psdstats.errors import OutputError, StudyError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.study.cells import decimals_written, guarded, number_text
from psdstats.study.reader import read_study
from psdstats.study.records import Balance, Run, Study
from psdstats.study.tables import COMPUTED_COLUMNS, FLAT_COLUMNS, RUN_COLUMNS

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet


MASS_COLUMNS = ("tare_g", "gross_g", "gross_again_g")
"""Columns written with the decimals of the balance."""

OutCell = str | float | None
OutTable = tuple[list[str], list[list[OutCell]]]
"""Column names, and rows of cells (None where empty)."""


def settings_of(study: Study, *, with_sieves: bool) -> dict[str, object]:
    """Everything of a study that is not in its tables, as settings."""
    settings: dict[str, object] = {
        "title": study.title,
        "material": study.material or None,
        "density_g_per_cm3": study.density_g_per_cm3,
        "shape_factor": study.shape_factor,
        "tares": str(study.tares),
        "rule": study.rule,
        "notes": list(study.notes) or None,
        "balances": {name: balance_settings(each) for name, each in study.balances.items()} or None,
        "uncertainty": study.uncertainty or None,
        "checks": study.checks or None,
        "compare": study.compare or None,
    }
    if with_sieves and study.sieves:
        names, rows = sieve_table(study)
        settings["sieves"] = {
            str(row[0]): {
                name: cell
                for name, cell in zip(names[1:], row[1:], strict=True)
                if cell is not None
            }
            for row in rows
        }
    return {key: value for key, value in settings.items() if value is not None}


def balance_settings(balance: Balance) -> dict[str, object]:
    """Describe a balance as `[balances.NAME]` of the settings does."""
    fields: dict[str, object] = {
        "resolution_g": balance.resolution_g,
        "repeatability_g": balance.repeatability_g,
        "capacity_g": balance.capacity_g,
        "slope_u": balance.slope_u,
        "linearity_g": balance.linearity_g,
    }
    return {name: value for name, value in fields.items() if value is not None}


def run_table(study: Study) -> OutTable:
    """One row a run."""
    names = _run_columns(study)
    return names, [_run_row(run, names) for run in study.runs]


def weighing_table(study: Study) -> OutTable:
    """One row a reading, in the order in which the readings were written down."""
    names = ["run", *_weighing_columns(study)]
    rows = [[run.name, *row] for run in study.runs for row in _weighing_rows(run, names[1:])]
    return names, rows


def flat_table(study: Study) -> OutTable:
    """One row a reading, with everything about its run repeated on it."""
    of_run, of_reading = _run_columns(study), _weighing_columns(study)
    rows = [
        [*_run_row(run, of_run), *row]
        for run in study.runs
        for row in _weighing_rows(run, of_reading)
    ]
    return [*of_run, *of_reading], rows


def sieve_table(study: Study) -> OutTable:
    """One row a physical sieve."""
    names = [
        "sieve",
        "nominal_um",
        "certified_um",
        "expanded_uncertainty_um",
        "coverage_factor",
        "standard",
    ]
    rows: list[list[OutCell]] = [
        [
            key,
            sieve.nominal_um,
            sieve.certified_um,
            sieve.expanded_uncertainty_um,
            sieve.coverage_factor,
            sieve.standard,
        ]
        for key, sieve in study.sieves.items()
    ]
    return names, rows


def step_decimals(resolution_g: float) -> int:
    """Decimals of a balance's display."""
    return decimals_written(Decimal(number_text(resolution_g)))


def mass_decimals(study: Study) -> int:
    """Decimals with which readings are written: those of the finest balance."""
    return max((step_decimals(each.resolution_g) for each in study.balances.values()), default=0)


def _run_columns(study: Study) -> list[str]:
    factors = list(dict.fromkeys(name for run in study.runs for name in run.factors))
    taken = (set(FLAT_COLUMNS) | set(COMPUTED_COLUMNS)) - {"shaking_time_min"}
    for name in factors:
        if name in taken or name != name.strip() or not name:
            raise OutputError(
                f"A factor cannot be named {name!r}: the tables use that name. Rename it."
            )
    columns = ["run", "group", TIME]
    columns += ["replicate"] if any(run.replicate is not None for run in study.runs) else []
    columns += ["sample_mass_g"] if any(run.sample_mass_g is not None for run in study.runs) else []
    return [*columns, "balance", *factors]


def _run_row(run: Run, names: list[str]) -> list[OutCell]:
    fields: dict[str, OutCell] = {
        "run": run.name,
        "group": run.group,
        TIME: run.milling_time_min,
        "replicate": run.replicate,
        "sample_mass_g": run.sample_mass_g,
        "balance": run.balance,
    }
    return [
        fields[name] if name in RUN_COLUMNS and name in fields else run.factors.get(name)
        for name in names
    ]


def _weighing_columns(study: Study) -> list[str]:
    readings = [reading for run in study.runs for reading in run.readings]
    columns = ["sieve", "aperture_um", "tare_g", "gross_g"]
    if any(reading.gross_again_g is not None for reading in readings):
        columns.append("gross_again_g")
    if any(reading.remark for reading in readings):
        columns.append("remark")
    return columns


def _weighing_rows(run: Run, names: list[str]) -> list[list[OutCell]]:
    as_written = sorted(run.readings, key=lambda reading: reading.place.row)
    return [[getattr(reading, name) for name in names] for reading in as_written]


def csv_text(table: OutTable, decimals: int = 0) -> str:
    """Text of a comma-separated table, masses with at least so many decimals."""
    names, rows = table
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    header = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    # reading finds the separator in the header, so another one in a name is hidden in quotes
    hidden = any(mark in "".join(names) for mark in ";\t")
    (header if hidden else writer).writerow(map(guarded, names))
    for row in rows:
        writer.writerow(
            _cell_text(cell, decimals if name in MASS_COLUMNS else 0)
            for name, cell in zip(names, row, strict=True)
        )
    return out.getvalue()


def _cell_text(cell: OutCell, decimals: int) -> str:
    if cell is None:
        return ""
    return guarded(cell) if isinstance(cell, str) else number_text(cell, decimals=decimals)


_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def toml_key(*parts: str) -> str:
    """Write a key of TOML, its parts joined by dots and quoted where needed.

    Examples
    --------
    >>> toml_key("balances", "fine 0.1 mg", "resolution_g")
    'balances."fine 0.1 mg".resolution_g'
    """
    return ".".join(part if _BARE_KEY.fullmatch(part) else _quoted(part) for part in parts)


def toml_value(value: object) -> str:
    """Write a value of TOML on one line.

    Examples
    --------
    >>> toml_value(["a", ("b", "c")]), toml_value(0.01), toml_value(True)
    ('["a", ["b", "c"]]', '0.01', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return number_text(float(value))
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(part) for part in value) + "]"
    raise OutputError(f"A setting of the type {type(value).__name__} cannot be written as TOML.")


def toml_lines(settings: Mapping[str, object]) -> list[str]:
    """Lines of TOML: plain keys first, then the tables."""
    return _table_lines(settings, ())


def _table_lines(table: Mapping[str, object], path: tuple[str, ...]) -> list[str]:
    plain = [
        f"{toml_key(key)} = {toml_value(value)}"
        for key, value in table.items()
        if not isinstance(value, Mapping)
    ]
    lines = [f"[{toml_key(*path)}]"] if path and (plain or not table) else []
    lines += plain
    for key, value in table.items():
        if isinstance(value, Mapping):
            lines += _table_lines(value, (*path, key))
    return lines


def _quoted(text: str) -> str:
    # JSON's escapes are all TOML's too; TOML also wants the delete character escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f]|[\ud800-\udfff\ufffe\uffff]")


def write_workbook(study: Study, place: Path) -> None:
    """Write the workbook."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    settings: OutTable = (
        ["key", "value"],
        list(setting_rows(settings_of(study, with_sieves=False))),
    )
    for name, table in (
        ("study", settings),
        ("runs", run_table(study)),
        ("weighings", weighing_table(study)),
        ("sieves", sieve_table(study)),
    ):
        _fill(book.create_sheet(name), table, mass_decimals(study))
    content = io.BytesIO()  # a broken-off save complains later if its file was closed before it
    book.save(content)
    place.write_bytes(content.getvalue())


def setting_rows(settings: Mapping[str, object]) -> Iterator[list[OutCell]]:
    """Settings as rows of key and value, the keys joined by dots as in TOML."""
    yield from _setting_rows(settings, ())


def _setting_rows(table: Mapping[str, object], path: tuple[str, ...]) -> Iterator[list[OutCell]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _setting_rows(value, (*path, key))
        elif isinstance(value, bool):
            yield [toml_key(*path, key), toml_value(value)]
        elif isinstance(value, int | float | str):
            yield [toml_key(*path, key), value]
        else:
            yield [toml_key(*path, key), toml_value(value)]


def _fill(sheet: Worksheet, table: OutTable, decimals: int) -> None:
    names, rows = table
    for column, name in enumerate(names, start=1):
        put_text(sheet, 1, column, name)
    for number, row in enumerate(rows, start=2):
        for column, cell in enumerate(row, start=1):
            if isinstance(cell, str):
                put_text(sheet, number, column, cell)
            elif cell is not None:
                put_number(sheet, number, column, cell)
                if decimals and names[column - 1] in MASS_COLUMNS:
                    sheet.cell(number, column).number_format = f"0.{'0' * decimals}"
    sheet.freeze_panes = "A2"


def put_number(sheet: Worksheet, row: int, column: int, number: float) -> None:
    """Store a number; one with more than 16 digits as text, which reads back exactly."""
    if float(f"{number:.16g}") == number:
        sheet.cell(row, column, number)
    else:
        put_text(sheet, row, column, repr(float(number)))


def put_text(sheet: Worksheet, row: int, column: int, text: str) -> None:
    """Store a text as text, even where it begins like a formula."""
    if _UNPRINTABLE.search(text):
        raise OutputError(
            f"A workbook cannot hold the text {text[:40]!r}. Take the control character out of it."
        )
    cell = sheet.cell(row, column)
    cell.value = text
    cell.data_type = "s"
    if text.startswith(("=", "+", "-", "@")):
        cell.quotePrefix = True  # stays text when a person edits it


class StudyForm(StrEnum):
    """The forms a study may be kept in."""

    FOLDER = "folder"
    FLAT = "flat"
    WORKBOOK = "workbook"


def form_of(target: str | Path) -> StudyForm:
    """Form that a target's name asks for: .csv flat, .xlsx workbook, anything else a folder.

    Examples
    --------
    >>> str(form_of("trial.xlsx")), str(form_of("trial"))
    ('workbook', 'folder')
    """
    suffix = Path(target).suffix.lower()
    return next((form for form, ending in _ENDINGS.items() if ending == suffix), StudyForm.FOLDER)


_ENDINGS = {StudyForm.FLAT: ".csv", StudyForm.WORKBOOK: ".xlsx"}


def save_study(
    study: Study,
    target: str | Path,
    *,
    form: StudyForm | str = StudyForm.FOLDER,
    replace: bool = False,
) -> Path:
    """Write a study.

    Parameters
    ----------
    study : Study
        The study.
    target : str or Path
        Folder, CSV file or XLSX file to write.
    form : {"folder", "flat", "workbook"}, default="folder"
        Form to write.
    replace : bool, default=False
        Whether an existing target may be replaced; in a folder only files that psdstats wrote.

    Returns
    -------
    Path
        The resolved target.

    Raises
    ------
    OutputError
        If the target exists, has the wrong ending or cannot be written, or if the study would not
        read back the same.
    """
    try:
        form = StudyForm(form)
    except ValueError as cause:
        raise OutputError(
            f"A study cannot be saved in the form {str(form)!r}. Use one of {', '.join(StudyForm)}."
        ) from cause
    place = Path(target)
    if form is StudyForm.FOLDER:
        return write_folder_atomically(
            place, _proven(study, _write_folder), holds=Holds.READINGS, replace=replace
        )
    if place.suffix.lower() != _ENDINGS[form]:
        raise OutputError(
            f"{place.name} should end in {_ENDINGS[form]} for the form {form}. "
            "Rename it, or choose another form."
        )
    writer = _write_flat if form is StudyForm.FLAT else write_workbook
    return write_file_atomically(place, _proven(study, writer), replace=replace)


def _proven(study: Study, writer: Callable[[Study, Path], None]) -> Callable[[Path], None]:
    """Wrap a writer so that it reads back what it wrote and refuses a loss."""

    def write(place: Path) -> None:
        writer(study, place)
        try:
            again = read_study(place)
        except StudyError as cause:
            raise OutputError(
                f"The study cannot be saved, for it would not be read again: {cause}"
            ) from cause
        if again != study:
            raise OutputError(
                "The study cannot be saved without losing something: "
                f"{_first_difference(study, again)} would read back differently."
            )

    return write


def _first_difference(study: Study, again: Study) -> str:
    for name in (
        "title",
        "material",
        "tares",
        "density_g_per_cm3",
        "shape_factor",
        "rule",
        "sieves",
        "balances",
        "uncertainty",
        "checks",
        "compare",
        "notes",
    ):
        if getattr(study, name) != getattr(again, name):
            return name
    for run, other in zip(study.runs, again.runs, strict=False):
        if run != other:
            return f"run {run.name}"
    return "the list of runs"


def _write_folder(study: Study, folder: Path) -> None:
    settings = "".join(f"{line}\n" for line in toml_lines(settings_of(study, with_sieves=False)))
    (folder / "study.toml").write_text(settings, encoding="utf-8", newline="\n")
    tables = {"runs.csv": run_table, "weighings.csv": weighing_table, "sieves.csv": sieve_table}
    for name, table in tables.items():
        text = csv_text(table(study), mass_decimals(study))
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _write_flat(study: Study, place: Path) -> None:
    lines = toml_lines(settings_of(study, with_sieves=True))
    text = "".join(f"# {line}\n" for line in lines) + csv_text(
        flat_table(study), mass_decimals(study)
    )
    place.write_text(text, encoding="utf-8", newline="\n")
