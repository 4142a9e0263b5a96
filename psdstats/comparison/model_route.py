"""The mixed-model route of a comparison: fit, tests, effects, and what to allow for.

Known covariances are of ln size, at the mean curve of runs alike.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.drift import drift_slope, find_misfit, level_order
from psdstats.comparison.effects import EffectContext, effect_rows
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.plan_columns import Grouping
from psdstats.comparison.response import Response
from psdstats.comparison.result import OverallTest, QuantityComparison, Route, as_sizes
from psdstats.comparison.spread import SpreadRule
from psdstats.models import MixedModel, MixedModelFit, RandomSlope, leave_one_group_out

__all__ = ["by_model"]

Array = NDArray[np.float64]

_MISFIT_BELOW = 0.05  # p of the spread of the model


def by_model(
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    """Fit the mixed model with the known covariance, test, contrast, and say what to allow for.

    Parameters
    ----------
    response : Response
        The runs that can enter.
    known : ndarray, shape (n, n)
        Covariance of their ln values.
    context : EffectContext
        What is compared with what, and how verdicts are worded.
    families : sequence of str
        Families of contrasts.

    Returns
    -------
    QuantityComparison
    """
    plan = context.plan
    fit = _fit(plan, response, known)
    terms: list[Grouping] = [plan.by] + ([] if plan.at_each is None else [(plan.by, plan.at_each)])
    tests = []
    for term in terms:
        found = fit.test(term)
        name = term if isinstance(term, str) else " and ".join(term)
        tests.append(
            OverallTest(term=name, f=found.f, df_num=found.df_num, df_den=found.df_den, p=found.p)
        )
    effects = [
        effect_rows(
            family,
            fit.contrasts(plan.by, kind=family, by=plan.at_each, level=context.level),
            context,
        )
        for family in families
    ]
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.MIXED_MODEL,
        model=fit.sentence,
        tests=tuple(tests),
        effects=pd.concat(effects, ignore_index=True),
        means=as_sizes(fit.marginal_means(plan.by, by=plan.at_each, level=context.level)),
        fit=fit,
        notes=(
            *response.remarks,
            *_remarks(fit),
            *_spread(fit, plan),
            *_influence(fit, plan, context.level),
        ),
    )


def _fit(plan: ComparisonPlan, response: Response, known: Array) -> MixedModelFit:
    name, order = f"ln_{response.quantity}", f"order of {plan.by}"
    frame = response.frame.rename(columns={"ln_value": name})
    place = level_order(frame[plan.by])
    slope = None
    if plan.spread is SpreadRule.DRIFTING and place is not None:
        frame = frame.assign(**{order: place})
        slope = drift_slope(frame, plan, order=order)
    random: list[Grouping | RandomSlope] = [
        slope if slope is not None and one == slope.group else one for one in plan.within
    ]
    return MixedModel(
        frame,
        response=name,
        fixed=plan.fixed,
        random=random,
        known_covariance=known,
        factors=list(plan.factors),
        # calibrated: tests/calibration/results/mixed_models.md and time_effect.md
        boundary="free" if slope is None else "drop",
    ).fit()


def _remarks(fit: MixedModelFit) -> tuple[str, ...]:
    """State of the fit and cautions of the design, as sentences."""
    state = fit.status
    if state == "converged":
        return fit.cautions
    if "below zero" in state:
        state += ", which says that no such variation was seen"
    return (f"{state}.", *fit.cautions)


def _spread(fit: MixedModelFit, plan: ComparisonPlan) -> tuple[str, ...]:
    """Whether groups may drift apart, and a caution where the spread of the model does not fit."""
    notes = []
    if any(isinstance(one, RandomSlope) for one in fit.model.random):
        notes.append(
            "Groups were allowed to drift apart in the order of the levels, since they seldom mill "
            'at one rate; the spread "pooled" leaves this out.'
        )
    found = find_misfit(fit, plan)
    if found is not None and found.p < _MISFIT_BELOW:
        notes.append(found.sentence)
    return tuple(notes)


def _influence(fit: MixedModelFit, plan: ComparisonPlan, level: float) -> tuple[str, ...]:
    """A warning where one group decides the verdict, or one group fewer would not show it."""
    groups = plan.within[0] if plan.within else None
    if not isinstance(groups, str) or fit.model.frame[groups].nunique() < 3:
        return ()
    found = leave_one_group_out(fit, plan.by, grouping=groups, alpha=1.0 - level)
    return (found.sentence,) if found.decided_by or found.needed_by_number else ()
