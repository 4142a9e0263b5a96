"""Every table of the demo report read back from its five formats: the same numbers in all."""

from __future__ import annotations

import csv
import re
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

LATEX_SIGNS = {
    r"\textbackslash{}": "\\", r"\textasciicircum{}": "^", r"\textasciitilde{}": "~",
    r"\ldots{}": "…", r"$\pm$": "±", r"$\mu$": "µ", r"$\times$": "×", r"$\geq$": "≥",
    r"$\leq$": "≤", r"$\infty$": "∞", "$<$": "<", "$>$": ">", "$|$": "|", "$-$": "−", "--": "–",
    "''": '"',
    "$^{-}$": "⁻", **{f"$^{{{digit}}}$": sign for digit, sign in enumerate("⁰¹²³⁴⁵⁶⁷⁸⁹")},
}  # fmt: skip
NUMBER = re.compile(r"[−+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?")


class _Tables(HTMLParser):
    """The tables of a page by key: rows of (text, full value or None), headings left out."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, list[list[tuple[str, str | None]]]] = {}
        self.key = ""
        self.text: str | None = None
        self.value: str | None = None

    def handle_starttag(self, tag, attrs):
        own = dict(attrs)
        if (own.get("class") or "").startswith("tableblock"):
            self.key = own["id"].removeprefix("table-")
            self.tables[self.key] = []
        elif tag == "tr":
            self.tables[self.key].append([])
        elif tag == "td" or (tag == "th" and own.get("scope") == "row"):
            self.text, self.value = "", own.get("data-value")

    def handle_endtag(self, tag):
        if tag in ("td", "th") and self.text is not None:
            cell = (self.text.replace("\u00a0", " "), self.value)
            self.tables[self.key][-1].append(cell)
            self.text = None

    def handle_data(self, data):
        if self.text is not None:
            self.text += data


def _html(report: Path) -> dict[str, list[list[tuple[str, str | None]]]]:
    parser = _Tables()
    parser.feed((report / "report.html").read_text(encoding="utf-8"))
    return {key: [row for row in rows if row] for key, rows in parser.tables.items()}


def _csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _markdown(path: Path) -> list[list[str]]:
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line[:1] == "|"]
    rows = [re.split(r"(?<!\\)\|", line)[1:-1] for line in lines[2:]]
    return [[re.sub(r"\\(.)", r"\1", cell).strip() for cell in row] for row in rows]


def _latex(path: Path, width: int) -> list[list[str]]:
    """Rows of a table, its parts side by side put together again, row headings once."""
    text = path.read_text(encoding="utf-8")
    bodies = re.findall(r"\\endlastfoot\n(.*?)\\end{longtable}", text, re.DOTALL)
    parts = [[_latex_row(line) for line in body.splitlines()] for body in bodies]
    heads = (sum(len(part[0]) for part in parts) - width) // max(len(parts) - 1, 1)
    rows = []
    for pieces in zip(*parts, strict=True):
        assert all(piece[:heads] == pieces[0][:heads] for piece in pieces)
        rows.append([*pieces[0], *(cell for piece in pieces[1:] for cell in piece[heads:])])
    assert {len(row) for row in rows} == {width}
    return rows


def _latex_row(line: str) -> list[str]:
    line = line.removesuffix(r" \\")
    cells = re.split(r"(?<!\\) & ", " " + line)
    cells = [cell.strip() for cell in cells]
    for command, sign in LATEX_SIGNS.items():
        cells = [cell.replace(command, sign) for cell in cells]
    cells = [re.sub(r"\\([{}$&#%_])", r"\1", cell) for cell in cells]
    return [cell.removeprefix("{}") for cell in cells]


@pytest.fixture(scope="module")
def page(report):
    return _html(report)


def test_the_page_shows_what_markdown_and_latex_show(report, page):
    assert len(page) > 10
    for key, rows in page.items():
        texts = [[text for text, _ in row] for row in rows]
        assert _markdown(report / "tables" / f"{key}.md") == texts, key
        assert _latex(report / "tables" / f"{key}.tex", len(texts[0])) == texts, key


def test_every_markdown_table_is_its_latex_table(report):
    files = sorted((report / "tables").glob("*.md"))
    assert len(files) > 20
    for path in files:
        rows = _markdown(path)
        if rows:
            assert _latex(path.with_suffix(".tex"), len(rows[0])) == rows, path.stem


def test_workbook_and_csv_hold_the_same_values(report):
    book = openpyxl.load_workbook(report / "tables" / "all-tables.xlsx", read_only=True)
    sheets = book.sheetnames[1:]
    tables = {path.stem for path in (report / "tables").glob("*.csv")}
    for_machines = {one for one in tables if one == "budget-inputs" or "covariance-" in one}
    assert len(for_machines) == 5
    assert len(sheets) == len(tables - for_machines)
    matched = set()
    for sheet in sheets:
        head, *rows = book[sheet].iter_rows(values_only=True)
        path = _file_of(report, sheet)
        matched.add(path)
        table = _csv(path)
        assert list(head) == list(table[0] if table else head), sheet
        assert len(rows) == len(table), sheet
        for row, own in zip(rows, table, strict=True):
            padded = [*row, *[None] * (len(head) - len(row))]
            for found, text in zip(padded, own.values(), strict=True):
                assert _same(found, text), (sheet, found, text)
    assert len(matched) == len(sheets)


def _file_of(report: Path, sheet: str) -> Path:
    """The one CSV file whose name begins with the sheet's, which is cut at 31 signs."""
    stem = re.sub(r"[^a-z0-9]+", "-", sheet.lower()).strip("-")
    exact = report / "tables" / f"{stem}.csv"
    if exact.exists():
        return exact
    (path,) = (report / "tables").glob(f"{stem}*.csv")
    return path


