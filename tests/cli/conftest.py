"""The command line in process, and the demo studies (invented data) on disk."""

import contextlib
import copy
import io
import json
import re
import shutil
import sys
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import pytest
from psdstats_cli.console import Console, present
from psdstats_cli.main import main
from psdstats_datasets import demo_path

ROWS = 20  # of a table that are looked at: the others are like them


@pytest.fixture(scope="session")
def valid():
    """Hold a document of --json, or of provenance.json, against the published schema."""
    text = (files("psdstats.output") / "schema.json").read_text(encoding="utf-8")
    validator = jsonschema.Draft202012Validator(json.loads(text))

    def validated(document):
        thinned = {
            name: value[:: 1 + len(value) // ROWS] if isinstance(value, list) else value
            for name, value in document.items()
        }
        validator.validate(thinned)
        return document

    return validated


@pytest.fixture
def psdstats(capsys, monkeypatch, tmp_path, valid):
    """Run one command in an empty folder; gives code, out and err.  JSON fits the schema."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")

    def run(*words):
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:  # argparse leaves this way
            code = stop.code
        said = capsys.readouterr()
        if "--json" in words and said.out:
            valid(json.loads(said.out))
        return SimpleNamespace(code=code, out=said.out, err=said.err)

    return run


@pytest.fixture
def shown(psdstats, monkeypatch, capsys):
    """Run one command once; gives what shows its page, with other options of showing."""

    def run(*words):
        pages = []

        def keep(*page, **how):
            pages.append((*page, how))
            return present(*page, **how)

        for name, module in list(sys.modules.items()):
            if name.startswith("psdstats_cli.") and getattr(module, "present", None) is present:
                monkeypatch.setattr(module, "present", keep)
        said = psdstats(*words)
        ((page, options, console, how),) = pages or [(None, None, None, None)]

        def show(**changes):
            changed = copy.copy(options)
            vars(changed).update(changes)
            again = Console(quiet=changed.quiet, json=changed.json, asked=console.asked)
            again.study = console.study
            present(page, changed, again, **how)
            return capsys.readouterr().out

        said.show = show if pages else None
        return said

    return run


@pytest.fixture(scope="session")
def small_report(tmp_path_factory):
    """One report of the small study for every question about one: draws, comma, target, JSON."""
    folder = tmp_path_factory.mktemp("small")
    study = folder / "one_bench.csv"
    shutil.copy(demo_path("one_bench") / "one_bench.csv", study)
    words = ("report", study, "--draws", "4000", "--seed", "7", "--decimal", ",")
    words = (*map(str, words), "--target-um", "150")
    with contextlib.redirect_stdout(io.StringIO()) as said:
        code = main([*words, "--out", str(folder / "r"), "--json"])
    return SimpleNamespace(
        code=code, out=said.getvalue(), folder=folder / "r", study=study, words=words
    )


@pytest.fixture
def benches(tmp_path) -> Path:
    """The large demo study, a folder."""
    target = tmp_path / "four_benches"
    shutil.copytree(demo_path("four_benches"), target)
    return target


@pytest.fixture
def bench(tmp_path) -> Path:
    """The small demo study, a flat CSV file."""
    target = tmp_path / "one_bench.csv"
    shutil.copy(demo_path("one_bench") / "one_bench.csv", target)
    return target


def _part(folder: Path, runs: str) -> Path:
    """The runs of the large demo study whose names begin so, as a study of its own."""
    shutil.copytree(demo_path("four_benches"), folder)
    for name in ("runs.csv", "weighings.csv"):
        head, *rows = (folder / name).read_text(encoding="utf-8").splitlines()
        kept = [row for row in rows if re.match(runs, row)]
        (folder / name).write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def trial(tmp_path):
    """Three groups and three times of the demo study under the name that the examples give it."""
    return _part(tmp_path / "my-trial", r"(birch|cedar|rowan)-\d+to1-(0|6|24)min")


@pytest.fixture
def few_runs(tmp_path):
    """Two groups and three times of it under the same name; replicates at one ball ratio alone."""
    runs = r"(cedar|rowan)-(5to1-(0|6|24)min|10to1-(0|6|24)min-a)"
    return _part(tmp_path / "my-trial", runs)


@pytest.fixture
def two_times(tmp_path):
    """Two groups, two times, one ball ratio with replicates: the least with groups and a change.

    Too few times for curves of breakage, so that its sizes are quick in a process of their own.
    """
    return _part(tmp_path / "my-trial", r"(cedar|rowan)-5to1-(0|24)min")


@pytest.fixture
def contents():
    """Every file below a folder with its bytes."""

    def read(folder: Path) -> dict[str, bytes]:
        return {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(Path(folder).rglob("*"))
            if path.is_file()
        }

    return read
