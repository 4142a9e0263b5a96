"""Whether each group agrees with the others, with a verdict in words.

Sizes are compared as ln D, so differences are ratios.  The uncertainty of a difference holds the
joint covariance of the measurement (sieves and balances that groups share cancel, their own do not)
and the scatter between runs of the same kind.  All groups are judged together.  An average over
milling times can hide differences of opposite sign: `by_condition` gives them singly.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.groups_layout import GroupLayout, group_layout
from psdstats.comparison.groups_result import GroupAgreement, GroupFinding
from psdstats.comparison.groups_scatter import RunScatter, run_scatter
from psdstats.comparison.groups_verdict import GroupEvidence, judge
from psdstats.comparison.scores import difference_scores
from psdstats.errors import ModelError
from psdstats.models.multiplicity import simultaneous
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation
from psdstats.wording import column_words

__all__ = ["group_agreement", "sizes_by_run"]

Array = NDArray[np.float64]

_TIME = "milling_time_min"
_RUN_TO_RUN = "run_to_run"


def group_agreement(
    study: Study,
    propagation: Propagation,
    *,
    quantity: str = "D50",
    time: float | None = None,
    group: str = "group",
    conditions: Sequence[str] | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
) -> GroupAgreement:
    """Compare every group with the mean of the others.

    Parameters
    ----------
    study : Study
        The study.
    propagation : Propagation
        Sizes of its runs with joint covariance, in the order of the study.
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        What is compared.
    time : float or None, default=None
        One milling time, min; None averages over all times.
    group : str, default="group"
        Column of the groups.
    conditions : sequence of str or None, default=None
        Columns that define runs of the same kind; by default milling time and the further factors
        that the study names for its comparison (or the ball ratio, where there is one).
    margin_percent : float or None, default=None
        Difference that is too small to matter, per cent; None where none was stated.
    level : float, default=0.95
        Confidence level, joint over the groups.

    Returns
    -------
    GroupAgreement
        One finding a group, and the differences at every condition.

    Raises
    ------
    ModelError
        If a column or the time is missing, or the runs of study and propagation differ.
    """
    table = study.runs_frame()
    if tuple(table["run"]) != propagation.runs:
        raise ModelError("The propagation does not hold the runs of this study; propagate it anew.")
    columns = _conditions(study, table) if conditions is None else list(conditions)
    places = _at_time(table, time)
    covariance = propagation.covariance(quantity, log=True).to_numpy()
    value = propagation.value[:, propagation.quantities.index(quantity)]
    layout = group_layout(
        table.iloc[places].reset_index(drop=True),
        ~np.isnan(value[places]),
        group=group,
        conditions=columns,
    )
    rows = places[layout.rows]
    y, known = np.log(value[rows]), covariance[np.ix_(rows, rows)]
    scatter = run_scatter(y, layout.group, layout.condition, known)
    return GroupAgreement(
        quantity=quantity,
        time_min=time,
        findings=_findings(
            layout,
            y,
            known,
            scatter,
            declared=_RUN_TO_RUN in propagation.sources,
            quantity=quantity,
            margin_percent=margin_percent,
            level=level,
        ),
        by_condition=_by_condition(layout, y, known, scatter, group),
        scatter=scatter,
        level=level,
        margin_percent=margin_percent,
        set_aside=layout.set_aside,
    )


def _at_time(table: pd.DataFrame, time: float | None) -> NDArray[np.intp]:
    if time is None:
        return np.arange(len(table))
    places = np.flatnonzero((table[_TIME] == time).to_numpy())
    if not len(places):
        raise ModelError(f"No run has the milling time {time:g} min.")
    return places


def _conditions(study: Study, table: pd.DataFrame) -> list[str]:
    also = study.compare.get("also")
    if isinstance(also, list | tuple):
        return [_TIME, *(str(one) for one in also)]
    return [_TIME, *(["ball_ratio"] if "ball_ratio" in table.columns else [])]


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it.

    Parameters
    ----------
    study : Study
        The study.
    propagation : Propagation
        Sizes of its runs.
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        Which quantity.

    Returns
    -------
    DataFrame
        One row a run: the run table, then a column named like the quantity (µm; NaN where the
        sieves do not bracket it).
    """
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on="run")


def _findings(
    layout: GroupLayout,
    y: Array,
    known: Array,
    scatter: RunScatter,
    *,
    declared: bool,
    quantity: str,
    margin_percent: float | None,
    level: float,
) -> tuple[GroupFinding, ...]:
    found = [layout.average_weights(one) for one in range(len(layout.groups))]
    findings = [_untold(layout, i) for i in range(len(layout.groups))]
    total = known + scatter.variance * np.eye(len(y))
    judged = [i for i, (w, _) in enumerate(found) if w is not None and w @ total @ w > 0]
    if not judged:
        return tuple(findings)
    weights = np.array([found[i][0] for i in judged])
    scores = difference_scores(y, total, weights)
    u_known = difference_scores(y, known, weights).u
    leverage = np.sum(weights**2, axis=1)
    df = np.array(list(map(scatter.effective_df, scores.u**2, leverage)), dtype=np.float64)
    tested = simultaneous(scores.zeta, _correlation(scores.covariance), df, level=level)
    for place, i in enumerate(judged):
        evidence = GroupEvidence(
            group=layout.groups[i],
            quantity=quantity,
            conditions=found[i][1],
            runs=int(np.count_nonzero(layout.group == i)),
            difference=float(scores.difference[place]),
            u=float(scores.u[place]),
            u_measurement=float(u_known[place]),
            leverage=float(leverage[place]),
            df=float(df[place]),
            p=float(tested.p[place]),
            p_adjusted=float(tested.p_adjusted[place]),
            critical=float(tested.critical[place]),
            estimated=scatter.df > 0 or declared,
            margin_percent=margin_percent,
            level=level,
        )
        findings[i] = judge(evidence)
    return tuple(findings)


def _untold(layout: GroupLayout, group: int) -> GroupFinding:
    reason = "no uncertainty at all was counted for its difference from the others"
    if not (layout.group == group).any():
        reason = "its sizes are not bracketed by its sieves"
    elif layout.average_weights(group)[0] is None:
        alike = " and ".join(map(column_words, layout.conditions.columns))
        reason = f"no other group has results at the same {alike}"
    return GroupFinding.untold(layout.groups[group], reason)


def _correlation(covariance: Array) -> Array:
    sd = np.sqrt(np.diag(covariance))
    return np.asarray(np.clip(covariance / np.outer(sd, sd), -1.0, 1.0), dtype=np.float64)


def _by_condition(
    layout: GroupLayout, y: Array, known: Array, scatter: RunScatter, group: str
) -> pd.DataFrame:
    """Difference of each group from the others at each condition, one row each."""
    rows = []
    total = known + scatter.variance * np.eye(len(y))
    for number, condition in enumerate(layout.conditions.to_dict("records")):
        for i, name in enumerate(layout.groups):
            weights = layout.weights(i, number)
            if weights is None:
                continue
            score = difference_scores(y, total, weights)
            rows.append(
                {
                    **{str(key): one for key, one in condition.items()},
                    group: name,
                    "difference_percent": 100 * float(np.expm1(score.difference[0])),
                    "u_percent": 100 * float(score.u[0]),
                    "zeta": float(score.zeta[0]),
                    "e_n": float(score.e_n[0]),
                    "finding": score.to_frame()["finding"][0],
                }
            )
    # without a row the columns still say what a condition was
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*layout.conditions, group])
