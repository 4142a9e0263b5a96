"""psdstats sizes: D10, D50, D90 and span of every run with their joint uncertainty."""

from __future__ import annotations

import argparse

from psdstats.columns import TIME

from ..console import Console
from ..options import add_json, add_propagation, add_study, add_writing, propagate_study
from ..parsing import read_checked
from ..writing import print_sentences, print_table, records, remark_notes, write_result

SUMMARY = "sizes of every run with uncertainty, and how much of it is the balance"
EXAMPLE = "psdstats sizes my-trial --out my-sizes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_propagation(parser)
    add_writing(parser)
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Propagate, print, write."""
    from psdstats.output.pages.sizes import (
        balance_verdict,
        curves_table,
        size_drawing,
        sizes_notes,
        sizes_table,
        undersize_drawing,
    )
    from psdstats.uncertainty import undersize_bands
    from psdstats.uncertainty.means import mean_sizes

    study, _ = read_checked(options, console)
    propagation = propagate_study(study, options, console)
    runs = study.runs_frame()
    table = sizes_table(propagation, runs)
    notes = sizes_notes(propagation)
    sentences = [balance_verdict(propagation).sentence]
    console.document({"sentences": sentences, "sizes": records(table), "notes": list(notes)})
    print_sentences(sentences, options, console)
    console.say()
    print_table(table, options, console)
    remark_notes(notes, options, console)
    bands = undersize_bands(study, sources=propagation.sources, coverage=propagation.coverage)
    groups = dict.fromkeys(runs["group"])
    means = mean_sizes(propagation, runs, ["group", TIME])
    write_result(
        options,
        console,
        tables=[table, curves_table(bands)],
        drawings=[
            size_drawing(means, caption="Means of each group with measurement intervals."),
            *(undersize_drawing(bands, runs, group) for group in groups),
        ],
    )
    return 0
