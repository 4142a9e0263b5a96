"""What holds for every command: help, examples, refusals, quiet, no escape codes."""

import argparse
import re
import shlex
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest
from psdstats_cli.commands.plan import PLANS
from psdstats_cli.main import COMMANDS, build_parser

from psdstats import __version__

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _parsers(parser, path=()):
    """Every parser below one, by the words that lead to it."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, below in action.choices.items():
                yield (*path, name), below
                yield from _parsers(below, (*path, name))


PARSER = build_parser()
PARSERS = dict(_parsers(PARSER))
OPTIONS = [
    (path, action)
    for path, parser in PARSERS.items()
    for action in parser._actions
    if action.dest != "help" and not isinstance(action, argparse._SubParsersAction)
]


@cache
def _help(path):
    return PARSERS[path].format_help()


def _module(path):
    """The module of a command; what a plan has in its place."""
    return PLANS[path[1]] if len(path) > 1 else import_module(f"psdstats_cli.commands.{path[0]}")


def test_every_module_is_a_command():
    folder = Path(import_module("psdstats_cli.commands").__path__[0])
    modules = {path.stem for path in folder.glob("*.py")} - {"__init__"}
    assert modules == {path[0] for path in PARSERS}


@pytest.mark.parametrize("path", PARSERS, ids=" ".join)
def test_help_names_the_command_and_its_example(psdstats, path):
    above, said = psdstats(*path[:-1], "--help"), psdstats(*path, "--help")
    assert (above.code, said.code) == (0, 0)
    assert re.search(rf"^ +{path[-1]}\b", above.out, re.MULTILINE)
    assert f"example:\n  psdstats {' '.join(path)}" in said.out
    assert said.err == ""


@pytest.mark.parametrize(
    ("path", "action"),
    OPTIONS,
    ids=[f"{' '.join(path)} {action.dest}" for path, action in OPTIONS],
)
def test_every_option_is_explained_in_the_help(path, action):
    said = _help(path)
    assert action.help
    assert all(name in said for name in action.option_strings or [action.metavar])
    assert action.help.split()[0] in said
    assert "option_strings" not in said  # a sign of per cent that was not doubled


@pytest.mark.parametrize("path", PARSERS, ids=" ".join)
def test_example_can_be_typed(path):
    words = shlex.split(_module(path).EXAMPLE.replace("\\\n", " "))
    assert words[: 1 + len(path)] == ["psdstats", *path][: 1 + len(path)]
    assert PARSER.parse_args(words[1:]).command == path[0]


GUIDE = sorted((Path(__file__).parents[2] / ".site" / "docs").rglob("*.md"))


def test_commands_in_the_readme_and_the_guide_can_be_typed():
    texts = "\n".join([README, *(page.read_text(encoding="utf-8") for page in GUIDE)])
    blocks = re.findall(r"```(?:sh|text|console[^\n]*)\n(.*?)```", texts, re.DOTALL)
    told = "\n".join(blocks).replace(" && ", "\n").replace(" | ", "\n")
    told = told.replace("--run-to-run trials.sqlite", "--run-to-run 2:8")  # a file that is read
    lines = re.findall(r"^(?:\$ |\.venv/bin/)?psdstats (.+)$", told, re.MULTILINE)
    assert len(lines) > 30
    for line in lines:
        words = shlex.split(line, comments=True)
        assert PARSER.parse_args(words).command in COMMANDS


@pytest.mark.parametrize("command", COMMANDS)
def test_readme_or_the_help_says_what_every_command_is_for(command):
    said = re.sub(r"\s+", " ", PARSER.format_help())
    assert f" {command} {_module((command,)).SUMMARY} " in said
    assert f"psdstats {command}" in README


@pytest.mark.parametrize(
    ("path", "action"),
    [pair for pair in OPTIONS if len(pair[0]) == 1 and pair[1].nargs != 0],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else value.dest,
)
def test_what_is_taken_by_default_is_said(path, action):
    if action.default not in (None, "", [], ()):  # nothing is taken there
        assert "default" in action.help, " ".join((*path, *action.option_strings))


def test_every_command_gives_json_and_can_be_quiet():
    working = [path for path in PARSERS if path != ("plan",)]
    for path in working:
        known = {name for action in PARSERS[path]._actions for name in action.option_strings}
        assert {"--help", "--json", "--quiet"} <= known, path


@pytest.mark.parametrize("path", [(), *PARSERS], ids=" ".join)
def test_help_fits_80_columns_and_gives_the_exit_codes(psdstats, monkeypatch, path):
    monkeypatch.setenv("COLUMNS", "80")
    said = psdstats(*path, "--help").out
    long = [line for line in said.splitlines() if len(line) > 80]
    assert all("psdstats" in line for line in long)  # an example is one line, to be copied
    assert "exit codes:" in said
    assert "130" in said


def test_shared_options_mean_the_same_everywhere():
    seen: dict[str, set[tuple[object, ...]]] = {}
    for _, action in OPTIONS:
        for name in action.option_strings:
            seen.setdefault(name, set()).add((action.dest, action.nargs == 0))
    assert {name: kinds for name, kinds in seen.items() if len(kinds) > 1} == {}


def test_version(psdstats):
    said = psdstats("--version")
    assert (said.code, said.out) == (0, f"psdstats {__version__}\n")


@pytest.mark.parametrize(
    "words",
    [
        ("sizes", "nowhere"),
        ("compare", "nowhere"),
        ("report", "nowhere"),
        ("budget", "nowhere"),
        ("convert", "nowhere", "x.csv"),
    ],
)
def test_missing_study_is_one_sentence(psdstats, tmp_path, words):
    said = psdstats(*words)
    assert said.code == 2
    assert said.out == ""
    assert said.err == (
        "psdstats: nowhere: there is no such file or folder. Give the folder of the study, its "
        "flat CSV file or its workbook.\n"
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--by", "operator"), "The run table has no column 'operator'. Name one of: group, "),
        (("--by", "group"), "Column group holds the single value all in all 5 runs, so there is "),
        (("--sources", "wind"), "'wind'"),
        (("--margin", "-3"), "--margin: -3 is not a number from 0.01 to 95 per cent."),
    ],
)
def test_impossible_wishes_are_one_sentence(psdstats, bench, words, says):
    said = psdstats("compare", bench, *words)
    assert said.code == 2
    assert said.err.startswith("psdstats: ")
    assert says in said.err
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err


def test_control_characters_of_a_file_do_not_reach_the_terminal(psdstats, bench):
    text = bench.read_text(encoding="utf-8").replace("mill-0", "mill\x1b[31m-0")
    bench.write_text(text, encoding="utf-8")
    for words in (("check", bench, "--notes"), ("sizes", bench, "--method", "linear")):
        said = psdstats(*words)
        assert "\x1b" not in said.out + said.err


OUT = [path for path, action in OPTIONS if action.option_strings == ["--out"]]


@pytest.mark.parametrize("path", [*OUT, ("convert",)], ids=" ".join)
@pytest.mark.parametrize("replace", [True, False])
def test_where_to_write_is_decided_before_anything_is_read(psdstats, tmp_path, path, replace):
    """The study named in the example is not even there."""
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "notes.txt").touch()
    words = shlex.split(_module(path).EXAMPLE.replace("\\\n", " "))[1:]
    words = (
        ["convert", "nowhere", "theirs"] if path == ("convert",) else [*words, "--out", "theirs"]
    )
    said = psdstats(*words, *(["--replace"] if replace else []))
    assert (said.code, said.out) == (2, "")
    wanted = (
        "holds files that psdstats did not write (no .psdstats-files.json in it). Choose another "
        "folder."
        if replace
        else "exists already. Choose another name, or add --replace."
    )
    assert said.err == f"psdstats: {tmp_path / 'theirs'} {wanted}\n"


@pytest.mark.parametrize(
    ("fault", "code", "says"),
    [
        (
            ZeroDivisionError("a\nb"),
            3,
            r"psdstats itself failed at main\.py, line \d+ \(ZeroDivisionError: a b\); ",
        ),
        (MemoryError(), 2, "The work needs more memory than this machine gives. Ask for fewer"),
        (
            BrokenPipeError(32, "Broken pipe"),
            2,
            "The output cannot be read or written: Broken pipe",
        ),
    ],
)
def test_last_resort_is_a_sentence(psdstats, monkeypatch, fault, code, says):
    def fail(*_):
        raise fault

    monkeypatch.setattr("psdstats_cli.commands.demo.run", fail)
    said = psdstats("demo", "d")
    assert (said.code, said.out) == (code, "")
    assert re.match(f"psdstats: {says}", said.err)
    assert said.err.count("\n") == 1
    traced = psdstats("demo", "d", "--debug").err
    assert traced.startswith("Traceback")
    assert traced.endswith(said.err)


def test_last_resort_names_the_place(psdstats, bench, monkeypatch):
    monkeypatch.setattr("psdstats.study.check.CheckReport", None)
    said = psdstats("check", bench)
    assert said.code == 3
    assert re.search(r"itself failed at check\.py, line \d+ \(TypeError: ", said.err)
    assert f"(version {__version__})" in said.err


def test_a_study_is_not_converted_onto_itself(psdstats, benches):
    said = psdstats("convert", benches, benches, "--replace")
    assert said.err == f"psdstats: {benches} is the study itself. Choose another name.\n"
