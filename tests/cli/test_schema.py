"""The published schema, and the record of where numbers come from, as commands give them.

The documents of every command are held against the schema wherever the tests of this folder ask for
one (`conftest.py`, `test_examples.py`).
"""

import argparse
import copy
import csv
import hashlib
import io
import json
import shlex

import jsonschema
import pytest
from psdstats_cli.main import build_parser

from psdstats import __version__, read_study
from psdstats.distribution import sizes
from psdstats.findings import Verdict
from psdstats.uncertainty.conformity import Conformity

LINEAR = ("--method", "linear")


def commands(parser):
    below = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
    if not below:
        return {parser.prog.removeprefix("psdstats "): parser}
    return {
        name: command
        for one in below[0].choices.values()
        for name, command in commands(one).items()
    }


COMMANDS = commands(build_parser())


def feed(monkeypatch, content):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(content), encoding="utf-8"))


def test_the_schema_is_printed_and_names_every_document(psdstats):
    schema = json.loads(psdstats("--schema").out)
    jsonschema.Draft202012Validator.check_schema(schema)
    names = {f"{name.replace(' ', '-')}/1" for name in COMMANDS}
    assert set(schema["properties"]["schema"]["enum"]) == {*names, "provenance/1"}
    asked = {one["if"]["properties"]["schema"]["const"] for one in schema["allOf"]}
    assert asked == {*names, "provenance/1"}
    assert {*schema["$defs"]["verdict"]["enum"]} >= {*map(str, Verdict), *map(str, Conformity)}


def test_a_document_of_another_shape_is_refused(psdstats, bench, valid):
    document = json.loads(psdstats("sizes", bench, *LINEAR, "--json").out)
    assert document["psdstats"] == __version__
    for change in (
        lambda one: one.pop("provenance"),
        lambda one: one.pop("undersize"),
        lambda one: one["provenance"].update(made_at="2026-01-01T00:00:00"),
        lambda one: one["provenance"]["inputs"].update({"one_bench.csv": "abc"}),
        lambda one: one["sizes"][0].update(u_D50_um=-1.0),
        lambda one: one["sizes"][0].update(D50_um="231.4"),
        lambda one: one["sizes"][0].update(side_D50_um="above"),
        lambda one: one["sizes"][0].pop("run"),
        lambda one: one.update(schema="sizes/2"),
        lambda one: one.update(further=[{"cell": [1]}]),
    ):
        wrong = copy.deepcopy(document)
        change(wrong)
        with pytest.raises(jsonschema.ValidationError):
            valid(wrong)
    assert valid({**document, "further": [{"cell": 1}]})


def test_the_record_says_what_was_read_and_asked_and_nothing_of_time_and_place(
    psdstats, bench, valid, tmp_path
):
    words = ("sizes", bench, "--draws", "500", "--seed", "5", "--sources", "rounding,aperture")
    said = psdstats(*words, "--out", "made", "--json", "--workers", "1")
    assert said.code == 0, said.err
    record = valid(json.loads((tmp_path / "made" / "provenance.json").read_text(encoding="utf-8")))
    moved = bench.rename(tmp_path / "made" / bench.name)
    again = psdstats("sizes", moved, *words[2:], "--json")
    assert record == json.loads(said.out)["provenance"] == json.loads(again.out)["provenance"]
    assert record["inputs"] == {bench.name: hashlib.sha256(moved.read_bytes()).hexdigest()}
    assert (record["seed"], record["method"]) == (5, "monte-carlo")
    assert record["options"]["sources"] == ["rounding", "aperture"]
    told = shlex.split(record["repeat_with"])
    assert told[:3] == ["psdstats", "sizes", "STUDY"]
    repeated = psdstats("sizes", moved, *told[3:], "--out", "-")
    assert repeated.out == (tmp_path / "made/tables/sizes.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "folder"),
    [
        (("demo", "made"), "made"),
        (("convert", "STUDY", "made"), "made"),
        (("sheet", "--times", "0,6", "--apertures", "90", "--out", "made"), "made"),
        (("check", "STUDY", "--out", "made"), "made"),
        (("plan", "charge", "--jar-mm", "150", "--jar-ml", "2000", "--balls", "20",
          "--ball-density", "7.8", "--out", "made"), "made"),
    ],
    ids=lambda one: one[0] if isinstance(one, tuple) else "",
)  # fmt: skip
def test_every_folder_holds_its_record(psdstats, bench, valid, tmp_path, words, folder):
    assert psdstats(*(bench if word == "STUDY" else word for word in words)).code == 0
    record = valid(json.loads((tmp_path / folder / "provenance.json").read_text(encoding="utf-8")))
    assert set(record["inputs"]) == ({"one_bench.csv"} if "STUDY" in words else set())
    assert "made" not in record["repeat_with"]
    if words[0] in ("demo", "convert"):
        assert read_study(tmp_path / folder).runs


