"""Every example in the help runs as it stands, on a part of the demo study (invented data).

Only what makes it quick is added where a command has the option: the linear law instead of draws,
few simulated trials.
"""

import json
import shlex
import shutil
from importlib import import_module

import pytest
from psdstats_cli.main import build_parser


def _commands(parser, path=()):
    """Every command, by the words that lead to it, with its parser."""
    below = next((action for action in parser._actions if hasattr(action, "add_parser")), None)
    if below is None:
        return {path: parser}
    return {
        words: command
        for name, one in below.choices.items()
        for words, command in _commands(one, (*path, name)).items()
    }


COMMANDS = _commands(build_parser())
QUICK = {"--method": "linear", "--trials": "100"}


def _example(path):
    home = "commands" if len(path) == 1 else f"{path[0]}s"
    text = import_module(f"psdstats_cli.{home}.{path[-1]}").EXAMPLE
    return shlex.split(text.replace("\\\n", " "))


def _quick(path):
    known = {name for action in COMMANDS[path]._actions for name in action.option_strings}
    return [word for name, value in QUICK.items() if name in known for word in (name, value)]


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_example_runs(psdstats, trial, contents, path):
    if path == ("demo",):
        shutil.rmtree(trial)
    before = contents(trial) if trial.exists() else {}
    said = psdstats(*_example(path)[1:], *_quick(path))
    assert said.code == (1 if path == ("check",) else 0), said.err
    assert "Traceback" not in said.err
    assert said.out
    assert not before or contents(trial) == before


PRINTING = [path for path in COMMANDS if path != ("report",)]  # test_report.py prints that one


def _printing(path):
    """The example without its files, where it has a result to print."""
    words = _example(path)[1:]
    known = {action.dest for action in COMMANDS[path]._actions}
    if "decimal" in known and "--out" in words:
        at = words.index("--out")
        del words[at : at + 2]
    return [*words, *_quick(path)]


@pytest.mark.parametrize("path", PRINTING, ids=" ".join)
def test_example_as_json_is_one_document(psdstats, trial, path):
    if path == ("demo",):
        shutil.rmtree(trial)
    said = psdstats(*_printing(path), "--json")
    document = json.loads(said.out)
    assert document
    assert isinstance(document, dict)


FILES_ALONE = {("demo",), ("convert",), ("sheet",)}


@pytest.mark.parametrize("path", PRINTING, ids=" ".join)
def test_quiet_prints_the_result_alone(psdstats, trial, path):
    """What makes files says nothing; the others print their result, without remark or hint."""
    if path == ("demo",):
        shutil.rmtree(trial)
    said = psdstats(*_printing(path), "--quiet")
    assert said.err == ""
    if path in FILES_ALONE:
        assert said.out == ""
    else:
        assert said.out
    for hint in ("Note:", "Add --", "Wrote", "Try next", "Not shown", "see: psdstats"):
        assert hint not in said.out


def test_the_commands_that_demo_names_run_as_printed(psdstats):
    said = psdstats("demo", "my trial", "--small")
    next_ones = [shlex.split(line) for line in said.out.splitlines()[1:]]
    assert [one[:2] for one in next_ones] == [
        ["psdstats", command] for command in ("check", "sizes", "report")
    ]
    assert [psdstats(*one[1:], *_quick((one[1],))).code for one in next_ones] == [0, 0, 0]
