"""Reading a study from frames of pandas, polars, pyarrow or what else narwhals knows, and back.

A frame has the columns that the table of a file has, by their names or in words, and is read as
such a file is: the same checks, the same messages, rows named by their labels.  Units as in the
names of the columns: aperture in µm, masses in g, times in min.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping
from datetime import date, time, timedelta
from decimal import Decimal
from numbers import Real
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
from narwhals.exceptions import DuplicateError

from psdstats import columns as col
from psdstats.errors import OutputError, Problem
from psdstats.limits import Limits
from psdstats.sieves.sieve import Sieve
from psdstats.study.assemble import assemble
from psdstats.study.cells import MAX_ROWS, SourceFile
from psdstats.study.forms import cell_of
from psdstats.study.reader import settled
from psdstats.study.records import Balance, Study
from psdstats.study.save import described, run_table, settings_of, sieve_table, weighing_table
from psdstats.study.settings import BALANCE_RULES, Rule, expected_instead
from psdstats.study.tables import (
    COMPUTED_COLUMNS,
    FLAT_COLUMNS,
    RUN_COLUMNS,
    SIEVE_COLUMNS,
    WEIGHING_COLUMNS,
    Cell,
    NamedRow,
    RawStudy,
    Row,
    Table,
    make_table,
    split_flat_table,
)

LIBRARIES = ("pandas", "polars", "pyarrow")
"""Whose frames are made."""

_SETTINGS = "settings"  # what they are called where a file would be named
_KNOWN = {
    "flat": (*FLAT_COLUMNS, *COMPUTED_COLUMNS),
    "weighings": (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS),
    "runs": (*RUN_COLUMNS, *COMPUTED_COLUMNS),
    "balances": (col.BALANCE, *BALANCE_RULES),
    "sieves": SIEVE_COLUMNS,
}
_CELLS = (str, Real, Decimal, bool, np.bool_, date, time, timedelta)
_SHOWN = 40  # characters in a message


def study_from(
    weighings: Any, *, runs: Any, balances: Any, sieves: Any, settings: Mapping[str, object]
) -> Study:
    """The study of frames; see `Study.from_frame`."""
    problems: list[Problem] = []
    raw = RawStudy(name="study", settings_file=_SETTINGS)
    given: dict[str, object] = {name: _plain(value) for name, value in settings.items()}
    if balances is not None:
        _refuse_twice(given, "balances", problems)
        given["balances"] = (
            _named(balances, "balances", problems)
            if _is_records(balances)
            else _balances(_table(balances, "balances", raw, problems))
        )
    if sieves is not None and _is_records(sieves):
        _refuse_twice(given, "sieves", problems)
        given["sieves"] = _named(sieves, "sieves", problems)
    elif sieves is not None:
        raw.sieves = _table(sieves, "sieves", raw, problems)
    wrong = bool(problems)
    if runs is None:
        flat = _table(weighings, "weighings", raw, problems, kind="flat")
        raw.runs, raw.weighings = split_flat_table(flat) if flat is not None else (None, None)
    else:
        raw.runs = _table(runs, "runs", raw, problems)
        raw.weighings = _table(weighings, "weighings", raw, problems)
    raw.settings = {name: value for name, value in given.items() if value is not None}
    if raw.settings:
        text = json.dumps(raw.settings, default=str)
        raw.files.append(SourceFile(_SETTINGS, hashlib.sha256(text.encode()).hexdigest()))
    study = assemble(raw, problems)
    return settled(None if wrong else study, problems)


def _plain(value: object) -> object:
    """A setting as TOML would give it."""
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value.item() if isinstance(value, np.generic) else value


def _refuse_twice(given: Mapping[str, object], name: str, problems: list[Problem]) -> None:
    if name in given:
        problems.append(Problem(_SETTINGS, "they are given twice", "Give them once.", None, name))


def _is_records(given: object) -> bool:
    """Whether balances or sieves are records, or tables by name, and no frame."""
    return isinstance(given, Mapping | Balance | Sieve | list | tuple)


def _named(
    given: Balance | Sieve | Mapping[str, Any] | Iterable[Any], kind: str, problems: list[Problem]
) -> dict[str, object]:
    """Balances or sieves as tables of the settings, from records or from such tables."""
    if isinstance(given, Mapping):
        pairs = list(given.items())
    else:
        each = [given] if isinstance(given, Balance | Sieve) else list(given)
        pairs = [(_own_name(one), one) for one in each]
    for name, one in pairs:
        if _own_name(one) not in (None, name):
            fault, remedy = "the record has another name", "Give each under its own name."
            problems.append(Problem(kind, fault, remedy, None, None, str(name)))
        elif name is None:
            remedy = "Give a frame, or records or tables by name."
            fault = f"what is of the type {type(one).__name__} is none of the {kind}"
            problems.append(Problem(kind, fault, remedy, None, None, str(one)[:_SHOWN]))
    return {
        str(name): described(one) if isinstance(one, Balance | Sieve) else _plain(one)
        for name, one in pairs
        if name is not None
    }


def _own_name(record: object) -> str | None:
    """Name of a balance or of a sieve; None for anything else."""
    if isinstance(record, Sieve):
        return record.key
    return record.name if isinstance(record, Balance) else None


def _table(
    frame: Any, name: str, raw: RawStudy, problems: list[Problem], *, kind: str = ""
) -> Table | None:
    """A frame of the study as a table, its digest noted."""
    table, file = frame_table(frame, f"{name} (frame)", _KNOWN[kind or name], problems)
    raw.files += [] if file is None else [file]
    return table


def frame_table(
    frame: Any, file: str, known: Iterable[str], problems: list[Problem]
) -> tuple[Table | None, SourceFile | None]:
    """A frame as a table, and its digest; nothing, with a problem noted, where it is no frame."""
    read = _cells(frame, file, problems)
    if read is None:
        return None, None
    header, labels, columns = read
    rows = [list(row) for row in zip(*columns, strict=True)]
    content = io.StringIO()
    csv.writer(content, lineterminator="\n").writerows([header, *rows])
    digest = hashlib.sha256(content.getvalue().encode()).hexdigest()
    numbered = [(None, header), *zip(labels, rows, strict=False)]
    table = make_table(file, numbered, known=known, decimal_comma=True, problems=problems)
    return table, SourceFile(file, digest)


def _cells(
    frame: Any, file: str, problems: list[Problem]
) -> tuple[list[Cell], list[int], list[list[Cell]]] | None:
    """Names of the columns, rows by their labels, and the cells of each column."""
    try:
        found = nw.from_native(frame)
        own = found.collect() if isinstance(found, nw.LazyFrame) else found
        labels, own = _labels(own.head(MAX_ROWS + 1))
    except DuplicateError:
        names = list(map(str, getattr(frame, "column_names", None) or frame.columns))
        return list(names), [], [[] for _ in names]
    except TypeError:
        fault = f"a {type(frame).__name__} is no frame that can be read"
        remedy = "Give a frame of pandas, polars or pyarrow; read_study reads files."
        problems.append(Problem(file, fault, remedy))
        return None
    columns = [_column(each, labels, file, problems) for each in own.iter_columns()]
    return [str(name) for name in own.columns], labels, columns


def _labels(frame: nw.DataFrame[Any]) -> tuple[list[int], nw.DataFrame[Any]]:
    """Rows by the labels of the index, where there is one; its named levels become columns."""
    index = nw.maybe_get_index(frame)
    if index is None:
        return list(range(len(frame))), frame
    labels = [
        place if str(label) == str(place) else NamedRow(place, str(label)[:_SHOWN])
        for place, label in enumerate(index)
    ]
    levels = [name for name in index.names if name is not None and name not in frame.columns]
    if levels:
        frame = nw.from_native(nw.to_native(frame).reset_index(levels), eager_only=True)
    return labels, frame


def _column(series: Any, labels: list[int], file: str, problems: list[Problem]) -> list[Cell]:
    """Cells of a column; one that holds neither text nor number nor date is a problem."""
    values, name = series.to_list(), str(series.name)
    if series.dtype == nw.Float32:  # 412.31 is no longer that as a number of 64 bits
        values = [None if one is None else float(str(np.float32(one))) for one in values]
    cells: list[Cell] = []
    odd: int | None = None
    for place, (value, missing) in enumerate(zip(values, series.is_null().to_list(), strict=True)):
        blank = missing or (isinstance(value, float) and value != value)
        if not blank and odd is None and not isinstance(value, _CELLS):
            odd = place
        cells.append("" if blank else cell_of(value))
    if odd is not None:
        fault = f"a cell holds a {type(values[odd]).__name__}, no text or number"
        remedy, value = "Write text or numbers, or leave the column out.", str(values[odd])
        problems.append(Problem(file, fault, remedy, labels[odd], name, value[:_SHOWN]))
    return cells


def _balances(table: Table | None) -> dict[str, dict[str, object]]:
    """Balances as tables of the settings; none where one of them cannot be so."""
    if table is None:
        return {}
    before = len(table.problems)
    found: dict[str, dict[str, object]] = {}
    known = (col.BALANCE, *BALANCE_RULES)
    remedy = f"Known columns are {', '.join(known)}."
    table.problems.extend(
        Problem(table.file, "the column is not known", remedy, None, name)
        for name in table.columns
        if name not in known
    )
    rows = table.rows if table.is_safe(*known[:2]) else ()
    for row in rows:
        name = table.name(row, col.BALANCE)
        if name in found:
            fault, once = f"balance {name} is there twice", "Give each one row."
            table.problems.append(Problem(table.file, fault, once, row.number, col.BALANCE))
        found[str(name)] = {
            key: value
            for key, rule in BALANCE_RULES.items()
            if (key == known[1] or row.text(key))
            and (value := _of_balance(table, row, key, rule)) is not None
        }
    return found if len(table.problems) == before else {}


def _of_balance(table: Table, row: Row, key: str, rule: Rule) -> object:
    """What is stated of a balance in a cell; None, with a problem noted, where it cannot be."""
    number = table.number(row, key, needed=True) if isinstance(rule, Limits) else None
    if number is None and isinstance(rule, Limits):
        return None
    value = row.text(key) if number is None else float(number)
    if expected := expected_instead(rule, value):
        wrong = "the value is not allowed", f"Write {expected}."
        table.problems.append(Problem(table.file, *wrong, row.number, key, row.text(key)[:_SHOWN]))
        return None
    return value


def frames_of(study: Study, library: str) -> dict[str, Any]:
    """The tables of a study as frames, and its settings; see `Study.to_frames`."""
    if library not in LIBRARIES:
        known = ", ".join(LIBRARIES)
        raise OutputError(f"Frames of {library!r} are not made. Choose one of {known}.")
    settings = settings_of(study, with_sieves=False)
    settings.pop("balances", None)
    names = [col.BALANCE, *BALANCE_RULES]
    rows = [[one.name, *(getattr(one, n) for n in names[1:])] for one in study.balances.values()]
    tables = {
        "weighings": weighing_table(study),
        "runs": run_table(study),
        "balances": (names, rows),
        "sieves": sieve_table(study.sieves),
    }
    try:
        frames = {
            kind: nw.from_dict(
                {name: [row[place] for row in rows] for place, name in enumerate(names)},
                backend=library,  # type: ignore[arg-type]
            ).to_native()
            for kind, (names, rows) in tables.items()
            if rows
        }
    except ModuleNotFoundError as cause:
        raise OutputError(
            f"Frames of {library} need that package. Install it, or choose pandas."
        ) from cause
    return {**frames, _SETTINGS: settings}