@pytest.mark.parametrize("broken", ["a word for a mass", "not UTF-8", "no tables"])
def test_what_cannot_be_read_is_named_with_its_digest(psdstats, few_runs, valid, broken):
    weighings, settings = few_runs / "weighings.csv", few_runs / "study.toml"
    if broken == "a word for a mass":
        weighings.write_text(weighings.read_text(encoding="utf-8").replace("40", "x", 1), "utf-8")
    elif broken == "not UTF-8":
        weighings.write_bytes(b"\xff" + weighings.read_bytes())
    else:
        settings.write_text("title = [", encoding="utf-8")
        for name in ("runs.csv", "weighings.csv"):
            (few_runs / name).unlink()
    said = psdstats("check", few_runs, "--json")
    assert said.code == 2
    inputs = valid(json.loads(said.out))["provenance"]["inputs"]
    read = [path for path in sorted(few_runs.iterdir()) if path.suffix in (".csv", ".toml")]
    assert inputs == {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in read}


def test_a_study_comes_on_standard_input_and_a_table_leaves_on_standard_output(
    psdstats, bench, few_runs, monkeypatch, tmp_path
):
    feed(monkeypatch, bench.read_bytes())
    streamed = psdstats("sizes", "-", *LINEAR, "--out", "-")
    assert (streamed.code, streamed.err) == (0, "")
    assert streamed.out == psdstats("sizes", bench, *LINEAR, "--out", "-").out
    named = psdstats("sizes", bench, *LINEAR, "--out", "-", "--table", "undersize")
    assert "undersize" in next(csv.DictReader(named.out.splitlines()))
    flat = psdstats("convert", few_runs, "-").out
    feed(monkeypatch, flat.encode())
    assert psdstats("convert", "-", "again").code == 0
    assert read_study(tmp_path / "again").runs == read_study(few_runs).runs
    feed(monkeypatch, b"run,sieve\nx,1\n")
    wrong = psdstats("check", "-", "--json")
    assert wrong.code == 2
    assert json.loads(wrong.out)["flags"][0]["file"] == "stdin.csv"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("sizes", "STUDY", *LINEAR, "--out", "-", "--json"), "leave one of them out"),
        (("sizes", "STUDY", *LINEAR, "--out", "-", "--table", "size"), "Take one of sizes, under"),
        (("sizes", "STUDY", *LINEAR, "--table", "sizes"), "--table goes with --out -"),
        (("report", "STUDY", "--out", "-"), "report writes a folder; name it"),
        (("check", "-", "--watch"), "--watch goes with a file or folder"),
        (("convert", "STUDY", "-", "--json"), "leave --layout and --json out"),
    ],
    ids=lambda one: one[0] if isinstance(one, tuple) else "",
)
def test_what_a_stream_cannot_do_is_refused(psdstats, bench, monkeypatch, words, says):
    feed(monkeypatch, bench.read_bytes())
    said = psdstats(*(bench if word == "STUDY" else word for word in words))
    assert (said.code, said.out) == (2, "")
    assert says in said.err


def test_a_prescribed_rule_gives_its_sizes(psdstats, bench):
    found = json.loads(psdstats("sizes", bench, *LINEAR, "--rule", "semilog", "--json").out)
    expected = sizes(read_study(bench), rule="semilog").to_frame()
    by_rule = [row["D50_um"] for row in found["sizes"]]
    assert by_rule == pytest.approx(list(expected[expected["quantity"] == "D50"]["value"]))
    assert found["provenance"]["options"]["rule"] == "semilog"
    free = json.loads(psdstats("sizes", bench, *LINEAR, "--json").out)
    assert by_rule != pytest.approx([row["D50_um"] for row in free["sizes"]], rel=1e-4)


def test_bare_psdstats_shows_its_help(psdstats):
    said, asked = psdstats(), psdstats("--help")
    assert (said.code, said.err) == (0, "")
    assert said.out == asked.out
    assert psdstats("-V").out == psdstats("--version").out == f"psdstats {__version__}\n"


def test_an_option_means_the_same_in_every_command():
    """One name has one kind of value; where a plan tries several, a list of the same."""
    kinds = {}
    for command in COMMANDS.values():
        for own in command._actions:
            for name in own.option_strings:
                kinds.setdefault(name, set()).add("NAME" if own.choices else own.metavar)
    several = {name: found for name, found in kinds.items() if len(found) > 1}
    assert several == {
        "--quantity": {"NAME", "A,B"},
        "--replicates": {"N", "N,N"},
        "--resolution": {"D", "D,D"},
        "--sample-g": {"MASS", "M,M"},
        "--powder": {"D10,D50,D90", "NAME=D10,D50,D90"},
    }
