"""Propagation as the command line asks for it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .console import Console

if TYPE_CHECKING:
    from psdstats.study import Study
    from psdstats.uncertainty import Propagation, Source

__all__ = ["propagate_study"]

MAX_DRAWS = 100_000
"""Where the adaptive method stops unless --draws asks for more: a few seconds for 80 runs."""


def propagate_study(
    study: Study,
    options: argparse.Namespace,
    console: Console,
    *,
    sources: Sequence[str | Source] | None = None,
) -> Propagation:
    """Propagate with the options of the command; progress on a terminal."""
    from psdstats.uncertainty import propagate

    with console.progress("drawing readings") as progress:
        return propagate(
            study,
            method=options.method.replace("-", " "),
            seed=options.seed,
            sources=sources if sources is not None else options.sources,
            coverage=options.coverage,
            draws=options.draws,
            max_draws=MAX_DRAWS,
            workers=options.workers,
            cluster=options.cluster,
            progress=progress,
        )
