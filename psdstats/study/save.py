"""Writing a study so that reading it gives the same study, in any of the three forms.

Units are in the column names; columns that no run uses are left out, and computed values are
never among them.  CSV is UTF-8 with decimal points and commas between cells, in which nothing is
taken for a formula; so it is in a workbook, where text is stored as text.  Settings are TOML: as
they were typed, comments included, wherever they say the same.  What was written is read again
before it is put in place: a study that would lose something is refused.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from decimal import Decimal
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import tomlkit

from psdstats import columns as col
from psdstats.errors import OutputError, StudyError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.provenance import write as write_record
from psdstats.sieves.standards import Sieve
from psdstats.study import sheets
from psdstats.study.aside import further_columns
from psdstats.study.cells import decimals_written, guarded, number_text, put_text, workbook_bytes
from psdstats.study.reader import read_study
from psdstats.study.records import Balance, Study
from psdstats.study.runs import AsideReading, AsideRun, Reading, Run

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet


MASS_COLUMNS = (col.TARE, col.GROSS, col.GROSS_AGAIN)
"""Columns written with the decimals of the balance."""

AnyRun = TypeVar("AnyRun", Run, AsideRun)
Settings = dict[str, object]
OutCell = str | float | None
OutTable = tuple[list[str], list[list[OutCell]]]
"""Column names, and rows of cells (None where empty)."""

_SETTINGS = (
    "title", "material", "author", "date", "density_g_per_cm3", "shape_factor", "tares", "rule",
    "notes", "balances", "uncertainty", "checks", "compare", "limits",
)  # fmt: skip
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f]|[\ud800-\udfff\ufffe\uffff]")


def settings_of(study: Study, *, with_sieves: bool, with_comments: bool = True) -> Settings:
    """Everything of a study that is not in its tables, as settings.

    Where some were typed, no default joins them that was not.
    """
    typed = tomlkit.parse(study.settings_text).unwrap()
    settings: Settings = {name: getattr(study, name) for name in _SETTINGS}
    settings["tares"], settings["notes"] = str(study.tares), list(study.notes)
    settings |= dict.fromkeys(_left_out(study, typed))
    for kind in ("balances", "sieves") if with_sieves else ("balances",):
        own = typed.get(kind, {})
        settings[kind] = {
            name: described(each, own.get(name, ())) for name, each in getattr(study, kind).items()
        }
    settings["comments"] = sheets.as_settings(study.comments) if with_comments else []
    return {name: value for name, value in settings.items() if value not in (None, "", [], {})}


def _apart(study: Study, *, with_comments: bool = True) -> tuple[Settings, dict[str, OutTable]]:
    """Settings, and tables of runs, weighings and sieves.

    The sieves stand among the settings instead, where those as typed have comments on them.
    """
    tables = {"runs": run_table(study), "weighings": weighing_table(study)}
    alone, whole = (
        settings_of(study, with_sieves=sieves, with_comments=with_comments)
        for sieves in (False, True)
    )
    texts = (toml_text(one, study.settings_text) for one in (alone, whole))
    few, many = (len(sheets.comments_in(text)) for text in texts)
    if many > few:
        return whole, tables
    return alone, {**tables, "sieves": sieve_table(study.sieves)}


def described(record: Balance | Sieve, typed: Collection[str] = ()) -> dict[str, object]:
    """What is known of a balance or a sieve, as a table of the settings has it."""
    known = list(vars(record).items())[1:]
    left = _left_out(record, typed)
    return {name: one for name, one in known if name not in left and one not in (None, {})}


def _left_out(record: Balance | Sieve | Study, typed: Collection[str]) -> set[str]:
    """Fields as they are where nothing is typed of them, of a record of which some were typed."""
    usual = {one.name: one.default for one in fields(record)} if typed else {}
    return {name for name in usual.keys() - set(typed) if getattr(record, name) == usual[name]}


def toml_text(settings: Mapping[str, object], typed: str = "") -> str:
    """Settings as TOML: the text that was typed, changed only where it says something else."""
    document = tomlkit.parse(typed)
    _bring_up_to_date(document, settings)
    return tomlkit.dumps(document)


def _bring_up_to_date(table: MutableMapping[str, object], wanted: Mapping[str, object]) -> None:
    """Make a table of TOML say what is wanted; what it says already stays as it was typed."""
    for key in [key for key in table if key not in wanted and table[key] not in ({}, [], "")]:
        _take_out(table, key)
    for key, value in wanted.items():
        if isinstance(value, Mapping):
            if not isinstance(table.get(key), Mapping):
                tables = all(isinstance(part, Mapping) for part in value.values())
                table[key] = tomlkit.table(is_super_table=bool(value) and tables)
            inner = table[key]
            _bring_up_to_date(inner, value)  # type: ignore[arg-type]
        else:
            if isinstance(value, list):
                value = [list(part) if isinstance(part, tuple) else part for part in value]
            if key not in table or table[key] != value:
                table[key] = value


def _take_out(table: MutableMapping[str, object], key: str) -> None:
    """Take a key out of a table of TOML; a comment beside it stays, on a line of its own."""
    body = getattr(getattr(table, "value", table), "body", [])
    places = [place for place, (own, _) in enumerate(body) if own is not None and own.key == key]
    beside = [getattr(body[place][1].trivia, "comment", "") for place in places]
    del table[key]
    for place, said in zip(places, beside, strict=True):
        if said:
            body[place] = (None, tomlkit.comment(said[1:].strip()))


def setting_rows(settings: Mapping[str, object], *path: str) -> Iterator[list[OutCell]]:
    """Settings as rows of key and value, the keys joined by dots as in TOML."""
    for key, value in settings.items():
        if isinstance(value, Mapping):
            yield from setting_rows(value, *path, key)
        else:
            name = ".".join(tomlkit.key(part).as_string() for part in (*path, key))
            plain = isinstance(value, int | float | str) and not isinstance(value, bool)
            yield [name, value if plain else tomlkit.item(value).as_string()]  # type: ignore[list-item]


def all_runs(study: Study) -> list[Run | AsideRun]:
    """Runs of both kinds; those put aside where they are listed among the others."""
    found: list[Run | AsideRun] = list(study.runs)
    start = 0
    for run in study.aside:
        while start < len(found) and found[start].place.row <= run.place.row:
            start += 1
        found.insert(start, run)
        start += 1
    return found


def table_of(names: list[str], cells: Iterable[Mapping[str, Any]]) -> OutTable:
    """A table of rows by the names of their columns; empty where a row has nothing."""
    return names, [[row.get(name) for name in names] for row in cells]


def run_table(study: Study) -> OutTable:
    """One row a run."""
    return table_of(_run_columns(study), map(_of_run, all_runs(study)))


def weighing_table(study: Study) -> OutTable:
    """One row a reading, in the order in which the readings were written down."""
    cells = (row for run in all_runs(study) for row in _of_readings(run))
    return table_of([col.RUN, *_weighing_columns(study)], cells)


def flat_table(study: Study) -> OutTable:
    """One row a reading, with everything about its run repeated on it."""
    runs = all_runs(study)
    cells = ({**_of_run(run), **row} for run in runs for row in _of_readings(run) or [{}])
    return table_of([*_run_columns(study), *_weighing_columns(study)], cells)


def sieve_table(sieves: Mapping[str, Sieve]) -> OutTable:
    """One row a physical sieve."""
    used = {n for s in sieves.values() for n, value in vars(s).items() if value is not None}
    names = [n for n in col.SIEVE_COLUMNS if n in col.USUAL_SIEVE_COLUMNS or n in used]
    further = list(dict.fromkeys(name for sieve in sieves.values() for name in sieve.further))
    _refuse_taken("column", further, col.SIEVE_COLUMNS)
    cells = ({**_stated(one, names), **one.further, col.SIEVE: one.key} for one in sieves.values())
    return table_of([*names, *further], cells)


def _stated(record: object, columns: Collection[str]) -> dict[str, Any]:
    """Fields of a record that its table has; any other may share its name with a further column."""
    return {name: value for name, value in vars(record).items() if name in columns}


def _refuse_taken(kind: str, names: Iterable[str], taken: Collection[str]) -> None:
    """Refuse names that would not be read again as those of what nobody knows."""
    for name in names:
        if name in taken or name != name.strip() or not name:
            why = (
                "the tables use that name"
                if name in taken
                else "it is blank, or has blanks around it"
            )
            raise OutputError(f"A {kind} cannot be named {name!r}: {why}. Rename it.")


def _run_columns(study: Study) -> list[str]:
    """Columns of the run table that a study needs."""
    runs = all_runs(study)
    factors = list(dict.fromkeys(name for run in runs for name in run.factors))
    _refuse_taken("factor", factors, {*col.TABLES["flat"]} - {col.SHAKING_TIME})
    optional = (col.REPLICATE, col.SPLIT, col.CHARGE, col.SAMPLE_MASS)
    used = [n for n in optional if any(getattr(run, n) is not None for run in runs)]
    noted = [name for name in col.NOTED if any(name in run.noted for run in runs)]
    return [col.RUN, col.GROUP, col.TIME, *used, col.BALANCE, *factors, *noted]


def _of_run(run: Run | AsideRun) -> dict[str, Any]:
    """Cells of one run."""
    return {**_stated(run, col.RUN_COLUMNS), **run.factors, **run.noted, col.RUN: run.name}


def _weighing_columns(study: Study) -> list[str]:
    """Columns of the weighing table that a study needs, without the run."""
    runs = all_runs(study)
    used = [
        name
        for name in (col.GROSS_AGAIN, col.REMARK)
        if any(getattr(one, name) not in (None, "") for run in runs for one in run.readings)
    ]
    further = further_columns(runs)
    _refuse_taken("column", further, col.FLAT_COLUMNS)
    return [col.SIEVE, col.APERTURE, col.TARE, col.GROSS, *used, *further]


def _of_readings(run: Run | AsideRun) -> list[dict[str, Any]]:
    """Cells of the readings of one run."""
    readings: Sequence[Reading | AsideReading] = run.readings
    as_written = sorted(readings, key=lambda reading: reading.place.row)
    return [
        {col.RUN: run.name, **_stated(one, col.WEIGHING_COLUMNS), **one.further}
        for one in as_written
    ]


def decimals_of(*balances: Balance) -> int:
    """Decimals with which masses are written: those of the finest balance."""
    steps = (Decimal(number_text(each.resolution_g)) for each in balances)
    return max(map(decimals_written, steps), default=0)


def csv_text(table: OutTable, decimals: int = 0) -> str:
    """Text of a comma-separated table, masses with at least so many decimals."""
    names, rows = table
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    header = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    # reading finds the separator in the header, so another one in a name is hidden in quotes
    hidden = any(mark in "".join(names) for mark in ";\t")
    (header if hidden else writer).writerow(map(guarded, names))
    shown = [decimals if name in MASS_COLUMNS else 0 for name in names]
    for row in rows:
        writer.writerow(
            "" if cell is None
            else guarded(cell) if isinstance(cell, str)
            else number_text(cell, decimals=most)
            for cell, most in zip(row, shown, strict=True)
        )  # fmt: skip
    return out.getvalue()


def put_cell(cell: Cell, value: OutCell) -> None:
    """Write into a cell of a workbook; a number with more than 16 digits as text."""
    if isinstance(value, str):
        if _UNPRINTABLE.search(value):
            raise OutputError(
                f"A workbook cannot hold the text {value[:40]!r}. "
                "Take the control character out of it."
            )
        put_text(cell, value)
    elif value is not None and float(f"{value:.16g}") != value:
        put_text(cell, repr(float(value)))
    else:
        cell.value = value


def fill_sheet(sheet: Worksheet, table: OutTable, decimals: int) -> None:
    """Write a table onto a sheet, so that it reads back the same."""
    names, body = table
    rows: list[Sequence[OutCell]] = [names, *body]
    for number, row in enumerate(rows, start=1):
        for column, value in enumerate(row, start=1):
            cell = sheet.cell(number, column)
            put_cell(cell, value)
            if decimals and names[column - 1] in MASS_COLUMNS and cell.data_type == "n":
                cell.number_format = f"0.{'0' * decimals}"


class StudyForm(StrEnum):
    """The forms a study may be kept in.

    Examples
    --------
    >>> from psdstats.study import StudyForm
    >>> [str(form) for form in StudyForm]
    ['folder', 'flat', 'workbook']
    """

    FOLDER = "folder"
    FLAT = "flat"
    WORKBOOK = "workbook"


ENDINGS = {StudyForm.FOLDER: "", StudyForm.FLAT: ".csv", StudyForm.WORKBOOK: ".xlsx"}
"""Endings of the names that ask for a form."""


def save_study(
    study: Study,
    target: str | Path,
    *,
    form: StudyForm | str = StudyForm.FOLDER,
    replace: bool = False,
    give_up: Collection[str] = (),
    provenance: Mapping[str, object] | None = None,
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
    give_up : collection of str, default=()
        Names of what may be left behind, of all that the form cannot hold (`unheld`).
    provenance : mapping of str to object, optional
        Where the study comes from (`psdstats.provenance.record`), for a folder to hold.

    Returns
    -------
    Path
        The resolved target.

    Raises
    ------
    OutputError
        If the target exists, has the wrong ending or cannot be written, if the form cannot hold
        something that is not given up, or if the study would not read back the same.

    Notes
    -----
    Settings typed as TOML keep their comments and layout: a workbook has a sheet for them.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> with TemporaryDirectory() as folder:
    ...     path = psdstats.save_study(study, f"{folder}/trial.csv", form="flat")
    ...     psdstats.read_study(path) == study
    True
    """
    if form not in tuple(StudyForm):
        known = ", ".join(StudyForm)
        raise OutputError(f"A study cannot be saved in the form {str(form)!r}. Use one of {known}.")
    form, place = StudyForm(form), Path(target)
    _refuse_losses(unheld(study, form), give_up, form)
    if form is StudyForm.FOLDER:

        def write(folder: Path) -> None:
            _write_proven(study, folder, _write_folder)
            if provenance is not None:
                write_record(folder, provenance)

        return write_folder_atomically(place, write, holds=Holds.READINGS, replace=replace)
    if place.suffix.lower() != ENDINGS[form]:
        raise OutputError(
            f"{place.name} should end in {ENDINGS[form]} for the form {form}. "
            "Rename it, or choose another form."
        )
    if form is StudyForm.FLAT:
        held, writer = _without_further(study), _write_flat
    else:
        held, writer = study, _write_workbook
    content = partial(_write_proven, held, writer=writer)
    return write_file_atomically(place, content, replace=replace)


