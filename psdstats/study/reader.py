"""Reading a study from a folder, one flat CSV file or one workbook (XLSX or ODS).

Nothing is guessed: what the files leave open is an error with a remedy, or an assumption stated
in `Study.notes`.  The files are never changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from psdstats import columns as col
from psdstats.errors import Problem, StudyError
from psdstats.study import forms
from psdstats.study.aside import unready
from psdstats.study.assemble import assemble
from psdstats.study.cells import letters
from psdstats.study.check import report_with
from psdstats.study.flags import CheckReport, alike, together, unreadable
from psdstats.study.records import Study
from psdstats.study.settings import parse_toml
from psdstats.study.sheets import Workbook, in_words
from psdstats.study.tables import Origin, RawStudy, Table
from psdstats.study.tares import stopping_flags
from psdstats.study.wide import looks_wide, read_wide
from psdstats.study.wide_cells import WideTable, refuse_rules

_TABLES = {f"{name}.csv": name for name in ("runs", "weighings", "sieves")}
_TEXTS, _WORKBOOKS = (".csv", ".txt", ".tsv"), (".xlsx", ".ods")
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
    study, raw = _read(path, encoding)
    return settled(study, raw.problems, to_carry=to_carry, book=_book(path))


def settled(
    study: Study | None, problems: list[Problem], *, to_carry: bool = False, book: str = ""
) -> Study:
    """The study, unless there is a problem or something stops its evaluation: then all of that.

    A workbook is named in front of the sheet at fault.
    """
    if study is not None and not to_carry:
        problems += unready(study)
        problems += [together(own) for own in alike([*stopping_flags(study)])]
    further = len(problems) - _MOST_PROBLEMS
    if further > 0:
        rest = f"{further} further problems are not listed"
        problems[_MOST_PROBLEMS:] = [Problem(problems[-1].file, rest, "Correct those above first.")]
    if problems or study is None:
        raise StudyError(in_words(problems, book))
    return study


def _book(path: str | Path) -> str:
    """Name of a workbook; of no other file, which its problems name themselves."""
    place = Path(path)
    return place.name if place.suffix.lower() in _WORKBOOKS and place.is_file() else ""


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
    study, raw = _read(path, encoding)
    problems = raw.problems + ([] if study is None else unready(study))
    flags = tuple(unreadable(problem) for problem in in_words(problems, _book(path)))
    if study and study.runs:
        return report_with(study, flags)
    title = raw.name if study is None else study.title
    return CheckReport(flags=flags, title=title, files=tuple(raw.files))


def _read(path: str | Path, encoding: str | None) -> tuple[Study | None, RawStudy]:
    """Read what can be read, beside what was found and what is wrong with it."""
    place = Path(path)
    if place.is_dir():
        raw = _read_folder(place, encoding)
    elif place.is_file():
        raw = _read_file(place, encoding)
    else:
        raw = RawStudy(str(place), name=place.stem)
        remedy = "Give the folder of the study, its flat CSV file or its workbook."
        raw.refuse("there is no such file or folder", remedy)
        return None, raw
    study = assemble(raw)
    if study is not None and raw.attached is not None:
        study = replace(study, comments=(*study.comments, *raw.attached(study)))
    return study, raw


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
    place = Path(path)
    raw = RawStudy(place.name, name=place.stem)
    rules: Mapping[str, object] = {}
    if mapping is not None:
        answers = RawStudy(Path(mapping).name, raw.problems, name="")
        rules = parse_toml(forms.file_text(Path(mapping).resolve(), answers) or "", answers)
        refuse_rules(rules, answers)
    content, points = None, False
    if place.suffix.lower() in _WORKBOOKS:
        content = forms.file_bytes(place.resolve(), raw)
        sheets = forms.read_sheets(content, raw) if content else {}
    else:
        text = forms.file_text(place.resolve(), raw, encoding=encoding)
        rows, points = forms.read_csv_sheet(text or "", raw)
        sheets = {"": rows}
    table = None if raw.problems else read_wide(sheets, raw, rules, points=points)
    for one in forms.read_comments(content, raw) if table and content else ():
        raw.notes.append(f"{one.sheet}, {letters(one.column)}{one.row}: {one.text}")
    study = settled(assemble(raw) if table else None, raw.problems)
    if table is None:
        raise StudyError(raw.problems)
    return study, table


def _read_folder(folder: Path, encoding: str | None) -> RawStudy:
    """Tables and settings of a folder."""
    raw = RawStudy("study.toml", name=folder.resolve().name)
    if (folder / "study.toml").exists():
        raw.settings_text = forms.file_text(folder / "study.toml", raw, within=folder) or ""
        raw.settings = parse_toml(raw.settings_text, raw)
    tables: dict[str, Table | None] = {}
    for name, table in _TABLES.items():
        if table == "sieves" and not (folder / name).exists():
            continue
        text = forms.file_text(folder / name, raw, encoding=encoding, within=folder)
        if text is not None:
            tables[name] = forms.read_csv_table(text, raw.part(name), known=col.TABLES[table])
    raw.runs, raw.weighings, raw.sieves = map(tables.get, _TABLES)
    raw.unread += sorted(path.name for path in folder.glob("*.csv") if path.name not in _TABLES)
    if raw.unread:
        raw.notes.append(f"Tables of {raw.name} not read: {', '.join(raw.unread)}.")
    return raw


def _read_file(path: Path, encoding: str | None) -> RawStudy:
    """Tables and settings of a flat file or a workbook."""
    raw, place = RawStudy(path.name, name=path.stem), path.resolve()
    source, suffix = raw.part(path.name), path.suffix.lower()
    sheets: dict[str, forms.Sheet] = {}
    if suffix in _WORKBOOKS:
        content = forms.file_bytes(place, raw)
        if content is not None:
            found = forms.read_sheets(content, source)
            sheets = {title: rows for title, rows in found.items() if rows}
        if sheets and content is not None:
            Workbook(sheets, forms.read_comments(content, source), source, raw).read()
        elif not raw.problems:
            remedy = "Write a flat table, or the sheets runs and weighings."
            source.refuse("the workbook is empty", remedy)
    elif suffix in _TEXTS:
        text = forms.file_text(place, raw, encoding=encoding)
        if text is not None:
            raw.settings_text, skip = forms.settings_lines(text)
            raw.settings = parse_toml(raw.settings_text, source)
            raw.split(forms.read_csv_table(text, source, known=col.TABLES["flat"], skip=skip))
            if raw.weighings is None:
                sheets = {"": forms.read_csv_sheet(text, Origin(path.name))[0]}
    else:
        fault = f"files of the kind {suffix or 'without ending'} are not read"
        source.refuse(fault, "Save it as CSV (UTF-8), XLSX or ODS.")
    hint = None if raw.weighings else looks_wide(sheets, path.name)
    if hint is not None:  # in place of everything that reading it row by row gave
        raw.problems[:] = [hint]
    return raw
