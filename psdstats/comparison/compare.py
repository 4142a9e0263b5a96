"""Did milling time, ball ratio or group change the size, and by how much.

The response is ln of each percentile (and of span).  Its joint measurement covariance enters a
mixed model as a known part (its sensitivities taken at the mean curve of runs alike), so that what
sieves and balance share between runs is neither counted as evidence nor as noise; what runs and
groups do is estimated.  Where every level has one run and nothing can be estimated, the measurement
covariance stands alone and the verdicts say so.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and level) is set aside, and said so.  A further factor with one
level left has nothing to set apart and leaves the model; a grouping or ``at_each`` with one level
left leaves no answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import GROUP, QUANTITIES, column_words
from psdstats.comparison.plan import (
    ComparisonPlan,
    Grouping,
    SpreadRule,
    columns_of,
    plan_comparison,
)
from psdstats.comparison.result import (
    Comparison,
    ComparisonRemark,
    OverallTest,
    QuantityComparison,
    Response,
    Route,
    build_response,
    families_for,
)
from psdstats.comparison.spread import (
    drift_slope,
    find_misfit,
    level_order,
    own_contrasts,
    own_means,
)
from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind, Finding, Numbers, Remark
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastResult, contrast_matrix, contrast_table
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.diagnostics import Influence, leave_one_group_out
from psdstats.models.equivalence import equivalence_test, smallest_detectable
from psdstats.models.mixed_model import MixedModel, MixedModelFit
from psdstats.models.verdicts import POWER, judge, undoing_percent
from psdstats.student import critical_t
from psdstats.study.records import Study
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.law import at_mean_curve, prepare
from psdstats.uncertainty.propagation import Propagation
from psdstats.uncertainty.registry import RUN_TO_RUN, measurement_sources

_MISFIT_BELOW = 0.05  # p of the spread of the model


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
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | Callable[[], Propagation] | None = None,
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
    sources : iterable of (str or Source), optional
        Sources of uncertainty counted; default those the study switches on.  Run-to-run variation
        is never among them: the model estimates it.
    propagation : Propagation, or callable that gives one, optional
        A joint result of this study made with `measurement_sources`; its sources and rule count
        then.  A callable is asked only where single runs are judged by the measurement alone,
        which needs draws; without it they are made here.
    seed : int, default=0
        Seed of the draws made here.

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
    given = propagation if isinstance(propagation, Propagation) else None
    if given is not None and RUN_TO_RUN in given.sources:
        raise ModelError(
            "The propagation given holds the run-to-run source, which the model estimates itself; "
            "make it with sources=measurement_sources(study)."
        )
    unknown = [name for name in quantities if name not in QUANTITIES]
    if unknown or not quantities:
        found = repr(unknown[0]) if unknown else "named"
        raise ModelError(
            f"There is no quantity {found} to compare; choose from {', '.join(QUANTITIES)}."
        )
    counted = measurement_sources(study, sources) if given is None else given.sources
    law = prepare(study, sources=counted, rule=None if given is None else given.rule)
    at_mean = at_mean_curve(law, plan.factors)
    own = partial(propagate, study, seed=seed, sources=counted)
    draw = propagation if callable(propagation) else own
    return compare_sizes(
        study,
        plan,
        law.value if given is None else given.value,
        {name: at_mean[name] for name in quantities},
        measured=lambda: given or draw(),
        families=families,
        level=level,
        across_quantities=across_quantities,
    )


def compare_sizes(
    study: Study,
    plan: ComparisonPlan,
    value: Array,
    known: Mapping[str, Array],
    *,
    measured: Callable[[], Propagation],
    families: Sequence[str] | None = None,
    level: float = 0.95,
    across_quantities: bool = False,
) -> Comparison:
    """Compare sizes whose known covariance is given, as `compare` does after preparing it.

    Shapes: value (R, 4), known (R, R).

    ``measured`` gives the propagation for single runs, which alone need their own law.
    """
    runs = study.runs_frame()
    each = 1.0 - (1.0 - level) / (len(known) if across_quantities else 1)
    placed = runs[plan.placed(runs)]
    asked = families_for(sorted(placed[plan.by].unique()))
    if families is not None:
        levels = placed[plan.by].unique().tolist()
        asked = tuple(contrast_matrix(levels, one).contrasts[0].family for one in families)
    declared = float(study.uncertainty.get("run_to_run_percent") or 0.0)  # type: ignore[arg-type]
    _refuse_single_runs(placed, plan)
    return Comparison(
        plan=plan,
        level=level,
        across_quantities=across_quantities,
        results=tuple(
            _compare_quantity(
                build_response(
                    runs,
                    value[:, QUANTITIES.index(name)],
                    plan,
                    name,
                    joint,
                    own=lambda name=name: measured().covariance(name, log=True).to_numpy(),  # type: ignore[misc]
                    level=each,
                ),
                asked,
                declared,
            )
            for name, joint in known.items()
        ),
    )


def _compare_quantity(
    response: Response, families: Sequence[ContrastKind], declared_percent: float
) -> QuantityComparison:
    """Compare one quantity on the best basis its runs allow."""
    frame, plan = response.frame, response.plan
    remarks = []
    if response.set_aside:
        remarks.append(ComparisonRemark.SET_ASIDE(runs=response.set_aside))
    if frame[plan.by].nunique() < 2:
        why = ComparisonRemark.FEW_LEVELS(quantity=response.quantity, column=plan.by)
        return replace(_not_compared(response, families, why), remarks=tuple(remarks))
    single = [name for name in plan.also if frame[name].nunique() < 2]
    remarks[:0] = [
        ComparisonRemark.ONE_LEVEL_LEFT(column=name, level=level_text(frame[name].iloc[0]))
        for name in single
    ]
    plan = replace(plan, also=tuple(name for name in plan.also if name not in single))
    response = replace(response, plan=plan)
    obstacle = _obstacle_left(response)
    if obstacle is not None:
        found = _not_compared(response, families, obstacle)
    elif _one_run_a_level(frame, plan):
        found = _by_measurement(response, families, declared_percent)
    elif plan.spread is SpreadRule.EACH_CONTRAST:
        found = _by_own_spread(response, families)
    else:
        found = _by_model_if_enough(response, families)
    return replace(found, remarks=(*remarks, *found.remarks))


def _obstacle_left(response: Response) -> Remark | None:
    """Why the runs left cannot be compared by a model; None where they can."""
    frame, plan, quantity = response.frame, response.plan, response.quantity
    if plan.at_each is not None and frame[plan.at_each].nunique() < 2:
        return ComparisonRemark.FEW_LEVELS(quantity=quantity, column=plan.at_each)
    for columns in map(columns_of, plan.within):
        if frame.groupby(list(columns), observed=True).ngroups < 2:
            return ComparisonRemark.ONE_GROUP(quantity=quantity, columns=columns)
    return None


def _one_run_a_level(frame: pd.DataFrame, plan: ComparisonPlan) -> bool:
    """One run at each level and nothing else in the model: no variation left to estimate."""
    return plan.at_each is None and not plan.also and len(frame) == frame[plan.by].nunique()


def _coefficients(frame: pd.DataFrame, plan: ComparisonPlan) -> int:
    """How many means the fixed part has."""
    levels = {name: int(frame[name].nunique()) for name in plan.factors}
    crossed = levels[plan.by] * (1 if plan.at_each is None else levels[plan.at_each])
    return crossed + sum(levels[name] - 1 for name in plan.also)


def _refuse_single_runs(runs: pd.DataFrame, plan: ComparisonPlan) -> None:
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
    elif plan.at_each == GROUP:
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


def _not_compared(
    response: Response, families: Sequence[ContrastKind], reason: Remark
) -> QuantityComparison:
    """Every contrast cannot be told, for one reason."""
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.NONE,
        basis=ComparisonRemark.NOT_FITTED(reason=reason),
        tests=(),
        findings=_findings(response, dict.fromkeys(families), missing=reason),
        means=pd.DataFrame(columns=[response.plan.by, "value", "lower", "upper"]),
    )


def _by_measurement(
    response: Response, families: Sequence[ContrastKind], declared_percent: float
) -> QuantityComparison:
    """Compare single runs by their joint measurement covariance and a declared repeatability.

    With a single run at each level nothing in the data shows how much two runs of the same kind
    would differ.  Where no repeatability is declared, each effect comes with the run-to-run
    standard deviation that would undo it, and is called changed only if that is larger than a
    plausible one.

    Intervals take ln ratios as normal and hold for a family together.  Where one rectangular
    aperture error dominates they are up to a fifth too wide (1.96 against 1.65 standard
    uncertainties; two such errors of one size, 1.90); `psdstats.uncertainty.ratio_intervals` gives
    a single ratio its own law.
    """
    by, level = response.plan.by, response.level
    frame = response.frame.sort_values(by)
    order, ln_value = frame.index.to_numpy(), frame["ln_value"].to_numpy()
    joint = response.own()[np.ix_(order, order)]
    joint = joint + np.eye(len(order)) * (declared_percent / 100) ** 2
    found = {
        family: contrast_table(
            response.asked(family, left=True), ln_value, joint, np.inf, level=level
        )
        for family in families
    }
    half = critical_t(1.0 - level, np.inf) * np.sqrt(np.diag(joint))
    means = frame[[by]].assign(estimate=ln_value, lower=ln_value - half, upper=ln_value + half)
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.MEASUREMENT_ONLY,
        basis=ComparisonRemark.BY_MEASUREMENT(declared_percent=declared_percent),
        tests=(_chi_square(by, found[families[0]]),),
        findings=_findings(response, found, undone=not declared_percent),
        means=_as_sizes(means.reset_index(drop=True)),
    )


def _chi_square(term: str, found: ContrastResult) -> OverallTest:
    from scipy.special import chdtrc

    rank = int(np.linalg.matrix_rank(found.covariance))
    statistic = float(found.estimate @ np.linalg.pinv(found.covariance) @ found.estimate)
    return OverallTest(
        term=(term,),
        f=statistic / rank,
        df_num=float(rank),
        df_den=float("inf"),
        p=float(chdtrc(rank, statistic)),
    )


def _by_own_spread(response: Response, families: Sequence[ContrastKind]) -> QuantityComparison:
    """Judge each contrast by its own spread; no model is fitted and no overall test made."""
    frame, known, plan = response.frame, response.known, response.plan
    if plan.within and plan.crossing is None:
        raise ModelError(
            f"Every grouping holds {plan.by} itself, so no difference lies within a group; name a "
            'grouping without it, or use the spread "pooled".'
        )
    paired = plan.crossing is not None
    found = {
        family: own_contrasts(
            frame, known, plan, response.asked(family, left=True), level=response.level
        )
        for family in families
    }
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.EACH_CONTRAST,
        basis=ComparisonRemark.BY_OWN_SPREAD(paired=paired),
        tests=(),
        findings=_findings(response, found, missing=ComparisonRemark.FEW_UNITS(paired=paired)),
        means=_as_sizes(own_means(frame, known, plan, level=response.level)),
    )


def _by_model_if_enough(response: Response, families: Sequence[ContrastKind]) -> QuantityComparison:
    """By the mixed model; cannot be told where runs set aside leave too few for it."""
    count, wanted = len(response.frame), _coefficients(response.frame, response.plan)
    if count <= wanted:
        why = ComparisonRemark.TOO_FEW_RUNS(runs=count, means=wanted)
        return _not_compared(response, families, why)
    try:
        return _by_model(response, families)
    except ModelError as refusal:
        if not response.set_aside:
            raise
        return _not_compared(response, families, ComparisonRemark.REFUSED(why=str(refusal)))


def _by_model(response: Response, families: Sequence[ContrastKind]) -> QuantityComparison:
    """Fit the mixed model with the known covariance, test, contrast, and say what to allow for."""
    plan = response.plan
    fit = _fit(response)
    terms: list[Grouping] = [plan.by] + ([] if plan.at_each is None else [(plan.by, plan.at_each)])
    tests = []
    for term in terms:
        found = fit.test(term)
        tests.append(
            OverallTest(
                term=columns_of(term),
                f=found.f,
                df_num=found.df_num,
                df_den=found.df_den,
                p=found.p,
            )
        )
    contrasts = {
        family: fit.contrasts(plan.by, kind=family, by=plan.at_each, level=response.level)
        for family in families
    }
    means = fit.marginal_means(plan.by, by=plan.at_each, level=response.level)
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.MIXED_MODEL,
        basis=ComparisonRemark.BY_MODEL(),
        tests=tuple(tests),
        findings=_findings(response, contrasts),
        means=_as_sizes(means),
        fit=fit,
        remarks=_fit_remarks(fit, plan),
        influence=_influence(fit, plan, response.level),
    )


def _fit(response: Response) -> MixedModelFit:
    plan, frame = response.plan, response.frame.rename(columns={"ln_value": "ln size"})
    order, place, slope = f"order of {column_words(plan.by)}", level_order(frame[plan.by]), None
    if plan.spread is SpreadRule.DRIFTING and place is not None:
        frame = frame.assign(**{order: place})
        slope = drift_slope(frame, plan, order=order)
    random: list[Grouping | RandomSlope] = [
        slope if slope is not None and one == slope.group else one for one in plan.within
    ]
    return MixedModel(
        frame,
        response="ln size",
        fixed=plan.fixed,
        random=random,
        known_covariance=response.known,
        factors=list(plan.factors),
        # calibrated: tests/calibration/results/mixed_models.md and time_effect.md
        boundary="free" if slope is None else "drop",
    ).fit()


def _fit_remarks(fit: MixedModelFit, plan: ComparisonPlan) -> tuple[Remark, ...]:
    """State of the fit, cautions of the design and of its spread."""
    remarks = [*fit.status, *fit.cautions]
    if any(isinstance(one, RandomSlope) for one in fit.model.random):
        remarks.append(ComparisonRemark.DRIFT_ALLOWED())
    found = find_misfit(fit, plan)
    if found is not None and found.p < _MISFIT_BELOW:
        remarks.append(ComparisonRemark.MISFIT(column=plan.by, **vars(found)))
    return tuple(remarks)


def _influence(fit: MixedModelFit, plan: ComparisonPlan, level: float) -> Influence | None:
    """What one group does, where it decides the verdict or one group fewer would not show it."""
    groups = plan.within[0] if plan.within else None
    if not isinstance(groups, str) or fit.model.frame[groups].nunique() < 3:
        return None
    found = leave_one_group_out(fit, plan.by, grouping=groups, alpha=1.0 - level)
    return found if found.decided_by or found.needed_by_number else None


def _as_sizes(means: pd.DataFrame) -> pd.DataFrame:
    """Means of logarithms as sizes, their factors as text."""
    numbers = {"value": "estimate", "lower": "lower", "upper": "upper"}
    beside = ("estimate", "standard_error", "df", "lower", "upper")
    factors = means[[name for name in means.columns if name not in beside]].map(level_text)
    with np.errstate(over="ignore"):  # next to no degrees of freedom: no upper limit
        return factors.assign(**{name: np.exp(means[source]) for name, source in numbers.items()})


def _findings(
    response: Response,
    found: Mapping[ContrastKind, ContrastResult | None],
    *,
    missing: Remark | None = None,
    undone: bool = False,
) -> tuple[Finding, ...]:
    """Verdicts on the contrasts of every family: those asked of all levels, then others."""
    missing = missing or ComparisonRemark.NO_RUN_LEFT()
    by_level = response.lost_column == response.plan.by
    findings = []
    for family, contrasts in found.items():
        first_is_lost = (
            family is ContrastKind.AGAINST_FIRST
            and by_level
            and response.levels[0] in response.obstacles
        )
        known = {} if contrasts is None or first_is_lost else _numbers(contrasts, response)
        for subject in dict.fromkeys((*response.asked(family).contrasts, *known)):
            numbers, limit = known.get(subject, (Numbers(), np.nan))
            levels = (subject.high, subject.low) if by_level else (subject.where,)
            lost = tuple(response.obstacles[one] for one in levels if one in response.obstacles)
            findings.append(
                judge(
                    replace(subject, quantity=response.quantity),
                    numbers,
                    level=response.level,
                    margin_percent=response.plan.margin_percent,
                    obstacles=() if subject in known else lost or (missing,),
                    undone_by_percent=limit if undone else None,
                )
            )
    return tuple(findings)


def _numbers(
    contrasts: ContrastResult, response: Response
) -> dict[Contrast, tuple[Numbers, float]]:
    """Numbers of each contrast, and the run-to-run SD (per cent) that would undo it."""
    u, df, critical = contrasts.standard_error, contrasts.df, contrasts.simultaneous.critical
    detectable = smallest_detectable(u, df, critical=critical, power=POWER).decrease_percent
    equivalence_p = np.full(len(u), np.nan)
    margin = response.plan.margin_percent
    if margin is not None:
        equivalence_p = equivalence_test(
            contrasts.estimate, u, df, margin_percent=margin, alpha=1.0 - response.level
        ).p
    undoing = undoing_percent(contrasts.estimate, u, critical)
    return {
        subject: (
            Numbers(
                estimate=float(contrasts.estimate[place]),
                lower=float(contrasts.lower[place]),
                upper=float(contrasts.upper[place]),
                u=float(u[place]),
                df=float(df[place]),
                p=float(contrasts.p[place]),
                p_adjusted=float(contrasts.p_adjusted[place]),
                detectable_decrease_percent=float(detectable[place]),
                equivalence_p=float(equivalence_p[place]),
            ),
            float(undoing[place]),
        )
        for place, subject in enumerate(contrasts.contrasts)
    }
