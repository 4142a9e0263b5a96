"""Uncertainty budget: which source makes which share, and what a change would buy.

By the linear law, for every size of every run and for every difference between levels of a column
(milling times): the logarithm of the ratio of their geometric means.  Shares are of variance; u of
a size is relative, u of a difference is that of the ratio, both in per cent.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from psdstats.distribution.sizes import QUANTITIES
from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.budget_typical import typical_shares
from psdstats.uncertainty.engine import Prepared, prepare
from psdstats.uncertainty.sources.base import Source
from psdstats.uncertainty.what_if import changes_for

__all__ = ["Budget", "budget"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Budget:
    """Budget tables of a study.

    Attributes
    ----------
    runs : DataFrame
        run, quantity, source, balance_limited, u_percent (of this source alone), share (of the
        variance); sources of the balance first.  NaN where a size has no value.
    differences : DataFrame
        quantity, level, versus, source, balance_limited, u_percent, share.
    what_if : DataFrame
        scope ("run" or "difference"), run, level, versus, quantity, change, u_now_percent,
        u_then_percent, factor (then over now).
    by : str
        Column whose levels the differences compare.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    notes : tuple of str
        Assumptions, as sentences.
    """

    runs: pd.DataFrame
    differences: pd.DataFrame
    what_if: pd.DataFrame
    by: str
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    notes: tuple[str, ...]

    def shares_frame(self) -> pd.DataFrame:
        """Shares in the typical run and in one difference, as `typical_shares` gives them."""
        return typical_shares(self)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Contrasts:
    """Quantities of a budget as rows over the ln sizes of all runs, with their labels."""

    labels: pd.DataFrame
    weights: sparse.csr_array
    known: NDArray[np.bool_]


def budget(
    study: Study,
    *,
    by: str = "milling_time_min",
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
) -> Budget:
    """Share of each source in every size and in every difference between levels.

    Parameters
    ----------
    study : Study
        The weighings.
    by : str, default="milling_time_min"
        Column of the run table whose levels are compared.
    sources : iterable of str or Source, optional
        As in `propagate`.
    rule : str, optional
        Interpolation rule; the study's own if left out.

    Returns
    -------
    Budget
        Shares of the variance, for sizes and for differences.

    Raises
    ------
    UncertaintyError
        If the column does not exist, or as `propagate`.
    """
    asked = None if sources is None else tuple(sources)
    ready = prepare(study, sources=asked, rule=rule)
    levels = _levels(study, ready, by)
    per_run = _run_contrasts(ready)
    differences = _difference_contrasts(ready, levels)
    limited = {source.name: source.balance_limited for source in ready.sources.included}
    return Budget(
        runs=_shares(ready, per_run, limited),
        differences=_shares(ready, differences, limited),
        what_if=_what_if(study, ready, (per_run, differences), asked, rule),
        by=by,
        sources=ready.table.sources,
        sources_left_out=ready.sources.left_out,
        notes=(*study.notes, *ready.table.notes, *_gaps(differences)),
    )


def _levels(study: Study, ready: Prepared, by: str) -> pd.Series:
    frame = study.runs_frame().set_index("run")
    if by not in frame.columns:
        raise UncertaintyError(
            f"column {by!r} is not in the run table; it has {', '.join(map(str, frame.columns))}."
        )
    return frame.loc[list(ready.arrays.runs), by]


def _log_rows(ready: Prepared) -> sparse.csr_array:
    """Contributions of each input to the logarithm of each quantity; 0 where not bracketed."""
    scale = np.nan_to_num(ready.sensitivities.scale(log=True))
    return sparse.csr_array(sparse.diags_array(scale) @ ready.sensitivities.matrix)


def _run_contrasts(ready: Prepared) -> _Contrasts:
    n_rows = ready.sizes.value.size
    labels = pd.DataFrame(
        {
            "run": np.repeat(np.array(ready.arrays.runs, dtype=object), len(QUANTITIES)),
            "quantity": list(QUANTITIES) * len(ready.arrays.runs),
        }
    )
    return _Contrasts(
        labels=labels,
        weights=sparse.csr_array(sparse.eye_array(n_rows)),
        known=~np.isnan(ready.sizes.value).ravel(),
    )


def _difference_contrasts(ready: Prepared, levels: pd.Series) -> _Contrasts:
    """Mean over the runs of one level minus mean over those of another, on ln."""
    known_runs = ~np.isnan(ready.sizes.value)
    names, rows, known = [], [], []
    values = levels.to_numpy()
    for first, second in combinations(sorted(levels.dropna().unique()), 2):
        for column, quantity in enumerate(QUANTITIES):
            row = np.zeros(known_runs.shape)
            for level, sign in ((second, 1.0), (first, -1.0)):
                row[values == level, column] = sign / np.count_nonzero(values == level)
            names.append({"quantity": quantity, "level": second, "versus": first})
            rows.append(row.ravel())
            known.append(bool(known_runs[row[:, column] != 0, column].all()))
    return _Contrasts(
        labels=pd.DataFrame(names, columns=["quantity", "level", "versus"]),
        weights=sparse.csr_array(np.array(rows).reshape(len(rows), known_runs.size)),
        known=np.array(known, dtype=bool),
    )


def _variances(ready: Prepared, contrasts: _Contrasts) -> Array:
    """Variance of each contrast from each source, shape (n_contrasts, n_sources)."""
    parts = (contrasts.weights @ _log_rows(ready)).tocsr()
    squares = parts.multiply(parts).tocsr()
    index = ready.table.source
    pick = sparse.csr_array(
        (np.ones(index.size), (np.arange(index.size), index)),
        shape=(index.size, len(ready.table.sources)),
    )
    found = np.asarray((squares @ pick).toarray())
    found[~contrasts.known] = np.nan
    return found


def _shares(ready: Prepared, contrasts: _Contrasts, limited: dict[str, bool]) -> pd.DataFrame:
    variance = _variances(ready, contrasts)
    total = variance.sum(axis=1, keepdims=True)
    share = np.where(total > 0, variance / np.where(total > 0, total, 1.0), np.nan)
    names = list(ready.table.sources)
    order = sorted(range(len(names)), key=lambda index: (not limited[names[index]], index))
    table = contrasts.labels.loc[contrasts.labels.index.repeat(len(order))].reset_index(drop=True)
    n_rows = len(contrasts.labels)
    table["source"] = [names[index] for index in order] * n_rows
    table["balance_limited"] = [limited[names[index]] for index in order] * n_rows
    table["u_percent"] = 100 * np.sqrt(variance[:, order]).ravel()
    table["share"] = share[:, order].ravel()
    return table


def _what_if(
    study: Study,
    ready: Prepared,
    groups: tuple[_Contrasts, _Contrasts],
    asked: tuple[str | Source, ...] | None,
    rule: str | None,
) -> pd.DataFrame:
    now = [100 * np.sqrt(_variances(ready, group).sum(axis=1)) for group in groups]
    tables = []
    for change in changes_for(study):
        changed = prepare(change.apply(study), sources=asked, rule=rule)
        for scope, group, before in zip(("run", "difference"), groups, now, strict=True):
            after = 100 * np.sqrt(_variances(changed, group).sum(axis=1))
            with np.errstate(invalid="ignore", divide="ignore"):
                factor = after / before
            tables.append(
                group.labels.reindex(columns=["run", "level", "versus", "quantity"]).assign(
                    scope=scope,
                    change=change.label,
                    u_now_percent=before,
                    u_then_percent=after,
                    factor=factor,
                )
            )
    order = ["scope", "run", "level", "versus", "quantity", "change"]
    columns = [*order, "u_now_percent", "u_then_percent", "factor"]
    return pd.DataFrame(
        {name: [value for table in tables for value in table[name]] for name in columns}
    )


def _gaps(differences: _Contrasts) -> tuple[str, ...]:
    missing = differences.labels[~differences.known]
    return tuple(
        f"{quantity}: the difference between {_written(level)} and {_written(versus)} has no "
        "budget, because a run is not bracketed by its sieves."
        for quantity, level, versus in missing.itertuples(index=False)
    )


def _written(level: object) -> str:
    return f"{level:g}" if isinstance(level, int | float) else str(level)
