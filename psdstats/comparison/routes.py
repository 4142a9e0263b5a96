"""What a comparison can still be told from, where open percentiles set runs aside.

A further factor with one level left has nothing to set apart and leaves the model; a grouping or
``at_each`` with one level left leaves no answer.

The mixed-model route of a comparison: fit, tests, effects, and what to allow for.

Known covariances are of ln size, at the mean curve of runs alike.

On what a quantity is compared: mixed model, each contrast alone, measurement alone, or not.

Known covariances are of ln size, at the mean curve of runs alike; single runs keep their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

import pandas as pd

from psdstats.columns import column_words
from psdstats.comparison.drift import drift_slope, find_misfit, level_order
from psdstats.comparison.each_contrast import own_contrasts, own_means
from psdstats.comparison.effects import EffectContext, by_measurement, effect_rows
from psdstats.comparison.plan import ComparisonPlan, Grouping, SpreadRule, level_in_words
from psdstats.comparison.result import OverallTest, QuantityComparison, Response, Route, as_sizes
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.diagnostics import leave_one_group_out
from psdstats.models.mixed_model import MixedModel, MixedModelFit


def plan_left(frame: pd.DataFrame, plan: ComparisonPlan) -> tuple[ComparisonPlan, tuple[str, ...]]:
    """The plan without further factors that have one level left, and what is said of it."""
    constant = [name for name in plan.also if frame[name].nunique() < 2]
    notes = tuple(
        f"Compared at {level_in_words(name, level_text(frame[name].iloc[0]))} only, since no run "
        f"of another {column_words(name)} is left; {column_words(name)} left the model."
        for name in constant
    )
    return replace(plan, also=tuple(one for one in plan.also if one not in constant)), notes


def obstacle_left(frame: pd.DataFrame, plan: ComparisonPlan, quantity: str) -> str | None:
    """Why the runs left cannot be compared by a model, as a clause; None where they can."""
    bracketed = f"{quantity} is bracketed by the sieves"
    if plan.at_each is not None and frame[plan.at_each].nunique() < 2:
        return f"{bracketed} at fewer than two levels of {column_words(plan.at_each)}"
    for grouping in plan.within:
        columns = [grouping] if isinstance(grouping, str) else list(grouping)
        if frame.groupby(columns, observed=True).ngroups < 2:
            name = " and ".join(column_words(one) for one in columns)
            return f"{bracketed} in one {name} only, so how they differ cannot be seen"
    return None


_MISFIT_BELOW = 0.05  # p of the spread of the model


def by_model(
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    """Fit the mixed model with the known covariance, test, contrast, and say what to allow for.

    Shapes: known (n, n).
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
        model=_words("models").fit_sentence(fit),
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
    return tuple(_words("remarks").sentence(one) for one in (*fit.status, *fit.cautions))


def _words(room: str) -> Any:
    """A room of words, until notes of a comparison are remarks."""
    return import_module(f"psdstats.words.{room}")


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
    tells = found.decided_by or found.needed_by_number
    return (_words("models").influence_sentence(found),) if tells else ()


def compare_quantity(
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
    *,
    declared_percent: float,
) -> QuantityComparison:
    """Compare one quantity on the best basis its runs allow.

    Shapes: known (n, n).
    """
    frame, by = response.frame, context.plan.by
    if frame[by].nunique() < 2:
        bracketed = f"{response.quantity} is bracketed by the sieves"
        reason = f"{bracketed} at fewer than two levels of {column_words(by)}"
        return not_compared(response, context, families, reason)
    plan, said = plan_left(frame, context.plan)
    context = replace(context, plan=plan)
    obstacle = obstacle_left(frame, plan, response.quantity)
    if obstacle is not None:
        return not_compared(response, context, families, obstacle)
    if _one_run_a_level(frame, plan):
        found = by_measurement(response, context, families, declared_percent=declared_percent)
    elif plan.spread is SpreadRule.EACH_CONTRAST:
        found = by_each_contrast(response, known, context, families)
    else:
        found = _by_model_if_enough(response, known, context, families)
    return replace(found, notes=(*said, *found.notes))


def _by_model_if_enough(
    response: Response, known: Array, context: EffectContext, families: Sequence[str]
) -> QuantityComparison:
    """By the mixed model; cannot be told where runs set aside leave too few for it."""
    count, wanted = len(response.frame), _coefficients(response.frame, context.plan)
    if count <= wanted:
        reason = f"{count} runs are left for {wanted} means, so their scatter cannot be seen"
        return not_compared(response, context, families, reason)
    try:
        return by_model(response, known, context, families)
    except ModelError as refusal:
        if not response.set_aside:
            raise
        why = str(refusal).removesuffix(".")
        reason = f"in the runs that are left {why[0].lower()}{why[1:]}"
        return not_compared(response, context, families, reason)


def refuse_single_runs(runs: pd.DataFrame, plan: ComparisonPlan) -> None:
    """Raise if a mixed model is wanted of runs that leave nothing to show their scatter."""
    wanted = _coefficients(runs, plan)
    if (
        len(runs) > wanted
        or plan.spread is SpreadRule.EACH_CONTRAST
        or _one_run_a_level(runs, plan)
    ):
        return
    if plan.at_each is None:
        what = f"Comparing {plan.by} beside {' and '.join(plan.also)}"
        remedy = f"take a further factor out ({', '.join(plan.also)})"
    elif plan.at_each == "group":
        what = f"Comparing {plan.by} within each group"
        remedy = "name the groups as a grouping (within) instead of comparing within each of them"
    else:
        what = f"Comparing {plan.by} within each {plan.at_each}"
        remedy = (
            f"name {plan.at_each} as a further factor (also) instead, which takes the effect of "
            f"{plan.by} to be the same at all of its levels"
        )
    raise ModelError(
        f"{what} takes {wanted} means, and with {len(runs)} runs nothing is left to show how runs "
        f"of one kind differ: add replicates or groups, or {remedy}."
    )


def _one_run_a_level(frame: pd.DataFrame, plan: ComparisonPlan) -> bool:
    """One run at each level and nothing else in the model: no variation left to estimate."""
    return plan.at_each is None and not plan.also and len(frame) == frame[plan.by].nunique()


def _coefficients(frame: pd.DataFrame, plan: ComparisonPlan) -> int:
    """How many means the fixed part has."""
    levels = {name: int(frame[name].nunique()) for name in plan.factors}
    crossed = levels[plan.by] * (1 if plan.at_each is None else levels[plan.at_each])
    return crossed + sum(levels[name] - 1 for name in plan.also)


def by_each_contrast(
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    """Judge each contrast by its own spread; no model is fitted and no overall test made."""
    plan = context.plan
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
        means=as_sizes(own_means(frame, known, plan, level=context.level)),
        fit=None,
        notes=response.remarks,
    )


def not_compared(
    response: Response, context: EffectContext, families: Sequence[str], reason: str
) -> QuantityComparison:
    """Say of every contrast that it cannot be told, and why (a clause)."""
    effects = [effect_rows(family, None, context, missing=reason) for family in families]
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.NONE,
        model=f"{reason[0].upper()}{reason[1:]}; nothing was fitted.",
        tests=(),
        effects=pd.concat(effects, ignore_index=True),
        means=pd.DataFrame(columns=[context.plan.by, "value", "lower", "upper"]),
        fit=None,
        notes=response.remarks,
    )
