"""Sizes in hand, or any other positive response, of any origin: with a covariance or without.

One row a run, a column a quantity with its u beside it; or one row a run and quantity.  Every other
column is the run, its group, milling time or charge, or a factor of the trial.  Units are those of
the columns; what is compared are ratios, so they cancel.  Nothing is weighed here: without u the
scatter of the runs stands for everything, and a remark says so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats import columns as col
from psdstats.columns import APERTURE, CHARGE, GROSS, GROUP, RUN, SIEVE, TARE, TIME, unit_of
from psdstats.comparison.analysis import Analysis, analyse_sizes
from psdstats.comparison.plan import ComparisonPlan
from psdstats.errors import ModelError, Problem, StudyError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, ReadOnly
from psdstats.room import ensure_room
from psdstats.student import critical_t
from psdstats.study.assemble import read_runs
from psdstats.study.cells import SourceFile, to_number
from psdstats.study.forms import file_text, read_csv_sheet, read_csv_table, settings_lines
from psdstats.study.reader import settled
from psdstats.study.runs import AsideRun, frame_of_runs, place_of
from psdstats.study.tables import Cell, Origin, RawStudy, Row, Table
from psdstats.study.wide import looks_wide
from psdstats.uncertainty.propagation import Joint, Method, Propagation

ROLES = {"run": RUN, "group": GROUP, "time": TIME, "charge": CHARGE}
"""What a column may be named to be, and the column of the run table that it then is."""

QUANTITY, VALUE = "quantity", "value"
"""Columns of a table with one row a run and quantity."""

_SIZE = re.compile(r"[dx] ?(\d{1,2}(?:\.\d)?)(?: um)?")
_BESIDE = ("u", "expanded", "lower", "upper", "k", "effective_df", "side")
_MADE = ("coverage", "method", "balance_share_D50")
_LONG_TO_WIDE = {"u": "u_{}", "u_percent": "u_{}_percent", "side": "side_{}"}
_LONG = (QUANTITY, VALUE, *_LONG_TO_WIDE, *_BESIDE, "unit", "coverage", "method", "balance_share",
         "status", "bound_lower", "bound_upper", "share_unbracketed", "linear_valid")  # fmt: skip
_U_ALONE = ("u", "u um", "u percent", "uncertainty", "standard uncertainty")  # of one quantity
_SIDES = ("<", "≤", ">", "≥")
_TO = " to "  # between the ends of an interval
_COVERAGE = 0.95  # of the interval of one value
_MATRICES = 3  # of all values of all runs, held at once
_ROUNDED = 1e-6  # of a covariance, relative, that rounding may leave
_TEXTS = (".csv", ".txt", ".tsv")
_HEAD = 20  # lines in which the header of a file ends
_LISTED = 12


class ValuesRemark(RemarkKind):
    """What to know of values in hand."""

    NO_VALUE = "rows without a value"  # runs
    NO_U = "no uncertainty"  # quantities
    INDEPENDENT = "independent uncertainties"  # quantities


@dataclass(frozen=True, kw_only=True, eq=False)
class Values:
    """Values in hand by run, as a comparison takes them (`psdstats.study.records.Trial`).

    Parameters
    ----------
    title : str
        What was studied.
    runs : tuple of AsideRun
        One a row, in order, without readings.
    measured : Propagation
        Values with their joint uncertainty; u is NaN where none was given.
    known : dict of str to ndarray, shape (R, R)
        Covariance of the logarithm of each quantity.
    files : tuple of SourceFile
        What was read.
    remarks : tuple of Remark
        What to know of them.
    """

    title: str
    runs: tuple[AsideRun, ...]
    measured: Propagation
    known: Mapping[str, Array]
    files: tuple[SourceFile, ...] = ()
    remarks: tuple[Remark, ...] = ()
    author: str = ""
    date: str = ""
    compare: Mapping[str, object] = field(default_factory=ReadOnly)
    uncertainty: Mapping[str, object] = field(default_factory=ReadOnly)

    def runs_frame(self) -> pd.DataFrame:
        """One row a run: what is known of it, then its factors as columns of their own."""
        return frame_of_runs(self.runs)


def analyse_values(
    values: Values, plan: ComparisonPlan, *, is_directed: bool = False, level: float = 0.95
) -> Analysis:
    """The one analysis of values; unless a way is stated, what is no size has none."""
    measured = values.measured
    neither = [one for one in measured.quantities if not is_directed and not unit_of(one)]
    own = replace(
        plan,
        in_hand=True,
        what="size" if any(map(unit_of, measured.quantities)) else "value",
        undirected=("span", *neither),
        remarks=(*values.remarks, *plan.remarks),
    )
    return analyse_sizes(
        values,
        own,
        measured.value,
        values.known,
        quantities=measured.quantities,
        measured=lambda: measured,
        bounds=np.stack([measured.bound_lower, measured.bound_upper], axis=2),
        level=level,
    )


def value_columns(columns: Sequence[str]) -> dict[str, str]:
    """Sizes that columns hold by their names: D50_um, d(50), x50 are D50.

    Examples
    --------
    >>> value_columns(["run", "D50_um", "u_D50_um", "x90", "span"])
    {'D50': 'D50_um', 'D90': 'x90', 'span': 'span'}
    """
    found: dict[str, str] = {}
    for name in columns:
        plain = col.plain_words(name)
        size = _SIZE.fullmatch(plain)
        if size is not None or plain == "span":
            found.setdefault(f"D{size[1]}" if size else "span", name)
    return found


def read_values(
    path: str | Path,
    value: Sequence[str] = (),
    *,
    u: Sequence[str] = (),
    covariance: Sequence[str | Path] = (),
    roles: Mapping[str, str] | None = None,
    encoding: str | None = None,
) -> Values | None:
    """Values of a CSV file; None where it may be a study, which `read_study` tells.

    Covariances are CSV files, in the order of the quantities: a row and a column a run.
    """
    place, raw = Path(path), RawStudy(Path(path).name, name=Path(path).stem)
    if not place.is_file() or place.suffix.lower() not in _TEXTS:
        return None
    text = file_text(place.resolve(), raw, encoding=encoding) or ""
    skip = settings_lines(text)[1]
    top = "".join(text.splitlines(keepends=True)[: skip + _HEAD])
    head = read_csv_table(top, Origin(place.name), known=col.RUN_COLUMNS, skip=skip)
    if head is None or not _holds_values(head, value, text):
        return None
    table = read_csv_table(text, raw, known=col.RUN_COLUMNS, skip=skip)
    matrices = [_covariance_of(Path(one), raw, encoding) for one in covariance]
    if raw.problems or table is None:
        raise StudyError(raw.problems)
    return values_of(
        table,
        value,
        u=u,
        covariance=_by_quantity(matrices, value, table),
        roles=roles,
        title=place.stem,
        files=tuple(raw.files),
    )


def _holds_values(head: Table, value: Sequence[str], text: str) -> bool:
    """Whether a table holds values and no weighings; refuses one that holds neither."""
    columns = set(head.columns)
    if columns & {GROSS, TARE, APERTURE, col.APERTURE_MM}:
        return False
    if {QUANTITY, VALUE} <= columns or value_columns(head.columns) or columns & set(value):
        return True
    sheet, _ = read_csv_sheet(text, Origin(head.file))
    wide = all(map(unit_of, value)) and looks_wide({"": sheet}, head.file) is not None
    if wide or columns & {SIEVE, col.NET}:
        return False
    of = ", ".join(value) or "sizes"
    fault = f"this is neither a study nor a table of {of} (columns {_listed(head)})"
    remedy = "Weighings have columns aperture_um, tare_g and gross_g, sizes such as D50_um; of "
    remedy += "any other table say what is compared: --columns value=COLUMN."
    raise StudyError([Problem(head.file, fault, remedy)])


def _covariance_of(place: Path, raw: RawStudy, encoding: str | None) -> pd.DataFrame:
    """A covariance from a CSV file: the run, then a column a run."""
    text = file_text(place.resolve(), raw, encoding=encoding)
    table = read_csv_table(text, raw.part(place.name), known=(RUN,)) if text else None
    if table is None:
        return pd.DataFrame()
    first, *names = table.columns
    rows = [[table.number(row, name) for name in names] for row in table.rows]
    index = [row.text(first) for row in table.rows]
    return pd.DataFrame(rows, index=index, columns=names, dtype=float)


def _by_quantity(
    matrices: Sequence[ArrayLike | pd.DataFrame], value: Sequence[str], table: Table
) -> dict[str, ArrayLike | pd.DataFrame]:
    """Covariances by the quantities they are of, in order."""
    quantities = list(value) or list(value_columns(table.columns))
    if matrices and len(matrices) != len(quantities):
        raise ModelError(
            f"{len(matrices)} covariances are given and {len(quantities)} quantities compared "
            f"({', '.join(quantities)}); give one for each, or name the quantities they are of."
        )
    return dict(zip(quantities, matrices, strict=False))


def values_of_frame(
    frame: object,
    value: Sequence[str] = (),
    *,
    u: Sequence[str] = (),
    covariance: Mapping[str, ArrayLike | pd.DataFrame] | ArrayLike | pd.DataFrame | None = None,
    roles: Mapping[str, str] | None = None,
) -> Values:
    """Values of a frame; a covariance alone is that of the one quantity compared."""
    from psdstats.study.frames import frame_table

    source = Origin("values (frame)")
    table, file = frame_table(frame, source, col.RUN_COLUMNS)
    if source.problems or table is None or file is None:
        raise StudyError(source.problems)
    joint = covariance
    if joint is not None and not isinstance(joint, Mapping):
        joint = _by_quantity([joint], value, table)
    return values_of(table, value, u=u, covariance=joint, roles=roles, title="", files=(file,))


def values_of(
    table: Table,
    value: Sequence[str] = (),
    *,
    u: Sequence[str] = (),
    covariance: Mapping[str, ArrayLike | pd.DataFrame] | None = None,
    roles: Mapping[str, str] | None = None,
    title: str = "",
    files: tuple[SourceFile, ...] = (),
) -> Values:
    """Values as a table has them, a row a run or a row a run and quantity; see `compare_values`."""
    table = _renamed(table, roles or {})
    table.is_safe()
    if {QUANTITY, VALUE} <= set(table.columns):
        table = _side_by_side(table)
    found = _columns(table, value, u)
    table = _with_runs(table)
    numbers = np.array([[_cell(table, row, one) for one in found] for row in table.rows])
    numbers = numbers.reshape(-1, len(found), 4)
    says = ((numbers[:, :, 1] > 0.0) | np.isfinite(numbers[:, :, 2])).any(axis=1)
    runs = _runs(table, found, says)
    order = sorted(range(len(runs)), key=lambda place: place_of(runs[place]))
    names = [row.text(RUN) for row in table.rows]
    rows = np.flatnonzero(says)[order]
    known: dict[str, Array] = {}
    for place, one in enumerate(found):
        size, own_u = numbers[:, place, 0], numbers[:, place, 3]
        joint = np.diag(np.nan_to_num(own_u / size) ** 2)
        if (given := (covariance or {}).get(one.quantity)) is not None:
            joint = _of_logs(_matrix(given, names, one), size, one)
        known[one.quantity] = joint[np.ix_(rows, rows)]
    runs = tuple(runs[place] for place in order)
    return Values(
        title=title,
        runs=runs,
        measured=_measured(runs, numbers[rows], known),
        known=known,
        files=files,
        remarks=_remarks([names[row] for row in np.flatnonzero(~says)], known),
    )


@dataclass(frozen=True)
class _Found:
    """A quantity, its column, and that of its u; empty where it has none."""

    quantity: str
    column: str
    u: str = ""


def _listed(table: Table) -> str:
    more = len(table.columns) - _LISTED
    return ", ".join(table.columns[:_LISTED]) + (f" and {more} more" if more > 0 else "")


def _column(table: Table, named: str, what: str) -> str:
    """The column of that name, or of that heading in words."""
    plain = col.plain_words(named)
    own = [name for name in table.columns if col.plain_words(name) == plain]
    if not own:
        raise ModelError(
            f"{table.file} has no column {named!r} for {what}; its columns are {_listed(table)}."
        )
    return named if named in own else own[0]


def _renamed(table: Table, roles: Mapping[str, str]) -> Table:
    """The table with the columns of the run table under their own names."""
    unknown = [one for one in roles if one not in ROLES]
    if unknown:
        known = ", ".join(ROLES)
        raise ModelError(f"A column cannot be the {unknown[0]!r} of a run; name one of {known}.")
    minutes = next((one for one in table.columns if col.plain_words(one) == "time min"), "")
    if minutes and TIME not in table.columns:
        roles = {"time": minutes, **roles}
    names = {_column(table, named, f"the {one}"): ROLES[one] for one, named in roles.items()}
    twice = [new for old, new in names.items() if new in table.columns and new not in names]
    if twice:
        raise ModelError(f"{table.file} has a column {twice[0]} as well; rename or delete it.")
    return replace(
        table,
        columns=tuple(names.get(one, one) for one in table.columns),
        rows=tuple(
            replace(row, cells={names.get(key, key): cell for key, cell in row.cells.items()})
            for row in table.rows
        ),
    )


def _side_by_side(table: Table) -> Table:
    """One row a run of a table with one row a run and quantity."""
    if RUN not in table.columns:
        raise ModelError(
            f"{table.file} has one row a quantity and no column run, which says what belongs "
            "together; add it, or name the column that does (run=…, --columns run=…)."
        )
    own = [name for name in table.columns if name not in _LONG]
    beside = [name for name in _LONG_TO_WIDE if name in table.columns]
    made: dict[str, Row] = {}
    named: dict[str, None] = {}
    for row in table.rows:
        run, quantity = row.text(RUN), table.name(row, QUANTITY) or ""
        first = made.get(run) or Row(row.number, {name: row.cells.get(name, "") for name in own})
        for name in (one for one in own if row.text(one) != first.text(one)):
            fault = f"row {first.number} of run {run} says {first.text(name)!r}"
            remedy = "Write the same in all rows of a run, or give them runs of their own."
            _wrong(table, row, fault, remedy, name)
        if quantity in first.cells:
            fault = f"run {run} has {quantity} in row {first.at(quantity)} too"
            _wrong(table, row, fault, "Keep one of them.", QUANTITY)
        cells = {quantity: row.cells.get(VALUE, "") or _bound_text(row)}
        cells |= {_LONG_TO_WIDE[name].format(quantity): row.cells.get(name, "") for name in beside}
        named |= dict.fromkeys(cells)
        rows = {**first.rows, **dict.fromkeys(cells, row.number)}
        made[run] = Row(first.number, {**first.cells, **cells}, rows)
    return replace(table, columns=(*own, *named), rows=tuple(made.values()))


def _wrong(table: Table, row: Row, fault: str, remedy: str, column: str) -> None:
    """Note what is wrong with a cell."""
    table.refuse(fault, remedy, row.at(column), column, row.text(column)[:40] or None)


def _bound_text(row: Row) -> str:
    """The bound that a value lies beyond, as a cell says it; empty where none is stated."""
    lower, upper = (row.text(f"bound_{end}") for end in ("lower", "upper"))
    ends = [text for text in (lower, upper) if to_number(text)]
    return _TO.join(ends) if len(ends) != 1 else f"{'>' if ends == [lower] else '<'}{ends[0]}"


def _columns(table: Table, value: Sequence[str], u: Sequence[str]) -> list[_Found]:
    """Where the quantities stand, as asked or by their names, each with its u."""
    sizes = value_columns(table.columns)
    by_column = {column: quantity for quantity, column in sizes.items()}
    columns = [sizes.get(one) or _column(table, one, "the value") for one in value or sizes]
    if not columns:
        raise ModelError(
            f"{table.file} has no column named like a size (D50, D50_um, span); name what is "
            f"compared (value=…, --columns value=…): its columns are {_listed(table)}."
        )
    if u and len(u) != len(columns):
        raise ModelError(
            f"{len(columns)} quantities are compared and {len(u)} columns of u are named; name "
            "one for each, in the same order."
        )
    stated = [_column(table, one, "u") for one in u] or [
        _u_of(table, one, is_alone=len(columns) == 1) for one in columns
    ]
    left = [one for one in table.columns if col.plain_words(one) in _U_ALONE and one not in stated]
    if left:
        raise ModelError(
            f"{table.file} has a column {left[0]}, and it is not said of which quantity it is the "
            f"uncertainty; rename it, such as u_{columns[0]}, or name it (u=…, --columns u=…)."
        )
    return [
        _Found(by_column.get(column, column), column, own)
        for column, own in zip(columns, stated, strict=True)
    ]


def _u_of(table: Table, column: str, *, is_alone: bool) -> str:
    """The column of the standard uncertainty of a quantity; empty where there is none."""
    plain = col.plain_words(column)
    names = dict.fromkeys((plain, plain.removesuffix(" um")))
    by_words = {col.plain_words(name): name for name in table.columns}
    wanted = [f"u {one}{end}" for end in ("", " percent") for one in names]
    wanted += _U_ALONE if is_alone else ()
    return next((by_words[one] for one in wanted if one in by_words), "")


def _with_runs(table: Table) -> Table:
    """The table with names of runs and a time, where it has none: rows by number, 0 min."""
    absent = [name for name in (RUN, TIME) if name not in table.columns]
    rows = []
    for place, row in enumerate(table.rows, 1):
        made: dict[str, Cell] = {RUN: f"row {place}", TIME: "0"}
        rows.append(replace(row, cells={**{name: made[name] for name in absent}, **row.cells}))
    return replace(table, columns=(*absent, *table.columns), rows=tuple(rows))


def _cell(table: Table, row: Row, found: _Found) -> tuple[float, float, float, float]:
    """Value, the ends it lies between and u; NaN for what is not known."""
    text = row.text(found.column)
    side = row.text(f"side_{found.column}") or text[:1]
    if side in _SIDES:
        end = _positive(table, row, found.column, text.removeprefix(side).strip())
        return (np.nan, 0.0, end, np.nan) if side in "<≤" else (np.nan, end, np.inf, np.nan)
    first, between, last = text.partition(_TO)
    number = _positive(table, row, found.column, first.strip())
    if between:
        return np.nan, number, _positive(table, row, found.column, last.strip()), np.nan
    if np.isnan(number):
        return np.nan, 0.0, np.inf, np.nan
    u = float(table.needed(row, found.u) or 0.0) if found.u else np.nan
    u *= number / 100.0 if col.plain_words(found.u).endswith("percent") else 1.0
    if not (np.isnan(u) or 0.0 <= u < number):
        remedy = "Give the standard uncertainty, in the unit of the value, below the value itself."
        _wrong(table, row, f"this is no uncertainty of {number:g}", remedy, found.u)
    return number, number, number, u


def _positive(table: Table, row: Row, column: str, text: str) -> float:
    """A number of a cell, above zero; NaN where there is none."""
    value = table.number(replace(row, cells={**row.cells, column: text}), column)
    if value is not None and value <= 0:
        remedy = "Ratios are compared: give values above zero."
        _wrong(table, row, "the value is not above zero", remedy, column)
    return np.nan if value is None else float(value)


def _runs(table: Table, found: Sequence[_Found], says: Array) -> tuple[AsideRun, ...]:
    """The rows that say something, as runs; every column that is nothing else is a factor."""
    taken = {*_MADE, *(one.u for one in found)}
    for column in (*value_columns(table.columns).values(), *(one.column for one in found)):
        names = dict.fromkeys((column, column.removesuffix("_um")))
        taken |= {column, *(f"{what}_{one}" for what in _BESIDE for one in names)}
        taken |= {f"u_{one}_percent" for one in names}
    entries = read_runs(
        replace(
            table,
            columns=tuple(name for name in table.columns if name not in taken),
            rows=tuple(row for row, own in zip(table.rows, says, strict=True) if own),
        )
    )
    if table.problems:
        settled(None, table.problems)
    if not entries:
        names_ = ", ".join(one.quantity for one in found)
        raise ModelError(f"{table.file} holds no value of {names_}; fill in one a run.")
    return tuple(entries)


def _of_logs(matrix: Array, value: Array, found: _Found) -> Array:
    """Covariance (R, R) of logarithms from that of the values; zero where no value is known."""
    known = np.isfinite(value)
    inside = matrix[np.ix_(known, known)]
    least = -_ROUNDED * float(np.abs(inside).max(initial=0.0))
    if not np.isfinite(inside).all() or -np.abs(inside - inside.T).max(initial=0.0) < least:
        raise ModelError(
            f"The covariance of {found.quantity} is not symmetric, or not all of it is a number; "
            "give one finite number for each pair of runs."
        )
    if len(inside) and np.linalg.eigvalsh(inside)[0] < least:
        raise ModelError(
            f"The covariance of {found.quantity} gives some mean of runs a variance below zero; "
            "look whether it holds correlations or standard uncertainties instead."
        )
    return np.asarray(np.nan_to_num(matrix / np.outer(value, value)), dtype=np.float64)


def _matrix(given: ArrayLike | pd.DataFrame, runs: Sequence[str], found: _Found) -> Array:
    """A covariance in the order of the rows."""
    if isinstance(given, pd.DataFrame):
        named = given.set_axis(given.index.map(str)).set_axis(given.columns.map(str), axis=1)
        lost = [one for one in runs if one not in named.index or one not in named.columns]
        if lost or named.index.has_duplicates or named.columns.has_duplicates:
            fault = f"does not name run {lost[0]}" if lost else "names a run twice"
            raise ModelError(
                f"The covariance of {found.quantity} {fault}; its rows and columns are the runs, "
                "each once."
            )
        given = named.loc[list(runs), list(runs)]
    matrix = np.asarray(given, dtype=np.float64)
    if matrix.shape != (len(runs), len(runs)):
        raise ModelError(
            f"The covariance of {found.quantity} has the shape {matrix.shape}, and there are "
            f"{len(runs)} rows; give one row and column a run."
        )
    return matrix


def _measured(runs: Sequence[AsideRun], numbers: Array, known: Mapping[str, Array]) -> Propagation:
    """Values with their joint uncertainty as a propagation has them; numbers (R, Q, 4)."""
    value, lower, upper, stated = np.moveaxis(numbers, 2, 0)
    count, names = len(runs), tuple(known)
    what, remedy = f"{count} runs of {', '.join(names)}", "compare fewer quantities at a time"
    ensure_room(_MATRICES * 8.0 * value.size**2, what, remedy=remedy)
    joint = np.zeros((value.size, value.size))
    for place, own in enumerate(known.values()):
        joint[place :: len(names), place :: len(names)] = own
    u = value * np.sqrt(np.stack([np.diagonal(one) for one in known.values()], axis=1))
    u = np.where((u == 0.0) & np.isnan(stated), np.nan, u)
    half = critical_t(1.0 - _COVERAGE, np.inf) * u
    beyond = np.where(np.isfinite(upper), "below the finest sieve", "above the coarsest sieve")
    status = np.where(lower == upper, "bracketed", beyond)
    return Propagation(
        runs=tuple(one.name for one in runs),
        groups=tuple(one.group for one in runs),
        milling_time_min=np.array([one.milling_time_min for one in runs]),
        quantities=names,
        value=value,
        u=u,
        lower=value - half,
        upper=value + half,
        bound_lower=lower,
        bound_upper=upper,
        coverage=_COVERAGE,
        effective_df=np.full(value.shape, np.inf),
        balance_share=np.full(value.shape, np.nan),
        source_share=np.zeros((*value.shape, 0)),
        joint=Joint(of_logs=joint),
        status=tuple(map(tuple, status.tolist())),
        linear_valid=np.full(value.shape, None),
        method=Method.LINEAR,
        sources=(),
        sources_left_out=(),
        rule="",
        notes=(),
    )


def _remarks(lost: Sequence[str], known: Mapping[str, Array]) -> tuple[Remark, ...]:
    """What to know of values: rows without any, and what their uncertainties leave open."""
    without = tuple(name for name, one in known.items() if not one.any())
    apart = tuple(
        name
        for name, one in known.items()
        if name not in without and not (one - np.diag(np.diagonal(one))).any()
    )
    return (
        *([ValuesRemark.NO_VALUE(runs=tuple(lost))] if lost else []),
        *([ValuesRemark.NO_U(quantities=without)] if without else []),
        *([ValuesRemark.INDEPENDENT(quantities=apart)] if apart else []),
    )
