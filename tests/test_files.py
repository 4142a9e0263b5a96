"""Atomic writing: the old output or the new one, also when the process is killed."""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time

import pytest

from psdstats.errors import OutputError
from psdstats.files import MANIFEST, write_file_atomically, write_folder_atomically

WORKER = """
import sys
from pathlib import Path
from psdstats.files import write_file_atomically, write_folder_atomically

def writer(version):
    def write(folder):
        (folder / "deep").mkdir()
        for number in range(30):
            (folder / "deep" / f"{number}.txt").write_text(version * 20_000)
        (folder / "version.txt").write_text(version)
    return write

place = Path(sys.argv[1])
print("ready", flush=True)
for turn in range(100_000):
    version = "ab"[turn % 2]
    write_folder_atomically(place / "out", writer(version), replace=True)
    write_file_atomically(place / "out.csv", version * 200_000, replace=True)
"""


def is_whole(folder):
    """Whether every file of the manifest is there, unchanged, and of one version."""
    listed = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]
    version = (folder / "version.txt").read_text(encoding="utf-8")
    texts = {name: (folder / name).read_text(encoding="utf-8") for name in listed}
    digests = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}
    return (
        len(listed) == 31 and digests == listed and all(set(t) == {version} for t in texts.values())
    )


def test_killed_at_50_random_moments(tmp_path):
    rng = random.Random(20261125)
    (tmp_path / "out").mkdir()
    for moment in range(50):
        worker = subprocess.Popen(
            [sys.executable, "-c", WORKER, str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        worker.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.03))
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        worker.stdout.close()
        folder, file = tmp_path / "out", tmp_path / "out.csv"
        assert folder.is_dir(), f"moment {moment}: the folder is gone"
        assert not any(folder.iterdir()) or is_whole(folder), f"moment {moment}: half a folder"
        if file.exists():
            text = file.read_text(encoding="utf-8")
            assert len(text) == 200_000, f"moment {moment}: half a file"
            assert len(set(text)) == 1
    assert is_whole(tmp_path / "out")
    assert (tmp_path / "out.csv").exists()


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