def unheld(study: Study, form: StudyForm | str) -> dict[str, str]:
    """What a form cannot hold of a study, by name, with what it is."""
    found = dict.fromkeys(study.unread, "a table not read")
    if form == StudyForm.FLAT:
        found |= dict.fromkeys(further_columns(all_runs(study)), "a column of the weighings")
    return found


def _refuse_losses(found: Mapping[str, str], give_up: Collection[str], form: StudyForm) -> None:
    """Refuse to leave behind what is not given up, and to give up what is not there."""
    if lost := [f"{name} ({what})" for name, what in found.items() if name not in give_up]:
        raise OutputError(
            f"The form {form} cannot hold {len(lost)} of the things found: {', '.join(lost)}. "
            "Choose another form, or give up each by its name (--give-up NAME) to leave it behind."
        )
    if absent := [name for name in give_up if name not in found]:
        there = f"only {', '.join(found)}" if found else "nothing"
        raise OutputError(
            f"There is no {absent[0]!r} to give up: the form {form} leaves {there} behind. "
            "Take it out, or correct the name."
        )


def _without_further(study: Study) -> Study:
    """The study without the columns of its weighings that are not known."""
    return replace(study, runs=tuple(map(_bare, study.runs)), aside=tuple(map(_bare, study.aside)))


