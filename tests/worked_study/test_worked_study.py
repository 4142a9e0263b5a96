"""The worked study says what its blocks print.

``python tests/worked_study/test_worked_study.py`` runs the blocks and writes their outputs into the
page; read the difference before committing it.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from psdstats_datasets import __file__ as datasets

PAGE = Path(datasets).with_name("worked_study.md")
BLOCK = re.compile(r"```(sh|python|text)\n(.*?)```", re.DOTALL)
NUMBER = re.compile(r"[−-]?\d+(?:\.\d+)?")


def _shell(code: str, folder: Path) -> str:
    """What a shell prints, remarks on standard error included; psdstats is this Python's own."""
    places = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    done = subprocess.run(
        ["bash", "-c", code],
        cwd=folder,
        env={**os.environ, "PATH": places, "COLUMNS": "100", "LC_ALL": "C.UTF-8"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    return done.stdout.decode()


def _python(code: str, folder: Path, names: dict[str, object]) -> str:
    said = io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(said):
        exec(compile(code, str(PAGE), "exec"), names)  # the page is ours
    return said.getvalue()


def run_page(text: str, folder: Path) -> list[tuple[str, str]]:
    """What each text block holds, and what the block before it printed."""
    names: dict[str, object] = {}
    pairs, printed = [], ""
    for kind, body in BLOCK.findall(text):
        if kind == "sh":
            printed = _shell(body, folder)
        elif kind == "python":
            printed = _python(body, folder, names)
        else:
            pairs.append((body, printed))
    return pairs


def _agrees(written: str, printed: str) -> bool:
    """The same words, and numbers within one unit of the last digit written."""
    if NUMBER.sub("#", written).split() != NUMBER.sub("#", printed).split():
        return False
    found, told = NUMBER.findall(printed), NUMBER.findall(written)
    return all(
        abs(float(a.replace("−", "-")) - float(b.replace("−", "-")))
        <= 1.01 * 10.0 ** -len(b.partition(".")[2])
        for a, b in zip(found, told, strict=True)
    )


def test_every_block_prints_what_the_page_says(tmp_path):
    pairs = run_page(PAGE.read_text(encoding="utf-8"), tmp_path)
    assert len(pairs) >= 10
    for written, printed in pairs:
        assert written.strip()
        assert _agrees(written, printed), f"the page says\n{written}\nprinted was\n{printed}"


def test_the_comparison_sees_a_wrong_digit():
    assert _agrees("u = 1.52 %", "u = 1.53 %")
    assert not _agrees("u = 1.52 %", "u = 1.54 %")
    assert not _agrees("changed, 3 runs", "not shown, 3 runs")


def _rewrite() -> None:
    text = PAGE.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        printed = iter([said for _, said in run_page(text, Path(folder))])
    text = re.sub(r"```text\n.*?```", lambda _: f"```text\n{next(printed)}```", text, flags=re.S)
    PAGE.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    _rewrite()
