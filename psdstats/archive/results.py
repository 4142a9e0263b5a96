"""The archive of many trials: one SQLite file, and what can be asked of it.

Its tables (described in schema.sql), a chart of a size over dates, repeatability.  A trial's rows
are written whole or not at all, however the process ends; a file that psdstats did not make is
never touched.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.archive.charts import (
    ControlChart,
    Limits,
    Repeatability,
    chart_of,
    points_of,
    pooled,
)
from psdstats.columns import QUANTITIES, TIME, column_words
from psdstats.errors import OutputError
from psdstats.files import ensure

if TYPE_CHECKING:
    from psdstats.study.cells import SourceFile
    from psdstats.study.settings import Declared

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


_LEAST_PERCENT = 0.001
_NO_LEVELS = ("trial", "sha256", "stamp", "made_by", "gone", "judged", "refusal")


@dataclass(frozen=True)
class Archive:
    """An archive of trials: one SQLite file, written by `psdstats.collect`.

    Parameters
    ----------
    path : Path
        The file.
    evaluated, unchanged : int
        Trials that the call of `collect` has evaluated, and that it found as they were.

    Raises
    ------
    OutputError
        When it is asked, if the file is no archive.

    Examples
    --------
    >>> import tempfile
    >>> from psdstats import collect
    >>> from psdstats_datasets import demo_study
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
    ...     found.title
    'trials.sqlite'
    """

    path: Path
    evaluated: int = 0
    unchanged: int = 0

    @property
    def title(self) -> str:
        """Its name, for the record of where numbers come from."""
        return self.path.name

    @property
    def files(self) -> tuple[SourceFile, ...]:
        """What it was read from: each trial with the digest of its files."""
        from psdstats.study.cells import SourceFile

        trials = self.trials_frame()
        return tuple(map(SourceFile, trials["path"], trials["sha256"]))

    def _list(self, of: str, quantity: str | None = None) -> pd.DataFrame:
        return Store(self.path).frame(f"{of}_list", quantity)

    def trials_frame(self) -> pd.DataFrame:
        """One row a trial: path, title, material, date, runs, groups, warnings, refusal, judged.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.trials_frame()["runs"].tolist()
        [5]
        """
        return self._list("trial")

    def to_frame(self) -> pd.DataFrame:
        """One row a trial and size, or level of its further factors: from where to where it went.

        With the verdict where it was asked for: sizes and verdict are then those of `compare`
        (column sizes_by), else means of the runs by their own readings.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     len(found.to_frame()) > 0
        True
        """
        return self._list("answer").drop(columns=["trial", "number"])

    def runs_frame(self, where: Mapping[str, str] | None = None) -> pd.DataFrame:
        """One row a run and size, with everything that the run table says.

        Parameters
        ----------
        where : mapping of str to str, optional
            Levels by column that the rows shall have.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.runs_frame()["run"].nunique()
        5
        """
        found = self._runs(where).merge(self._list("size"), on=["trial", "run"], how="left")
        return found.drop(columns="trial")

    def _runs(self, where: Mapping[str, str] | None) -> pd.DataFrame:
        """One row a run, its labels as columns of their own."""
        runs = self._list("run").rename(columns={"run_group": "group"})
        labels = pd.DataFrame(map(json.loads, runs.pop("labels")), index=runs.index)
        further = labels[[name for name in labels.columns if name not in runs.columns]]
        return _where(pd.concat([runs, further], axis=1), where or {})

    def means_frame(self) -> pd.DataFrame:
        """One row a trial, milling time and size: mean of its runs by their own readings.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.means_frame()["milling_time_min"].unique().tolist()
        [0.0, 6.0, 12.0, 24.0, 48.0]
        """
        return self._list("mean").drop(columns="trial")

    def chart(
        self,
        quantity: str = "D50",
        where: Mapping[str, str] | None = None,
        *,
        limits: Limits | str = Limits.BETWEEN,
    ) -> ControlChart:
        """Control chart of a size over dates.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            The size.
        where : mapping of str to str, optional
            Which runs: levels by column, such as ``{"group": "reference"}``.
        limits : {"between", "within"}
            What the limits allow for: what successive points differ by, or runs alike within a
            trial alone.

        Raises
        ------
        OutputError
            If the chosen runs are of several milling times, or too few have a date.

        Examples
        --------
        >>> import psdstats
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     try:
        ...         found.chart("D50")
        ...     except psdstats.PsdstatsError as refusal:
        ...         type(refusal).__name__
        'OutputError'
        """
        if quantity not in QUANTITIES:
            raise OutputError(
                f"there is no quantity {quantity!r}; choose from {', '.join(QUANTITIES)}."
            )
        runs = self._runs(where)
        _ensure_alike(runs)
        runs = _once(runs[runs["run_date"].fillna("") != ""], self.trials_frame())
        runs = runs.merge(self._list("size", quantity), on=["trial", "run"]).dropna(subset="size")
        shared = [
            _named(json.loads(text), path)
            for text, path in zip(runs["shared"], runs["path"], strict=True)
        ]
        return chart_of(points_of(runs, shared), quantity, limits)

    def repeatability(self, where: Mapping[str, str] | None = None) -> tuple[Repeatability, ...]:
        """Spread among runs alike, pooled over trials, for each size that shows any.

        Parameters
        ----------
        where : mapping of str to str, optional
            Which trials: levels by column (material, title, path), others are not looked at.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.repeatability()
        ()
        """
        trials = self.trials_frame()
        known = {name: level for name, level in (where or {}).items() if name in trials.columns}
        spreads = self._list("spread").merge(
            _once(_where(trials, known), trials)[["path"]], on="path"
        )
        return tuple(
            pooled(name, spreads[spreads["quantity"] == name])
            for name in QUANTITIES
            if (spreads["quantity"] == name).any()
        )

    def run_to_run(self) -> Declared:
        """The same as `compare` takes it for trials of single runs, size by size.

        Raises
        ------
        OutputError
            If no trial holds runs alike.

        Notes
        -----
        Where the measurement explains all the scatter, or next to all of it, the scatter itself
        stands for it: it cannot be more.

        Examples
        --------
        >>> import psdstats
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     try:
        ...         found.run_to_run()
        ...     except psdstats.PsdstatsError as refusal:
        ...         type(refusal).__name__
        'OutputError'
        """
        from psdstats.study.settings import Declared

        found = {
            one.quantity: Declared(percent=one.percent, df=one.df)
            if one.df >= 1
            else Declared(percent=max(one.scatter_percent, _LEAST_PERCENT), df=one.runs_df)
            for one in self.repeatability()
        }
        if not found:
            raise OutputError(
                f"no trial of {self.path} holds runs alike, so how far runs differ is not known; "
                "give a percentage, such as 2.5:8."
            )
        return replace(found.get("D50") or next(iter(found.values())), each=found)


def _ensure_alike(runs: pd.DataFrame) -> None:
    """Refuse runs of several milling times, of which a mean says nothing."""
    times = sorted({float(one) for one in runs[TIME]})
    if len(times) > 1:
        listed = ", ".join(f"{one:g}" for one in times[:8]) + (", …" if times[8:] else "")
        raise OutputError(
            f"the runs differ in {column_words(TIME)} ({listed} min), and their mean says nothing; "
            f"choose with --where {TIME}={times[0]:g}."
        )


def _named(shared: dict[str, float], path: str) -> dict[str, float]:
    """Shared errors by name; those of one trial by its path too."""
    return {
        f"{path} {name}" if name.startswith(f"{OF_TRIAL} ") else name: one
        for name, one in shared.items()
    }


def _once(rows: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Rows of trials of which no other has the same content; of those that do, the first."""
    first = trials.sort_values(["gone", "path"]).drop_duplicates("sha256")
    return rows[rows["path"].isin(first["path"])]


def _where(frame: pd.DataFrame, asked: Mapping[str, str]) -> pd.DataFrame:
    """Rows with these levels; text is compared with text, and numbers as numbers."""
    for column, level in asked.items():
        if column not in frame.columns:
            known = ", ".join(str(one) for one in frame.columns if one not in _NO_LEVELS)
            raise OutputError(f"no run has a column {column!r}. Choose from {known}.")
        same = frame[column].map(str) == level
        if (number := pd.to_numeric(level, errors="coerce")) == number:
            same |= pd.to_numeric(frame[column], errors="coerce") == number
        if not same.any():
            levels = sorted({str(one) for one in frame[column].dropna()})
            more = f" and {len(levels) - 8} more" if len(levels) > 8 else ""
            raise OutputError(
                f"no run has {column} = {level}. There is {', '.join(levels[:8])}{more}."
            )
        frame = frame[same]
    return frame
