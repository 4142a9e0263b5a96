"""The archive of many trials: one SQLite file, and what can be asked of it.

Tables: `trials` (one row a trial, by its path from the folder of the file), `answers` (one row a
trial and size, or level of its further factors, with the verdict), `runs`, `sizes` (one row a run
and size) and `spreads` (scatter among runs alike).  Sizes in µm, span without unit; u and ratios
are of the logarithm's kind: relative.  A trial's rows are written whole or not at all, however the
process ends; a file that psdstats did not make is never touched.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

import pandas as pd

from psdstats.archive.trial import Row, TrialRows
from psdstats.errors import OutputError
from psdstats.files import ensure

APPLICATION, VERSION = 0x70736473, 1  # "psds", and the form of the tables
_WAIT_S = 20.0
_TABLES: dict[str, dict[str, str]] = {
    "trials": {
        "trial": "INTEGER PRIMARY KEY",
        "path": "TEXT NOT NULL UNIQUE",
        "sha256": "TEXT NOT NULL",
        "stamp": "TEXT NOT NULL",
        "made_by": "TEXT NOT NULL",
        "gone": "INTEGER NOT NULL DEFAULT 0",
        "title": "TEXT",
        "material": "TEXT",
        "study_date": "TEXT",
        "runs": "INTEGER",
        "groups": "INTEGER",
        "warnings": "INTEGER",
        "refusal": "TEXT",
    },
    "answers": {
        "quantity": "TEXT NOT NULL",
        "place": "TEXT",
        "first": "TEXT",
        "last": "TEXT",
        **{f"{at}_{end}": "REAL" for at in ("start", "end") for end in ("size", "lower", "upper")},
        **dict.fromkeys(("ratio", "ratio_lower", "ratio_upper", "df", "p"), "REAL"),
        "verdict": "TEXT NOT NULL",
        "since": "TEXT",
        "ending": "TEXT",
        "enough_since": "TEXT",
        "reason": "TEXT",
        "run_percent": "REAL",
        "run_df": "REAL",
        "run_basis": "TEXT",
    },
    "runs": {
        "run": "TEXT NOT NULL",
        "run_group": "TEXT NOT NULL",
        "milling_time_min": "REAL NOT NULL",
        "run_date": "TEXT",
        "labels": "TEXT NOT NULL",
    },
    "sizes": {
        "run": "TEXT NOT NULL",
        "quantity": "TEXT NOT NULL",
        **dict.fromkeys(("size", "lower", "upper"), "REAL"),
        "status": "TEXT NOT NULL",
        **dict.fromkeys(("u", "own_u"), "REAL"),
        "shared": "TEXT NOT NULL",
    },
    "spreads": {
        "quantity": "TEXT NOT NULL",
        "df": "REAL NOT NULL",
        "sum_of_squares": "REAL NOT NULL",
        "of_measurement": "REAL NOT NULL",
    },
}
_OF_TRIAL = "INTEGER NOT NULL REFERENCES trials(trial) ON DELETE CASCADE"


def _made() -> Iterator[str]:
    """What makes the tables."""
    yield f"PRAGMA application_id = {APPLICATION}"
    yield f"PRAGMA user_version = {VERSION}"
    for table, columns in _TABLES.items():
        own = columns if table == "trials" else {"trial": _OF_TRIAL} | columns
        listed = ", ".join(f"{name} {kind}" for name, kind in own.items())
        yield f"CREATE TABLE {table} ({listed})"
        if table != "trials":
            yield f"CREATE INDEX {table}_of_trial ON {table} (trial)"


class Store:
    """The file of an archive.

    Parameters
    ----------
    path : Path
        Where it is, or shall be.

    Raises
    ------
    OutputError
        If something else stands there, or it cannot be written or read.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(os.path.realpath(path))

    def key(self, trial: Path) -> str:
        """Path of a trial as the archive names it: from its own folder, where it lies below it."""
        place, folder = Path(os.path.realpath(trial)), self.path.parent
        inside = place.is_relative_to(folder)
        return (place.relative_to(folder) if inside else place).as_posix()

    def frame(self, query: str) -> pd.DataFrame:
        """Rows of a query."""
        if not self.path.is_file():
            raise OutputError(
                f"{self.path} is no archive yet. Collect trials into it first: "
                f"psdstats collect TRIALS --into {self.path.name}"
            )
        with self._open() as connection:
            return pd.read_sql_query(query, connection)

    def ensure_writable(self) -> None:
        """Refuse before any work a place that cannot be written, or holds something else."""
        ensure(self.path, None, replace=True)
        if self.path.exists() and self.path.stat().st_size:
            self.frame("SELECT count(*) FROM trials")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A connection to write with; the tables are made where there are none."""
        with self._open(new=True) as connection:
            if connection.execute("PRAGMA application_id").fetchone()[0] == 0:
                connection.execute("BEGIN IMMEDIATE")
                for one in _made():
                    connection.execute(one)
                connection.execute("COMMIT")
            yield connection

    @contextmanager
    def _open(self, *, new: bool = False) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=_WAIT_S)) as connection:
                connection.isolation_level = None  # every transaction is begun here
                self._judge(connection, new=new)
                connection.execute("PRAGMA foreign_keys = ON")
                yield connection
        except sqlite3.Error as cause:
            raise OutputError(
                f"{self.path} cannot be used as an archive: {cause}. "
                "Choose another file, or wait until another psdstats has done with it."
            ) from cause

    def _judge(self, connection: sqlite3.Connection, *, new: bool) -> None:
        found = [connection.execute(f"PRAGMA {one}").fetchone()[0] for one in _MARKS]
        is_empty = not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if new and is_empty and found == [0, 0]:
            return
        if found[0] != APPLICATION:
            raise OutputError(
                f"{self.path} is an SQLite file that psdstats did not make. Choose another name."
            )
        if found[1] != VERSION:
            raise OutputError(
                f"{self.path} is an archive of form {found[1]}, this psdstats writes form "
                f"{VERSION}. Collect the trials into a new file."
            )


_MARKS = ("application_id", "user_version")


def put(connection: sqlite3.Connection, key: str, made: Row, found: TrialRows) -> None:
    """Put all rows of a trial in place of those it had; inside a transaction of the caller."""
    trial = {"path": key, **made, "gone": 0, **found.trial}
    connection.execute(_UPSERT, [trial.get(name) for name in _COLUMNS])
    number = connection.execute("SELECT trial FROM trials WHERE path = ?", (key,)).fetchone()[0]
    for table, (delete, insert) in _REPLACE.items():
        connection.execute(delete, (number,))
        rows = [[number, *map(row.get, _TABLES[table])] for row in getattr(found, table)]
        connection.executemany(insert, rows)


# S608: names are those of the tables above
_COLUMNS = [name for name in _TABLES["trials"] if name != "trial"]
_UPSERT = (
    f"INSERT INTO trials ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))}) "  # noqa: S608
    f"ON CONFLICT (path) DO UPDATE SET {', '.join(f'{one} = excluded.{one}' for one in _COLUMNS)}"
)
_REPLACE = {
    table: (
        f"DELETE FROM {table} WHERE trial = ?",  # noqa: S608
        f"INSERT INTO {table} (trial, {', '.join(columns)}) "  # noqa: S608
        f"VALUES ({', '.join('?' * (len(columns) + 1))})",
    )
    for table, columns in _TABLES.items()
    if table != "trials"
}


def labelled(frame: pd.DataFrame) -> pd.DataFrame:
    """Runs with their labels as columns of their own."""
    labels = pd.DataFrame([json.loads(one) for one in frame["labels"]], index=frame.index)
    labels = labels[[name for name in labels.columns if name not in frame.columns]]
    return pd.concat([frame.drop(columns="labels"), labels], axis=1)


def where_is(frame: pd.DataFrame, asked: Mapping[str, str]) -> pd.DataFrame:
    """Rows with these levels; text is compared with text, and numbers as numbers.

    Raises
    ------
    OutputError
        If there is no such column, or no row has that level.
    """
    for column, level in asked.items():
        if column not in frame.columns:
            known = ", ".join(str(one) for one in frame.columns if one not in _NO_LEVELS)
            raise OutputError(f"no run has a column {column!r}. Choose from {known}.")
        same = frame[column].map(lambda found, level=level: _is_same(found, level)).astype(bool)
        if not same.any():
            levels = sorted({str(one) for one in frame[column].dropna()})
            more = f" and {len(levels) - 8} more" if len(levels) > 8 else ""
            raise OutputError(
                f"no run has {column} = {level}. There is {', '.join(levels[:8])}{more}."
            )
        frame = frame[same]
    return frame


_NO_LEVELS = ("trial", "sha256", "stamp", "made_by", "gone", "refusal")


def _is_same(found: object, level: str) -> bool:
    if str(found) == level:
        return True
    try:
        return float(found) == float(level)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False