def _same(found: object, text: str) -> bool:
    if found is None:
        return text == ""
    if isinstance(found, bool):
        return text == str(found).lower()
    if isinstance(found, (int, float)):  # a workbook stores sixteen digits
        return float(text) == pytest.approx(found, rel=1e-15, abs=0)
    return text.removeprefix("'") == found


def test_the_page_carries_the_values_of_the_csv_in_full(report, page):
    for key, rows in page.items():
        table = _csv(report / "tables" / f"{key}.csv")
        assert len(table) == len(rows), key
        for at in range(len(rows[0])):
            values = [row[at][1] for row in rows]
            if any(value is not None for value in values):
                assert any(
                    all(v is None or v == row[name] for v, row in zip(values, table, strict=True))
                    for name in table[0]
                ), (key, at)


def test_a_rounded_text_is_its_full_value_to_the_last_digit_shown(page):
    checked = 0
    for key, rows in page.items():
        for text, full in (cell for row in rows for cell in row if cell[1] is not None):
            if text == "∞":
                assert float(full) == float("inf"), (key, text, full)
                continue
            shown, value = NUMBER.search(text), float(full)
            assert shown is not None, (key, text, full)
            number = shown[0].replace("−", "-")
            places = len(number.partition(".")[2])
            scale = 100 if text.endswith("%") else 1
            if text.startswith(("< ", "> ")) and float(number) != value:
                below = scale * value < float(number)  # a p-value or share past the last digit
                assert below == text.startswith("<"), (key, text, full)
            else:
                room = 0.5000001 * 10.0**-places
                assert float(number) == pytest.approx(scale * value, abs=room), (key, text, full)
            checked += 1
    assert checked > 300


def test_latex_tables_compile_and_fit_the_text(report, compile_latex):
    log = compile_latex(report)
    overfull = [float(width) for width in re.findall(r"Overfull \\hbox \(([\d.]+)pt", log)]
    assert [width for width in overfull if width > 1] == []
