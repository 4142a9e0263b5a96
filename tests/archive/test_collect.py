"""Trials into one file: once each, whole or not at all, whatever happens on the way."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from psdstats import collect, compare, propagate
from psdstats.archive import Archive
from psdstats.archive.collecting import find_trials
from psdstats.errors import OutputError, StudyError
from psdstats.files import MANIFEST, write_folder_atomically
from psdstats.output.pages.archive import archive_page
from psdstats.study import save_study
from psdstats.study.records import TareHandling


def dump(path):
    """All rows without what only tells when files were saved, by a plain client."""
    with sqlite3.connect(path) as connection:
        tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        found = {}
        for (table,) in tables.fetchall():
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            names = [name for name in names if name not in ("trial", "stamp")]
            by = "trials JOIN" if table == "trials" else f"{table} JOIN trials USING (trial) JOIN"
            rows = connection.execute(
                f"SELECT path, {', '.join(f'{table}.{name}' for name in names)} "
                f"FROM {by} (SELECT 1) ORDER BY path, {table}.rowid"
            )
            found[table] = rows.fetchall()
    connection.close()
    return found


def test_a_plain_client_reads_every_trial(collected_once):
    with sqlite3.connect(collected_once / "a.sqlite") as connection:
        rows = connection.execute(
            "SELECT path, title, study_date, runs, refusal IS NULL FROM trials ORDER BY path"
        ).fetchall()
        ends = connection.execute(
            "SELECT count(*), count(DISTINCT trial), count(verdict), min(last) FROM answer_list"
        ).fetchone()
    connection.close()
    assert rows == [
        ("trials/2026/2026-01-05", "Trial (invented)", "2026-01-05", 4, 1),
        ("trials/2026/2026-02-05", "Trial (invented)", "2026-02-05", 4, 1),
        ("trials/broken.csv", None, "", None, 0),
        ("trials/third.xlsx", "Trial (invented)", "2026-03-05", 4, 1),
    ]
    assert ends == (12, 3, 0, "24")  # three trials of one title, four sizes; none was judged


def test_a_table_of_the_latest_trials_says_how_many_there_are(collected_once, monkeypatch):
    archive = Archive(collected_once / "a.sqlite")
    for most, said in ((2, "Latest trials, 2 of 3: "), (12, "Latest trials, 3 of 3: ")):
        monkeypatch.setattr("psdstats.output.pages.archive._LATEST", most)
        page = archive_page(archive)
        (table,) = (one for one in page.tables if one.name == "latest trials")
        assert table.caption.startswith(said)


def test_sizes_are_those_of_runs_by_themselves(dated_trial, tmp_path):
    study = dated_trial("2026-01-05", rule=None, uncertainty={"borrowing": False})
    save_study(study, tmp_path / "trial")
    found = collect([tmp_path / "trial"], tmp_path / "a.sqlite").runs_frame()
    frame = propagate(study, method="linear").to_frame()
    assert found[["run", "quantity"]].equals(frame[["run", "quantity"]])
    for name, own in (("size", "value"), ("lower", "lower"), ("upper", "upper")):
        np.testing.assert_allclose(found[name].astype(float), frame[own], rtol=1e-12)
    np.testing.assert_allclose(found["u"] * found["size"], frame["u"], rtol=1e-9)
    assert (found["own_u"] < found["u"]).all()


def test_means_are_those_of_the_runs_of_a_time_with_their_joint_u(dated_trial, tmp_path):
    study = dated_trial("2026-01-05", rule=None, uncertainty={"borrowing": False})
    save_study(study, tmp_path / "trial")
    found = collect([tmp_path / "trial"], tmp_path / "a.sqlite")
    joint, ends = propagate(study, method="linear"), found.to_frame().set_index("quantity")
    own = found.means_frame().set_index(["quantity", "milling_time_min"])
    for place, quantity in enumerate(("D10", "D50", "D90", "span")):
        value, covariance = joint.value[:, place], joint.covariance(quantity, log=True).to_numpy()
        for time, at in ((0.0, "start"), (24.0, "end")):
            weight = (joint.milling_time_min == time) / (joint.milling_time_min == time).sum()
            mean, u = weight @ np.log(value), np.sqrt(weight @ covariance @ weight)
            expected = np.exp(mean + np.array([0.0, -2.0, 2.0]) * u)
            row = own.loc[(quantity, time), ["size", "lower", "upper"]].astype(float)
            np.testing.assert_allclose(row, expected, rtol=1e-9)
            stored = ends.loc[quantity, [f"{at}_{end}" for end in ("size", "lower", "upper")]]
            np.testing.assert_array_equal(stored.astype(float), row)
    assert ends["sizes_by"].eq("own readings").all()
    assert ends["verdict"].isna().all()


def test_verdicts_are_those_of_compare_and_stay(dated_trial, tmp_path):
    study, into = dated_trial("2026-01-05"), tmp_path / "a.sqlite"
    save_study(study, tmp_path / "trial")
    assert collect([tmp_path / "trial"], into).evaluated == 1
    found = collect([tmp_path / "trial"], into, verdicts=True)
    assert found.evaluated == 1
    told, asked = found.to_frame(), compare(study)
    assert told["sizes_by"].eq("compare").all()
    for row, result in zip(told.to_dict("records"), asked.results, strict=True):
        course = result.courses[0]
        assert (row["verdict"], row["since"]) == (course.verdict, course.since)
        assert row["p"] == course.fallen.numbers.p_adjusted
        for name, numbers in (
            ("start_size", course.start),
            ("end_size", course.end),
            ("ratio", course.fallen.numbers),
        ):
            ends = [name, *(f"{name.removesuffix('_size')}_{end}" for end in ("lower", "upper"))]
            expected = np.exp([numbers.estimate, numbers.lower, numbers.upper])
            assert [row[end] for end in ends] == expected.tolist()
    for verdicts in (True, False):
        again = collect([tmp_path / "trial"], into, verdicts=verdicts)
        assert again.unchanged == 1
        assert again.to_frame().equals(told)
    save_study(dated_trial("2026-01-06"), tmp_path / "trial", replace=True)
    assert collect([tmp_path / "trial"], into).to_frame()["verdict"].isna().all()


def test_what_has_not_changed_is_not_read_again(laboratory, monkeypatch):
    into, trials, read = laboratory / "a.sqlite", laboratory / "trials", []
    whole = dump(into)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "read_bytes", lambda path: read.append(path.name) or b"{}")
        again = collect([trials], into)
    assert (again.evaluated, again.unchanged, read) == (0, 4, [MANIFEST])
    os.utime(trials / "third.xlsx")  # saved again as it was: looked at, and found unchanged
    assert collect([trials], into).evaluated == 0
    assert dump(into) == whole
    settings = trials / "2026/2026-01-05/study.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("chalk", "shell"), encoding="utf-8")
    assert collect([trials], into).evaluated == 1
    frame = Archive(into).trials_frame()
    assert frame["material"].fillna("").str.startswith("shell").sum() == 1


def test_a_file_just_saved_is_looked_at_again(dated_trial, tmp_path):
    """The same size and the same time say little while the clock has not moved on."""
    save_study(dated_trial("2026-01-05"), tmp_path / "t.csv", form="flat")
    collect([tmp_path / "t.csv"], tmp_path / "a.sqlite")
    was, text = (tmp_path / "t.csv").stat(), (tmp_path / "t.csv").read_text(encoding="utf-8")
    changed = text.replace("2026-01-05", "2026-01-06")
    (tmp_path / "t.csv").write_text(changed, encoding="utf-8")
    os.utime(tmp_path / "t.csv", ns=(was.st_atime_ns, was.st_mtime_ns))
    assert (tmp_path / "t.csv").stat().st_size == was.st_size
    assert collect([tmp_path / "t.csv"], tmp_path / "a.sqlite").evaluated == 1


def test_gone_moved_and_copied(laboratory):
    into, trials = laboratory / "a.sqlite", laboratory / "trials"
    df = Archive(into).repeatability()[0].runs_df
    shutil.copytree(trials / "2026/2026-01-05", trials / "copy")
    shutil.move(trials / "third.xlsx", trials / "moved.xlsx")
    found = collect([trials], into)
    frame = found.trials_frame().set_index("path")
    assert frame["gone"].to_dict() == {
        "trials/2026/2026-01-05": 0,
        "trials/2026/2026-02-05": 0,
        "trials/broken.csv": 0,
        "trials/copy": 0,
        "trials/moved.xlsx": 0,
        "trials/third.xlsx": 1,
    }
    assert found.repeatability()[0].runs_df == df  # each content counts once
    assert len(found.chart("D50", {"milling_time_min": "0"}).points) == 3


def test_results_of_psdstats_and_hidden_files_are_no_trials(laboratory):
    trials = laboratory / "trials"
    write_folder_atomically(trials / "checked", lambda at: (at / "sizes.csv").write_text("run"))
    (trials / "~$third.xlsx").write_bytes(b"lock")
    (trials / ".hidden.csv").write_bytes(b"")
    names = [path.name for path in find_trials([trials])]
    assert names == ["2026-01-05", "2026-02-05", "broken.csv", "third.xlsx"]


def test_two_workers_give_the_same_table(laboratory):
    collect([laboratory / "trials"], laboratory / "b.sqlite", workers=2)
    assert dump(laboratory / "a.sqlite") == dump(laboratory / "b.sqlite")


KILLED = """
import sys, os, signal