def _bare(run: AnyRun) -> AnyRun:
    if not further_columns([run]):
        return run
    return replace(run, readings=tuple(replace(one, further={}) for one in run.readings))


def _write_proven(study: Study, place: Path, writer: Callable[[Study, Path], None]) -> None:
    """Write, read back what was written, and refuse a loss."""
    writer(study, place)
    try:
        again = read_study(place, to_carry=True)
    except StudyError as cause:
        raise OutputError(
            f"The study cannot be saved, for it would not be read again: {cause}"
        ) from cause
    if again != study:
        raise OutputError(
            "The study cannot be saved without losing something: "
            f"{_first_difference(study, again)} would read back differently."
        )


def _first_difference(study: Study, again: Study) -> str:
    """Field, or run, that would read back differently."""
    for one in fields(Study):
        apart = one.compare and getattr(study, one.name) != getattr(again, one.name)
        if apart and one.name not in ("runs", "aside"):
            return one.name
    pairs = zip(all_runs(study), all_runs(again), strict=False)
    return next((f"run {run.name}" for run, own in pairs if run != own), "the list of runs")


def _write_folder(study: Study, folder: Path) -> None:
    settings, tables = _apart(study)
    decimals = decimals_of(*study.balances.values())
    csv_texts = {f"{name}.csv": csv_text(table, decimals) for name, table in tables.items()}
    write_texts(folder, {"study.toml": toml_text(settings, study.settings_text), **csv_texts})


