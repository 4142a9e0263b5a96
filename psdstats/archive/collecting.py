"""Reading many trials into one archive: what is new or changed is evaluated, the rest is not read.

A trial has changed when the size or time of one of its files has, and then its content too; a file
saved a moment before it was looked at is looked at again.  Trials are evaluated on their own,
wherever that is done, and written in order of their path.  Verdicts take a whole `compare` of each
trial, so they are made where they are asked for, and kept until the trial changes.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from itertools import islice
from pathlib import Path

from psdstats import __version__
from psdstats.archive.results import Archive, Row, Store, note, put
from psdstats.errors import Problem, StudyError
from psdstats.files import MANIFEST
from psdstats.processes import mapped

_ENDINGS = (".csv", ".xlsx", ".ods")
_TABLES = ("study.toml", "runs.csv", "weighings.csv", "sieves.csv")
_TOGETHER = 4  # trials written in one transaction
_MOMENT_NS = 2_000_000_000  # younger files may change without a change of their time


def collect(
    paths: Iterable[str | Path],
    into: str | Path,
    *,
    verdicts: bool = False,
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
    verdicts : bool, default=False
        Also what `psdstats.compare` says of each trial, number by number: seconds a trial, where
        sizes, means and scatter take a tenth of one.  Those of trials that have not changed stay,
        asked for again or not; another version of psdstats evaluates all trials anew.
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
    ...     found.to_frame().loc[1, ["quantity", "first", "last", "sizes_by"]].tolist()
    ['D50', '0', '48', 'own readings']
    """
    store, given = Store(into), [Path(one) for one in paths]
    store.ensure_writable()
    places = {store.key(one): one for one in find_trials(given)}
    with store.writing() as connection:
        tasks = list(_changed(connection, places, verdicts=verdicts))
        _note_gone(connection, store, given, places)
        if tasks:
            from psdstats.archive.trial import trial_rows  # loads all that evaluates a trial

            work = partial(trial_rows, encoding=encoding, verdicts=verdicts)
            own = [places[key] for key, _ in tasks]
            found = mapped(work, own, workers=workers, cluster=cluster)
            for done in _write(connection, zip(tasks, found, strict=True)):
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


def is_trial(folder: Path) -> bool:
    """Whether a folder is a study, by the names of its files."""
    return any((folder / name).is_file() for name in _TABLES)


def _files(trial: Path) -> list[Path]:
    own = [trial / name for name in _TABLES] if trial.is_dir() else [trial]
    return [one for one in own if one.is_file()]


def _stamp(trial: Path) -> tuple[str, int]:
    """Size and time of each file of a trial, as text, and the latest of these times, ns."""
    found = [(one.name, one.stat()) for one in _files(trial)]
    text = ";".join(f"{name}:{own.st_size}:{own.st_mtime_ns}" for name, own in found)
    return text, max((own.st_mtime_ns for _, own in found), default=0)


def _digest(trial: Path) -> str:
    """SHA-256 over the names and the content of the files of a trial."""
    whole = hashlib.sha256()
    for one in _files(trial):
        name = one.name if trial.is_dir() else one.suffix.lower()  # a copy may have another name
        whole.update(f"{name}:{hashlib.sha256(one.read_bytes()).hexdigest()}\n".encode())
    return whole.hexdigest()


def _changed(
    connection: sqlite3.Connection, places: Mapping[str, Path], *, verdicts: bool
) -> Iterator[tuple[str, Row]]:
    """Trials that are new, changed, or lack what is asked for, and what is noted of each."""
    made_by, now = f"psdstats {__version__}", time.time_ns()
    known = {path: own for path, *own in connection.execute("SELECT * FROM noted")}
    for key, path in places.items():
        old_stamp, old_digest, old_by, judged, _ = known.get(key, ("", "", "", 0, 0))
        is_whole = old_by == made_by and judged >= verdicts
        stamp, latest = _stamp(path)
        if is_whole and stamp == old_stamp:
            continue
        content = _digest(path)
        stamp = stamp if latest < now - _MOMENT_NS else ""
        if is_whole and content == old_digest:
            note(connection, key, "stamp", stamp)
            continue
        yield key, {"stamp": stamp, "sha256": content, "made_by": made_by, "gone": 0}


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
    connection: sqlite3.Connection, pairs: Iterator[tuple[tuple[str, Row], Mapping[str, list[Row]]]]
) -> Iterator[int]:
    """Write trials as they are evaluated, some together; gives how many are done."""
    done = 0
    while some := list(islice(pairs, _TOGETHER)):
        connection.execute("BEGIN IMMEDIATE")
        for (key, made), rows in some:
            put(connection, key, made, rows)
        connection.execute("COMMIT")
        done += len(some)
        yield done
