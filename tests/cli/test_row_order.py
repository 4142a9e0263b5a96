"""The same seed gives the same bytes however the rows of the files are arranged."""

import json
import random

import pytest

from psdstats.comparison import compare_distributions
from psdstats.files import MANIFEST
from psdstats.study import read_study
from psdstats.study.records import in_order


def shuffle(folder, *, seed):
    """Rearrange runs.csv, and the runs in weighings.csv (the sieves of a run stay in theirs)."""
    chance = random.Random(seed)
    for name in ("runs.csv", "weighings.csv"):
        head, *rows = (folder / name).read_text(encoding="utf-8").splitlines()
        blocks = {}
        for row in rows:
            blocks.setdefault(row.split(",")[0], []).append(row)
        order = list(blocks.values())
        chance.shuffle(order)
        text = "\n".join([head, *(row for block in order for row in block)])
        (folder / name).write_text(text + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "--resample"),
        ("groups", "--draws", "1000", "--whole"),
    ],
    ids=lambda words: words[0],
)
def test_files_and_sentences_are_the_same(psdstats, two_times, contents, words):
    command, *options = words
    said, files, records = [], [], []
    for number in range(2):
        out = two_times.parent / f"out{number}"
        done = psdstats(command, two_times, *options, "--out", out, "--all-notes")
        said.append((done.code, done.out.replace(str(out), "")))
        made = contents(out)
        records.append(json.loads(made.pop("provenance.json")))
        files.append({name: made[name] for name in made if name != MANIFEST})
        before = (two_times / "runs.csv").read_bytes()
        shuffle(two_times, seed=number)
        assert (two_times / "runs.csv").read_bytes() != before
    assert said[0][0] == 0
    assert said[0] == said[1]
    assert len(files[0]) > 5
    assert files[0] == files[1]
    inputs = [one.pop("inputs") for one in records]
    assert (records[0], inputs[0].keys()) == (records[1], inputs[1].keys())
    assert inputs[0] != inputs[1]


def test_p_values_of_rearranged_runs(benches):
    """Too many rearrangements to try them all: those drawn do not depend on the order of rows."""
    found = []
    for number in range(2):
        whole = compare_distributions(read_study(benches), permutations=199, seed=3)
        found.append((whole.test.p, whole.test.used, whole.to_frame()))
        shuffle(benches, seed=number)
    assert found[0][:2] == found[1][:2]
    assert found[0][1] == 200  # drawn, not enumerated
    assert found[0][2].equals(found[1][2])


def test_order_is_that_of_what_runs_are(benches):
    study = read_study(benches)
    shuffle(benches, seed=1)
    moved = read_study(benches)
    assert [run.name for run in moved.runs] != [run.name for run in study.runs]
    assert in_order(moved).runs == in_order(study).runs
    assert list(in_order(moved).sieves) == list(in_order(study).sieves)
