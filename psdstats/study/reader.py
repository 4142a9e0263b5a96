"""Reading a study from a folder, one flat CSV file or one workbook (XLSX or ODS).

Nothing is guessed: what the files leave open is an error with a remedy, or an assumption stated
in `Study.notes`.  The files are never changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

from psdstats.errors import Problem, StudyError
from psdstats.study.aside import unready
from psdstats.study.assemble import assemble
from psdstats.study.bench_sheet import (
    BENCH,
    RUN_LIST,
    has_blocks,
    in_words,
    read_bench,
    with_keys,
)
from psdstats.study.cells import MAX_FILE_BYTES, MAX_SETTINGS_BYTES, SourceFile, letters
from psdstats.study.check import report_with
from psdstats.study.comments import (
    LIST_SHEET,
    TYPED_SHEET,
    Attached,
    Layout,
    differing,
    layout,
    listed,
    meant,
    read_comments,
    settings_layout,
    typed_text,
)
from psdstats.study.flags import CheckReport, alike, together, unreadable
from psdstats.study.forms import (
    Sheet,
    decode,
    read_csv_sheet,
    read_csv_table,
    read_settings_sheet,
    read_sheets,
    settings_lines,
)
from psdstats.study.records import Study
from psdstats.study.settings import parse_toml
from psdstats.study.tables import (
    COMPUTED_COLUMNS,
    FLAT_COLUMNS,
    RUN_COLUMNS,
    SIEVE_COLUMNS,
    WEIGHING_COLUMNS,
    RawStudy,
    Table,
    make_table,
    split_flat_table,
)
from psdstats.study.tares import stopping_flags
from psdstats.study.wide import looks_wide, read_wide, refuse_rules
from psdstats.study.wide_cells import WideTable

_TABLES = {
    "runs.csv": (*RUN_COLUMNS, *COMPUTED_COLUMNS),
    "weighings.csv": (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS),
    "sieves.csv": SIEVE_COLUMNS,
}
_WORKBOOKS = (".xlsx", ".ods")
_MOST_PROBLEMS = 200  # listed in one error; the rest is counted


def read_study(path: str | Path, *, encoding: str | None = None, to_carry: bool = False) -> Study:
    """Read a study.

    Parameters
    ----------
    path : str or Path
        A folder with `study.toml`, `runs.csv`, `weighings.csv` and, if wanted, `sieves.csv`; or
        one flat CSV file; or one workbook (XLSX or ODS) with the same tables as
        sheets.
    encoding : str or None
        Encoding of the CSV files where it is not UTF-8.
    to_carry : bool, default=False
        Whether the study is only to be saved in another form: then runs that are weighed in part
        stand in `Study.aside`, and what stops an evaluation is no error.

    Notes
    -----
    Of a workbook the sheets study, sieves and bench (blocks of a recording sheet) are read, or runs
    and weighings, or the one further sheet as a flat table; the sheets guide and run list are for
    people, any other is named in the notes of the study.

    Returns
    -------
    Study
        The runs that are weighed, and aside those that are planned or abandoned.  `notes` says
        what had to be assumed.

    Raises
    ------
    StudyError
        If anything cannot be read as it stands; lists every problem found.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> [run.name for run in study.runs]
    ['mill-0', 'mill-6', 'mill-12', 'mill-24', 'mill-48']
    """
    return settled(*_read(path, encoding), to_carry=to_carry)


def settled(study: Study | None, problems: list[Problem], *, to_carry: bool = False) -> Study:
    """The study, unless there is a problem or something stops its evaluation: then all of that."""
    if study is not None and not to_carry:
        problems += unready(study)
        problems += [together(own) for own in alike([*stopping_flags(study)])]
    further = len(problems) - _MOST_PROBLEMS
    if further > 0:
        rest = f"{further} further problems are not listed"
        problems[_MOST_PROBLEMS:] = [Problem(problems[-1].file, rest, "Correct those above first.")]
    if problems or study is None:
        raise StudyError(in_words(problems))
    return study


def check_file(path: str | Path, *, encoding: str | None = None) -> CheckReport:
    """Check the files of a study, also where they cannot be read as they stand.

    Parameters
    ----------
    path : str or Path
        Folder, flat CSV file or workbook.
    encoding : str or None
        Encoding of the CSV files where it is not UTF-8.

    Returns
    -------
    CheckReport
        What cannot be read, as errors, and the flags of all runs that can.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> psdstats.study.check_file(demo_study("one_bench")).exit_code
    0
    """
    study, problems = _read(path, encoding)
    problems += [] if study is None else unready(study)
    flags = tuple(unreadable(problem) for problem in in_words(problems))
    return report_with(study, flags) if study and study.runs else CheckReport(flags=flags)


def _read(path: str | Path, encoding: str | None) -> tuple[Study | None, list[Problem]]:
    """Read what can be read, and list what is wrong."""
    place = Path(path)
    problems: list[Problem] = []
    if place.is_dir():
        raw = _read_folder(place, encoding, problems)
    elif place.is_file():
        raw = _read_file(place, encoding, problems)
    else:
        remedy = "Give the folder of the study, its flat CSV file or its workbook."
        return None, [Problem(str(place), "there is no such file or folder", remedy)]
    study = assemble(raw, problems)
    if study is not None and raw.attached is not None:
        study = replace(study, comments=(*study.comments, *raw.attached(study)))
    return study, problems


def read_wide_study(
    path: str | Path, *, mapping: str | Path | None = None, encoding: str | None = None
) -> tuple[Study, WideTable]:
    """Read a laboratory's wide table, in which samples stand beside or below each other.

    Parameters
    ----------
    path : str or Path
        CSV file or workbook (XLSX or ODS).
    mapping : str or Path or None
        The laboratory's mapping file (TOML), which answers what the table leaves open.
    encoding : str or None
        Encoding of a CSV file where it is not UTF-8.

    Returns
    -------
    tuple of Study and WideTable
        The study, and what was found where.

    Raises
    ------
    StudyError
        If something cannot be told or read; names the cells, and the lines of a mapping file.
    """
    problems: list[Problem] = []
    rules: Mapping[str, object] = {}
    if mapping is not None:
        name = Path(mapping).name
        typed = decode(_content(Path(mapping), problems), name, encoding=None, problems=problems)
        rules = parse_toml(typed or "", name, problems)
        refuse_rules(rules, name, problems)
    place, files = Path(path), list[SourceFile]()
    content = _content(place, problems, files)
    sheets, points = _wide_sheets(content, place, encoding, problems)
    table, study = None, None
    if not problems:
        table = read_wide(sheets, place.name, rules, points=points, problems=problems)
    if table is not None:
        table.raw.files.extend(files)
        if content is not None and place.suffix.lower() in _WORKBOOKS:
            table.raw.notes += [
                f"{one.sheet}, {letters(one.column)}{one.row}: {one.text}"
                for one in read_comments(content, place.name, problems)
            ]
        study = assemble(table.raw, problems)
    if study is not None:
        problems += unready(study)
        problems += [flag.to_problem() for flag in stopping_flags(study)]
    if problems or study is None or table is None:
        raise StudyError(problems)
    return study, table


def _content(
    path: Path, problems: list[Problem], files: list[SourceFile] | None = None
) -> bytes | None:
    """Content of one file that is a table or a mapping by itself."""
    raw = RawStudy(name=path.stem, settings_file=path.name)
    found = file_bytes(path.resolve().parent, path.resolve().name, raw, problems)
    if files is not None:
        files.extend(raw.files)
    return found


def _wide_sheets(
    content: bytes | None, place: Path, encoding: str | None, problems: list[Problem]
) -> tuple[dict[str, Sheet], bool]:
    """Sheets of a workbook, or rows of a CSV file in which a comma may separate the cells."""
    if content is not None and place.suffix.lower() in _WORKBOOKS:
        return read_sheets(content, place.name, problems), False
    text = decode(content, place.name, encoding=encoding, problems=problems)
    rows, points = read_csv_sheet(text or "", place.name, problems)
    return {"": rows}, points


def _twice(bench: str, tables: list[str]) -> list[Problem]:
    """Runs that stand on the bench sheet and in tables of their own as well."""
    fault = f"the workbook has this sheet of runs and also {', '.join(tables)}"
    remedy = "Keep one of the two: rename the other, or delete it."
    return [Problem(bench, fault, remedy)] if tables else []


def _hint_wide(sheets: Mapping[str, Sheet], name: str, problems: list[Problem]) -> None:
    """Say what to do with a wide table, in place of everything that reading it row by row gave."""
    hint = looks_wide(sheets, name)
    if hint is not None:
        problems[:] = [hint]


def _read_folder(folder: Path, encoding: str | None, problems: list[Problem]) -> RawStudy:
    """Tables and settings of a folder."""
    raw = RawStudy(name=folder.resolve().name, settings_file="study.toml")
    if (folder / "study.toml").exists():
        content = file_bytes(folder, "study.toml", raw, problems)
        raw.settings_text = decode(content, "study.toml", encoding=None, problems=problems) or ""
        raw.settings = parse_toml(raw.settings_text, "study.toml", problems)
    tables: dict[str, Table | None] = {}
    for name, known in _TABLES.items():
        if name == "sieves.csv" and not (folder / name).exists():
            continue
        content = file_bytes(folder, name, raw, problems)
        text = decode(content, name, encoding=encoding, problems=problems)
        if text is not None:
            tables[name] = read_csv_table(text, name, known=known, problems=problems)
    unread = sorted(path.name for path in folder.glob("*.csv") if path.name not in _TABLES)
    if unread:
        raw.notes.append(f"Tables of {raw.name} not read: {', '.join(unread)}.")
        raw.unread += unread
    raw.runs, raw.weighings, raw.sieves = (tables.get(name) for name in _TABLES)
    return raw


def file_bytes(folder: Path, name: str, raw: RawStudy, problems: list[Problem]) -> bytes | None:
    """Content of a file of the study; None, with a problem noted, where it cannot be had."""
    path = folder / name
    limit = MAX_SETTINGS_BYTES if name == "study.toml" else MAX_FILE_BYTES
    if not path.is_file():
        fault = "the file is missing"
        remedy = "A study folder holds study.toml, runs.csv and weighings.csv."
    elif not path.resolve().is_relative_to(folder.resolve()):
        fault, remedy = "the file is a link that leaves the study folder", "Copy the file itself."
    elif path.stat().st_size > limit:
        fault = f"the file is larger than {limit // 10**6} MB"
        remedy = "Split the study, or delete what is not part of it."
    else:
        try:
            content = path.read_bytes()
        except OSError as cause:
            fault = f"the file cannot be opened ({cause.strerror})"
            remedy = "Make it readable."
        else:
            raw.files.append(SourceFile(name, hashlib.sha256(content).hexdigest()))
            return content
    problems.append(Problem(name, fault, remedy))
    return None


def _read_file(path: Path, encoding: str | None, problems: list[Problem]) -> RawStudy:
    """Tables and settings of a flat file or a workbook."""
    raw = RawStudy(name=path.stem, settings_file=path.name)
    suffix, place = path.suffix.lower(), path.resolve()
    if suffix in _WORKBOOKS:
        content = file_bytes(place.parent, place.name, raw, problems)
        sheets = _filled_sheets(content, path.name, problems)
        if content is not None and sheets:
            attached = read_comments(content, path.name, problems)
            _read_workbook(sheets, path.name, raw, attached, problems)
        if raw.weighings is None:
            _hint_wide(sheets, path.name, problems)
    elif suffix in (".csv", ".txt", ".tsv"):
        content = file_bytes(place.parent, place.name, raw, problems)
        text = decode(content, place.name, encoding=encoding, problems=problems)
        if text is not None:
            raw.settings_text, skip = settings_lines(text)
            raw.settings = parse_toml(raw.settings_text, path.name, problems)
            known = (*FLAT_COLUMNS, *COMPUTED_COLUMNS)
            flat = read_csv_table(text, path.name, known=known, skip=skip, problems=problems)
            if flat is not None:
                raw.runs, raw.weighings = split_flat_table(flat)
            if raw.weighings is None:
                _hint_wide({"": read_csv_sheet(text, path.name, [])[0]}, path.name, problems)
    else:
        fault = f"files of the kind {suffix or 'without ending'} are not read"
        problems.append(Problem(path.name, fault, "Save it as CSV (UTF-8), XLSX or ODS."))
    return raw


def _filled_sheets(content: bytes | None, name: str, problems: list[Problem]) -> dict[str, Sheet]:
    """Sheets of a workbook with something in them; a problem where there is none."""
    if content is None:
        return {}
    sheets = {key: rows for key, rows in read_sheets(content, name, problems).items() if rows}
    if not sheets and not problems:
        remedy = "Write a flat table, or the sheets runs and weighings."
        problems.append(Problem(name, "the workbook is empty", remedy))
    return sheets


def _read_workbook(
    sheets: Mapping[str, Sheet],
    name: str,
    raw: RawStudy,
    attached: list[Attached],
    problems: list[Problem],
) -> None:
    named = {title.strip().lower(): title for title in sheets}
    pages = _Pages(sheets, named, raw, problems)
    if "study" in named:
        pages.settings(named["study"])
    if "sieves" in named:
        raw.sieves = pages.table("sieves", SIEVE_COLUMNS)
    others = [key for key in named if key not in ("study", "sieves", "guide")]
    _take_tables(pages, name, [key for key in others if not pages.of_comments(key)])
    if raw.unread:
        raw.notes.append(f"Sheets of {name} not read: {', '.join(raw.unread)}.")
    raw.attached = partial(meant, [*pages.beside, *attached], pages.layouts, sheets)


def _take_tables(pages: _Pages, name: str, others: list[str]) -> None:
    """Runs and weighings of a workbook: its blocks, its two tables, or one flat table."""
    raw, sheets, named, problems = pages.raw, pages.sheets, pages.named, pages.problems
    pairs = {"runs", "weighings"}
    if BENCH in others and has_blocks(sheets[named[BENCH]]):
        raw.runs, raw.weighings = read_bench(sheets[named[BENCH]], named[BENCH], problems)
        raw.unread += [named[key] for key in others if key not in (BENCH, RUN_LIST)]
        problems += _twice(named[BENCH], [named[key] for key in others if key in pairs])
    elif pairs <= set(others):
        raw.runs = pages.table("runs", RUN_COLUMNS)
        raw.weighings = pages.table("weighings", WEIGHING_COLUMNS)
        raw.unread += [named[key] for key in others if key not in pairs]
    elif len(others) == 1:
        flat = pages.table(others[0], FLAT_COLUMNS, "flat")
        if flat is not None:
            raw.runs, raw.weighings = split_flat_table(flat)
    else:
        fault = f"the workbook has the sheets {', '.join(sheets)}"
        remedy = "Name the tables runs and weighings, or keep one sheet with a flat table."
        problems.append(Problem(name, fault, remedy))


class _Pages:
    """Sheets of a workbook while they are read, and what is known of where their cells stand."""

    def __init__(
        self,
        sheets: Mapping[str, Sheet],
        named: dict[str, str],
        raw: RawStudy,
        problems: list[Problem],
    ) -> None:
        self.sheets, self.named, self.raw, self.problems = sheets, named, raw, problems
        self.layouts: dict[str, Layout] = {}
        self.beside: list[Attached] = []

    def table(self, key: str, known: tuple[str, ...], kind: str = "") -> Table | None:
        """The table of a sheet."""
        title, columns = self.named[key], (*known, *COMPUTED_COLUMNS)
        rows, problems = self.sheets[title], self.problems
        table = make_table(title, rows, known=columns, decimal_comma=True, problems=problems)
        if table is not None:
            self.layouts[title] = layout(table, kind or key, rows)
        return table

    def settings(self, title: str) -> None:
        """The settings, in keys or in words; what stands beside them counts as a comment."""
        rows = self.sheets[title]
        self.raw.settings_file = title
        self.raw.settings = read_settings_sheet(with_keys(rows), title, self.problems)
        self.layouts[title], self.beside = settings_layout(rows, title)

    def of_comments(self, key: str) -> bool:
        """Whether a sheet holds comments, of cells or of settings; takes them if it does."""
        title = self.named[key]
        rows = self.sheets[title]
        if key == TYPED_SHEET:
            text = typed_text(rows)
            typed = parse_toml(text, title, self.problems)
            differ = differing(typed, self.raw.settings) if self.raw.settings else []
            if differ:
                counts = self.raw.settings_file
                self.raw.notes.append(f"{title}: {', '.join(differ)} differ, {counts} counts.")
            self.raw.settings = self.raw.settings or typed
            self.raw.settings_text = text
            return True
        found = listed(rows) if key == LIST_SHEET else None
        self.raw.comments += found or []
        return found is not None
