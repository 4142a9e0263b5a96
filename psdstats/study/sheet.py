"""Recording sheets and sample labels, written before the first powder is milled.

The sheet, filled in, is a study as it stands: `read_study` reads the workbook, the folder or the
flat file without further work.
"""

from __future__ import annotations

from pathlib import Path

from psdstats.errors import OutputError
from psdstats.files import Holds, write_file_atomically, write_folder_atomically
from psdstats.study.csv_out import csv_text
from psdstats.study.save import StudyForm
from psdstats.study.sheet_labels import labels_html
from psdstats.study.sheet_plan import PlannedRun, SheetPlan
from psdstats.study.sheet_tables import plan_runs, plan_settings, plan_sieves, plan_weighings
from psdstats.study.sheet_workbook import write_recording_workbook
from psdstats.study.toml_text import toml_lines

__all__ = ["PlannedRun", "SheetPlan", "labels_html", "recording_labels", "recording_sheet"]


def recording_sheet(
    plan: SheetPlan,
    target: str | Path,
    *,
    form: StudyForm | str = StudyForm.WORKBOOK,
    replace: bool = False,
) -> Path:
    """Write the recording sheet of a plan.

    Parameters
    ----------
    plan : SheetPlan
        The trial.
    target : str or Path
        XLSX file (form "workbook") or folder of CSV files (form "folder").
    form : {"workbook", "folder"}, default="workbook"
        What to write.
    replace : bool, default=False
        Whether an existing target may be replaced.

    Returns
    -------
    Path
        The resolved target.

    Raises
    ------
    OutputError
        If the target exists, has the wrong ending or cannot be written, or the form is not known.
    """
    place = Path(target)
    if form == StudyForm.FOLDER:
        return write_folder_atomically(
            place,
            lambda folder: _write_folder(plan, folder),
            holds=Holds.READINGS,
            replace=replace,
        )
    if form != StudyForm.WORKBOOK:
        raise OutputError(f"A recording sheet has no form {str(form)!r}. Use workbook or folder.")
    if place.suffix.lower() != ".xlsx":
        raise OutputError(f"{place.name} should end in .xlsx. Rename it, or write a folder.")
    return write_file_atomically(
        place, lambda draft: write_recording_workbook(plan, draft), replace=replace
    )


def recording_labels(plan: SheetPlan, target: str | Path, *, replace: bool = False) -> Path:
    """Write the labels of a plan as an HTML page.

    Parameters
    ----------
    plan : SheetPlan
        The trial.
    target : str or Path
        HTML file.
    replace : bool, default=False
        Whether an existing file may be replaced.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the target exists or cannot be written.
    """
    return write_file_atomically(target, labels_html(plan), replace=replace)


def _write_folder(plan: SheetPlan, folder: Path) -> None:
    texts = {
        "study.toml": "".join(f"{line}\n" for line in toml_lines(plan_settings(plan))),
        "runs.csv": csv_text(plan_runs(plan)),
        "weighings.csv": csv_text(plan_weighings(plan)),
        "sieves.csv": csv_text(plan_sieves(plan)),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
