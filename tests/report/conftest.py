"""The report of the large demo study (invented data), written twice by processes of their own."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from psdstats_datasets import demo_path


def _write(study: Path, target: Path, hash_seed: str) -> Path:
    """One report by the linear method, which is quick; sets and dicts hash by the seed given."""
    command = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"
    words = ["report", str(study), "--out", str(target), "--method", "linear", "--quiet"]
    subprocess.run(
        [sys.executable, "-c", command, *words],
        env={**os.environ, "PYTHONHASHSEED": hash_seed, "OMP_NUM_THREADS": "1"},
        check=True,
        capture_output=True,
    )
    return target


@pytest.fixture(scope="session")
def reports(tmp_path_factory, worker_id) -> tuple[Path, Path]:
    """Two report folders of one study, written once for all processes that run tests."""
    own = tmp_path_factory.getbasetemp()
    folder = (own if worker_id == "master" else own.parent) / "reports"
    with closing(sqlite3.connect(folder.with_suffix(".lock"), timeout=900)) as lock:
        lock.execute("BEGIN EXCLUSIVE")  # a lock on every system, gone with who holds it
        if not (folder / "second").exists():
            study = folder / "four_benches"
            shutil.copytree(demo_path("four_benches"), study, dirs_exist_ok=True)
            _write(study, folder / "first", "1")
            _write(study, folder / "second", "2")
    return folder / "first", folder / "second"


@pytest.fixture(scope="session")
def report(reports) -> Path:
    """One report folder."""
    return reports[0]


@pytest.fixture(params=[e for e in ("pdflatex", "lualatex") if shutil.which(e)][:1])
def compile_latex(request, tmp_path) -> Callable[[Path], str]:
    """Compiles the LaTeX tables of a report in the plain article class and gives the log."""

    def compiled(report: Path) -> str:
        names = [path.name for path in sorted((report / "tables").glob("*.tex"))]
        for name in names:
            shutil.copy(report / "tables" / name, tmp_path / name)
        body = "".join(f"\\input{{{name}}}\\clearpage\n" for name in names)
        head = "\\documentclass{article}\\usepackage{array,booktabs,longtable}"
        source = f"{head}\\begin{{document}}\n{body}\\end{{document}}\n"
        (tmp_path / "all.tex").write_text(source, encoding="utf-8")
        command = [request.param, "-interaction=nonstopmode", "-halt-on-error", "all.tex"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
        log = (tmp_path / "all.log").read_text(encoding="latin-1")
        assert done.returncode == 0, log[-2000:]
        return log

    return compiled
