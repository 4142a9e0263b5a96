"""Did milling time, ball ratio or group change the size, and by how much.

The response is ln of each percentile (and of span); `analysis` has the model.  The answers come in
the order of interest: fallen by the end and since when, when to stop, what a further factor does
(`ordered`); families of contrasts stand beside them, the test of all levels at once comes last.
Where every level has one run and nothing can be estimated, the scatter about a smooth course or a
declared standard deviation stands for the spread of runs, or the measurement stands alone, and the
verdicts say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import GROUP, QUANTITIES
from psdstats.comparison.analysis import Analysis, QuantityAnalysis, SpreadBasis, analyse
from psdstats.comparison.answers import (
    Answers,
    advise,
    answer,
    balance_answer,
    charges_sampled,
    doubted,
    drift_is_unknown,
    obstacle,
)
from psdstats.comparison.benches import compare_groups
from psdstats.comparison.courses import with_missing
from psdstats.comparison.plan import (
    ComparisonPlan,
    Direction,
    Grouping,
    LevelTest,
    SpreadRule,
    columns_of,
    plan_comparison,
)
from psdstats.comparison.response import ComparisonRemark, Response, families_for, where_columns
from psdstats.comparison.result import Comparison, OverallTest, QuantityComparison, Route
from psdstats.comparison.spread import find_misfit, own_contrasts, own_means
from psdstats.comparison.values import Values, analyse_values, values_of_frame
from psdstats.errors import ModelError
from psdstats.findings import ContrastKind, Finding, Remark, Rule
from psdstats.limits import LEVEL
from psdstats.models.contrasts import contrast_matrix
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.diagnostics import Influence, leave_one_group_out
from psdstats.models.judged import StudentJudged
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.verdicts import judge
from psdstats.processes import shared_out
from psdstats.room import one_thread
from psdstats.study.records import Study
from psdstats.study.settings import Declared
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.propagation import Propagation

_MISFIT_BELOW = 0.05  # p of the spread of the model


def compare(
    study: Study,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    *,
    also: Sequence[str] | None = None,
    at_each: Sequence[str] | str | None = None,
    leave_out: Sequence[str] | None = None,
    quantities: Sequence[str] = QUANTITIES,
    families: Sequence[str] | None = None,
    margin_percent: float | None = None,
    spread: SpreadRule | str | None = None,
    direction: Direction | str | None = None,
    one_family: bool | None = None,
    run_to_run: Declared | None = None,
    drift: Declared | None = None,
    test: LevelTest | str = LevelTest.CALIBRATED,
    level: float = 0.95,
    across_quantities: bool = False,
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | None = None,
) -> Comparison:
    """Answer what milling did to the sizes of a trial, from one analysis of its design.

    Without options the design decides: milling time, at each level of every further factor that is
    crossed with it; groups, and charges sampled at several times, as blocks; cells and drift of
    groups as variances where the runs can show them.  Options add to that.

    Parameters
    ----------
    study : Study
        The trial.
    by : str, optional
        Column of the run table whose levels are compared; default as study.toml says, else
        ``milling_time_min``.
    within : str or sequence of (str or tuple of str), optional
        Further groupings.  Names side by side are so many groupings: ``("operator", "day")`` is
        two.  A combination is one text or a tuple of its own: ``"group:operator"``.
    also : sequence of str, optional
        Further factors set aside additively.
    at_each : str or sequence of str, optional
        Further factors within each of whose levels ``by`` is compared.
    leave_out : sequence of str, optional
        Parts of the design to leave out: "group", "charge", "drift" or a factor.
    quantities : sequence of str, default=("D10", "D50", "D90", "span")
        What is compared.
    families : sequence of str, optional
        Which of "against first", "successive" and "all pairs"; by default all that the levels
        allow.
    margin_percent : float, optional
        Change too small to matter, for the verdict of equivalence and for when to stop (5 % there
        where none is stated).
    spread : {"drifting", "pooled", "each contrast"}, optional
        What the scatter may do from level to level: groups drift apart along lines of their own
        (where three groups or more hold three numeric levels or more); stay as it is; or anything,
        each contrast being judged by its own differences within groups, which needs no model but
        gives wider intervals.  Default as study.toml says, else drifting, and said so.
    direction : {"falling", "rising"}, optional
        Which way milling is expected to move D10, D50 and D90; default falling.
    one_family : bool, optional
        Hold one error over falls, further factor and stop together instead of one each.
    run_to_run, drift : Declared, optional
        Standard deviations known from elsewhere, with their degrees of freedom: between runs, for
        trials of single runs; of the drift of groups a step of time, instead of an estimate.
    test : {"calibrated", "kenward-roger"}
        How tests and intervals hold their level.
    level : float, default=0.95
        Confidence level of simultaneous intervals over each family of contrasts.
    across_quantities : bool, default=False
        Hold the level over all quantities together (Bonferroni over their number).
    sources : iterable of (str or Source), optional
        Sources of uncertainty counted; default those the study switches on.  Run-to-run variation
        is never among them: the model estimates it.
    propagation : Propagation, optional
        A joint result of this study made with `measurement_sources`; its sources and rule count
        then.

    Returns
    -------
    Comparison

    Raises
    ------
    ModelError
        If a column is missing or has one level, or the model cannot be estimated from these runs.

    Notes
    -----
    The ordered answers lead: fallen by the end and since when, when to stop, the further factor at
    each time; each of these questions holds its error by itself, or all together with
    ``one_family``.  Each family of contrasts holds its level by itself.  The test of all levels at
    once comes last; it may show a change that no contrast shows, or miss one.

    Examples
    --------
    >>> from psdstats.study import read_study
    >>> from psdstats_datasets import demo_study
    >>> found = compare(read_study(demo_study("four_benches")), quantities=["D50"])
    >>> found["D50"].to_frame("against first").loc[0, ["contrast", "verdict"]].tolist()
    ['6 - 0 at 5', 'changed']
    """
    LEVEL.require("level", level, ModelError)
    plan = plan_comparison(
        study,
        by=by,
        within=within,
        also=also,
        at_each=at_each,
        leave_out=leave_out,
        margin_percent=margin_percent,
        spread=spread,
        direction=direction,
        one_family=one_family,
        run_to_run=run_to_run,
        drift=drift,
        test=test,
    )
    analysis = analyse(
        study,
        plan,
        quantities=quantities,
        level=1.0 - (1.0 - level) / max(len(quantities) if across_quantities else 1, 1),
        sources=sources,
        propagation=propagation,
    )
    return compare_analysis(
        analysis, families=families, level=level, across_quantities=across_quantities
    )


def compare_values(
    frame: object,
    value: Sequence[str] | str | None = None,
    *,
    u: Sequence[str] | str | None = None,
    covariance: Mapping[str, ArrayLike | pd.DataFrame] | ArrayLike | pd.DataFrame | None = None,
    run: str | None = None,
    group: str | None = None,
    time: str | None = None,
    charge: str | None = None,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    also: Sequence[str] | None = None,
    at_each: Sequence[str] | str | None = None,
    leave_out: Sequence[str] | None = None,
    families: Sequence[str] | None = None,
    margin_percent: float | None = None,
    spread: SpreadRule | str | None = None,
    direction: Direction | str | None = None,
    one_family: bool | None = None,
    run_to_run: Declared | None = None,
    drift: Declared | None = None,
    test: LevelTest | str = LevelTest.CALIBRATED,
    level: float = 0.95,
    across_quantities: bool = False,
) -> Comparison:
    """Answer the same of sizes in hand, or any positive response, of any origin.

    Parameters
    ----------
    frame : dataframe
        Of pandas, polars or pyarrow: one row a run with a column a quantity, or one row a run and
        quantity (columns run, quantity, value and perhaps u).  Every column that is neither a size,
        its u, nor a run, group, milling time or charge is a factor.  A cell such as ``<53`` is a
        bound.
    value : str or sequence of str, optional
        Columns, or quantities, to compare; by default those named like sizes (D50, D50_um, span).
    u : str or sequence of str, optional
        Columns of standard uncertainties in the unit of the value, or in per cent where the name
        ends so; independent from run to run.  By default columns named like u_D50_um.
    covariance : array_like or DataFrame (R, R), or a mapping of them by quantity, optional
        Covariance of the values over the runs, in the unit squared, in the order of the rows; a
        DataFrame is taken by the names of the runs, as `Propagation.covariance` gives it.
    run, group, time, charge : str, optional
        Columns that are the name of the run, its group, milling time (min) and charge under names
        of their own; by default run, group, milling_time_min and charge, as far as there are any.
    by, within, also, at_each, leave_out, families, margin_percent, spread, direction
        As in `compare`; what is no size is expected to move neither way unless a direction is
        given.
    one_family, run_to_run, drift, test, level, across_quantities
        As in `compare`.

    Returns
    -------
    Comparison
        As `compare` gives it; `psdstats.report` writes the report of it.

    Raises
    ------
    StudyError
        If a cell cannot be read; names row and column.
    ModelError
        If a column is missing, or the model cannot be estimated from these runs.

    Notes
    -----
    Without u or covariance the scatter of runs alike stands for measurement and runs together.

    Examples
    --------
    >>> import pandas as pd
    >>> strength = [9.8, 10.1, 12.2, 12.0, 9.9, 9.7]
    >>> found = compare_values(pd.DataFrame({"binder": list("aabbcc"), "strength": strength}),
    ...                        "strength")
    >>> found["strength"].to_frame()[["contrast", "verdict"]].to_numpy().tolist()
    [['b - a', 'changed'], ['c - a', 'not shown'], ['c - b', 'changed']]
    """
    LEVEL.require("level", level, ModelError)
    roles = {"run": run, "group": group, "time": time, "charge": charge}
    values = values_of_frame(
        frame,
        _names(value),
        u=_names(u),
        covariance=covariance,
        roles={name: column for name, column in roles.items() if column is not None},
    )
    plan = plan_comparison(
        values,
        by=by,
        within=within,
        also=also,
        at_each=at_each,
        leave_out=leave_out,
        margin_percent=margin_percent,
        spread=spread,
        direction=direction,
        one_family=one_family,
        run_to_run=run_to_run,
        drift=drift,
        test=test,
    )
    return compare_in_hand(
        values,
        plan,
        is_directed=direction is not None,
        families=families,
        level=level,
        across_quantities=across_quantities,
    )


def _names(given: Sequence[str] | str | None) -> Sequence[str]:
    return (given,) if isinstance(given, str) else given or ()


def compare_in_hand(
    values: Values,
    plan: ComparisonPlan,
    *,
    is_directed: bool = False,
    families: Sequence[str] | None = None,
    level: float = 0.95,
    across_quantities: bool = False,
) -> Comparison:
    """Answer every question of values that were read; `is_directed` says a direction was stated."""
    each = 1.0 - (1.0 - level) / (len(values.known) if across_quantities else 1)
    analysis = analyse_values(values, plan, is_directed=is_directed, level=each)
    return compare_analysis(
        analysis, families=families, level=level, across_quantities=across_quantities
    )


@one_thread
def compare_analysis(
    analysis: Analysis,
    *,
    families: Sequence[str] | None = None,
    level: float = 0.95,
    across_quantities: bool = False,
) -> Comparison:
    """Answer every question of a trial that was analysed."""
    if families is not None and not families:
        raise ModelError("No family of contrasts is named; leave families out for all of them.")
    plan, runs = analysis.plan, analysis.study.runs_frame()
    levels = sorted(runs[plan.placed(runs)][plan.by].unique().tolist())
    asked = families_for(levels)
    if families is not None:
        asked = tuple(contrast_matrix(levels, one).contrasts[0].family for one in families)
    results = shared_out(
        [partial(_compare_quantity, one, asked) for one in analysis.quantities.values()]
    )
    return Comparison(
        plan=plan,
        level=level,
        across_quantities=across_quantities,
        results=tuple(results),
        analysis=analysis,
    )


def _compare_quantity(
    one: QuantityAnalysis, families: Sequence[ContrastKind]
) -> QuantityComparison:
    """Compare one quantity on the best basis its runs allow."""
    response, why_not = one.response, obstacle(one)
    if why_not is not None:  # every contrast cannot be told, for one reason
        factors = [one.plan.by, *where_columns(one.plan)]
        found = QuantityComparison(
            quantity=one.quantity,
            route=Route.NONE,
            basis=ComparisonRemark.NOT_FITTED(reason=why_not),
            tests=(),
            findings=with_missing(response, families, (), why_not),
            means=pd.DataFrame(columns=[*factors, "value", "lower", "upper"]),
            advice=advise((), open_um=response.open_um),
        )
    elif one.plan.spread is SpreadRule.EACH_CONTRAST and one.design.left > 0:
        found = _by_own_spread(response, families)
    else:
        found = _by_one_law(one, families)
    if not response.set_aside:
        return found
    aside = ComparisonRemark.SET_ASIDE(runs=response.set_aside)
    return replace(found, remarks=(aside, *found.remarks))


def _by_own_spread(response: Response, families: Sequence[ContrastKind]) -> QuantityComparison:
    """Judge each contrast by its own spread; no model is fitted and no overall test made."""
    frame, known, plan, level = (
        response.frame,
        np.asarray(response.known),
        response.plan,
        response.level,
    )
    if plan.within and plan.crossing is None:
        raise ModelError(
            f"Every grouping holds {plan.by} itself, so no difference lies within a group; name a "
            'grouping without it, or use the spread "pooled".'
        )
    paired = plan.crossing is not None
    found = list[Finding]()
    for family in families:
        subjects, numbers = own_contrasts(
            frame, known, plan, response.asked(family), levels=response.levels, level=level
        )
        found += [
            judge(
                replace(one, quantity=response.quantity),
                own,
                level=level,
                margin_percent=plan.margin_percent,
            )
            for one, own in zip(subjects, numbers, strict=True)
        ]
    missing = ComparisonRemark.FEW_UNITS(paired=paired)
    return QuantityComparison(
        quantity=response.quantity,
        route=Route.EACH_CONTRAST,
        basis=ComparisonRemark.BY_OWN_SPREAD(paired=paired),
        tests=(),
        findings=with_missing(response, families, found, missing),
        means=_as_sizes(own_means(frame, known, plan, level=level)),
    )


def _by_one_law(one: QuantityAnalysis, families: Sequence[ContrastKind]) -> QuantityComparison:
    """By one law of all contrasts: of the mixed model, or of single runs.

    With one run a condition nothing in the data shows how much two runs of the same kind would
    differ but how smoothly the sizes follow each other; a declared standard deviation beats that.
    Without either each change comes with the run-to-run standard deviation that would undo it.
    """
    answers, spread, single = answer(one, families), one.spread, one.design.left < 1
    level, margin, findings = one.response.level, one.plan.margin_percent, answers.findings
    unknown = single and spread.basis is SpreadBasis.NONE
    if unknown:
        findings = tuple(map(doubted, findings))
        route, basis = Route.MEASUREMENT_ONLY, ComparisonRemark.BY_MEASUREMENT()
    elif single:
        route, percent = Route.SINGLE_RUNS, 100 * spread.run
        basis = ComparisonRemark.BY_SINGLE_RUNS(basis=spread.basis, percent=percent, df=spread.df)
    else:
        route, basis = Route.MIXED_MODEL, ComparisonRemark.BY_MODEL()
    fit = None if single else one.fit
    rule = Rule(level=level, margin_percent=margin)
    benches = () if GROUP in one.plan.factors else compare_groups(one, rule)[1]
    balance = balance_answer(one, answers)
    return QuantityComparison(
        quantity=one.quantity,
        route=route,
        basis=basis,
        tests=_tests(one, answers),
        findings=findings,
        means=_as_sizes(answers.means),
        fit=fit,
        remarks=() if fit is None else _fit_remarks(fit, one.plan),
        influence=None if fit is None else _influence(fit, one.plan, level),
        courses=answers.courses,
        factors=answers.factors,
        benches=benches,
        balance=balance,
        advice=advise(
            answers.courses, answers.factors, benches, balance=balance, single_runs=single,
            scatter_unknown=unknown, drift_unknown=drift_is_unknown(one.with_open() or one),
            charges=charges_sampled(one.plan) if len(set(one.frame[GROUP])) == 1 else None,
            open_um=one.response.open_um if answers.courses else (np.nan, np.nan),
        ),
    )  # fmt: skip


def _tests(one: QuantityAnalysis, answers: Answers) -> tuple[OverallTest, ...]:
    """The factor at all its levels at once, and its interaction with the further factors."""
    plan, fit, p = one.plan, one.fit, answers.tests
    terms: dict[str, Grouping] = {"time": plan.by}
    if plan.where is not None:
        terms |= {"interaction": (plan.by, plan.where)}
    found = []
    for name, term in terms.items():
        if name not in p:
            continue
        f, df_num, df_den, plain = np.nan, np.nan, np.nan, np.nan
        if one.design.left < 1 and isinstance(answers.judged, StudentJudged):
            whole, df_num, df = answers.judged.joint_f(list(p).index(name))
            f, df_den, plain = float(whole), float(df), p[name]
        elif fit is not None and plan.by in fit.model.factors:
            test = fit.test(term)
            f, df_num, df_den, plain = test.f, test.df_num, test.df_den, test.p
        found.append(
            OverallTest(
                term=columns_of(term), f=f, df_num=df_num, df_den=df_den, p=p[name], p_plain=plain
            )
        )
    return tuple(found)


def _fit_remarks(fit: MixedModelFit, plan: ComparisonPlan) -> tuple[Remark, ...]:
    """State of the fit, cautions of the design and of its spread."""
    remarks = [*fit.status]
    if plan.test is LevelTest.KENWARD_ROGER:  # they are about its tests
        remarks += fit.cautions
    if any(isinstance(one, RandomSlope) for one in fit.model.random):
        remarks.append(ComparisonRemark.DRIFT_ALLOWED())
    found = find_misfit(fit, plan)
    if found is not None and found.p < _MISFIT_BELOW:
        remarks.append(ComparisonRemark.MISFIT(column=plan.by, **vars(found)))
    return tuple(remarks)


def _influence(fit: MixedModelFit, plan: ComparisonPlan, level: float) -> Influence | None:
    """What one group does, where it decides the verdict or one group fewer would not show it."""
    groups = plan.within[0] if plan.within else None
    if not isinstance(groups, str) or plan.by not in fit.model.factors:
        return None
    if fit.model.frame[groups].nunique() < 3:
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
