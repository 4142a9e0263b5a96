"""What a shell completes once it has read the script of `psdstats completion`."""

import contextlib
import io
import json
import shutil
import subprocess

import pytest
from psdstats_cli.main import COMMANDS, build_parser, main

COMPLETE = """
eval "$1"
shift
COMP_WORDS=("$@") COMP_CWORD=$(($# - 1)) COMPREPLY=()
finder=$(complete -p psdstats | sed 's/.* -F \\([^ ]*\\).*/\\1/')
"$finder" psdstats "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"
printf '%s\\n' "${COMPREPLY[@]}"
"""


@pytest.fixture(scope="module")
def script():
    """The script for bash, asked for once."""
    with contextlib.redirect_stdout(io.StringIO()) as said:
        assert main(["completion", "bash"]) == 0
    return said.getvalue()


@pytest.fixture
def complete(script, tmp_path):
    """What bash offers for the last of the words."""

    def offered(*words):
        done = subprocess.run(
            ["bash", "-c", COMPLETE, "bash", script, "psdstats", *words],
            capture_output=True,
            text=True,
            check=True,
            cwd=tmp_path,
        )
        assert done.stderr == ""
        return done.stdout.split()

    return offered


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("ch",), ["check"]),
        (("co",), ["convert", "compare", "collect", "completion"]),
        (("plan", "po"), ["power"]),
        (("compare", "x", "--sp"), ["--spread"]),
        (("plan", "power", "--que"), ["--question"]),
        (("compare", "x", "--spread", ""), ["drifting", "pooled", "each-contrast"]),
        (("sizes", "x", "--method", "l"), ["linear"]),
        (("rate", "x", "--curve", "po"), ["power-law"]),
        (("groups", "x", "--quantity", "D"), ["D10", "D50", "D90"]),
        (("completion", ""), ["bash", "zsh"]),
    ],
    ids=lambda value: " ".join(value),
)
def test_bash_completes_commands_options_and_choices(complete, words, offered):
    assert complete(*words) == offered


def test_bash_completes_studies_and_folders(complete, tmp_path):
    (tmp_path / "trial-folder").mkdir()
    (tmp_path / "trial.csv").touch()
    assert sorted(complete("sizes", "tr")) == ["trial-folder", "trial.csv"]
    assert complete("sizes", "x", "--out", "tr") == ["trial-folder"]


@pytest.mark.parametrize("shell", [name for name in ("bash", "zsh") if shutil.which(name)])
def test_script_is_sound(psdstats, shell):
    script = psdstats("completion", shell).out
    told = json.loads(psdstats("completion", shell, "--json").out)
    assert (told["shell"], told["script"].rstrip("\n")) == (shell, script.rstrip("\n"))
    done = subprocess.run([shell, "-n"], input=script, text=True, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_both_scripts_name_every_command(psdstats):
    for shell in ("bash", "zsh"):
        script = psdstats("completion", shell).out
        assert all(command in script for command in COMMANDS)


def test_choices_of_several_words_are_taken_as_they_are_completed():
    for typed in ("power-law", "power law"):
        found = build_parser().parse_args(["rate", "x", "--curve", typed])
        assert found.curve == "power law"
    assert build_parser().parse_args(["sizes", "x", "--method", "Monte-Carlo"]).method == (
        "monte-carlo"
    )


def test_other_shells_are_refused(psdstats):
    said = psdstats("completion", "fsh")
    assert said.code == 2
    assert "SHELL cannot be fsh; did you mean zsh? It is one of bash, zsh." in said.err
