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
from collections.abc import Collection, Iterable, Mapping
from datetime import date, time, timedelta
from decimal import Decimal
from numbers import Real
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
from narwhals.exceptions import DuplicateError

from psdstats import columns as col
from psdstats.errors import OutputError
from psdstats.limits import Limits
from psdstats.sieves.standards import Sieve
from psdstats.study.assemble import assemble
from psdstats.study.cells import SourceFile
from psdstats.study.forms import cell_of
from psdstats.study.reader import settled
from psdstats.study.records import Balance, Study
from psdstats.study.save import (
    described,
    run_table,
    settings_of,
    sieve_table,
    table_of,
    weighing_table,
)
from psdstats.study.settings import BALANCE_RULES, expected_instead
from psdstats.study.tables import (
    MAX_ROWS,
    Cell,
    NamedRow,
    Origin,
    RawStudy,
    Row,
    Table,
    make_table,
)  # fmt: skip

LIBRARIES = ("pandas", "polars", "pyarrow")
"""Whose frames are made."""

_BALANCE = (col.BALANCE, *BALANCE_RULES)
_CELLS = (str, Real, Decimal, bool, np.bool_, date, time, timedelta)
_SHOWN = 40  # characters in a message


def study_from(
    weighings: Any, *, runs: Any, balances: Any, sieves: Any, settings: Mapping[str, object]
) -> Study:
    """The study of frames; see `Study.from_frame`."""
    raw = RawStudy("settings", name="study")
    given: dict[str, Any] = {name: _plain(value) for name, value in settings.items()}
    for name, own in (("balances", balances), ("sieves", sieves)):
        records = isinstance(own, Mapping | Balance | Sieve | list | tuple)
        if own is None:
            continue
        if name in given and (records or name == "balances"):
            raw.refuse("they are given twice", "Give them once.", None, name)
        if records:
            given[name] = _named(own, raw.part(name))
        elif name == "balances":
            given[name] = _balances(_table(own, name, raw))
        else:
            raw.sieves = _table(own, name, raw)
    wrong = bool(raw.problems)
    if runs is None:
        raw.split(_table(weighings, "weighings", raw, kind="flat"))
    else:
        raw.runs = _table(runs, "runs", raw)
        raw.weighings = _table(weighings, "weighings", raw)
    raw.settings = {name: value for name, value in given.items() if value is not None}
    if raw.settings:
        text = json.dumps(raw.settings, default=str)
        raw.files.append(SourceFile(raw.file, hashlib.sha256(text.encode()).hexdigest()))
    study = assemble(raw)
    return settled(None if wrong else study, raw.problems)


def _plain(value: object) -> object:
    """A setting as TOML would give it."""
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value.item() if isinstance(value, np.generic) else value


def _named(
    given: Balance | Sieve | Mapping[str, Any] | Iterable[Any], kind: Origin
) -> dict[str, object]:
    """Balances or sieves as tables of the settings, from records or from such tables."""
    if isinstance(given, Mapping):
        pairs = list(given.items())
    else:
        each = [given] if isinstance(given, Balance | Sieve) else list(given)
        pairs = [(_own_name(one), one) for one in each]
    named: dict[str, object] = {}
    for name, one in pairs:
        if _own_name(one) not in (None, name):
            remedy = "Give each under its own name."
            kind.refuse("the record has another name", remedy, None, None, str(name))
        if name is None:
            remedy = "Give a frame, or records or tables by name."
            fault = f"what is of the type {type(one).__name__} is none of the {kind.file}"
            kind.refuse(fault, remedy, None, None, str(one)[:_SHOWN])
        else:
            named[name] = described(one) if isinstance(one, Balance | Sieve) else _plain(one)
    return named


def _own_name(record: object) -> str | None:
    """Name of a balance or of a sieve; None for anything else."""
    if isinstance(record, Sieve):
        return record.key
    return record.name if isinstance(record, Balance) else None


def _table(frame: Any, name: str, raw: RawStudy, *, kind: str = "") -> Table | None:
    """A frame of the study as a table, its digest noted."""
    table, file = frame_table(
        frame, raw.part(f"{name} (frame)"), {**col.TABLES, "balances": _BALANCE}[kind or name]
    )
    raw.files += [] if file is None else [file]
    return table


