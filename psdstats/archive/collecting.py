"""Reading many trials into one archive: what is new or changed is evaluated, the rest is not read.

A trial has changed when the size or time of one of its files has, and then its content too; a file
saved a moment before it was looked at is looked at again.  Trials are evaluated on their own,
wherever that is done, and written in order of their path.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

from psdstats import __version__
from psdstats.archive.results import Archive
from psdstats.archive.store import Store, note, put
from psdstats.archive.trial import Row, TrialRows, digest, is_trial, stamp, trial_rows
from psdstats.errors import Problem, StudyError
from psdstats.files import MANIFEST
from psdstats.processes import mapped

_ENDINGS = (".csv", ".xlsx", ".ods")
_TOGETHER = 16  # trials written in one transaction
_MOMENT_NS = 2_000_000_000  # younger files may change without a change of their time


@dataclass(frozen=True, kw_only=True)
class _Task:
    """A trial to be evaluated, and what is noted of it."""

    key: str
    path: Path
    made: Row


def collect(
    paths: Iterable[str | Path],
    into: str | Path,
    *,
    thorough: bool = False,
    encoding: str | None = None,
    workers: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Archive:
    """Evaluate trials into one SQLite file, each once for as long as it does not change.

    Parameters
    ----------
    paths : iterable of str or Path
        Studies, and folders in which studies are looked for: folders with a table of weighings,
        CSV files, workbooks.
    into : str or Path
        The archive; made where there is none.
    thorough : bool, default=False
        Give the verdicts of `psdstats.compare`, number by number, about ten times slower, in place
        of those of each run's own curve with Student's t after Kenward and Roger.
    encoding : str, optional
        Text encoding of CSV files that are not UTF-8.
    workers : int, default=1
        Processes; the result does not depend on it.
    cluster : str, optional
        Address of a Dask scheduler; its workers see the trials under the same paths.
    progress : callable, optional
        Called with (trials evaluated, trials to evaluate).

    Returns
    -------
    Archive

    Raises
    ------
    StudyError
        If there is nothing at a path.
    OutputError
        If the archive cannot be written, or is a file that psdstats did not make.

    Notes
    -----
    A trial that cannot be evaluated is a row that says why.  One that is no longer where it was
    keeps its rows and is marked as gone.  The same content at two places is two rows, and counts
    once in charts and in pooled figures.

    Examples
    --------
    >>> import tempfile
    >>> from psdstats_datasets import demo_study
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     found = collect([demo_study("one_bench")], Path(folder) / "trials.sqlite")
    ...     found.to_frame().loc[1, ["quantity", "first", "last", "verdict"]].tolist()
    ['D50', '0', '48', 'changed']
    """
    store, given = Store(into), [Path(one) for one in paths]
    store.ensure_writable()
    places = {store.key(one): one for one in find_trials(given)}
    with store.writing() as connection:
        tasks = list(_changed(connection, places, thorough=thorough))
        _note_gone(connection, store, given, places)
        work = partial(trial_rows, encoding=encoding, thorough=thorough)
        paths_of = [one.path for one in tasks]
        found = mapped(work, paths_of, workers=workers, cluster=cluster)
        for done in _write(connection, tasks, found):
            if progress is not None:
                progress(done, len(tasks))
    return Archive(store.path, evaluated=len(tasks), unchanged=len(places) - len(tasks))


def find_trials(paths: Iterable[Path]) -> list[Path]:
    """Trials at and below some paths, in order; results of psdstats and hidden files are none."""
    found: dict[Path, None] = {}
    for path in paths:
        if not path.exists():
            remedy = "Give studies, or folders in which there are some."
            raise StudyError([Problem(str(path), "there is no such file or folder", remedy)])
        own = [path] if path.is_file() or is_trial(path) else list(_below(path))
        found |= dict.fromkeys(own)
    return sorted(found)


def _below(folder: Path) -> Iterator[Path]:
    for entry in sorted(os.scandir(folder), key=lambda one: one.name):
        path = Path(entry.path)
        if entry.name.startswith((".", "~$")):
            continue
        if entry.is_dir(follow_symlinks=False):
            if is_trial(path):
                yield path
            elif not _holds_results(path):
                yield from _below(path)
        elif path.suffix.lower() in _ENDINGS and entry.is_file():
            yield path


def _holds_results(folder: Path) -> bool:
    """Whether psdstats wrote tables and figures there."""
    try:
        listed = json.loads((folder / MANIFEST).read_bytes())
    except (OSError, ValueError):
        return False
    return isinstance(listed, dict) and listed.get("holds") == "results"


def _changed(
    connection: sqlite3.Connection, places: Mapping[str, Path], *, thorough: bool
) -> Iterator[_Task]:
    """Trials that are new, changed, or were evaluated otherwise."""
    made_by = f"psdstats {__version__}{', thorough' if thorough else ''}"
    known = {path: own for path, *own in connection.execute("SELECT * FROM noted")}
    now = time.time_ns()
    for key, path in places.items():
        text, latest = stamp(path)
        old_stamp, old_digest, old_by, _ = known.get(key, ("", "", "", 0))
        if text == old_stamp and old_by == made_by:
            continue
        content = digest(path)
        text = text if latest < now - _MOMENT_NS else ""
        if content == old_digest and old_by == made_by:
            note(connection, key, "stamp", text)
            continue
        made: Row = {"stamp": text, "sha256": content, "made_by": made_by}
        yield _Task(key=key, path=path, made=made)


def _note_gone(
    connection: sqlite3.Connection, store: Store, given: list[Path], places: Mapping[str, Path]
) -> None:
    """Mark trials that are not found any more where they were looked for."""
    roots = [Path(os.path.realpath(one)) for one in given]
    for key, *_, was in connection.execute("SELECT * FROM noted").fetchall():
        place, is_gone = store.path.parent / key, int(key not in places)
        if is_gone != was and any(place.is_relative_to(root) for root in roots):
            note(connection, key, "gone", is_gone)


def _write(
    connection: sqlite3.Connection, tasks: Sequence[_Task], found: Iterator[TrialRows]
) -> Iterator[int]:
    """Write trials as they are evaluated, some together; gives how many are done."""
    pairs, done = zip(tasks, found, strict=True), 0
    while some := list(islice(pairs, _TOGETHER)):
        connection.execute("BEGIN IMMEDIATE")
        for task, rows in some:
            put(connection, task.key, task.made, rows)
        connection.execute("COMMIT")
        done += len(some)
        yield done
