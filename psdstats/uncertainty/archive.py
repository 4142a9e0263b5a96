"""Many studies, or one study of very many runs, as a stream of rows with flat memory.

Runs are propagated in batches.  Draws belong to inputs by name, so a run gets the same draws in a
batch as in the whole study; only the covariance between batches is not formed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.propagation import Method
from psdstats.uncertainty.sources.base import Source

if TYPE_CHECKING:
    import pandas as pd


def propagate_archive(
    studies: Iterable[Study | str | PathLike[str]],
    *,
    batch_runs: int = 25,
    draws: int = 100_000,
    method: str | Method = Method.MONTE_CARLO,
    seed: int = 0,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    coverage: float | None = None,
    workers: int = 1,
    cluster: str | None = None,
) -> Iterator[pd.DataFrame]:
    """Propagate studies one after another, a few runs at a time.

    Parameters
    ----------
    studies : iterable of Study or path
        Studies, or paths that `psdstats.read_study` reads; taken one at a time.
    batch_runs : int, default=25
        Runs propagated together; memory grows with its square.
    draws : int, default=100_000
        Draws of every batch; fixed, so that a run's result does not depend on its batch.
    method, seed, sources, rule, coverage, workers, cluster
        As in `propagate`.

    Yields
    ------
    DataFrame
        Rows of `Propagation.to_frame` of one batch, with the column study (its title) in front.

    Raises
    ------
    UncertaintyError
        If an option is not possible as asked.
    StudyError
        If a path cannot be read as a study.
    """
    if isinstance(batch_runs, bool) or not isinstance(batch_runs, int) or batch_runs < 1:
        raise UncertaintyError(f"batch_runs is {batch_runs!r}; give a whole number of 1 or more.")
    asked = None if sources is None else tuple(sources)
    for item in studies:
        study = item if isinstance(item, Study) else _read(item)
        for start in range(0, len(study.runs), batch_runs):
            part = replace(study, runs=study.runs[start : start + batch_runs])
            frame = propagate(
                part,
                draws=draws,
                method=method,
                seed=seed,
                sources=asked,
                rule=rule,
                coverage=coverage,
                workers=workers,
                cluster=cluster,
            ).to_frame()
            frame.insert(0, "study", study.title)
            yield frame


def _read(path: str | PathLike[str]) -> Study:
    from psdstats.study.reader import read_study

    return read_study(Path(path))
