"""Writing output so that a reader sees the old state or the new one, never half of either.

A folder is built under a hidden name beside its target and moved into place in one step; with it
goes a list of the files written (`MANIFEST`), so that a later replacement touches those alone.
A process killed while writing may leave something named `.<name>.psdstats-*` beside the target,
which can be deleted.  Nothing here protects against a power cut before the disk has written.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import secrets
import shutil
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

from psdstats.errors import OutputError

MANIFEST = ".psdstats-files.json"
"""Name of the list of files psdstats wrote into a folder, with the SHA-256 of each."""


class Holds(StrEnum):
    """What psdstats wrote into a folder: readings (a study, a sheet) or results from them."""

    READINGS = "readings"
    RESULTS = "results"


_AT_FDCWD = -100  # linux/fcntl.h: paths are taken from the working directory
_RENAME_EXCHANGE = 2  # linux/fs.h: swap two paths in one step


def write_file_atomically(
    target: str | Path, content: str | bytes | Callable[[Path], None], *, replace: bool = False
) -> Path:
    """Write one file; it appears whole or not at all."""
    place = Path(target).resolve()
    if place.is_dir():
        raise OutputError(f"{place} is a folder, not a file. Choose another file name.")
    if place.exists() and not replace:
        raise _exists(place)
    draft = _draft_beside(place)
    try:
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            if callable(content):
                content(draft)
            else:
                draft.write_bytes(content.encode() if isinstance(content, str) else content)
            _place_file(draft, place, replace=replace)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as cause:
        raise _cannot_write(place, cause) from cause
    return place


def write_folder_atomically(
    target: str | Path,
    writer: Callable[[Path], None],
    *,
    holds: Holds | str = Holds.RESULTS,
    replace: bool = False,
) -> Path:
    """Write a folder of files; it appears whole or not at all.

    Notes
    -----
    Replacing swaps the old and the new folder in one step where the system can (Linux).
    Elsewhere it takes two renames, between which a killed process leaves the old folder whole
    under a hidden name.
    """
    place = Path(target).resolve()
    if place.exists() and not place.is_dir():
        raise OutputError(f"{place} is a file, not a folder. Choose another folder name.")
    filled = place.is_dir() and any(place.iterdir())
    if filled and not replace:
        raise _exists(place)
    draft = _draft_beside(place)
    try:
        kept = _files_to_keep(place, Holds(holds)) if filled else []
        draft.mkdir(parents=True)
        try:
            writer(draft)
            _write_manifest(draft, Holds(holds))
            _carry_over(kept, place, draft)
            _place_folder(draft, place)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as cause:
        raise _cannot_write(place, cause) from cause
    return place


def _draft_beside(place: Path) -> Path:
    # the ending is kept: writers choose the format by it
    return place.with_name(f".{place.stem}.psdstats-{secrets.token_hex(6)}{place.suffix}")


def _exists(place: Path) -> OutputError:
    """Refusal to cover what is there."""
    return OutputError(
        f"{place} exists already. Choose another name, or ask for it to be replaced."
    )


def _cannot_write(place: Path, cause: OSError) -> OutputError:
    """Refusal of the file system, in a sentence."""
    reason = cause.strerror or str(cause)
    return OutputError(f"{place} cannot be written: {reason}. Choose a place you may write to.")


def _place_file(draft: Path, place: Path, *, replace: bool) -> None:
    if replace:
        draft.replace(place)
        return
    try:
        os.link(draft, place)  # unlike a rename, fails if the target has appeared meanwhile
    except FileExistsError as cause:
        raise _exists(place) from cause
    except OSError:  # file systems without hard links
        draft.rename(place)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _all_files(folder: Path) -> list[str]:
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_symlink() or not path.is_dir()
    )


def _write_manifest(folder: Path, holds: Holds) -> None:
    digests = {name: _digest(folder / name) for name in _all_files(folder)}
    said = {"written_by": "psdstats", "holds": str(holds), "files": digests}
    text = json.dumps(said, indent=1, sort_keys=True)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def _read_manifest(place: Path) -> tuple[Holds, dict[str, str]]:
    try:
        found = json.loads((place / MANIFEST).read_text(encoding="utf-8"))
        files = {str(name): str(digest) for name, digest in found["files"].items()}
        holds = Holds(found["holds"])
    except FileNotFoundError as cause:
        raise OutputError(
            f"{place} holds files that psdstats did not write (no {MANIFEST} in it). "
            "Choose another folder."
        ) from cause
    except (ValueError, KeyError, TypeError, AttributeError) as cause:
        raise OutputError(
            f"{place / MANIFEST} cannot be read, so what psdstats wrote is not known. "
            "Choose another folder."
        ) from cause
    return holds, files


def _files_to_keep(place: Path, holds: Holds) -> list[str]:
    """Files in the old folder that psdstats did not write; refuses if one it wrote was changed."""
    held, written = _read_manifest(place)
    if held is not holds:
        raise OutputError(
            f"{place} holds {held}, which {holds} never replace. Choose another folder."
        )
    for name, digest in sorted(written.items()):
        path = place / name
        if path.is_file() and _digest(path) != digest:
            raise OutputError(
                f"{path} was changed after psdstats wrote it. "
                "Move it away or rename it, then write again."
            )
    return [name for name in _all_files(place) if name not in written and name != MANIFEST]


def _carry_over(kept: list[str], place: Path, draft: Path) -> None:
    for name in kept:
        source, goal = place / name, draft / name
        if goal.exists() or goal.is_symlink():
            raise OutputError(
                f"{source} was not written by psdstats and would be covered by a new file. "
                "Move it away or rename it, then write again."
            )
        goal.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(source, goal, follow_symlinks=False)
        except OSError:  # file systems without hard links
            shutil.copy2(source, goal, follow_symlinks=False)


def _place_folder(draft: Path, place: Path) -> None:
    """Move the draft to its place; what was there before ends up under the draft's name."""
    if not place.exists():
        draft.rename(place)
    elif not _swap(draft, place):
        old = _draft_beside(place)
        place.rename(old)
        draft.rename(place)
        shutil.rmtree(old, ignore_errors=True)


def _swap(first: Path, second: Path) -> bool:
    """Exchange two paths in one step; False where the system has no such step."""
    if sys.platform != "linux":
        return False
    exchange = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if exchange is None:
        return False
    done: int = exchange(
        _AT_FDCWD, os.fsencode(first), _AT_FDCWD, os.fsencode(second), _RENAME_EXCHANGE
    )
    return done == 0
