"""The result folder: complete, reproducible, all or nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from psdstats.errors import OutputError
from psdstats.output import bundle
from psdstats.output.bundle import write_report_folder
from psdstats.output.content import Drawing, ReportContent, Section
from psdstats.output.figures import new_axes, size_against_time
from psdstats.output.table import Table


def _content(sizes: pd.DataFrame) -> ReportContent:
    drawing = Drawing(
        name="Sizes against time",
        draw=lambda: size_against_time(sizes, new_axes()),
        caption="Sizes.",
        alternative="Sizes fall.",
    )
    table = Table(name="Sizes by run", frame=sizes, caption="Sizes.")
    return ReportContent(
        title="Trial", sections=(Section(heading="Sizes", blocks=(drawing, table)),)
    )


def _files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_the_folder_is_complete_and_reproducible(sizes: pd.DataFrame, tmp_path: Path) -> None:
    extra = Table(name="extra", frame=sizes, caption="More.")
    for name in ("a", "b"):
        page = write_report_folder(
            tmp_path / name, replace(_content(sizes), files=(extra,)), provenance={"seed": 7}
        )
        assert page == (tmp_path / name / "report.html").resolve()
    first, second = _files(tmp_path / "a"), _files(tmp_path / "b")
    assert first == second
    assert {
        "report.html",
        "provenance.json",
        "tables/sizes-by-run.csv",
        "tables/sizes-by-run.md",
        "tables/sizes-by-run.tex",
        "tables/extra.csv",
        "tables/all-tables.xlsx",
        "figures/sizes-against-time.svg",
        "figures/sizes-against-time.png",
    } <= set(first)
    assert json.loads(first["provenance.json"]) == {"seed": 7}


def test_a_table_that_no_document_holds_is_not_set(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(bundle, "MOST_SET", 3)
    tables = [
        Table(name=f"{rows} rows", frame=pd.DataFrame({"x": range(rows)}), caption="Numbers.")
        for rows in (3, 4)
    ]
    names = [path.name for path in bundle.write_tables(tmp_path, tables)]
    assert names == ["3-rows.csv", "3-rows.md", "3-rows.tex", "4-rows.csv", "all-tables.xlsx"]


def test_progress_counts_to_the_end(sizes: pd.DataFrame, tmp_path: Path) -> None:
    calls: list[tuple[int, int]] = []
    write_report_folder(
        tmp_path / "a", _content(sizes), provenance={}, progress=lambda *at: calls.append(at)
    )
    assert calls == sorted(calls)
    assert calls[-1] == (4, 4)


def test_nothing_is_left_of_a_folder_that_failed(sizes: pd.DataFrame, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_report_folder(tmp_path / "a", _content(sizes), provenance={"seed": float("nan")})
    assert list(tmp_path.iterdir()) == []


def test_two_tables_of_one_name_are_refused(sizes: pd.DataFrame, tmp_path: Path) -> None:
    twin = Table(name="Sizes by run", frame=sizes, caption="Twin.")
    with pytest.raises(OutputError, match="two tables are named 'Sizes by run'"):
        write_report_folder(tmp_path / "a", replace(_content(sizes), files=(twin,)), provenance={})


def test_names_that_give_one_key_are_numbered(sizes: pd.DataFrame, tmp_path: Path) -> None:
    names = ("sizes by RUN", "Sizes: by run", "粉", "砕", "x" * 300, "x" * 301)
    tables = tuple(Table(name=name, frame=sizes, caption=name) for name in names)
    write_report_folder(tmp_path / "a", replace(_content(sizes), files=tables), provenance={})
    written = sorted(path.stem for path in (tmp_path / "a" / "tables").glob("*.csv"))
    assert len(written) == 7
    assert {"sizes-by-run", "sizes-by-run-2", "sizes-by-run-3", "item", "2"} <= set(written)
    assert max(map(len, written)) <= 60
