"""psdstats convert: the same study as a folder, one flat CSV file or one workbook."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..console import Console, ensure_free
from ..options import add_json, add_replace, add_study

SUMMARY = "write a study in another form: folder, flat CSV or workbook"
EXAMPLE = "psdstats convert my-trial my-trial.xlsx"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    parser.add_argument(
        "target",
        type=Path,
        metavar="TARGET",
        help="what to write; the ending chooses the form: .csv, .xlsx, or none for a folder",
    )
    add_replace(
        parser, what="the files psdstats wrote into an existing target folder; a file never"
    )
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Read, write, say what is where."""
    from psdstats.errors import OutputError
    from psdstats.study import StudyForm, read_study, save_study
    from psdstats.study.save import ENDINGS

    forms = {ending: form for form, ending in ENDINGS.items()}
    ending = options.target.suffix.lower()
    if ending not in forms and not options.target.is_dir():
        raise OutputError(
            f"The ending {ending} of {options.target.name} names no form of a study. "
            "Use .csv, .xlsx, or a folder name without a point."
        )
    if options.target.is_file():
        raise OutputError(
            f"{options.target} exists already and may hold readings, so a single file is never "
            "replaced. Choose another name, or move the file away."
        )
    form = forms.get(ending, StudyForm.FOLDER)
    is_folder = form is StudyForm.FOLDER
    ensure_free(options.target, replace=options.replace, holds="readings" if is_folder else None)
    study = read_study(options.study, encoding=options.encoding)
    target = save_study(study, options.target, form=form, replace=options.replace)
    console.document({"study": str(target), "form": form.value, "runs": len(study.runs)})
    console.remark(f"Wrote {len(study.runs)} runs to {target}; {options.study} is unchanged.")
    return 0
