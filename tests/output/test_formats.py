"""One table read back from five formats: the same numbers, and text that came through whole."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from psdstats.output.formats import (
    to_csv,
    to_html,
    to_latex,
    to_markdown,
    to_terminal,
    to_xlsx,
)
from psdstats.output.table import Column, Show, Table
from psdstats.words.numbers import Numerals

# the compilation is checked where a TeX engine is installed
ENGINES = [name for name in ("pdflatex", "lualatex") if shutil.which(name)]
PAGE = (
    "\\documentclass{article}\\usepackage{array,booktabs,longtable}"
    "\\begin{document}\\input{table}\\end{document}"
)
NASTY = ["alder-24", '=SUM(A1)|<b>"x"</b>', "50 % & $5_a# {x} ~^\\"]


@pytest.fixture
def table() -> Table:
    frame = pd.DataFrame(
        {
            "run": NASTY,
            "d50_um": [231.41593827, 45.0, 0.1 + 0.2],
            "u_um": [1.2345, float("nan"), 0.012],
            "expanded_um": [2.42, float("nan"), float("nan")],
            "lower_um": [229.0, 0.0, 0.28],
            "upper_um": [233.8, 45.0, 0.33],
            "side": ["", "<", ""],
            "p": [0.0321, 1e-7, float("nan")],
            "n": [3, 14, 2000],
        }
    )
    columns = (
        Column(name="run", heading="run"),
        Column(
            name="d50_um",
            heading="D50",
            unit="µm",
            show=Show.MEASURED,
            u="u_um",
            expanded="expanded_um",
            lower="lower_um",
            upper="upper_um",
            side="side",
        ),
        Column(name="p", heading="p", show=Show.P_VALUE),
        Column(name="n", heading="particles", show=Show.COUNT),
    )
    return Table(
        name="sizes", frame=frame, caption="Sizes & <more>.", columns=columns, notes=("A note.",)
    )


class _Cells(HTMLParser):
    """Rows of cells, and the attributes of each."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.attributes: list[list[dict[str, str | None]]] = []
        self.inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
            self.attributes.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
            self.attributes[-1].append(dict(attrs))
            self.inside = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self.inside = False

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.rows[-1][-1] += data


def _from_html(text: str) -> list[list[str]]:
    parser = _Cells()
    parser.feed(text)
    # the page keeps a number to its unit by no-break spaces
    return [[cell.replace("\u00a0", " ") for cell in row] for row in parser.rows]


def _from_markdown(text: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.startswith("|")]
    cells = [re.split(r"(?<!\\)\|", line)[1:-1] for line in lines]
    rows = [[re.sub(r"\\(.)", r"\1", cell).strip() for cell in row] for row in cells]
    return [rows[0], *rows[2:]]


def _from_latex(text: str) -> list[list[str]]:
    signs = {
        r"\textbackslash{}": "\x00", r"\textasciicircum{}": "^", r"\textasciitilde{}": "~",
        r"$\pm$": "±", r"$\mu$": "µ", "$<$": "<", "$>$": ">", "$|$": "|", "$-$": "−", "--": "–",
        "''": '"',
    }  # fmt: skip
    rows = []
    bodies = re.findall(r"\\endlastfoot\n(.*?)\\end{longtable}", text, flags=re.DOTALL)
    for line in re.findall(r"^(.*) \\\\$", "\n".join(bodies), flags=re.MULTILINE):
        cells = re.split(r"(?<!\\)&", line)
        for command, sign in signs.items():
            cells = [cell.replace(command, sign) for cell in cells]
        cells = [re.sub(r"\\([{}$&#%_])", r"\1", cell) for cell in cells]
        rows.append([cell.replace("\x00", "\\").strip() for cell in cells])
    return rows


def test_rounded_formats_show_the_same_texts(table: Table) -> None:
    grid = table.grid()
    assert _from_html(to_html(table))[1:] == grid
    assert _from_markdown(to_markdown(table))[1:] == grid
    assert _from_latex(to_latex(table)) == grid
    assert grid[0][1] == "231.4 ± 2.4"
    assert grid[2][1] == "0.300 −0.020 +0.030"
    assert grid[1][1:3] == ["< 45", "< 0.0001"]


