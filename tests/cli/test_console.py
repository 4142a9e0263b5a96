"""Words on a terminal and in a pipe: broken between words, never coloured, said once."""

import io
import json
import os
import pty
import re
import subprocess
import sys

import pytest
from psdstats_cli.console import Console
from psdstats_cli.main import main

RUN = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"
WIDTHS = (80, 120)
LONG = "D50 at 48 min against 0 min: changed, ratio 0.460, a decrease of 54.0 %, p below 0.0001."


def _take_for_terminal(monkeypatch, width):
    """Standard output counts as a terminal of that width."""

    def size(*_):
        return os.terminal_size((width, 24))

    monkeypatch.setattr("psdstats_cli.console.shutil.get_terminal_size", size)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)


def test_sentences_are_broken_between_words_on_a_terminal(capsys, monkeypatch):
    _take_for_terminal(monkeypatch, 40)
    Console().say(LONG)
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 40
    assert all(line.startswith("  ") for line in said.splitlines()[1:])
    assert " ".join(said.split()) == LONG


def test_a_pipe_gets_one_line_a_sentence(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    Console().say(LONG)
    assert capsys.readouterr().out == LONG + "\n"


def test_commands_to_copy_and_tables_are_not_broken(capsys, monkeypatch):
    _take_for_terminal(monkeypatch, 40)
    command = '  psdstats report "a folder with a long name/and another one below it"'
    Console().say(command)
    Console().verbatim(LONG)
    assert capsys.readouterr().out == f"{command}\n{LONG}\n"


@pytest.mark.parametrize(
    "words",
    [
        ("check", "--notes"),
        ("sizes", "--method", "linear"),
        ("budget",),
        ("compare", "--all-tables"),
        ("compare", "--by", "ball_ratio", "--at-each", "milling_time_min"),
        ("groups", "--method", "linear"),
        ("rate", "--margin", "5"),
    ],
    ids=" ".join,
)
def test_nothing_is_wider_than_the_terminal(shown, trial, monkeypatch, words):
    """In process, with standard output taken for a terminal; no text of a table is cut."""
    monkeypatch.chdir(trial.parent)  # a long path would be no fault of the page
    narrow, *wider = WIDTHS
    _take_for_terminal(monkeypatch, narrow)
    said = shown(words[0], trial.name, *words[1:])
    assert said.code in (0, 1)
    texts = {narrow: said.out}
    for width in wider if said.show else ():
        _take_for_terminal(monkeypatch, width)
        texts[width] = said.show()
    for width, text in texts.items():
        assert max(map(len, text.splitlines())) <= width
        assert "…" not in text


@pytest.mark.parametrize("setting", [{}, {"NO_COLOR": "1"}, {"FORCE_COLOR": "1"}], ids=str)
def test_no_colour_on_a_terminal_or_in_a_pipe(benches, setting):
    ours, theirs = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-c", RUN, "check", str(benches)],
        stdout=theirs,
        stderr=subprocess.PIPE,
        check=False,
        env={**os.environ, **setting},
    )
    os.close(theirs)
    said = os.read(ours, 65536)
    os.close(ours)
    assert done.returncode == 1
    assert b"warning: weighings.csv" in said
    assert b"\x1b" not in said + done.stderr


def _run(folder, *words, encoding="utf-8", stdout=subprocess.PIPE):
    return subprocess.run(
        [sys.executable, "-c", RUN, *words],
        cwd=folder,
        stdout=stdout,
        stderr=subprocess.PIPE,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )


@pytest.fixture
def old_code_page(monkeypatch, psdstats):
    """Run a command, in process, whose output is a stream of the encoding; gives its bytes."""

    def run(encoding, *words):
        with monkeypatch.context() as streams:
            out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
            streams.setattr(sys, "stdout", out)
            code = main([str(word) for word in words])
            out.flush()
            return code, out.buffer.getvalue()

    return run


@pytest.mark.parametrize(("encoding", "sign"), [("cp1252", "±"), ("cp437", "±"), ("ascii", "+-")])
def test_an_old_code_page_gets_the_nearest_signs(old_code_page, bench, capsys, encoding, sign):
    code, said = old_code_page(encoding, "sizes", bench, "--method", "linear", "--quiet")
    assert (code, capsys.readouterr().err) == (0, "")
    said = said.decode(encoding)
    assert re.search(rf"\d {re.escape(sign)} \d", said)
    assert ("───────" if encoding == "cp437" else "-------") in said


def test_json_holds_every_sign_whatever_the_code_page(old_code_page, bench):
    words = ("sizes", bench, "--method", "linear", "--json")
    (_, plain), (_, old) = (old_code_page(name, *words) for name in ("utf-8", "cp1252"))
    assert json.loads(old.decode("cp1252")) == json.loads(plain.decode())


def test_help_survives_an_old_code_page(tmp_path):
    done = _run(tmp_path, "plan", "charge", "--help", encoding="ascii")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"density of the balls, g/cm?" in done.stdout


@pytest.mark.parametrize("device", [name for name in ("/dev/full",) if os.path.exists(name)])
def test_output_that_finds_no_room_is_one_sentence(bench, device):
    with open(device, "w") as full:
        done = _run(bench.parent, "check", bench.name, stdout=full)
    assert done.returncode == 2
    assert done.stderr.startswith(b"psdstats: The output cannot be read or written: No space left")
    assert done.stderr.count(b"\n") == 1


def test_what_turns_the_direction_of_text_is_seen(capsys):
    name = "\u202eegral\u2066"
    Console().say(name)
    assert capsys.readouterr().out == "\ufffdegral\ufffd\n"
    Console(json=True).document({"run": name})
    said = capsys.readouterr().out
    assert said.isascii()
    assert json.loads(said)["run"] == name