def frame_table(
    frame: Any, source: Origin, known: Collection[str]
) -> tuple[Table | None, SourceFile | None]:
    """A frame as a table, and its digest; nothing, with a problem noted, where it is no frame."""
    read = _cells(frame, source)
    if read is None:
        return None, None
    header, labels, columns = read
    rows = [list(row) for row in zip(*columns, strict=True)]
    content = io.StringIO()
    csv.writer(content, lineterminator="\n").writerows([header, *rows])
    digest = hashlib.sha256(content.getvalue().encode()).hexdigest()
    table = make_table(source, [(None, header), *zip(labels, rows, strict=False)], known=known)
    return table, SourceFile(source.file, digest)


def _cells(frame: Any, source: Origin) -> tuple[list[Cell], list[int], list[list[Cell]]] | None:
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
        source.refuse(fault, "Give a frame of pandas, polars or pyarrow; read_study reads files.")
        return None
    columns = [_column(each, labels, source) for each in own.iter_columns()]
    return list(map(str, own.columns)), labels, columns


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


def _column(series: Any, labels: list[int], source: Origin) -> list[Cell]:
    """Cells of a column; one that holds neither text nor number nor date is a problem."""
    values, name = series.to_list(), str(series.name)
    if series.dtype == nw.Float32:  # 412.31 is no longer that as a number of 64 bits
        values = [None if one is None else float(str(np.float32(one))) for one in values]
    is_blank = [
        missing or (isinstance(value, float) and value != value)
        for value, missing in zip(values, series.is_null().to_list(), strict=True)
    ]
    for label, value, blank in zip(labels, values, is_blank, strict=True):
        if not blank and not isinstance(value, _CELLS):
            fault = f"a cell holds a {type(value).__name__}, no text or number"
            remedy = "Write text or numbers, or leave the column out."
            source.refuse(fault, remedy, label, name, str(value)[:_SHOWN])
            break
    return ["" if no else cell_of(value) for value, no in zip(values, is_blank, strict=True)]


def _balances(table: Table | None) -> dict[str, dict[str, object]]:
    """Balances as tables of the settings; none where one of them cannot be so."""
    if table is None:
        return {}
    before = len(table.problems)
    for name in table.columns:
        if name not in _BALANCE:
            remedy = f"Known columns are {', '.join(_BALANCE)}."
            table.refuse("the column is not known", remedy, None, name)
    found: dict[str, dict[str, object]] = {}
    for row in table.rows if table.is_safe(*_BALANCE[:2]) else ():
        balance = table.name(row, col.BALANCE)
        if balance in found:
            fault = f"balance {balance} is there twice"
            table.refuse(fault, "Give each one row.", row.number, col.BALANCE)
        stated = [key for key in _BALANCE[1:] if key == _BALANCE[1] or row.text(key)]
        found[str(balance)] = {key: _of_balance(table, row, key) for key in stated}
    return found if len(table.problems) == before else {}


def _of_balance(table: Table, row: Row, key: str) -> object:
    """What is stated of a balance in a cell; None, with a problem noted, where it cannot be."""
    rule = BALANCE_RULES[key]
    value: object = row.text(key)
    if isinstance(rule, Limits):
        number = table.needed(row, key)
        if number is None:
            return None
        value = float(number)
    if expected := expected_instead(rule, value):
        table.refuse("the value is not allowed", f"Write {expected}.", row, key)
    return value


def frames_of(study: Study, library: str) -> dict[str, Any]:
    """The tables of a study as frames, and its settings; see `Study.to_frames`."""
    if library not in LIBRARIES:
        known = ", ".join(LIBRARIES)
        raise OutputError(f"Frames of {library!r} are not made. Choose one of {known}.")
    settings = settings_of(study, with_sieves=False)
    settings.pop("balances", None)
    balances = ({**vars(one), col.BALANCE: one.name} for one in study.balances.values())
    tables = {
        "weighings": weighing_table(study),
        "runs": run_table(study),
        "balances": table_of([*_BALANCE], balances),
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
    return {**frames, "settings": settings}
