"""psdstats report: the whole job, from weighings to one folder to hand in."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..comparing import compare_study, comparison_options
from ..console import Console
from ..options import add_comparison, add_json, add_propagation, add_study, add_writing
from ..propagation import propagate_study
from ..study_source import read_checked
from ..writing import ensure_free, print_sentences

SUMMARY = "write the report: verdicts, sizes, comparison, budget, tables and figures"
EXAMPLE = "psdstats report my-trial --out my-report"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_comparison(parser)
    add_propagation(parser)
    add_writing(parser, default="STUDY-report")
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Compute everything, write one folder, name the report file."""
    from psdstats.comparison import measurement_sources
    from psdstats.output.bundle import write_report_folder
    from psdstats.output.pages.budget import budget_files, budget_section
    from psdstats.output.pages.checks import checks_table
    from psdstats.output.pages.comparison import comparison_files
    from psdstats.output.pages.further import further_sections
    from psdstats.output.pages.sizes import curves_table, sizes_section
    from psdstats.output.pages.whole import report_content
    from psdstats.output.provenance import provenance_record
    from psdstats.uncertainty import budget, mean_sizes, undersize_bands

    target = options.out or Path(f"{options.study.resolve().stem}-report")
    ensure_free(target, replace=options.replace)
    study, checks = read_checked(options, console)
    sources = measurement_sources(study, options.sources)
    propagation = propagate_study(study, options, console, sources=sources)
    comparison = compare_study(study, options, propagation)
    runs = study.runs_frame()
    bands = undersize_bands(study, sources=sources, coverage=propagation.coverage)
    means = mean_sizes(propagation, runs, ["group", "milling_time_min"])
    parts = budget(study, by=comparison.plan.by, sources=sources)
    further = further_sections(study, propagation, level=options.level)
    record = provenance_record(study, propagation, comparison_options(comparison))
    content = report_content(
        study,
        checks,
        propagation,
        comparison,
        middle=[
            sizes_section(propagation, runs, bands, means),
            *(section for section, _ in further),
            budget_section(parts),
        ],
        record=record,
        decimal=options.decimal,
    )
    with console.progress("Writing") as progress:
        page = write_report_folder(
            target,
            content,
            provenance=record,
            tables=[
                curves_table(bands),
                checks_table(checks),
                *comparison_files(comparison),
                *budget_files(parts),
                *(table for _, files in further for table in files),
            ],
            replace=options.replace,
            progress=progress,
        )
    console.document({"report": str(page), "verdicts": [v.sentence for v in content.verdicts]})
    print_sentences((verdict.sentence for verdict in content.verdicts), options, console)
    console.say(f"Report: {page}")
    return 0