def write_texts(folder: Path, texts: Mapping[str, str]) -> None:
    """Write the files of a study folder."""
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _write_flat(study: Study, place: Path) -> None:
    settings = toml_text(settings_of(study, with_sieves=True), study.settings_text)
    lines = "".join(f"# {line}\n" for line in settings.removesuffix("\n").split("\n"))
    table = csv_text(flat_table(study), decimals_of(*study.balances.values()))
    place.write_text(lines + table, encoding="utf-8", newline="\n")


def _write_workbook(study: Study, place: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    settings, tables = _apart(study, with_comments=False)
    tables = {"study": (["key", "value"], list(setting_rows(settings))), **tables}
    for name, table in tables.items():
        sheet = book.create_sheet(name)
        fill_sheet(sheet, table, decimals_of(*study.balances.values()))
        sheet.freeze_panes = "A2"
    if rest := sheets.attach(book, study.comments):
        fill_sheet(book.create_sheet(sheets.LIST_SHEET), (sheets.LIST_COLUMNS, rest), 0)
    typed = toml_text(settings, study.settings_text)
    if sheets.comments_in(typed):
        sheet = book.create_sheet(sheets.TYPED_SHEET)
        first, *lines = sheets.typed_rows(typed)
        fill_sheet(sheet, (list(map(str, first)), lines), 0)
        sheet.protection.sheet = True
    place.write_bytes(workbook_bytes(book))
