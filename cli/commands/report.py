"""psdstats report: the whole job, from weighings to one folder to hand in."""

from __future__ import annotations

import argparse
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from psdstats.columns import TIME

from ..console import Console
from ..options import (
    add_comparison,
    add_json,
    add_propagation,
    add_study,
    add_target,
    add_writing,
    compare_study,
    compared_by,
    comparison_options,
    is_asked_for,
    propagate_study,
)
from ..parsing import read_checked
from ..writing import ensure_free

if TYPE_CHECKING:
    from psdstats.output.content import Answer, Page
    from psdstats.study import Study
    from psdstats.uncertainty import Propagation

SUMMARY = "write the report: verdicts, sizes, comparison, budget, tables and figures"
EXAMPLE = "psdstats report my-trial --out my-report"

STAGES = MappingProxyType(
    {
        "checking": 1,
        "drawing readings": 27,
        "comparing": 12,
        "sharing out the uncertainty": 2,
        "groups and rate": 29,
        "writing": 29,
    }
)
"""Shares of the time, per cent, as the demo study and an archive of 200 runs take it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    add_target(parser)
    add_propagation(parser)
    add_writing(parser, default="STUDY-report")
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Compute everything, write one folder, name the report file."""
    target = options.out or Path(f"{options.study.resolve().stem}-report")
    ensure_free(target, replace=options.replace)
    with console.stages(STAGES):
        page, answers = _write(target, options, console)
    sentences = [answer.sentence for answer in answers]
    console.document(
        {
            "report": str(page),
            "sentences": sentences,
            "verdicts": [{"verdict": each.word, "sentence": each.sentence} for each in answers],
        }
    )
    for sentence in sentences:
        console.say(sentence)
    console.say(f"Report: {page}")
    return 0


def _write(
    target: Path, options: argparse.Namespace, console: Console
) -> tuple[Path, tuple[Answer, ...]]:
    """The page written, and its answers."""
    from psdstats.output.bundle import write_report_folder
    from psdstats.output.pages.whole import report_content
    from psdstats.output.provenance import provenance_record
    from psdstats.uncertainty.registry import measurement_sources

    console.begin("checking")
    study, checks = read_checked(options, console)
    sources = measurement_sources(study, options.sources)
    propagation = propagate_study(study, options, console, sources=sources)
    console.begin("comparing")
    comparison, asked = _compared(study, propagation, options)
    sizes, further = _further(study, propagation, options, console)
    if options.target_um is not None:
        asked["target_um"] = options.target_um
    record = provenance_record(study, propagation, asked)
    content = report_content(
        study,
        checks,
        propagation,
        sizes=sizes,
        comparison=comparison,
        further=further,
        record=record,
        say=options.say,
    )
    with console.progress("writing") as progress:
        page = write_report_folder(
            target, content, provenance=record, replace=options.replace, progress=progress
        )
    return page, content.answers


def _compared(
    study: Study, propagation: Propagation, options: argparse.Namespace
) -> tuple[Page, dict[str, object]]:
    """The comparison as a page, and its options for the record.

    Where study.toml or the data do not allow it, the page says why; what the command line asks
    for itself is refused.
    """
    from psdstats.errors import ModelError
    from psdstats.output.pages.comparison import comparison_page
    from psdstats.output.pages.whole import uncompared_page

    try:
        found = compare_study(study, options, propagation)
    except ModelError as reason:
        if is_asked_for(options):
            raise
        return uncompared_page(compared_by(study, options), str(reason)), {"level": options.level}
    return comparison_page(found, options.say), comparison_options(found)


def _further(
    study: Study,
    propagation: Propagation,
    options: argparse.Namespace,
    console: Console,
) -> tuple[Page, list[Page]]:
    """The page of sizes; those of groups, rate and budget."""
    from psdstats.output.pages.budget import budget_page
    from psdstats.output.pages.further import further_pages
    from psdstats.output.pages.sizes import sizes_page
    from psdstats.uncertainty import budget, undersize_bands
    from psdstats.uncertainty.propagation import mean_sizes
    from psdstats.uncertainty.registry import measurement_sources

    sources = measurement_sources(study, options.sources)
    runs = study.runs_frame()
    console.begin("sharing out the uncertainty")
    bands = undersize_bands(study, sources=sources, coverage=propagation.coverage)
    means = mean_sizes(propagation, runs, ["group", TIME])
    parts = budget(study, by=compared_by(study, options), sources=sources)
    console.begin("groups and rate")
    further = further_pages(
        study, propagation, level=options.level, target_um=options.target_um, say=options.say
    )
    return sizes_page(propagation, runs, bands, means, options.say), [
        *further,
        budget_page(parts, options.say),
    ]
