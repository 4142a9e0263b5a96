"""Variation found in a study, as the starting point of the next plan.

Response ln D: the model of `compare`, with one mean for each condition (milling time and further
factors).  Random are groups, their lines in the order of times where three groups hold three times
or more, and with replicates groups × condition; known is the joint measurement covariance at the
mean curves.  Standard deviations in per cent.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.models import MixedModel, MixedModelFit, RandomSlope
from psdstats.planning.plan_error import PlanError
from psdstats.planning.trial_plan import Variation
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation, choose_sources, mean_curve_covariance, propagate
from psdstats.uncertainty.sources.run_to_run import RunToRun

__all__ = ["variation_of"]

RUN_TO_RUN = RunToRun.name
TIME = "milling_time_min"
ORDER = "order of times"
_NOT_FACTORS = ("run", "group", "replicate", "sample_mass_g", "balance", TIME)


def variation_of(
    study: Study,
    *,
    quantity: str = "D50",
    propagation: Propagation | None = None,
    seed: int = 0,
) -> Variation:
    """Standard deviations of ln D between runs and groups, and of the measurement, in a study.

    Parameters
    ----------
    study : Study
        A trial with replicates or with several groups.
    quantity : {"D10", "D50", "D90", "span"}
        Which quantity.
    propagation : Propagation or None
        Joint uncertainty of the study without the run-to-run source; made here otherwise.
    seed : int, default=0
        Seed of the propagation made here.

    Returns
    -------
    Variation

    Raises
    ------
    PlanError
        If the study cannot tell run-to-run variation, having one group and no replicates.

    Notes
    -----
    The lines of the groups are summed up by how far they lie apart at the last time.  The known
    covariance is summed up as a part of each run and a part shared by a group's runs (its mean
    covariance between two runs of one group), which stands for the sieves.
    """
    if propagation is None:
        sources = [one for one in choose_sources(study).included if one.name != RUN_TO_RUN]
        propagation = propagate(study, seed=seed, sources=sources)
    elif RUN_TO_RUN in propagation.sources:
        raise PlanError(
            "the propagation given holds the run-to-run source, which is estimated here; make it "
            "without that source."
        )
    if quantity not in propagation.quantities:
        names = ", ".join(propagation.quantities)
        raise PlanError(f"there is no quantity {quantity!r}; choose from {names}.")
    usable = np.isfinite(propagation.value[:, propagation.quantities.index(quantity)])
    frame = study.runs_frame()[usable].reset_index(drop=True)
    columns = _condition_columns(frame)
    known = mean_curve_covariance(study, propagation, columns, quantity=quantity).to_numpy()
    known = known[np.ix_(usable, usable)]
    value = propagation.value[usable, propagation.quantities.index(quantity)]
    frame = frame.assign(
        ln_value=np.log(value),
        condition=[", ".join(map(str, row)) for row in frame[columns].itertuples(index=False)],
    )
    groups = len(frame["group"].unique())
    fit = _fit(frame, columns, known)
    own, shared = _measurement(frame, known)
    variance = {str(name): float(found) for name, found in fit.variance_components.items()}
    steps = frame[TIME].nunique() - 1
    return Variation(
        run_percent=_percent(variance["residual"]),
        group_percent=_percent(variance.get("group", 0.0)),
        group_time_percent=_percent(variance.get("group:condition", 0.0)),
        drift_percent=steps * _percent(variance.get(f"group[{ORDER}]", 0.0)),
        measurement_percent=_percent(own),
        sieves_percent=_percent(shared),
        source=f"{quantity} of {study.title!r}, {len(frame)} runs in {_groups(groups)}",
    )


def _fit(frame: pd.DataFrame, columns: list[str], known: NDArray[np.float64]) -> MixedModelFit:
    from psdstats.comparison import ComparisonPlan
    from psdstats.comparison.drift import drift_slope, level_order

    cells, groups = len(frame["condition"].unique()), len(frame["group"].unique())
    if len(frame) <= cells + groups - 1:
        raise PlanError(
            f"the study has {len(frame)} runs for {cells} conditions in {_groups(groups)}, which "
            "leaves nothing to tell run-to-run variation from; state the variation instead."
        )
    random: list[str | tuple[str, ...] | RandomSlope] = []
    if groups > 1:
        plan = ComparisonPlan(
            by=TIME,
            within=("group",),
            also=tuple(columns[1:]),
            at_each=None,
            margin_percent=None,
            notes=(),
        )
        frame = frame.assign(**{ORDER: level_order(frame[TIME])})
        random.append(drift_slope(frame, plan, order=ORDER) or "group")
        if len(frame) > frame.groupby(["group", "condition"], observed=True).ngroups:
            random.append(("group", "condition"))
    return MixedModel(
        frame, response="ln_value", fixed=["condition"], random=random, known_covariance=known
    ).fit()


def _groups(number: int) -> str:
    return f"{number} group{'' if number == 1 else 's'}"


def _condition_columns(frame: pd.DataFrame) -> list[str]:
    """Milling time and every further column that differs between runs."""
    return [TIME] + [
        column
        for column in frame.columns
        if column not in _NOT_FACTORS and len(frame[column].dropna().unique()) > 1
    ]


def _measurement(frame: pd.DataFrame, known: NDArray[np.float64]) -> tuple[float, float]:
    """Own and shared part of the known variance."""
    group = frame["group"].to_numpy()
    same = (group[:, None] == group[None, :]) & ~np.eye(len(group), dtype=bool)
    shared = max(float(known[same].mean()), 0.0) if same.any() else 0.0
    return max(float(np.diag(known).mean()) - shared, 0.0), shared


def _percent(variance: float) -> float:
    return 100 * float(np.sqrt(max(float(variance), 0.0)))
