"""Atomic writing: the old output or the new one, also when the process is killed."""

import errno
import fcntl
import hashlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from psdstats import files
from psdstats.errors import OutputError
from psdstats.files import (
    MANIFEST,
    Holds,
    ensure,
    write_file_atomically,
    write_folder_atomically,
)

ATTACKS = Path(__file__).parent / "calibration" / "writing_attacks.py"
FAULTS = (
    "half",
    "lost",
    "user's things touched",
    "traceback",
    "drafts left",
    "next run refused",
    "drafts after the next run",
)


def test_struck_at_one_call_after_another():
    """Short form of the study of attacks, which kills commands too, and strikes at every call."""
    done = subprocess.run(
        [sys.executable, ATTACKS, "--every", "7"], capture_output=True, text=True, check=True
    )
    killed, raced = json.loads(done.stdout)
    assert sum(count["of these while writing"] for count in killed.values()) > 30
    assert sum(count["refused"] for count in raced.values()) > 10
    for case, count in {**killed, **raced}.items():
        assert {name: count[name] for name in FAULTS if count.get(name)} == {}, case


def put(**files):
    def write(folder):
        for name, text in files.items():
            (folder / f"{name}.txt").write_text(text, encoding="utf-8")

    return write


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != MANIFEST
    }


def test_folder_is_written_with_its_list(tmp_path):
    place = write_folder_atomically(tmp_path / "a" / "out", put(one="1", two="2"))
    assert contents(place) == {"one.txt": "1", "two.txt": "2"}
    listed = json.loads((place / MANIFEST).read_text(encoding="utf-8"))["files"]
    assert listed["one.txt"] == hashlib.sha256(b"1").hexdigest()
    assert [path.name for path in place.parent.iterdir()] == ["out"]


@pytest.fixture
def without_rights(tmp_path):
    """A folder in which this process is no root, who may do everything."""
    if os.getuid():
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    os.chown(folder, 65534, 65534)
    os.setresgid(65534, 65534, 0)
    os.setresuid(65534, 65534, 0)
    try:
        yield folder
    finally:
        os.setresuid(0, 0, 0)
        os.setresgid(0, 0, 0)
        shutil.rmtree(folder)


def put_beside(name, text, folder):
    """A writer during whose work somebody else puts a file into the folder to come."""

    def write(draft):
        put(one="1")(draft)
        folder.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")

    return write


