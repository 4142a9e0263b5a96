"""psdstats check: the bench checks, while the powder is still on the sieve."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ..console import STREAM, Console, records, stream_table, write_result
from ..options import add_json, add_study, add_writing

if TYPE_CHECKING:
    from psdstats.output.content import Page
    from psdstats.study import CheckReport, Study

SUMMARY = "check the readings of a study, while the powder is still on the sieve"
EXAMPLE = "psdstats check my-trial --notes"
EXIT_CODES = (
    "exit codes: 0 nothing to look at, 1 warnings, 2 errors or refused,\n130 stopped with Ctrl-C"
)

WATCH_EVERY_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    parser.add_argument(
        "--watch",
        action="store_true",
        help="check again whenever a file of the study changes, until stopped with Ctrl-C",
    )
    parser.add_argument(
        "--notes", action="store_true", help="print the notes too, not only errors and warnings"
    )
    parser.add_argument(
        "--each",
        action="store_true",
        help="print every finding on a line of its own, also where many are alike",
    )
    parser.add_argument(
        "--effect",
        action="store_true",
        help="also say by how much D50 and the main answer change without each run in doubt "
        "(compares the trial first: takes seconds)",
    )
    add_writing(parser)
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Check once, or again and again."""
    if not options.watch:
        return _check(options, console)
    from psdstats.errors import OutputError

    if options.study_named == str(STREAM) or options.out == STREAM:
        raise OutputError("--watch goes with a file or folder, not with -; leave one of them out.")
    import time

    seen: object = None
    while True:
        now = _stamp(options.study)
        if now != seen:
            seen = now
            console.remark(time.strftime("%H:%M:%S") + f"  {options.study}")
            _check(options, console)
            console.flush()
        time.sleep(WATCH_EVERY_S)


def _check(options: argparse.Namespace, console: Console) -> int:
    from psdstats.output.content import Page
    from psdstats.output.pages.checks import checks_table, tare_drawings
    from psdstats.study import check_file, read_study
    from psdstats.study.aside import every_note
    from psdstats.study.tares import tare_history
    from psdstats.words.study import finding_line, finding_record

    report = console.study = check_file(options.study, encoding=options.encoding)
    table = checks_table(report)
    study, effect = None, Page(heading="Effect")
    if not report.of_severity("error"):
        study = read_study(options.study, encoding=options.encoding)
    effect = _effect(study, report, options, console) if options.effect else effect
    notes = () if study is None else every_note(study)
    if options.out == STREAM:
        stream_table((table, *effect.tables), options, console)
        return report.exit_code
    console.document(
        {
            "exit_code": report.exit_code,
            "sentences": [
                *(finding_line(own) for own in report.findings),
                *effect.sentences,
            ],
            "findings": [finding_record(own) for own in report.findings],
            "flags": records(table),
            **({"effect": [row for one in effect.tables for row in records(one)]}
               if options.effect else {}),
            "notes": list(notes),
        }
    )  # fmt: skip
    _say(report, options, console)
    for sentence in effect.sentences:
        console.say(sentence)
    for note in notes:
        console.remark(f"Note on the study: {note}")
    if options.out is not None:
        drawings = [] if study is None else tare_drawings(tare_history(study), options.say)
        page = Page(heading="Checks", blocks=(table, *drawings)) + effect
        write_result(page, options, console)
    return report.exit_code


def _effect(
    study: Study | None, report: CheckReport, options: argparse.Namespace, console: Console
) -> Page:
    """What D50 and the main answer are without the runs in doubt."""
    from psdstats.comparison import compare
    from psdstats.errors import PsdstatsError
    from psdstats.output.content import Page
    from psdstats.output.pages.checks import effect_page
    from psdstats.words.study import ERRORS_FIRST, NO_DOUBT, NOT_COMPARED

    if study is None:
        return Page(heading="Effect", sentences=(ERRORS_FIRST,))
    if not report.doubted_runs:
        return Page(heading="Effect", sentences=(NO_DOUBT,))
    try:
        with console.stages({"comparing": 1}):
            console.begin("comparing")
            compared = compare(study, quantities=("D50",))
    except PsdstatsError as reason:
        return Page(heading="Effect", sentences=(f"{NOT_COMPARED}: {reason}",))
    return effect_page(report, compared, options.say)


def _say(report: CheckReport, options: argparse.Namespace, console: Console) -> None:
    from psdstats.words.study import ASK_NOTHING, finding_line

    notes = [own for own in report.findings if own[0].check in ASK_NOTHING]
    pressing = [own for own in report.findings if own[0].severity != "note"]
    for own in report.findings if options.notes else [o for o in report.findings if o not in notes]:
        for line in map(str, own) if options.each else [finding_line(own)]:
            console.say(line)
    if report.switched_off:
        console.remark(f"Switched off in this study: {', '.join(report.switched_off)}.")
    number = len(pressing)
    things = {0: "nothing", 1: "1 thing"}.get(number, f"{number} things")
    console.remark(f"{options.study_named} was checked: {things} to look at.")
    if any(own[0].severity == "warning" for own in pressing):
        console.remark("[checks] NAME = false in the settings switches a check off.")
    if notes and not options.notes:
        ask = "note asks" if len(notes) == 1 else "notes ask"
        console.remark(f"{len(notes)} {ask} for nothing; --notes prints them.")


def _stamp(study: Path) -> tuple[tuple[str, int], ...]:
    files = sorted(study.glob("*")) if study.is_dir() else [study]
    return tuple((str(path), path.stat().st_mtime_ns) for path in files if path.is_file())
