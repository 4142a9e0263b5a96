"""psdstats sizes: D10, D50, D90 and span of every run with their joint uncertainty."""

from __future__ import annotations

import argparse

from psdstats.columns import TIME

from ..console import Console
from ..options import add_page, add_propagation, add_study, propagate_study
from ..parsing import read_checked
from ..writing import present

SUMMARY = "sizes of every run with uncertainty, and how much of it is the balance"
EXAMPLE = "psdstats sizes my-trial --out my-sizes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_propagation(parser)
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Propagate, print, write."""
    from psdstats.output.pages.sizes import sizes_page
    from psdstats.uncertainty import undersize_bands
    from psdstats.uncertainty.propagation import mean_sizes

    study, _ = read_checked(options, console)
    propagation = propagate_study(study, options, console)
    runs = study.runs_frame()
    bands = undersize_bands(study, sources=propagation.sources, coverage=propagation.coverage)
    means = mean_sizes(propagation, runs, ["group", TIME])
    return present(sizes_page(propagation, runs, bands, means, options.say), options, console)
