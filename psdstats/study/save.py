"""Writing a study so that reading it gives the same study, in any of the three forms.

The text is UTF-8 with points as decimal sign.  What was written is read again before it is put
in place: a study that would lose something is refused.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

from psdstats.errors import OutputError, StudyError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.study.csv_out import csv_text
from psdstats.study.reader import read_study
from psdstats.study.records import Study
from psdstats.study.save_workbook import write_workbook
from psdstats.study.tables_out import (
    flat_table,
    mass_decimals,
    run_table,
    settings_of,
    sieve_table,
    weighing_table,
)
from psdstats.study.toml_text import toml_lines

__all__ = ["StudyForm", "form_of", "save_study"]


class StudyForm(StrEnum):
    """The forms a study may be kept in."""

    FOLDER = "folder"
    FLAT = "flat"
    WORKBOOK = "workbook"


def form_of(target: str | Path) -> StudyForm:
    """Form that a target's name asks for: .csv flat, .xlsx workbook, anything else a folder.

    Parameters
    ----------
    target : str or Path
        File or folder; it need not exist.

    Returns
    -------
    StudyForm
        Flat, workbook or folder.

    Examples
    --------
    >>> str(form_of("trial.xlsx")), str(form_of("trial"))
    ('workbook', 'folder')
    """
    suffix = Path(target).suffix.lower()
    return next((form for form, ending in _ENDINGS.items() if ending == suffix), StudyForm.FOLDER)


_ENDINGS = {StudyForm.FLAT: ".csv", StudyForm.WORKBOOK: ".xlsx"}


def save_study(
    study: Study,
    target: str | Path,
    *,
    form: StudyForm | str = StudyForm.FOLDER,
    replace: bool = False,
) -> Path:
    """Write a study.

    Parameters
    ----------
    study : Study
        The study.
    target : str or Path
        Folder, CSV file or XLSX file to write.
    form : {"folder", "flat", "workbook"}, default="folder"
        Form to write.
    replace : bool, default=False
        Whether an existing target may be replaced; in a folder only files that psdstats wrote.

    Returns
    -------
    Path
        The resolved target.

    Raises
    ------
    OutputError
        If the target exists, has the wrong ending or cannot be written, or if the study would not
        read back the same.
    """
    try:
        form = StudyForm(form)
    except ValueError as cause:
        raise OutputError(
            f"A study cannot be saved in the form {str(form)!r}. Use one of {', '.join(StudyForm)}."
        ) from cause
    place = Path(target)
    if form is StudyForm.FOLDER:
        return write_folder_atomically(
            place, _proven(study, _write_folder), holds=Holds.READINGS, replace=replace
        )
    if place.suffix.lower() != _ENDINGS[form]:
        raise OutputError(
            f"{place.name} should end in {_ENDINGS[form]} for the form {form}. "
            "Rename it, or choose another form."
        )
    writer = _write_flat if form is StudyForm.FLAT else write_workbook
    return write_file_atomically(place, _proven(study, writer), replace=replace)


def _proven(study: Study, writer: Callable[[Study, Path], None]) -> Callable[[Path], None]:
    """Wrap a writer so that it reads back what it wrote and refuses a loss."""

    def write(place: Path) -> None:
        writer(study, place)
        try:
            again = read_study(place)
        except StudyError as cause:
            raise OutputError(
                f"The study cannot be saved, for it would not be read again: {cause}"
            ) from cause
        if again != study:
            raise OutputError(
                "The study cannot be saved without losing something: "
                f"{_first_difference(study, again)} would read back differently."
            )

    return write


def _first_difference(study: Study, again: Study) -> str:
    for name in (
        "title",
        "material",
        "tares",
        "density_g_per_cm3",
        "shape_factor",
        "rule",
        "sieves",
        "balances",
        "uncertainty",
        "checks",
        "compare",
        "notes",
    ):
        if getattr(study, name) != getattr(again, name):
            return name
    for run, other in zip(study.runs, again.runs, strict=False):
        if run != other:
            return f"run {run.name}"
    return "the list of runs"


def _write_folder(study: Study, folder: Path) -> None:
    settings = "".join(f"{line}\n" for line in toml_lines(settings_of(study, with_sieves=False)))
    (folder / "study.toml").write_text(settings, encoding="utf-8", newline="\n")
    tables = {"runs.csv": run_table, "weighings.csv": weighing_table, "sieves.csv": sieve_table}
    for name, table in tables.items():
        text = csv_text(table(study), mass_decimals(study))
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def _write_flat(study: Study, place: Path) -> None:
    lines = toml_lines(settings_of(study, with_sieves=True))
    text = "".join(f"# {line}\n" for line in lines) + csv_text(
        flat_table(study), mass_decimals(study)
    )
    place.write_text(text, encoding="utf-8", newline="\n")