from psdstats import collect
place, n = sys.modules["psdstats.archive.collecting"], 0
place._TOGETHER = 2
was = place.put
def put(*given):
    global n
    n += 1
    was(*given)
    if n == 4:
        os.kill(os.getpid(), signal.SIGKILL)
place.put = put
collect([sys.argv[1]], sys.argv[2])
"""


@pytest.mark.skipif(os.name == "nt", reason="signals of Unix")
def test_killed_in_the_middle_and_started_again(laboratory):
    trials, into = laboratory / "trials", laboratory / "b.sqlite"
    command = [sys.executable, "-c", KILLED, str(trials), str(into)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    assert len(Archive(into).trials_frame()) == 2  # whole trials alone
    assert len(dump(into)["sizes"]) == 2 * 4 * 4
    assert collect([trials], into).unchanged == 2
    assert dump(into) == dump(laboratory / "a.sqlite")


def test_what_psdstats_did_not_make_is_left_as_it_is(laboratory):
    other, text = laboratory / "other.sqlite", laboratory / "notes.sqlite"
    trials, none = laboratory / "trials", laboratory / "none.sqlite"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE mine (a)")
    connection.close()
    text.write_text("my notes", encoding="utf-8")
    was = other.read_bytes()
    with pytest.raises(OutputError, match="psdstats did not make"):
        collect([trials], other)
    with pytest.raises(OutputError, match="not a database"):
        collect([trials], text)
    with pytest.raises(OutputError, match="is a folder, not a file"):
        collect([trials], trials)
    with pytest.raises(StudyError, match="no such file or folder"):
        collect([laboratory / "nowhere"], none)
    with pytest.raises(OutputError, match="no archive yet"):
        Archive(none).to_frame()
    assert (other.read_bytes(), text.read_text(encoding="utf-8")) == (was, "my notes")
    assert not none.exists()


def test_a_newer_form_is_refused(laboratory):
    with sqlite3.connect(laboratory / "a.sqlite") as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(OutputError, match="form 99"):
        collect([laboratory / "trials"], laboratory / "a.sqlite")


def test_a_trial_that_cannot_be_compared_says_why(dated_trial, tmp_path):
    study = dated_trial("")
    alone = tuple(run for run in study.runs if run.milling_time_min == 0)
    balance = replace(study.balances["house"], repeatability_g=0.4)
    single = replace(study, runs=alone, tares=TareHandling.ONCE, balances={"house": balance})
    save_study(single, tmp_path / "2025-12-31 feed")
    found = collect([tmp_path / "2025-12-31 feed"], tmp_path / "a.sqlite", verdicts=True)
    rows = found.to_frame()
    assert (rows["verdict"] == "cannot be told").all()
    assert rows["reason"].str.contains("single value").all()
    assert found.trials_frame().loc[0, "study_date"] == "2025-12-31"  # as its name says
    names = "".join(found.runs_frame()["shared"])
    assert '"trial repeatability tare' in names
    assert '"sieve 125 µm: 125"' in names
