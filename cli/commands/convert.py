"""psdstats convert: the same study as a folder, one flat CSV file or one workbook."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ..console import STREAM, Console, ensure_free
from ..options import add_json, add_replace, add_study

if TYPE_CHECKING:
    from psdstats.study import Study, StudyForm
    from psdstats.study.wide_cells import WideTable

SUMMARY = "write a study in another form: folder, flat CSV or workbook"
EXAMPLE = "psdstats convert my-trial my-trial.xlsx"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    parser.add_argument(
        "target",
        type=Path,
        metavar="TARGET",
        help="what to write; the ending chooses the form: .csv, .xlsx, or none for a folder; "
        "- prints flat CSV",
    )
    wide = parser.add_argument_group("a laboratory's own table, samples beside each other")
    wide.add_argument(
        "--layout",
        choices=("wide",),
        help="STUDY is such a table (CSV, XLSX or ODS): what was found where is printed, and kept "
        "in a small mapping file beside TARGET",
    )
    wide.add_argument(
        "--mapping",
        type=Path,
        metavar="FILE",
        help="mapping file (TOML) of an earlier table, or with the answers that were asked for",
    )
    parser.add_argument(
        "--give-up",
        action="append",
        default=[],
        metavar="NAME",
        help="leave NAME behind, which TARGET cannot hold or which is not read; several allowed",
    )
    add_replace(
        parser, what="the files psdstats wrote into an existing target folder; a file never"
    )
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Read, write, say what is where."""
    from psdstats.study import read_study, save_study

    form, table = _form(options), None
    if options.layout == "wide":
        study, table = _read_wide(options, console)
    else:
        study = read_study(options.study, encoding=options.encoding, to_carry=True)
    console.study = study
    if options.target == STREAM:
        return _print_flat(study, options, console)
    target = save_study(
        study,
        options.target,
        form=form,
        replace=options.replace,
        give_up=options.give_up,
        provenance=console.record(),
    )
    mapping, said = (None, "") if table is None else _keep_mapping(table, target, options)
    console.document(
        {
            "study": str(target),
            "form": form.value,
            "runs": len(study.runs),
            "aside": len(study.aside),
            "comments": len(study.comments),
            "given_up": options.give_up,
            **({} if table is None else {"found": _found(table), "mapping": str(mapping)}),
        }
    )
    runs = f"{len(study.runs)} runs{_besides(study)}"
    console.remark(f"Wrote {runs} to {target}; {options.study_named} is unchanged.")
    if said:
        console.remark(said)
    return 0


def _read_wide(options: argparse.Namespace, console: Console) -> tuple[Study, WideTable]:
    """Read a laboratory's own table, and say what was found where."""
    from psdstats.study.aside import every_note
    from psdstats.study.reader import read_wide_study

    study, table = read_wide_study(
        options.study, mapping=options.mapping, encoding=options.encoding
    )
    for line in (*_found(table), *(f"Note on the study: {note}" for note in every_note(study))):
        console.say(line)
    return study, table


def _found(table: WideTable) -> list[str]:
    from psdstats.words.study import mapping_lines

    return mapping_lines(table)


def _keep_mapping(table: WideTable, target: Path, options: argparse.Namespace) -> tuple[Path, str]:
    """Keep what was found in a mapping file beside the target, where none is; and say so."""
    import tomllib

    from psdstats.files import write_file_atomically
    from psdstats.words.study import mapping_text

    text, kept = mapping_text(table), target.with_name(f"{target.stem}.mapping.toml")
    if options.mapping and tomllib.loads(options.mapping.read_text("utf-8")) == table.rules:
        return options.mapping, f"Mapping file for the next table: {options.mapping}"
    if not kept.exists():
        write_file_atomically(kept, text)
    if kept.is_file() and kept.read_bytes() == text.encode():
        return kept, f"Mapping file for the next table: {kept}"
    return kept, f"{kept} was there already and is unchanged; what was found now differs from it."


def _print_flat(study: Study, options: argparse.Namespace, console: Console) -> int:
    """Print the study as flat CSV."""
    from tempfile import TemporaryDirectory

    from psdstats.study import save_study

    with TemporaryDirectory(prefix="psdstats-") as folder:
        made = save_study(study, Path(folder) / "study.csv", form="flat", give_up=options.give_up)
        console.verbatim(made.read_text(encoding="utf-8").rstrip("\n"))
    return 0


def _besides(study: Study) -> str:
    """What was written beside the runs that are evaluated."""
    aside, comments = len(study.aside), len(study.comments)
    parts = [f"{aside} put aside (planned, abandoned or weighed in part)"] if aside else []
    parts += [f"{comments} comment{'s' * (comments > 1)} on cells"] if comments else []
    return "".join(f", {part}" for part in parts) + "," * bool(parts)


def _form(options: argparse.Namespace) -> StudyForm:
    """The form that the target asks for; refuses one that cannot be written."""
    from psdstats.errors import OutputError
    from psdstats.study import StudyForm
    from psdstats.study.save import ENDINGS

    if options.target == STREAM:
        if options.layout == "wide" or options.json:
            raise OutputError(
                "A study alone is printed, without mapping or JSON: leave --layout and --json out, "
                "or name a file instead of -."
            )
        return StudyForm.FLAT
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
    if options.layout != "wide" and options.mapping is not None:
        raise OutputError("--mapping goes with --layout wide. Add that, or leave it out.")
    if options.target.exists() and options.target.resolve() == options.study.resolve():
        raise OutputError(f"{options.target} is the study itself. Choose another name.")
    form = forms.get(ending, StudyForm.FOLDER)
    holds = "readings" if form is StudyForm.FOLDER else None
    ensure_free(options.target, replace=options.replace, holds=holds)
    return form