def test_csv_and_workbook_hold_the_same_numbers(table: Table) -> None:
    csv = pd.read_csv(io.StringIO(to_csv(table)), dtype=str, keep_default_na=False)
    for name in ("d50_um", "u_um", "p", "n"):
        read = [float(text) if text else None for text in csv[name]]
        # ten digits, so that the last bits of a computation (0.1 + 0.2) reach no file
        kept = [None if pd.isna(value) else float(f"{value:.10g}") for value in table.frame[name]]
        assert read == kept
    sheet = openpyxl.load_workbook(io.BytesIO(to_xlsx([table])))["sizes"]
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[0] == tuple(table.frame.columns)
    for row, (_, own) in zip(rows[1:], table.frame.iterrows(), strict=True):
        for found, value in zip(row, own, strict=True):
            if pd.isna(value) or value == "":
                assert found is None
            elif isinstance(value, str):
                assert found == value
            else:
                assert found == float(f"{value:.10g}")


def test_rounded_texts_are_the_doubles_rounded(table: Table) -> None:
    """Ties the two kinds of format together: each shown value is the CSV value to its digits."""
    csv = pd.read_csv(io.StringIO(to_csv(table)))
    for text, value in zip([row[1] for row in table.grid()], csv["d50_um"], strict=True):
        shown = text.lstrip("< ").split(" ")[0]
        places = len(shown.partition(".")[2])
        assert float(shown) == pytest.approx(value, abs=0.5 * 10.0**-places)


def test_html_keeps_the_value_and_scopes(table: Table) -> None:
    parser = _Cells()
    parser.feed(to_html(table, label="Table 4"))
    assert parser.attributes[1][1]["data-value"] == "231.4159383"
    assert [cell.get("scope") for cell in parser.attributes[0]] == ["col"] * 4
    assert [row[0].get("scope") for row in parser.attributes[1:]] == ["row"] * 3
    assert "Sizes &amp; &lt;more&gt;." in to_html(table)


def test_text_is_never_a_formula(table: Table) -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(to_xlsx([table])))["sizes"]
    assert sheet["A3"].value == NASTY[1]
    assert sheet["A3"].data_type == "s"
    assert "'=SUM(A1)" in to_csv(table)


