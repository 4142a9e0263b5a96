"""On what a quantity is compared: mixed model, each contrast alone, measurement alone, or not.

Known covariances are of ln size, at the mean curve of runs alike; single runs keep their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.each_contrast import own_contrasts, own_means
from psdstats.comparison.effects import EffectContext, effect_rows
from psdstats.comparison.left_over import obstacle_left, plan_left
from psdstats.comparison.measurement_only import by_measurement
from psdstats.comparison.model_route import by_model
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.response import Response
from psdstats.comparison.result import QuantityComparison, Route, as_sizes
from psdstats.comparison.spread import SpreadRule
from psdstats.errors import ModelError
from psdstats.wording import column_words

__all__ = ["by_each_contrast", "compare_quantity", "not_compared", "refuse_single_runs"]

Array = NDArray[np.float64]


def compare_quantity(
    response: Response,
    known: Array,
    context: EffectContext,
    families: Sequence[str],
    *,
    declared_percent: float,
) -> QuantityComparison:
    """Compare one quantity on the best basis its runs allow.

    Parameters
    ----------
    response : Response
        The runs that can enter, with the covariance of single runs.
    known : ndarray, shape (n, n)
        Covariance of their ln values at the mean curve of runs alike.
    context : EffectContext
        What is compared with what, and how verdicts are worded.
    families : sequence of str
        Families of contrasts.
    declared_percent : float
        Declared run-to-run standard deviation, per cent; for single runs.

    Returns
    -------
    QuantityComparison
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
    """Raise if a mixed model is wanted of runs that leave nothing to show their scatter.

    Parameters
    ----------
    runs : DataFrame
        The run table.
    plan : ComparisonPlan
        What is compared with what.

    Raises
    ------
    ModelError
        Saying how many runs there are, how many are needed, and what to name otherwise.
    """
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
    """Judge each contrast by its own spread; no model is fitted and no overall test made.

    Parameters
    ----------
    response, known, context, families
        As in `compare_quantity`.

    Returns
    -------
    QuantityComparison

    Raises
    ------
    ModelError
        If every grouping holds the factor itself.
    """
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