@pytest.mark.parametrize("is_there", [False, True])
def test_folder_that_appears_meanwhile_is_not_touched(tmp_path, is_there):
    place = tmp_path / "out"
    if is_there:
        place.mkdir()
    with pytest.raises(OutputError, match=r"exists already\. Choose another name"):
        write_folder_atomically(place, put_beside("notes.txt", "mine", place))
    assert contents(tmp_path) == {"out/notes.txt": "mine"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("has_rename", [True, False])
def test_what_appears_between_the_last_look_and_the_rename(tmp_path, monkeypatch, has_rename):
    rename_new = files._rename_new
    if not has_rename:
        monkeypatch.setattr(files, "_renameat2", lambda *_: False)

    def late(source, goal):
        if goal.name == "out":
            goal.mkdir()
            (goal / "notes.txt").write_text("mine", encoding="utf-8")
        else:
            goal.write_text("mine", encoding="utf-8")
        rename_new(source, goal)

    monkeypatch.setattr(files, "_rename_new", late)
    with pytest.raises(OutputError, match="exists already"):
        write_folder_atomically(tmp_path / "out", put(one="1"))
    with pytest.raises(OutputError, match="exists already"):
        write_file_atomically(tmp_path / "f.txt", "x")
    assert contents(tmp_path) == {"f.txt": "mine", "out/notes.txt": "mine"}


def test_what_comes_while_a_folder_is_replaced_goes_over(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    write_folder_atomically(place, put_beside("notes.txt", "mine", place), replace=True)
    assert contents(place) == {"one.txt": "1", "notes.txt": "mine"}
    changed = put_beside("one.txt", "edited", place)
    with pytest.raises(OutputError, match="was changed after psdstats wrote it"):
        write_folder_atomically(place, changed, replace=True)
    assert contents(place) == {"one.txt": "edited", "notes.txt": "mine"}


@pytest.mark.parametrize("name", ["one.txt", "new.txt"])
def test_edit_just_before_the_exchange_is_kept_and_refused(tmp_path, monkeypatch, name):
    """Neither the last look nor the links can see it: it is found in what was swapped away."""
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    (place / "notes.txt").write_text("mine", encoding="utf-8")
    swap, calls = files._swap, []

    def late(first, second):
        if not calls:
            (place / name).write_text("mine too", encoding="utf-8")
            (place / "late.txt").write_text("late", encoding="utf-8")
        calls.append(first)
        swap(first, second)

    monkeypatch.setattr(files, "_swap", late)
    with pytest.raises(OutputError, match=rf"{name} was changed while psdstats wrote"):
        write_folder_atomically(place, put(one="2", new="2"), replace=True)
    assert len(calls) == 2
    kept = {"one.txt": "1", "notes.txt": "mine", "late.txt": "late", name: "mine too"}
    assert contents(place) == kept
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_file_edited_just_before_it_is_replaced(tmp_path, monkeypatch):
    place = write_file_atomically(tmp_path / "f.txt", "1")
    swap, calls = files._swap, []

    def late(*both):
        calls.append(calls or place.write_text("mine", encoding="utf-8"))
        swap(*both)

    monkeypatch.setattr(files, "_swap", late)
    with pytest.raises(OutputError, match="was changed while psdstats wrote"):
        write_file_atomically(place, lambda draft: draft.write_text("2"), replace=True)
    assert contents(tmp_path) == {"f.txt": "mine"}


def test_rights_times_links_and_empty_folders_stay(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    (place / "empty").mkdir(mode=0o700)
    (place / "mine.txt").write_text("mine", encoding="utf-8")
    os.utime(place / "mine.txt", (10**9, 10**9))
    os.utime(place / "empty", (10**9, 10**9))
    (place / "one.txt").chmod(0o600)
    place.chmod(0o700)
    write_folder_atomically(place, put(one="2"), replace=True)
    modes = {name: stat.S_IMODE((place / name).stat().st_mode) for name in ("", "empty", "one.txt")}
    assert modes == {"": 0o700, "empty": 0o700, "one.txt": 0o600}
    assert [(place / name).stat().st_mtime for name in ("mine.txt", "empty")] == [10**9, 10**9]
    (tmp_path / "empty").mkdir(mode=0o700)
    write_folder_atomically(tmp_path / "empty", put(one="1"))
    assert stat.S_IMODE((tmp_path / "empty").stat().st_mode) == 0o700
    file = write_file_atomically(tmp_path / "f.txt", "1")
    file.chmod(0o600)
    write_file_atomically(file, "2", replace=True)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


@pytest.mark.parametrize(("mask", "folder", "file"), [(0o022, 0o755, 0o644), (0o077, 0o700, 0o600)])
def test_new_output_honours_umask(tmp_path, mask, folder, file):
    before = os.umask(mask)
    try:
        place = write_folder_atomically(tmp_path / "deep" / "out", put(one="1"))
    finally:
        os.umask(before)
    found = (place, place.parent, place / "one.txt")
    assert [stat.S_IMODE(path.stat().st_mode) for path in found] == [folder, folder, file]


def test_two_writers_of_one_place(tmp_path):
    def both(draft):
        put(one="1")(draft)
        with pytest.raises(OutputError, match="is being written by another psdstats just now"):
            write_folder_atomically(tmp_path / "out", put(one="2"))
        write_folder_atomically(tmp_path / "other", put(one="3"))  # and leaves that draft alone

    write_folder_atomically(tmp_path / "out", both)
    assert contents(tmp_path) == {"out/one.txt": "1", "other/one.txt": "3"}


@contextmanager
def _left(space, where, *, is_alive=False):
    """What a process leaves that was killed (or lives still) after it had moved something."""
    home = space / "draft-0123456789ab"
    (home / "new").mkdir(parents=True)
    (home / "new" / "half.txt").write_text("half", encoding="utf-8")
    if where is not None:
        (home / where).mkdir()
        put(one="old", mine="mine")(home / where)
    with (space / "lock").open("w") as lock:
        if is_alive:
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield home


def test_drafts_of_dead_processes_are_removed_by_the_next_run(tmp_path):
    with (
        _left(tmp_path / ".out.psdstats-draft", None),
        _left(tmp_path / ".other.psdstats-draft", None),
        _left(tmp_path / ".living.psdstats-draft", None, is_alive=True),
    ):
        write_folder_atomically(tmp_path / "out", put(one="1"))
        assert {path.name for path in tmp_path.iterdir()} == {"out", ".living.psdstats-draft"}
        assert (tmp_path / ".living.psdstats-draft" / "draft-0123456789ab" / "new").is_dir()


def test_what_a_killed_process_had_moved_away_goes_back(tmp_path):
    with _left(tmp_path / ".out.psdstats-draft", "old-1"), pytest.raises(OutputError, match="exi"):
        write_folder_atomically(tmp_path / "out", put(one="1"))
    assert contents(tmp_path) == {"out/one.txt": "old", "out/mine.txt": "mine"}
    with _left(tmp_path / ".new.psdstats-draft", "ready-1"):
        write_folder_atomically(tmp_path / "beside", put(one="1"))  # not its own: left alone
        place = tmp_path / ".new.psdstats-draft" / "draft-0123456789ab" / "ready-1"
        assert set(contents(place)) == {"one.txt", "mine.txt"}


def test_what_cannot_go_back_is_put_where_it_is_seen(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1", mine="2"))
    with (
        _left(tmp_path / ".out.psdstats-draft", "old-1"),
        pytest.raises(
            OutputError, match=r"stopped while it replaced .*out; .* is now .*out\.kept-"
        ),
    ):
        write_folder_atomically(place, put(one="3"), replace=True)
    (kept,) = tmp_path.glob("out.kept-*")
    assert contents(kept) == {"one.txt": "old", "mine.txt": "mine"}
    assert contents(place) == {"one.txt": "1", "mine.txt": "2"}
    write_folder_atomically(place, put(one="3"), replace=True)
    assert not list(tmp_path.glob(".*"))


def test_ctrl_c_waits_until_a_step_is_whole(tmp_path, monkeypatch):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background
    swap = files._swap
    monkeypatch.setattr(
        files, "_swap", lambda *both: (signal.raise_signal(signal.SIGINT), swap(*both))
    )
    try:
        with pytest.raises(KeyboardInterrupt):
            write_folder_atomically(place, put(one="2"), replace=True)
    finally:
        signal.signal(signal.SIGINT, before)
    assert contents(place) == {"one.txt": "2"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_places_that_cannot_be_written_are_refused_beforehand(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").touch()
    (tmp_path / "here" / "below").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "here" / "below")
    for target, holds, says in (
        ("/", Holds.RESULTS, r"is the root of the disk\. Choose a name below it"),
        (tmp_path / "file", Holds.RESULTS, "is a file, not a folder"),
        (tmp_path / "full", None, "is a folder, not a file"),
        (tmp_path / "file" / "below", None, "file: Not a directory"),
        (tmp_path / ("x" * 300), None, "File name too long"),
        (tmp_path / "full", Holds.RESULTS, r"exists already\. Choose another name, or ask for it"),
        (".", Holds.RESULTS, "is the folder you are in"),
        (tmp_path / "here", Holds.RESULTS, "is the folder you are in"),
    ):
        with pytest.raises(OutputError, match=says):
            ensure(target, holds)
    with pytest.raises(OutputError, match="holds files that psdstats did not write"):
        ensure(tmp_path / "full", Holds.RESULTS, replace=True)
    with pytest.raises(OutputError, match="is no ordinary file"):
        ensure(os.devnull, None, replace=True)
    assert ensure("new", Holds.RESULTS) == tmp_path / "here" / "below" / "new"


def test_protected_places_are_refused_beforehand(without_rights):
    place = write_folder_atomically(without_rights / "out", put(one="1"))
    (place / "sub").mkdir()
    for path in (place / "sub", place, without_rights):
        path.chmod(0o555)
        with pytest.raises(OutputError, match=r"cannot be written: .*Permission denied"):
            ensure(place, Holds.RESULTS, replace=True)
        path.chmod(0o755)
    ensure(place, Holds.RESULTS, replace=True)


def test_full_disk_leaves_the_old(tmp_path, monkeypatch):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))

    def full(draft):
        put(one="2")(draft)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(draft / "two.txt"))

    with pytest.raises(OutputError, match=r"out cannot be written: No space left on device\. Ch"):
        write_folder_atomically(place, full, replace=True)
    assert contents(tmp_path) == {"out/one.txt": "1"}
    with pytest.raises(OutputError, match="No space left"):
        write_folder_atomically(tmp_path / "a" / "b", full)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("lacks", ["_LOCKS", "flock"])
def test_without_locks(tmp_path, monkeypatch, lacks):
    def refuse(*_):
        raise OSError(errno.ENOLCK, "no locks here")

    if lacks == "flock":
        monkeypatch.setattr(fcntl, "flock", refuse)
    else:
        monkeypatch.setattr(files, "_LOCKS", False)
    with _left(tmp_path / ".out.psdstats-draft", None) as left:  # nobody knows whose it is
        place = write_folder_atomically(tmp_path / "out", put(one="1"))
        write_folder_atomically(place, put(one="2"), replace=True)
        assert contents(place) == {"one.txt": "2"}
        assert [path.name for path in left.parent.glob("draft-*")] == [left.name]


def test_existing_folder_is_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    place = write_folder_atomically(tmp_path / "empty", put(one="1"))
    with pytest.raises(OutputError, match=r"exists already\. Choose another name"):
        write_folder_atomically(place, put(one="2"))
    assert contents(place) == {"one.txt": "1"}


def test_replacing_touches_own_files_alone(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1", two="2"))
    (place / "sub").mkdir()
    (place / "sub" / "mine.txt").write_text("mine", encoding="utf-8")
    (place / "link").symlink_to("one.txt")
    write_folder_atomically(place, put(one="new"), replace=True)
    assert contents(place) == {"one.txt": "new", "sub/mine.txt": "mine", "link": "new"}
    assert (place / "link").is_symlink()
    write_folder_atomically(place, put(one="newer"), replace=True)
    assert (place / "sub" / "mine.txt").read_text(encoding="utf-8") == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_foreign_folder_is_never_replaced(tmp_path):
    folder = tmp_path / "theirs"
    folder.mkdir()
    (folder / "data.txt").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="holds files that psdstats did not write"):
        write_folder_atomically(folder, put(one="1"), replace=True)
    for damaged in ("{", "[]", '{"files": 3}', '{"files": {}, "holds": "toys"}'):
        (folder / MANIFEST).write_text(damaged, encoding="utf-8")
        with pytest.raises(OutputError, match="cannot be read, so what psdstats wrote"):
            write_folder_atomically(folder, put(one="1"), replace=True)
    assert (folder / "data.txt").read_text(encoding="utf-8") == "x"


def test_readings_and_results_do_not_replace_each_other(tmp_path):
    for first, second in (("readings", "results"), ("results", "readings")):
        place = write_folder_atomically(tmp_path / first, put(one="1"), holds=first)
        with pytest.raises(OutputError, match=f"holds {first}, which {second} never replace"):
            write_folder_atomically(place, put(one="2"), holds=second, replace=True)
        write_folder_atomically(place, put(one="3"), holds=first, replace=True)
        assert contents(place) == {"one.txt": "3"}


def test_foreign_file_is_not_covered(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    (place / "two.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="would be covered by a new file"):
        write_folder_atomically(place, put(one="2", two="2"), replace=True)
    assert contents(place) == {"one.txt": "1", "two.txt": "mine"}


def test_failing_writer_leaves_nothing(tmp_path):
    place = write_folder_atomically(tmp_path / "out", put(one="1"))

    def fail(folder):
        put(one="2")(folder)
        raise KeyError("no such run")

    with pytest.raises(KeyError):
        write_folder_atomically(place, fail, replace=True)
    assert contents(place) == {"one.txt": "1"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_without_the_one_step_exchange(tmp_path, monkeypatch):
    monkeypatch.setattr("psdstats.files._renameat2", lambda *_: False)
    place = write_folder_atomically(tmp_path / "out", put(one="1", two="2"))
    (place / "mine.txt").write_text("mine", encoding="utf-8")
    write_folder_atomically(place, put(one="new"), replace=True)
    assert contents(place) == {"one.txt": "new", "mine.txt": "mine"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_without_hard_links(tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise OSError(1, "no links here")

    monkeypatch.setattr(os, "link", refuse)
    place = write_folder_atomically(tmp_path / "out", put(one="1"))
    (place / "mine.txt").write_text("mine", encoding="utf-8")
    write_folder_atomically(place, put(one="2"), replace=True)
    assert contents(place) == {"one.txt": "2", "mine.txt": "mine"}
    write_file_atomically(tmp_path / "f.txt", "x")
    with pytest.raises(OutputError, match="exists already"):
        write_file_atomically(tmp_path / "f.txt", "y")


def test_file(tmp_path):
    place = write_file_atomically(tmp_path / "new" / "f.txt", "µm\n")
    assert place.read_bytes() == "µm\n".encode()
    with pytest.raises(OutputError, match="exists already"):
        write_file_atomically(place, "x")
    write_file_atomically(place, b"x", replace=True)
    seen = []
    write_file_atomically(place, lambda path: (seen.append(path.suffix), path.write_text("y")),
                          replace=True)  # fmt: skip
    assert (place.read_bytes(), seen) == (b"y", [".txt"])
    with pytest.raises(OutputError, match="is a folder, not a file"):
        write_file_atomically(tmp_path, "x")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        write_folder_atomically(place, put(one="1"))
    with pytest.raises(OutputError, match="cannot be written"):
        write_file_atomically(place / "below", "x")
    with pytest.raises(OutputError, match="cannot be written"):
        write_folder_atomically(place / "below", put(one="1"))