def test_workbook_bytes_do_not_depend_on_the_clock(table: Table) -> None:
    book = to_xlsx([table])
    with zipfile.ZipFile(io.BytesIO(book)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        core = archive.read("docProps/core.xml").decode()
    assert re.findall(r"\d{4}-\d\d-\d\dT[\d:]+Z", core) == ["1980-01-01T00:00:00Z"] * 2
    assert to_xlsx([table]) == book


def test_sheet_names_are_ones_a_workbook_accepts(table: Table) -> None:
    frame = table.frame
    long = [Table(name="a/b:" + "x" * 40, frame=frame, caption="") for _ in range(2)]
    book = openpyxl.load_workbook(io.BytesIO(to_xlsx([*long, table])))
    assert len(set(book.sheetnames)) == 4
    assert all(len(name) <= 31 for name in book.sheetnames)


def test_decimal_comma_in_every_text(table: Table) -> None:
    for writer in (to_html, to_markdown, to_latex):
        assert "231,4" in writer(table, say=Numerals(","))
    csv = pd.read_csv(io.StringIO(to_csv(table, say=Numerals(","))), sep=";", dtype=str)
    sizes = [float(cell.replace(",", ".")) for cell in csv["d50_um"]]
    assert sizes == [float(f"{one:.10g}") for one in table.frame["d50_um"]]


def test_long_latex_tables_go_on_over_pages(table: Table) -> None:
    frame = pd.DataFrame({"i": range(100)})
    text = to_latex(Table(name="long", frame=frame, caption="Long."))
    assert text.count(r"\begin{longtable}") == text.count(r"\end{longtable}") == 1
    assert text.startswith(r"% the preamble needs \usepackage{array,booktabs,longtable}")
    assert [row[0] for row in _from_latex(text)] == [str(i) for i in range(100)]
    assert text.count(r"\caption{Long.}") == 1
    assert text.count(r"\label{tab:long}") == 1


def test_wide_latex_tables_keep_every_column_once(table: Table) -> None:
    names = [f"a long heading {i}" for i in range(30)]
    frame = pd.DataFrame(
        {"run": ["a", "b"], **{name: [i, 100 + i] for i, name in enumerate(names)}}
    )
    rows = _from_latex(to_latex(Table(name="wide", frame=frame, caption="Wide.")))
    cells = [row for row in rows if row[0] == "b"]
    assert len(cells) > 1  # cut, with the row heading repeated
    assert [cell for row in cells for cell in row[1:]] == [str(100 + i) for i in range(30)]


if ENGINES:

    @pytest.mark.parametrize("engine", ENGINES)
    def test_latex_compiles(engine: str, table: Table, tmp_path: Path) -> None:
        (tmp_path / "table.tex").write_text(to_latex(table), encoding="utf-8")
        (tmp_path / "page.tex").write_text(PAGE, encoding="utf-8")
        done = subprocess.run(
            [engine, "-halt-on-error", "-interaction=nonstopmode", "page.tex"],
            cwd=tmp_path,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout[-2000:]
        assert b"Overfull" not in done.stdout


@pytest.mark.parametrize("width", [12, 30, 44, 80])
def test_terminal_keeps_to_its_width(table: Table, width: int) -> None:
    text = to_terminal(table, width=width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert text.count("\n") >= 6


def test_terminal_aligns_columns(table: Table) -> None:
    lines = to_terminal(table, width=100).splitlines()
    ends = {line.index("231.4 ± 2.4") + 11 for line in lines if "231.4" in line}
    ends |= {line.index("< 45") + 4 for line in lines if "< 45" in line}
    assert len(ends) == 1


def test_terminal_says_what_it_leaves_out(table: Table) -> None:
    assert "Too wide to show: p; particles." in " ".join(to_terminal(table, width=38).split())
    assert "Too wide" not in to_terminal(table, width=80)


def test_terminal_leaves_out_spare_columns_first(table: Table) -> None:
    columns = tuple(replace(one, spare=one.name == "d50_um") for one in table.columns)
    text = to_terminal(replace(table, columns=columns), width=46)
    assert "231.4" not in text
    assert "2000" in text
    assert "Too wide to show: D50, µm." in " ".join(text.split())


def test_terminal_breaks_headings_and_texts_between_words() -> None:
    columns = (
        Column(name="time_min", heading="milling time", unit="min", show=Show.COUNT),
        Column(name="says", heading="verdict"),
    )
    frame = pd.DataFrame({"time_min": [6, 48], "says": ["no difference was shown", "changed"]})
    table = Table(name="t", frame=frame, caption="Two rows.", columns=columns)
    assert to_terminal(table, width=26).splitlines() == [
        "Two rows.",
        "milling",
        "  time,",
        "    min  verdict",
        "───────  ─────────────────",
        "      6  no difference was",
        "         shown",
        "     48  changed",
    ]


def test_a_terminal_breaks_numbers_before_their_interval_and_keeps_the_verdict() -> None:
    columns = (
        Column(name="quantity", heading="quantity"),
        Column(name="r", heading="ratio", show=Show.RATIO, lower="low", upper="high"),
        Column(name="p", heading="p", show=Show.P_VALUE),
        Column(name="verdict", heading="verdict"),
    )
    row = {"quantity": "D50", "r": 0.8259, "low": 0.8084, "high": 0.8447, "p": 0.0123}
    frame = pd.DataFrame([row | {"verdict": "cannot be told"}])
    table = Table(name="t", frame=frame, caption="One row.", columns=columns)
    assert to_terminal(table, width=49).splitlines()[-2:] == [
        "D50                  0.826  0.012  cannot be told",
        "          (0.808 to 0.845)",
    ]
    text = to_terminal(table, width=38)
    assert "cannot" in text
    assert "Too wide to show: p." in text
