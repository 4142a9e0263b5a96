"""The archive of many trials: one SQLite file, and what can be asked of it.

The tables are described in schema.sql.  A trial's rows are written whole or not at all, however the
process ends; a file that psdstats did not make is never touched.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from math import isfinite
from pathlib import Path

import pandas as pd

from psdstats.errors import OutputError
from psdstats.files import ensure

_MARKS = {"application_id": 0x70736473, "user_version": 2}  # "psds"; the form of the tables
_WAIT_S = 20.0
_SCHEMA = Path(__file__).with_name("schema.sql")
_TRIALS = "trials"
OF_TRIAL = "trial"  # begins the names of errors that runs of one trial alone share
Row = dict[str, object]


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

    def frame(self, view: str, quantity: str | None = None) -> pd.DataFrame:
        """Rows of a table or view, of one quantity alone where one is named."""
        if not self.path.is_file():
            raise OutputError(
                f"{self.path} is no archive yet. Collect trials into it first: "
                f"psdstats collect TRIALS --into {self.path.name}"
            )
        with self._open() as connection:
            chosen = "" if quantity is None else " WHERE quantity = :quantity"
            asked = f"SELECT * FROM {view}{chosen}"  # noqa: S608
            return pd.read_sql_query(asked, connection, params={"quantity": quantity})

    def ensure_writable(self) -> None:
        """Refuse before any work a place that cannot be written, or holds something else."""
        if not self.path.is_file():
            ensure(self.path, None)
        elif self.path.stat().st_size:
            self.frame("trial_list")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A connection to write with; the tables are made where there are none."""
        with self._open(new=True) as connection:
            if connection.execute("PRAGMA application_id").fetchone()[0] == 0:
                marks = "; ".join(f"PRAGMA {name} = {n}" for name, n in _MARKS.items())
                tables = _SCHEMA.read_text(encoding="utf-8")
                connection.executescript(f"BEGIN IMMEDIATE; {marks}; {tables} COMMIT;")
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
        is_empty = not connection.execute("SELECT * FROM sqlite_master").fetchall()
        if new and is_empty and found == [0, 0]:
            return
        if found[0] != _MARKS["application_id"]:
            raise OutputError(
                f"{self.path} is an SQLite file that psdstats did not make. Choose another name."
            )
        if found[1] != _MARKS["user_version"]:
            raise OutputError(
                f"{self.path} is an archive of form {found[1]}, this psdstats writes form "
                f"{_MARKS['user_version']}. Collect the trials into a new file."
            )


def put(
    connection: sqlite3.Connection, key: str, made: Row, found: Mapping[str, Sequence[Row]]
) -> None:
    """Put all rows of a trial in place of those it had; inside a transaction of the caller."""
    connection.execute(f"DELETE FROM {_TRIALS} WHERE path = ?", (key,))  # noqa: S608
    number: int | None = None
    for table, rows in found.items():  # the trial itself is first
        names = [str(one[1]) for one in connection.execute(f"PRAGMA table_info({table})")]
        marks = ", ".join(f":{name}" for name in names)
        beside = {**dict.fromkeys(names), "path": key, **made, "trial": number}
        for row in rows:
            known = {name: one for name, one in row.items() if not _is_open(one)}
            asked = f"INSERT INTO {table} VALUES ({marks})"  # noqa: S608
            last = connection.execute(asked, beside | known)
            number = last.lastrowid if number is None else number


def _is_open(value: object) -> bool:
    """Whether it is a number that is none, or has no end: nothing in a table."""
    return isinstance(value, float) and not isfinite(value)


def note(connection: sqlite3.Connection, key: str, name: str, value: object) -> None:
    """Change one thing that is noted of a trial."""
    connection.execute(f"UPDATE {_TRIALS} SET {name} = ? WHERE path = ?", (value, key))  # noqa: S608
