"""Options of the long studies that say who does the work, on which no number depends.

Workers of a cluster need tests/calibration on their PYTHONPATH.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from psdstats.processes import mapped


def add_sharing(parser: argparse.ArgumentParser) -> None:
    """Processes, or the scheduler of a Dask cluster."""
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cluster", metavar="ADDRESS")


def shared(options: argparse.Namespace) -> Callable[..., Iterator[Any]]:
    """What does work on tasks, as the options say."""
    return partial(mapped, workers=options.workers, cluster=options.cluster)
