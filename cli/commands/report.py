"""psdstats report: the whole job, from weighings to one folder to hand in."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from ..console import Console, ensure_free
from ..in_hand import add_in_hand, compare_hand, read_in_hand
from ..options import (
    add_attained,
    add_comparison,
    add_json,
    add_propagation,
    add_study,
    add_target,
    add_values,
    add_writing,
    attain,
    compare_study,
    is_asked_for,
    propagate_study,
    read_checked,
)

if TYPE_CHECKING:
    from psdstats.comparison import Comparison
    from psdstats.errors import ModelError
    from psdstats.output.report import Report
    from psdstats.study import Study
    from psdstats.uncertainty import Propagation

SUMMARY = "write the report: the answer on one page, what it rests on, tables and figures"
EXAMPLE = "psdstats report my-trial --out my-report"

STAGES = MappingProxyType(
    {
        "checking": 1,
        "comparing": 56,
        "groups and rate": 18,
        "writing": 25,
    }
)
"""Shares of the time, per cent, as the demo study and an archive of 200 runs take it."""
_A_TRIAL = 20  # one simulated trial, in the same unit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    add_target(parser)
    add_propagation(parser)
    add_attained(parser)
    add_in_hand(parser)
    add_values(
        parser,
        ("--author", None, "NAME", "who answers for the report (default: author of study.toml)"),
        ("--date", None, "DATE", "date of the report, as it is to stand there"),
        kind=str,
    )
    add_writing(parser, default="STUDY-report")
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Compute everything, write one folder, name the report file."""
    target = options.out or Path(f"{options.study.resolve().stem}-report")
    ensure_free(target, replace=options.replace)
    shares = {**STAGES, "comparing": STAGES["comparing"] + _A_TRIAL * (options.attained or 0)}
    with console.stages(shares):
        console.begin("checking")
        values, known = read_in_hand(options, console), dict[str, Any]()
        trial: Study | Comparison
        if values is None:
            trial, known = _known(options, console)
        from psdstats.output.report import report

        console.begin("comparing")
        if values is not None:
            trial = compare_hand(values, options)
        written = report(
            trial,
            target,
            **known,
            level=options.level,
            author=options.author or "",
            date=options.date or "",
            command=console.asked.repeat_with,
            decimal=options.decimal,
            replace=options.replace,
            stage=console.stage,
        )
    _say(written, console)
    return 0


def _known(options: argparse.Namespace, console: Console) -> tuple[Study, dict[str, Any]]:
    """The study, and what a report of one is made with; the law of its curves is begun."""
    from psdstats.uncertainty.law import curves_beside

    study, checks = read_checked(options, console)
    with curves_beside(study, options.sources):
        from psdstats.output.collect import bring_in

        bring_in()
    return study, {
        "sources": options.sources,
        "propagation": partial(_drawn, study, options),
        "comparison": partial(_compared, study, options),
        "checks": checks,
        "attained": partial(attain, options=options, console=console),
        "target_um": options.target_um,
    }


def _say(written: Report, console: Console) -> None:
    """Print page one as text: the large sentence, the short answers, where the page is."""
    sheet = written.sheet
    answers = [{"question": one.question, "answer": one.text} for one in sheet.answers]
    sentences = [sheet.headline, *(one.text for one in sheet.answers)]
    found = {"report": str(written.path), "sentences": sentences, "answers": answers}
    console.document(found, provenance=written.provenance)
    for sentence in (sheet.headline, *(one.line for one in sheet.answers)):
        console.say(sentence)
    console.say(f"Report: {written.path}")


def _drawn(study: Study, options: argparse.Namespace) -> Propagation:
    """The sizes, drawn while the trial is compared."""
    from psdstats.uncertainty.inputs import measurement_sources

    sources, quiet = measurement_sources(study, options.sources), Console(quiet=True)
    return propagate_study(study, options, quiet, sources=sources)


def _compared(study: Study, options: argparse.Namespace) -> Comparison | ModelError:
    """The comparison; where study.toml or the data do not allow it, why.

    What the command line asks for itself is refused.
    """
    from psdstats.errors import ModelError

    try:
        return compare_study(study, options)
    except ModelError as reason:
        if is_asked_for(options):
            raise
        return reason
