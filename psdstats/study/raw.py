"""A study as typed, before its cells are read: settings and tables, from whichever form.

A flat table is split here into the run table and the weighing table that the other forms have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from psdstats.errors import Problem
from psdstats.study.columns import COMPUTED_COLUMNS, WEIGHING_COLUMNS, CellReader
from psdstats.study.records import SourceFile
from psdstats.study.table import Row, Table

__all__ = ["RawStudy", "split_flat_table"]

_ONLY_WEIGHING = frozenset(WEIGHING_COLUMNS) - {"run"}


@dataclass(kw_only=True)
class RawStudy:
    """What the files say, as text.

    Parameters
    ----------
    name : str
        Name of the study's file or folder, the title where none is given.
    settings_file : str
        Name of the file or sheet the settings come from.
    settings : mapping
        Settings, not yet checked.
    runs, weighings, sieves : Table or None
        The tables; None where there is none or it cannot be read.
    files : list of SourceFile
        What was read.
    notes : list of str
        What was not read, as sentences.
    """

    name: str
    settings_file: str
    settings: Mapping[str, object] = field(default_factory=dict)
    runs: Table | None = None
    weighings: Table | None = None
    sieves: Table | None = None
    files: list[SourceFile] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def split_flat_table(
    flat: Table, problems: list[Problem]
) -> tuple[Table, Table] | tuple[None, None]:
    """Split a flat table into run table and weighing table.

    Run-level cells may be written on the first row of a run alone; two different values for one
    run are a problem.  Without the columns that a flat table needs there is nothing to split.
    """
    aperture = "aperture_mm" if "aperture_mm" in flat.columns else "aperture_um"
    needed = ("run", "milling_time_min", aperture, "tare_g", "gross_g")
    if not CellReader(flat, problems).require(*needed):
        return None, None
    run_columns = tuple(
        name for name in flat.columns if name not in _ONLY_WEIGHING and name not in COMPUTED_COLUMNS
    )
    weighing_columns = tuple(
        name for name in flat.columns if name in _ONLY_WEIGHING or name in ("run", "net_g")
    )
    runs: dict[str, Row] = {}
    for row in flat.rows:
        run = row.text("run")
        first = runs.setdefault(run, Row(row.number, {"run": run}))
        for name in run_columns:
            text, before = row.text(name), first.text(name)
            if text and not before:
                first.cells[name] = row.cells[name]
            elif text and text != before and run:
                problems.append(
                    Problem(
                        file=flat.file,
                        row=row.number,
                        column=name,
                        value=text,
                        fault=f"run {run} has {before!r} further up",
                        remedy="Make it the same on every row of the run, or give another run "
                        "another name.",
                    )
                )
    rows = tuple(row for run, row in runs.items() if run)
    return (
        _like(flat, run_columns, rows),
        _like(flat, weighing_columns, flat.rows),
    )


def _like(flat: Table, columns: tuple[str, ...], rows: tuple[Row, ...]) -> Table:
    return Table(
        file=flat.file,
        columns=columns,
        rows=rows,
        decimal_comma=flat.decimal_comma,
        header_row=flat.header_row,
    )
