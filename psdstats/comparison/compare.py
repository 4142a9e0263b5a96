"""Did milling time, ball ratio or group change the size, and by how much.

The response is ln of each percentile (and of span).  Its joint measurement covariance enters a
mixed model as a known part (its sensitivities taken at the mean curve of runs alike), so that what
sieves and balance share between runs is neither counted as evidence nor as noise; what runs and
groups do is estimated.  Where every level has one run and nothing can be estimated, the measurement
covariance stands alone and the verdicts say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.effects import EffectContext, families_for
from psdstats.comparison.headlines import headlines
from psdstats.comparison.plan import ComparisonPlan, plan_comparison
from psdstats.comparison.plan_columns import Grouping
from psdstats.comparison.response import build_response
from psdstats.comparison.result import Comparison
from psdstats.comparison.routes import compare_quantity, refuse_single_runs
from psdstats.comparison.spread import SpreadRule
from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text
from psdstats.study.records import Study
from psdstats.uncertainty import (
    Propagation,
    Source,
    choose_sources,
    mean_curve_covariance,
    propagate,
)

__all__ = ["QUANTITIES", "RUN_TO_RUN", "compare", "compare_sizes", "measurement_sources"]

QUANTITIES = ("D10", "D50", "D90", "span")
RUN_TO_RUN = "run_to_run"


def compare(
    study: Study,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    *,
    also: Sequence[str] | None = None,
    at_each: str | None = None,
    quantities: Sequence[str] = QUANTITIES,
    families: Sequence[str] | None = None,
    margin_percent: float | None = None,
    spread: SpreadRule | str | None = None,
    level: float = 0.95,
    across_quantities: bool = False,
    propagation: Propagation | None = None,
    seed: int = 0,
) -> Comparison:
    """Compare the levels of a factor over all runs of a study.

    Parameters
    ----------
    study : Study
        The trial.
    by : str, optional
        Column of the run table whose levels are compared; default as study.toml says, else
        ``milling_time_min``.
    within : str or sequence of (str or tuple of str), optional
        Groupings with a random intercept.  Names side by side are so many groupings:
        ``("group", "operator")`` is two.  A combination is one text or a tuple of its own:
        ``["group", "group:milling_time_min"]`` or ``["group", ("group", "milling_time_min")]``.
        Default as study.toml says, else the groups (and the combination of group and factor where
        it holds two runs or more), with a note.
    also : sequence of str, optional
        Further factors of the fixed part.
    at_each : str, optional
        Compare within each level of this column, with the interaction in the model.
    quantities : sequence of str, default=("D10", "D50", "D90", "span")
        What is compared.
    families : sequence of str, optional
        Which of "against first", "successive" and "all pairs"; by default all that the levels
        allow.
    margin_percent : float, optional
        Change too small to matter, for the verdict of equivalence.
    spread : {"drifting", "pooled", "each contrast"}, optional
        What the scatter may do from level to level: groups drift apart along lines of their own
        (where three groups or more hold three numeric levels or more); stay as it is; or anything,
        each contrast being judged by its own differences within groups, which needs no model but
        gives wider intervals.  Default as study.toml says, else drifting, and said so.
    level : float, default=0.95
        Confidence level of simultaneous intervals over each family of contrasts.
    across_quantities : bool, default=False
        Hold the level over all quantities together (Bonferroni over their number).
    propagation : Propagation, optional
        A joint result of this study made with `measurement_sources`; made here otherwise.
    seed : int, default=0
        Seed of the propagation made here.

    Returns
    -------
    Comparison

    Raises
    ------
    ModelError
        If a column is missing or has one level, or the model cannot be estimated from these runs.

    Notes
    -----
    Which verdict leads: the contrasts answer the question asked, family by family, and each family
    holds its level by itself; of several families, "against first" leads.  The test of all levels
    at once comes beside them, not before them.  It may show a change that no contrast shows (small
    differences gathered over the levels), or miss one that a contrast shows (one level out of many
    changed); the headlines then say so in one sentence.

    Examples
    --------
    >>> from psdstats.study import read_study
    >>> from psdstats_datasets import demo_study
    >>> found = compare(
    ...     read_study(demo_study("four_benches")),
    ...     by="milling_time_min",
    ...     within=["group", ("group", "milling_time_min")],
    ...     quantities=["D50"],
    ... )
    >>> found["D50"].family("against first").loc[0, ["contrast", "verdict"]].tolist()
    ['6 - 0', 'changed']
    """
    plan = plan_comparison(
        study,
        by=by,
        within=within,
        also=also,
        at_each=at_each,
        margin_percent=margin_percent,
        spread=spread,
    )
    if families is not None and not families:
        raise ModelError("No family of contrasts is named; leave families out for all of them.")
    if propagation is None:
        propagation = propagate(study, seed=seed, sources=measurement_sources(study))
    elif RUN_TO_RUN in propagation.sources:
        raise ModelError(
            "The propagation given holds the run-to-run source, which the model estimates itself; "
            "make it with sources=measurement_sources(study)."
        )
    unknown = [name for name in quantities if name not in propagation.quantities]
    if unknown or not quantities:
        known = ", ".join(propagation.quantities)
        found = repr(unknown[0]) if unknown else "named"
        raise ModelError(f"There is no quantity {found} to compare; choose from {known}.")
    joint = {
        name: mean_curve_covariance(study, propagation, plan.factors, quantity=name).to_numpy()
        for name in quantities
    }
    return compare_sizes(
        study,
        plan,
        propagation,
        joint,
        families=families,
        level=level,
        across_quantities=across_quantities,
    )


def compare_sizes(
    study: Study,
    plan: ComparisonPlan,
    propagation: Propagation,
    known: Mapping[str, NDArray[np.float64]],
    *,
    families: Sequence[str] | None = None,
    level: float = 0.95,
    across_quantities: bool = False,
) -> Comparison:
    """Compare sizes whose known covariance is given, as `compare` does after preparing it.

    Parameters
    ----------
    study : Study
        The trial.
    plan : ComparisonPlan
        What is compared with what.
    propagation : Propagation
        Values of the sizes, and their covariance for single runs.
    known : mapping of str to ndarray, shape (R, R)
        For each quantity compared the known covariance of its logarithm, in the order of the runs.
    families, level, across_quantities
        As in `compare`.
    """
    runs = study.runs_frame()
    placed = runs[plan.placed(runs)]
    each = 1.0 - (1.0 - level) / (len(known) if across_quantities else 1)
    asked = (
        families_for(sorted(placed[plan.by].unique().tolist())) if families is None else families
    )
    declared = float(study.uncertainty.get("run_to_run_percent") or 0.0)  # type: ignore[arg-type]
    refuse_single_runs(placed, plan)
    results = []
    for name, joint in known.items():
        response = build_response(runs, propagation, plan, name)
        context = EffectContext(
            quantity=name,
            plan=plan,
            levels=response.levels,
            at_levels=_levels(placed, plan.at_each),
            lost_column=response.lost_column,
            obstacles=response.obstacles,
            level=each,
        )
        used = joint[np.ix_(response.kept, response.kept)]
        results.append(compare_quantity(response, used, context, asked, declared_percent=declared))
    return Comparison(
        plan=plan,
        level=level,
        across_quantities=across_quantities,
        results=tuple(results),
        headlines=headlines(plan, results, level=each),
        notes=plan.notes,
    )


def measurement_sources(
    study: Study, asked: Iterable[str | Source] | None = None
) -> tuple[Source, ...]:
    """The uncertainty sources a study switches on (or those asked for), without run-to-run.

    Run-to-run variation is estimated by the model (or declared for the measurement-only route),
    so it must not be in the known part as well.

    Parameters
    ----------
    study : Study
        Its settings switch sources on and off.
    asked : iterable of str or Source, optional
        Replaces the settings.

    Returns
    -------
    tuple of Source
        In the order of the budget.
    """
    return tuple(
        source for source in choose_sources(study, asked).included if source.name != RUN_TO_RUN
    )


def _levels(runs: pd.DataFrame, column: str | None) -> tuple[str, ...]:
    if column is None:
        return ()
    return tuple(level_text(value) for value in sorted(runs[column].unique()))
