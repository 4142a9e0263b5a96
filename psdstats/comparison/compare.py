"""Did milling time, ball ratio or group change the size, and by how much.

The response is ln of each percentile (and of span).  Its joint measurement covariance enters a
mixed model as a known part, so that what sieves and balance share between runs is neither counted
as evidence nor as noise; what runs and groups do is estimated.  Where every level has one run and
nothing can be estimated, the measurement covariance stands alone and the verdicts say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.effects import EffectContext, effect_rows, families_for
from psdstats.comparison.headlines import headlines
from psdstats.comparison.measurement_only import level_contrasts, level_means, qualify
from psdstats.comparison.plan import ComparisonPlan, Grouping, plan_comparison
from psdstats.comparison.response import Response, build_response
from psdstats.comparison.result import Comparison, OverallTest, QuantityComparison, Route
from psdstats.errors import ModelError
from psdstats.models import MixedModel, MixedModelFit
from psdstats.models.design_columns import level_text
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation, Source, choose_sources, propagate

__all__ = ["QUANTITIES", "RUN_TO_RUN", "compare", "measurement_sources"]

QUANTITIES = ("D10", "D50", "D90", "span")
RUN_TO_RUN = "run_to_run"

_LISTED = 4  # runs named in a note before "and … more"


def compare(
    study: Study,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    *,
    also: Sequence[str] | None = None,
    at_each: str | None = None,
    quantities: Sequence[str] = QUANTITIES,
    margin_percent: float | None = None,
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
        Groupings with a random intercept; ``"group:milling_time_min"`` or a tuple stands for a
        combination.  Default as study.toml says, else the groups (and the combination of group
        and factor where it holds two runs or more), with a note.
    also : sequence of str, optional
        Further factors of the fixed part.
    at_each : str, optional
        Compare within each level of this column, with the interaction in the model.
    quantities : sequence of str, default=("D10", "D50", "D90", "span")
        What is compared.
    margin_percent : float, optional
        Change too small to matter, for the verdict of equivalence.
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
    """
    plan = plan_comparison(
        study, by=by, within=within, also=also, at_each=at_each, margin_percent=margin_percent
    )
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
    runs = study.runs_frame()
    each = 1.0 - (1.0 - level) / (len(quantities) if across_quantities else 1)
    results = tuple(
        _compare_one(study, runs, plan, build_response(runs, propagation, plan, name), each)
        for name in quantities
    )
    return Comparison(
        plan=plan,
        level=level,
        across_quantities=across_quantities,
        results=results,
        headlines=headlines(plan, results, level=each),
        notes=plan.notes,
    )


def measurement_sources(
    study: Study, asked: Iterable[str | Source] | None = None
) -> tuple[Source, ...]:
    """The uncertainty sources a study switches on (or those asked for), without run-to-run.

    Run-to-run variation is estimated by the model (or declared for the measurement-only route),
    so it must not be in the known part as well.
    """
    return tuple(
        source for source in choose_sources(study, asked).included if source.name != RUN_TO_RUN
    )


def _compare_one(
    study: Study, runs: pd.DataFrame, plan: ComparisonPlan, response: Response, level: float
) -> QuantityComparison:
    context = EffectContext(
        quantity=response.quantity,
        plan=plan,
        levels=response.levels,
        at_levels=_levels(runs, plan.at_each),
        lost_column=response.lost_column,
        obstacles=response.obstacles,
        level=level,
    )
    families = families_for(sorted(runs[plan.by].unique().tolist()))
    left = response.frame[plan.by].nunique()
    if left < 2:
        return _nothing_left(response, context, families)
    if _is_saturated(response.frame, plan):
        return _by_measurement(study, plan, response, context, families)
    return _by_model(plan, response, context, families)


def _by_model(
    plan: ComparisonPlan, response: Response, context: EffectContext, families: Sequence[str]
) -> QuantityComparison:
    name = f"ln_{response.quantity}"
    model = MixedModel(
        response.frame.rename(columns={"ln_value": name}),
        response=name,
        fixed=plan.fixed,
        random=list(plan.within),
        known_covariance=response.covariance,
        factors=list(plan.factors),
        boundary="free",  # calibrated: tests/calibration/results/mixed_models.md
    )
    fit = model.fit()
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
        notes=(*_set_aside(response), *_remarks(fit)),
    )


def _by_measurement(
    study: Study,
    plan: ComparisonPlan,
    response: Response,
    context: EffectContext,
    families: Sequence[str],
) -> QuantityComparison:
    declared = float(study.uncertainty.get("run_to_run_percent") or 0.0)  # type: ignore[arg-type]
    effects = []
    for family in families:
        contrasts = level_contrasts(
            response.frame,
            response.covariance,
            by=plan.by,
            family=family,
            declared_percent=declared,
            level=context.level,
        )
        rows = effect_rows(family, contrasts, context)
        effects.append(rows if declared else qualify(rows, contrasts))
        if family == families[0]:
            test = _chi_square(plan.by, contrasts.estimate, contrasts.covariance)
    basis = (
        f"a declared run-to-run standard deviation of {declared:g} %"
        if declared
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
                declared_percent=declared,
                level=context.level,
            )
        ),
        fit=None,
        notes=_set_aside(response),
    )


def _nothing_left(
    response: Response, context: EffectContext, families: Sequence[str]
) -> QuantityComparison:
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


def _is_saturated(frame: pd.DataFrame, plan: ComparisonPlan) -> bool:
    """One run at each level and nothing else in the model: no variation left to estimate."""
    return plan.at_each is None and not plan.also and len(frame) == frame[plan.by].nunique()


def _levels(runs: pd.DataFrame, column: str | None) -> tuple[str, ...]:
    if column is None:
        return ()
    return tuple(level_text(value) for value in sorted(runs[column].unique()))


def _set_aside(response: Response) -> tuple[str, ...]:
    count = len(response.set_aside)
    if count == 0:
        return ()
    runs = ", ".join(response.set_aside[:_LISTED])
    more = f" and {count - _LISTED} more" if count > _LISTED else ""
    return (
        f"{count} runs set aside, because the sieves do not bracket {response.quantity} in every "
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
