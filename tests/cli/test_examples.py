"""Every example in the help runs as it stands, on a part of the demo study (invented data).

Only what makes it quick is added where a command has the option: the linear law instead of draws,
few simulated trials.  That of the report runs in test_report.py.
"""

import json
import shlex
import shutil
from importlib import import_module
from pathlib import Path

import pytest
from psdstats_cli.commands.plan import PLANS
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
    is_plan = path[0] == "plan"
    own = PLANS[path[1]] if is_plan else import_module(f"psdstats_cli.commands.{path[0]}")
    return shlex.split(own.EXAMPLE.replace("\\\n", " "))


def _quick(path):
    known = {name for action in COMMANDS[path]._actions for name in action.option_strings}
    return [word for name, value in QUICK.items() if name in known for word in (name, value)]


FILES_ALONE = {("demo",), ("convert",), ("sheet",)}
HINTS = ("Note:", "Wrote", "Try next", "prints also", "prints them", "DIR writes", "see: psdstats")


@pytest.mark.parametrize("path", [one for one in COMMANDS if one != ("report",)], ids=" ".join)
def test_example_runs(shown, psdstats, trial, contents, path, tmp_path, valid):
    """As it stands; as JSON it is one document, with --quiet its result without remark or hint."""
    if path == ("demo",):
        shutil.rmtree(trial)
    words = [*_example(path)[1:], *_quick(path)]
    before = contents(trial) if trial.exists() else {}
    said = shown(*words)
    assert said.code == (1 if path == ("check",) else 0), said.err
    assert "Traceback" not in said.err
    assert said.out
    assert not before or contents(trial) == before
    if said.show:  # the same page, shown otherwise
        if path[0] == "plan":
            said.show(out=tmp_path / "made")
            _is_written(contents(tmp_path / "made"), path)
        quiet, document = said.show(quiet=True, out=None), said.show(json=True, out=None)
        parsed = build_parser().parse_args([*words, "--quiet", "--json"])
        assert parsed.quiet
        assert parsed.json
    else:
        replies = []
        for option in ("--quiet", "--json"):
            _clear(path, trial, tmp_path)
            replies.append(psdstats(*words, option))
        assert replies[0].err == ""
        quiet, document = (reply.out for reply in replies)
    assert document.count("\n") == 1
    assert valid(json.loads(document))["schema"] == f"{'-'.join(path)}/1"
    assert bool(quiet) != (path in FILES_ALONE)
    assert not [hint for hint in HINTS if hint in quiet]


def _is_written(files, path):
    suffixes = {Path(one).suffix for one in files}
    assert suffixes >= {".csv", ".md", ".tex", ".xlsx", ".svg", ".png"}
    assert ("cautions.txt" in files) == (path[1] in ("charge", "timeline"))


def _clear(path, trial, folder):
    """Take away what the command made, so that it can run again."""
    for made in [one for one in folder.iterdir() if one != trial or path == ("demo",)]:
        shutil.rmtree(made) if made.is_dir() else made.unlink()


@pytest.mark.parametrize("command", ["sizes", "compare", "groups", "rate", "budget"])
def test_quiet_says_nothing_of_warnings(psdstats, few_runs, command):
    linear = () if command in ("budget", "compare", "rate") else ("--method", "linear")
    quick = ("--quantity", "D50") if command == "rate" else ()
    assert psdstats("check", few_runs).code == 1
    assert psdstats(command, few_runs, *linear, *quick, "--quiet").err == ""


def test_the_commands_that_demo_names_run_as_printed(psdstats):
    said = psdstats("demo", "my trial", "--small")
    next_ones = [shlex.split(line) for line in said.out.splitlines()[1:]]
    assert [one[:2] for one in next_ones] == [
        ["psdstats", command] for command in ("check", "sizes", "report")
    ]
    assert [psdstats(*one[1:], *_quick((one[1],))).code for one in next_ones] == [0, 0, 0]
