"""Writing output so that a reader sees the old state or the new one, never half of either.

A file or folder is written in a hidden folder beside its target (`.NAME.psdstats-draft`, locked by
the one process that writes) and moved into place in one step.  With a folder goes a list of the
files written and their digests (`MANIFEST`): a replacement deletes those alone, and those only as
they were written; everything else goes over into the new folder.  What a killed process left
behind is removed by the next run that writes beside it; whatever it had moved away goes back.

Where the system knows no exchange of two names (Linux does), replacing takes two renames.  Nothing
here protects against a power cut before the disk has written, nor what a program writes through a
file that it still holds open while that file is replaced.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import secrets
import shutil
import signal
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from enum import StrEnum
from pathlib import Path, PurePosixPath

from psdstats.errors import OutputError

_LOCKS = os.name != "nt"  # without them nobody knows whether a draft belongs to a living process
if _LOCKS:
    import fcntl

MANIFEST = ".psdstats-files.json"
"""Name of the list of files psdstats wrote into a folder, with the SHA-256 of each."""


class Holds(StrEnum):
    """What psdstats wrote into a folder: readings (a study, a sheet) or results from them."""

    READINGS = "readings"
    RESULTS = "results"


_Written = dict[str, str]  # name below the folder, and digest
_Inode = tuple[int, int]

_ASK = ", or ask for it to be replaced"
_SPACE = ".psdstats-draft"  # ending of the hidden folder beside a target
_DRAFT, _READY, _OLD, _GONE, _LOCK = "draft-", "ready-", "old-", "gone-", "lock"
_AT_FDCWD = -100  # linux/fcntl.h: paths are taken from the working directory
_NOREPLACE, _EXCHANGE = 1, 2  # linux/fs.h: fail where the goal exists; swap two paths in one step
_NO_SUCH_STEP = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


def ensure(
    target: str | Path, holds: Holds | None, *, replace: bool = False, remedy: str = _ASK
) -> Path:
    """Refuse a target that could not be written, before any work is done; gives its full path.

    `holds` is what a folder shall hold, or None for a single file; `remedy` says how to have
    replaced what is there.
    """
    place = Path(os.path.realpath(target))
    with _in_a_sentence(place):
        _judge(place, holds, replace=replace, remedy=remedy)
    return place


def write_file_atomically(
    target: str | Path, content: str | bytes | Callable[[Path], None], *, replace: bool = False
) -> Path:
    """Write one file; it appears whole or not at all."""
    place = Path(os.path.realpath(target))
    with _in_a_sentence(place):
        was = _judge(place, None, replace=replace)
        with _draft(place) as draft:
            if callable(content):
                content(draft)
            else:
                draft.write_bytes(content.encode() if isinstance(content, str) else content)
            _place_file(draft, place, None if was is None else was[place.name])
    return place


def write_folder_atomically(
    target: str | Path,
    writer: Callable[[Path], None],
    *,
    holds: Holds | str = Holds.RESULTS,
    replace: bool = False,
) -> Path:
    """Write a folder of files; it appears whole or not at all."""
    place, holds = Path(os.path.realpath(target)), Holds(holds)
    with _in_a_sentence(place):
        _judge(place, holds, replace=replace)
        with _draft(place) as draft:
            draft.mkdir()
            writer(draft)
            _write_manifest(draft, holds)
            written = _judge(place, holds, replace=replace)
            if written is None:
                _place_new(draft, place)
            elif not written:
                _place_on_empty(draft, place)
            else:
                _replace_folder(draft, place, written)
    return place


def _judge(
    place: Path, holds: Holds | None, *, replace: bool, remedy: str = _ASK
) -> _Written | None:
    """What psdstats wrote there, name and digest; None where nothing stands; or a refusal.

    The digest of a single file is that of the file as it is.
    """
    if not place.name:
        raise OutputError(f"{place} is the root of the disk. Choose a name below it.")
    if place.is_dir() is (holds is None) and place.exists():
        kinds = ("folder", "file") if holds is None else ("file", "folder")
        raise OutputError(f"{place} is a {kinds[0]}, not a {kinds[1]}. Choose another name.")
    _ensure_writable(place)
    if not place.exists():
        return None
    if holds is None:
        if not replace:
            raise _exists(place, remedy)
        if not place.is_file():
            raise OutputError(f"{place} is no ordinary file. Choose another name.")
        return {place.name: _digest(place)}
    _ensure_elsewhere(place)
    if not any(place.iterdir()):
        return {}
    if not replace:
        raise _exists(place, remedy)
    return _unchanged(place, holds)


def _ensure_writable(place: Path) -> None:
    """Refuse where the file system will not have it: a file or a protected folder on the way."""
    above = next(each for each in place.parents if each.exists())
    if not above.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(above))
    for folder in (above, place):
        if folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))


def _ensure_elsewhere(place: Path) -> None:
    """Refuse the folder in which the user stands, which would be taken away from under them."""
    with suppress(OSError):  # a working directory that is gone is no place either
        here = Path.cwd()
        if place in (here, *here.parents):
            raise OutputError(
                f"{place} is the folder you are in, and would be exchanged for a new one. "
                "Choose a name below it, or go to another folder first."
            )


def _unchanged(place: Path, holds: Holds) -> _Written:
    """What psdstats wrote into a folder; refuses where that is not known, or was changed."""
    held, written = _read_manifest(place)
    if held is not holds:
        raise OutputError(
            f"{place} holds {held}, which {holds} never replace. Choose another folder."
        )
    for name, is_folder in _below(place):
        if is_folder:
            _ensure_writable(place / name)
        elif name in written and not _is_as_written(place / name, written[name]):
            raise OutputError(
                f"{place / name} was changed after psdstats wrote it. "
                "Move it away or rename it, then write again."
            )
    return written


def _exists(place: Path, remedy: str = _ASK) -> OutputError:
    """Refusal to cover what is there."""
    return OutputError(f"{place} exists already. Choose another name{remedy}.")


@contextmanager
def _in_a_sentence(place: Path) -> Iterator[None]:
    """Say in a sentence what the file system refuses."""
    try:
        yield
    except OSError as cause:
        if _SPACE in str(place):  # written within something that says it, by its own name
            raise
        reason, where = cause.strerror or str(cause), Path(str(cause.filename))
        if where in place.parents or place in where.parents:
            reason = f"{where}: {reason}"
        raise OutputError(
            f"{place} cannot be written: {reason}. Choose a place you may write to."
        ) from cause


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _is_as_written(path: Path, digest: str) -> bool:
    return stat.S_ISREG(path.lstat().st_mode) and _digest(path) == digest


def _below(folder: Path) -> list[tuple[str, bool]]:
    """Everything below a folder, and whether it is one; each folder stands before its contents."""
    found: list[tuple[str, bool]] = []
    for entry in sorted(os.scandir(folder), key=lambda one: one.name):
        is_folder = entry.is_dir(follow_symlinks=False)
        found.append((entry.name, is_folder))
        if is_folder:
            found += [(f"{entry.name}/{name}", own) for name, own in _below(folder / entry.name)]
    return found


def _write_manifest(folder: Path, holds: Holds) -> None:
    digests = {name: _digest(folder / name) for name, is_folder in _below(folder) if not is_folder}
    said = {"written_by": "psdstats", "holds": str(holds), "files": digests}
    text = json.dumps(said, indent=1, sort_keys=True)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8")


def _read_manifest(place: Path) -> tuple[Holds, _Written]:
    """What a folder holds, and every file psdstats wrote into it, the list itself too."""
    try:
        content = (place / MANIFEST).read_bytes()
        found = json.loads(content)
        files = {str(name): str(digest) for name, digest in found["files"].items()}
        holds = Holds(found["holds"])
    except FileNotFoundError as cause:
        raise OutputError(
            f"{place} holds files that psdstats did not write (no {MANIFEST} in it). "
            "Choose another folder."
        ) from cause
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as cause:
        raise OutputError(
            f"{place / MANIFEST} cannot be read, so what psdstats wrote is not known. "
            "Choose another folder."
        ) from cause
    return holds, {**files, MANIFEST: hashlib.sha256(content).hexdigest()}


@contextmanager
def _draft(place: Path) -> Iterator[Path]:
    """A path to write under, in the hidden folder beside the place; nothing of it is left."""
    space = place.with_name(f".{place.name}{_SPACE}")
    home = space / f"{_DRAFT}{secrets.token_hex(6)}"
    new = [each for each in place.parents if not each.exists()]
    lock = None
    try:
        with _unstopped():
            lock = _lock(space)
            if lock is not None:
                _clear_beside(space, place)
            (home / "new").mkdir(parents=True)
        yield home / "new" / place.name
    finally:
        with _unstopped():
            try:
                _close(home, place)
            finally:
                _unlock(space, lock)
                for each in new:  # those that hold something stay
                    with suppress(OSError):
                        each.rmdir()


@contextmanager
def _unstopped() -> Iterator[None]:
    """Let Ctrl-C and SIGTERM wait until a short step is done."""
    came: list[int] = []
    was = {}
    try:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                if signal.getsignal(number) is not None:
                    was[number] = signal.signal(number, lambda by, _: came.append(by))
        yield
    finally:
        for number, handler in was.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])


def _lock(space: Path) -> int | None:
    """An open, locked file, which the system unlocks when this process ends, however it ends."""
    while True:
        space.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_own_folder(space):
            raise OutputError(f"{space} belongs to somebody else. Delete it, or choose a new name.")
        if not _LOCKS:
            return None
        try:
            lock = os.open(space / _LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
        except FileNotFoundError:
            continue  # the last writer has just removed the folder
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.path.samestat(os.fstat(lock), (space / _LOCK).stat()):
                return lock
        except FileNotFoundError:
            pass  # the last writer has just removed its lock
        except BlockingIOError as cause:
            os.close(lock)
            raise OutputError(
                f"{space.with_name(space.name[1 : -len(_SPACE)])} is being written by another "
                "psdstats just now. Wait until it is done, or choose another name."
            ) from cause
        except OSError:  # a file system without locks
            os.close(lock)
            return None
        os.close(lock)


def _is_own_folder(folder: Path) -> bool:
    found = folder.lstat()
    return stat.S_ISDIR(found.st_mode) and (not _LOCKS or found.st_uid == os.geteuid())


def _unlock(space: Path, lock: int | None) -> None:
    if lock is not None:
        (space / _LOCK).unlink(missing_ok=True)
        os.close(lock)
    with suppress(OSError):  # it stays while it holds something
        if _is_own_folder(space):
            space.rmdir()


def _clear_beside(space: Path, place: Path) -> None:
    """Remove the drafts that dead processes left, for this place and for others beside it."""
    for left in space.glob(f"{_DRAFT}*"):
        _close(left, place)
    for other in space.parent.glob(f".*{_SPACE}"):
        with suppress(OutputError, OSError):
            if other != space and _is_own_folder(other):
                lock = _lock(other)
                for left in other.glob(f"{_DRAFT}*") if lock is not None else ():
                    _close(left, None)
                _unlock(other, lock)


def _close(home: Path, place: Path | None) -> None:
    """Remove a draft; what was moved away for its sake goes back, where the place is given.

    A draft ready to be placed bears the number of its inode: anything else under that name is the
    old one, with which it has changed places.
    """
    try:
        for entry in home.iterdir() if home.exists() else ():
            is_ready = entry.name.startswith(_READY) and entry.name == _ready_name(entry)
            if is_ready or not entry.name.startswith((_READY, _OLD)):
                _remove(entry)
            elif place is not None:
                _give_back(entry, place)
    finally:
        with suppress(OSError):
            home.rmdir()


def _ready_name(draft: Path) -> str:
    return f"{_READY}{draft.lstat().st_ino}"


def _remove(path: Path) -> None:
    """Remove a draft; renamed first, so that a process still writing into it finds it no more."""
    gone = path.rename(path.with_name(f"{_GONE}{secrets.token_hex(6)}"))
    if gone.is_dir() and not gone.is_symlink():
        shutil.rmtree(gone, ignore_errors=True)
    else:
        gone.unlink()


def _give_back(old: Path, place: Path) -> None:
    """Undo, or finish, what a process began that was stopped between the old and the new."""
    with suppress(FileExistsError):
        _rename_new(old, place)
        return
    with suppress(OutputError, OSError):  # what psdstats did not write there is left as it is
        _read_manifest(place)
        written = _read_manifest(old)[1] if (old / MANIFEST).exists() else {}
        if not _settle(old, place, written, set()):
            return
    kept = place.with_name(f"{place.name}.kept-{secrets.token_hex(3)}")
    _rename_new(old, kept)
    raise OutputError(
        f"psdstats was stopped while it replaced {place}; what stood there before is now {kept}. "
        "Look at both, then write again."
    )


def _place_file(draft: Path, place: Path, was: str | None) -> None:
    if was is None:
        _place_new(draft, place)
        return
    _take_rights(place, draft)
    with _unstopped():
        ready = draft.rename(draft.parents[1] / _ready_name(draft))
        _swap(ready, place)
        if not _is_as_written(ready, was):
            _swap(ready, place)
            raise _touched(place)
        _remove(ready)


def _place_new(draft: Path, place: Path) -> None:
    try:
        _rename_new(draft, place)
    except FileExistsError as cause:
        raise _exists(place) from cause


def _place_on_empty(draft: Path, place: Path) -> None:
    """Move onto an empty folder; the system refuses once something stands in it."""
    _take_rights(place, draft)
    try:
        draft.rename(place)
    except OSError as cause:
        if cause.errno not in (errno.EEXIST, errno.ENOTEMPTY):
            raise
        with suppress(OSError):
            place.rmdir()  # Windows renames onto no folder, and removes none that is filled
        _place_new(draft, place)


def _replace_folder(draft: Path, place: Path, written: _Written) -> None:
    """Swap the old folder for the new one; what psdstats did not write goes over into it."""
    _, new = _read_manifest(draft)
    links: set[_Inode] = set()
    covered = _carry(place, draft, written, links, is_placed=False)
    if covered:
        raise OutputError(
            f"{place / covered[0]} was not written by psdstats and would be covered by a new file. "
            "Move it away or rename it, then write again."
        )
    for name, _ in (("", True), *_below(draft)):
        _take_rights(place / name, draft / name)
    with _unstopped():
        ready = draft.rename(draft.parents[1] / _ready_name(draft))
        _swap(ready, place)
        covered = _settle(ready, place, written, links)
        if covered:
            seen = ready.rename(ready.with_name(f"{_OLD}{secrets.token_hex(6)}"))
            _swap(seen, place)
            _settle(seen, place, new, links)
            raise _touched(place / covered[0])


def _touched(path: Path) -> OutputError:
    return OutputError(
        f"{path} was changed while psdstats wrote; it is left as it is. "
        "Move it away or rename it, then write again."
    )


def _settle(old: Path, new: Path, written: _Written, links: set[_Inode]) -> list[str]:
    """Empty a folder that was swapped away: foreign things go over, the others are deleted.

    Gives the names of things that would cover a new file; then nothing is deleted.
    """
    covered = _carry(old, new, written, links, is_placed=True)
    if covered:
        return covered
    for name, is_folder in reversed(_below(old)):
        path = old / name
        if is_folder:
            with suppress(OSError):
                path.rmdir()
        elif _is_ours(path, name, written, links) or _is_same(path, new / name):
            path.unlink()
    old.rmdir()
    return []


def _carry(
    old: Path, new: Path, written: _Written, links: set[_Inode], *, is_placed: bool
) -> list[str]:
    """Take over what psdstats did not write: by links at first, moved once the new is placed.

    Gives the names of things that would cover a new file.
    """
    own = {str(folder) for name in written for folder in PurePosixPath(name).parents}
    foreign = {
        name: is_folder
        for name, is_folder in _below(old)
        if (name not in own if is_folder else not _is_ours(old / name, name, written, links))
    }
    folders = {str(each) for name in foreign for each in PurePosixPath(name).parents}
    folders |= {name for name, is_folder in foreign.items() if is_folder}
    covered, made = [], []
    for name in sorted(folders - {"."}):
        if not _is_folder(new / name):
            try:
                (new / name).mkdir()
            except (FileExistsError, NotADirectoryError):
                covered.append(name)
                continue
            made.append((new / name, (old / name).stat()))
            _take_rights(old / name, new / name)
    for name, is_folder in foreign.items():
        if not is_folder and not _is_same(old / name, new / name):
            try:
                _take_over(old / name, new / name, links, is_placed=is_placed)
            except (FileExistsError, NotADirectoryError):
                covered.append(name)
    for path, found in reversed(made):
        os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))
    return covered


def _take_over(source: Path, goal: Path, links: set[_Inode], *, is_placed: bool) -> None:
    """Link a file into the new folder (where no link can be made it is moved later), or move it."""
    if is_placed:
        if os.path.lexists(goal) and _inode(goal) in links:
            goal.unlink()  # the file as it was when it was linked; it was saved anew since
        _rename_new(source, goal)
        return
    try:
        os.link(source, goal, follow_symlinks=False)
        links.add(_inode(goal))
    except (FileExistsError, NotADirectoryError):
        raise
    except (OSError, NotImplementedError):
        if os.path.lexists(goal):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(goal)) from None


def _inode(path: Path) -> _Inode:
    found = path.lstat()
    return found.st_dev, found.st_ino


def _is_ours(path: Path, name: str, written: _Written, links: set[_Inode]) -> bool:
    """Whether a file may go: one that psdstats wrote, or linked; not one changed meanwhile."""
    return _inode(path) in links or (name in written and _is_as_written(path, written[name]))


def _is_same(path: Path, other: Path) -> bool:
    return os.path.lexists(other) and _inode(path) == _inode(other)


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _take_rights(old: Path, new: Path) -> None:
    """Give owner, mode and access list of an old file or folder to the new one of that name."""
    if _is_folder(old) is not _is_folder(new) or not old.exists() or _is_same(old, new):
        return
    was, own = old.stat(), new.stat()
    for owner in ((-1, was.st_gid), (was.st_uid, -1)) if hasattr(os, "chown") else ():
        with suppress(PermissionError):
            os.chown(new, *owner)
    shutil.copystat(old, new)
    if new.stat().st_gid != was.st_gid:  # what the old group might do is not for another one
        new.chmod(stat.S_IMODE(was.st_mode) & ~stat.S_IRWXG)
    os.utime(new, ns=(own.st_atime_ns, own.st_mtime_ns))


def _rename_new(source: Path, goal: Path) -> None:
    """Rename to a name that does not exist; FileExistsError where it does."""
    if os.name == "nt":
        source.rename(goal)  # which never replaces there
    elif not _renameat2(source, goal, _NOREPLACE):
        if _is_folder(source):
            goal.mkdir()
            source.rename(goal)  # refused if something has come to stand in it
        else:
            os.link(source, goal, follow_symlinks=False)
            source.unlink()


def _swap(first: Path, second: Path) -> None:
    """Exchange two paths: in one step where the system has it, else in two renames."""
    if not _renameat2(first, second, _EXCHANGE):
        aside = first.with_name(f"{_OLD}{secrets.token_hex(6)}")
        second.rename(aside)
        _rename_new(first, second)
        aside.rename(first)


def _renameat2(source: Path, goal: Path, flags: int) -> bool:
    """The Linux rename with flags; False where there is none."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if sys.platform != "linux" or rename is None:
        return False
    done: int = rename(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(goal), flags)
    code = ctypes.get_errno()
    if done != 0 and code not in _NO_SUCH_STEP:
        raise OSError(code, os.strerror(code), str(goal))
    return done == 0
