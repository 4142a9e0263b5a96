"""The routes of a comparison: mixed model, each contrast alone, measurement alone, not at all.

Known covariances are of ln size, at the mean curve of runs alike; single runs keep their own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.drift import drift_slope, find_misfit, level_order
from psdstats.comparison.each_contrast import own_contrasts, own_means
from psdstats.comparison.effects import EffectContext, effect_rows
from psdstats.comparison.measurement_only import level_contrasts, level_means, qualify
from psdstats.comparison.plan import ComparisonPlan, Grouping
from psdstats.comparison.response import Response
from psdstats.comparison.result import OverallTest, QuantityComparison, Route
from psdstats.comparison.spread import SpreadRule
from psdstats.errors import ModelError
from psdstats.models import MixedModel, MixedModelFit, RandomSlope, leave_one_group_out
from psdstats.models.design_columns import level_text

__all__ = ["by_each_contrast", "by_measurement", "by_model", "not_compared"]

Array = NDArray[np.float64]

_MISFIT_BELOW = 0.05  # p of the spread of the model

_LISTED = 4  # runs named in a note before "and … more"


def by_model(
    plan: ComparisonPlan,
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    """Fit the mixed model with the known covariance, test, contrast, and say what to allow for."""
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
        means=_as_sizes(fit.marginal_means(plan.by, by=plan.at_each, level=context.level)),
        fit=fit,
        notes=(
            *_set_aside(response),
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


def by_each_contrast(
    plan: ComparisonPlan,
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    """Judge each contrast by its own spread; no model is fitted and no overall test made."""
    grouping = plan.crossing
    if plan.within and grouping is None:
        raise ModelError(
            f"Every grouping holds {plan.by} itself, so no difference lies within a group; name a "
            'grouping without it, or use the spread "pooled".'
        )
    units = "runs" if grouping is None else "groups"
    frame, missing = response.frame, f"fewer than two {units} are left to estimate its spread from"
    effects = [
        effect_rows(
            family,
            own_contrasts(
                frame, known, plan, family, at_levels=context.at_levels, level=context.level
            ),
            context,
            missing=missing,
        )
        for family in families
    ]
    basis = (
        "the difference of two means of runs, each with its own spread (Welch)"
        if grouping is None
        else "the mean of the differences within groups, with the spread of these differences "
        "(paired t)"
    )
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.EACH_CONTRAST,
        model=f"ln {response.quantity}: each contrast is {basis}, and what the measurement "
        f"covariance holds in common for all {units}; families by Holm's rule, their intervals by "
        "Bonferroni's.",
        tests=(),
        effects=pd.concat(effects, ignore_index=True),
        means=_as_sizes(own_means(frame, known, plan, level=context.level)),
        fit=None,
        notes=_set_aside(response),
    )


def by_measurement(
    plan: ComparisonPlan,
    response: Response,
    context: EffectContext,
    families: Sequence[str],
    *,
    declared_percent: float,
) -> QuantityComparison:
    """Compare single runs by their joint measurement covariance and a declared repeatability."""
    effects = []
    for family in families:
        contrasts = level_contrasts(
            response.frame,
            response.covariance,
            by=plan.by,
            family=family,
            declared_percent=declared_percent,
            level=context.level,
        )
        rows = effect_rows(family, contrasts, context)
        effects.append(rows if declared_percent else qualify(rows, contrasts))
        if family == families[0]:
            test = _chi_square(plan.by, contrasts.estimate, contrasts.covariance)
    basis = (
        f"a declared run-to-run standard deviation of {declared_percent:g} %"
        if declared_percent
        else "nothing for run-to-run variation, which one run a level cannot show"
    )
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.MEASUREMENT_ONLY,
        model=f"ln {response.quantity} of single runs compared by the joint covariance of the "
        f"measurement, with {basis}.",
        tests=(test,),
        effects=pd.concat(effects, ignore_index=True),
        means=_as_sizes(
            level_means(
                response.frame,
                response.covariance,
                by=plan.by,
                declared_percent=declared_percent,
                level=context.level,
            )
        ),
        fit=None,
        notes=_set_aside(response),
    )


def not_compared(
    response: Response, context: EffectContext, families: Sequence[str]
) -> QuantityComparison:
    """Say of every contrast that it cannot be told, and why."""
    effects = [effect_rows(family, None, context) for family in families]
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.NONE,
        model=f"{response.quantity} is bracketed by the sieves at fewer than two levels of "
        f"{context.plan.by}; nothing was fitted.",
        tests=(),
        effects=pd.concat(effects, ignore_index=True),
        means=pd.DataFrame(columns=[context.plan.by, "value", "lower", "upper"]),
        fit=None,
        notes=_set_aside(response),
    )


def _chi_square(
    term: str, estimate: NDArray[np.float64], covariance: NDArray[np.float64]
) -> OverallTest:
    from scipy.special import chdtrc

    rank = int(np.linalg.matrix_rank(covariance))
    statistic = float(estimate @ np.linalg.pinv(covariance) @ estimate)
    return OverallTest(
        term=term,
        f=statistic / rank,
        df_num=float(rank),
        df_den=float("inf"),
        p=float(chdtrc(rank, statistic)),
    )


def _as_sizes(means: pd.DataFrame) -> pd.DataFrame:
    """Means of logarithms as sizes, their factors as text."""
    sizes = {"value": "estimate", "lower": "lower", "upper": "upper"}
    factors = [
        name
        for name in means.columns
        if name not in ("estimate", "standard_error", "df", "lower", "upper")
    ]
    shown = means[factors].map(level_text)
    return shown.assign(**{name: np.exp(means[source]) for name, source in sizes.items()})


def _set_aside(response: Response) -> tuple[str, ...]:
    count = len(response.set_aside)
    if count == 0:
        return ()
    runs = ", ".join(response.set_aside[:_LISTED])
    more = f" and {count - _LISTED} more" if count > _LISTED else ""
    word = "run" if count == 1 else "runs"
    return (
        f"{count} {word} set aside, because the sieves do not bracket {response.quantity} in every "
        f"run of their cell: {runs}{more}.",
    )


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
