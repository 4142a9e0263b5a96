"""The answer of a comparison in plain words: what changed, how much, and when it stopped.

Two kinds of finding may part.  The test of all levels at once asks whether anything differs at all;
a family of contrasts asks which level differs, and holds its level by itself, whatever that test
says.  The contrasts are the question that was asked, so they lead: against the first level where
the levels have an order, all pairs otherwise.  Where the test disagrees, its sentence says why
both are right.

Did milling time, ball ratio or group change the size, and by how much.

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

from psdstats.columns import QUANTITIES, column_words, signed
from psdstats.comparison.effects import EffectContext, families_for
from psdstats.comparison.plan import ComparisonPlan, Grouping, SpreadRule, plan_comparison
from psdstats.comparison.result import (
    Comparison,
    OverallTest,
    QuantityComparison,
    Route,
    build_response,
)
from psdstats.comparison.routes import compare_quantity, refuse_single_runs
from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text
from psdstats.models.mixed_model_words import joined
from psdstats.models.verdicts import NO_CHANGE_SEEN_PERCENT
from psdstats.models.wording import word_p
from psdstats.study.records import Study
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.means import mean_curve_covariance
from psdstats.uncertainty.propagation import Propagation
from psdstats.uncertainty.registry import choose_sources
from psdstats.uncertainty.sources.base import Source

_AGAINST_FIRST = "against first"
_CHANGED = "changed"
_MOST_PAIRS = 3  # told one by one


def headlines(
    plan: ComparisonPlan, results: Sequence[QuantityComparison], *, level: float = 0.95
) -> tuple[str, ...]:
    """Sentences for the top of a report: two or three for each quantity."""
    sentences: list[str] = []
    for result in results:
        sentences += _of_quantity(plan, result, 1.0 - level)
    return tuple(sentences)


def _of_quantity(plan: ComparisonPlan, result: QuantityComparison, alpha: float) -> list[str]:
    families = list(dict.fromkeys(result.effects["family"]))
    lead = _AGAINST_FIRST if _AGAINST_FIRST in families else families[0]
    rows = result.family(lead)
    shown = rows[rows["p_adjusted"] < alpha]
    sentences = [_test_sentence(plan, result, shown, lead, alpha)] if result.tests else []
    if lead == _AGAINST_FIRST:
        sentences += [sentence for own in _each(rows).values() for sentence in _last_levels(own)]
    elif len(rows) <= _MOST_PAIRS:
        sentences += [str(sentence) for sentence in rows["sentence"]]
    else:
        sentences += _of_many_pairs(result.quantity, rows)
    if "successive" in families:
        leading = _each(rows) if lead == _AGAINST_FIRST else {}
        sentences += [
            _last_step(plan, f"{result.quantity}{_where(plan, level)}", own, leading.get(level))
            for level, own in _each(result.family("successive")).items()
        ]
    return sentences


def _last_levels(rows: pd.DataFrame) -> list[str]:
    """The last level, and the last one that changed where this is another."""
    last = len(rows) - 1
    changed = np.flatnonzero((rows["verdict"] == _CHANGED).to_numpy())
    places = sorted({last, int(changed[-1]) if len(changed) else last})
    return [str(rows["sentence"].iloc[place]) for place in places]


def _of_many_pairs(quantity: str, rows: pd.DataFrame) -> list[str]:
    """Pairs that changed, each in a sentence, and the others counted."""
    changed = rows[rows["verdict"] == _CHANGED]
    counts = rows["verdict"].value_counts(sort=False)
    counted = ", ".join(f"{count} {verdict}" for verdict, count in counts.items())
    return [f"{quantity}: of {len(rows)} pairs, {counted}.", *map(str, changed["sentence"])]


def _each(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Rows by level of ``at_each``; all under "" where there is none."""
    levels = rows["high"].str.partition(" at ")[2]
    return {str(level): own for level, own in rows.groupby(levels, sort=False)}


def _where(plan: ComparisonPlan, level: str) -> str:
    return f" ({plan.each_place(level)})" if level else ""


def _test_sentence(
    plan: ComparisonPlan, result: QuantityComparison, shown: pd.DataFrame, lead: str, alpha: float
) -> str:
    """The test of all levels at once, reconciled with the single verdicts where they part."""
    test = result.tests[0]
    name = column_words(plan.by)
    by_measurement = result.route is Route.MEASUREMENT_ONLY
    if test.p >= alpha and not shown.empty:
        return _by_single_levels(plan, result.quantity, shown, test, by_measurement)
    if by_measurement:
        differ = "differ by more" if test.p < alpha else "were not shown to differ by more"
        text = (
            f"{result.quantity}: the single runs at the levels of {name} {differ} than the "
            f"measurement ({_basis(test)})"
        )
    else:
        verb = "changed" if test.p < alpha else "was not shown to change"
        text = f"{name[0].upper()}{name[1:]} {verb} {result.quantity} ({_basis(test)})"
    if test.p < alpha and shown.empty:
        first = lead == _AGAINST_FIRST
        none = "no level is shown to differ from the first" if first else "no pair is shown to"
        if first and result.family(lead)["p_adjusted"].isna().all():
            none = "none can be compared with the first"
        text += (
            f": the levels are not all alike, but {none}; the single verdicts lead, since this "
            "test cannot say which levels differ"
        )
    return f"{text}."


def _by_single_levels(
    plan: ComparisonPlan,
    quantity: str,
    shown: pd.DataFrame,
    test: OverallTest,
    by_measurement: bool,
) -> str:
    """Levels that differ although the test of all levels at once did not show it."""
    places = [
        f"{plan.place(high.partition(' at ')[0])} against {plan.place(low.partition(' at ')[0])}"
        + _where(plan, high.partition(" at ")[2])
        for high, low in zip(shown["high"], shown["low"], strict=True)
    ]
    told = joined(places) if len(places) <= _MOST_PAIRS else f"{len(places)} of the contrasts"
    verb = "differs by more than the measurement" if by_measurement else "changed"
    return (
        f"{quantity} {verb} at {told}, although the test of all levels at once did not show it "
        f"({_basis(test)}): that test spreads over levels that changed little, so the single "
        "verdicts lead, which already allow for having looked at several."
    )


def _basis(test: OverallTest) -> str:
    if not np.isfinite(test.df_den):
        statistic = f"chi-square({test.df_num:.0f}) = {test.f * test.df_num:.1f}"
    else:
        statistic = f"F({test.df_num:.0f}, {test.df_den:.1f}) = {_short(test.f)}"
    return f"{statistic}, {word_p(test.p)}"


def _last_step(
    plan: ComparisonPlan, quantity: str, steps: pd.DataFrame, leading: pd.DataFrame | None
) -> str:
    """When the change stopped, step by step, beside the verdicts against the first level."""
    changed = np.flatnonzero((steps["verdict"] == _CHANGED).to_numpy())
    has_lead = leading is not None and bool((leading["verdict"] == _CHANGED).any())
    if steps["p_adjusted"].isna().all():
        return f"{quantity}: no single step can be judged."
    if len(changed) == 0:
        spread = "; the change is spread over several" if has_lead else ""
        return f"{quantity}: no single step was shown to change it{spread}."
    last = steps.iloc[int(changed[-1])]
    low, high = (str(last[name]).partition(" at ")[0] for name in ("low", "high"))
    change = signed(float(last["change_percent"]), "+.1f")
    text = (
        f"{quantity}: the last step shown to change it is from {low} to {plan.place(high)} "
        f"({change} %)"
    )
    if leading is not None and not has_lead and leading["p_adjusted"].notna().any():
        text += ", although no level is shown to differ from the first, which leads"
    after = steps.iloc[int(changed[-1]) + 1 :]
    if after.empty:
        return f"{text}; it had not stopped changing at the end of the trial."
    seen = after["detectable_decrease_percent"].dropna()
    if not seen.max() < NO_CHANGE_SEEN_PERCENT:  # or none can be judged
        return f"{text}; later steps cannot be judged."
    return (
        f"{text}; in later steps no change was shown, where a decrease of {seen.max():.2g} % would "
        "have been seen with 80 % power."
    )


def _short(f: float) -> str:
    return f"{f:.3g}" if f < 1000 else f"{f:.0f}"


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

    Shapes: known (R, R).
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
    """
    return tuple(
        source for source in choose_sources(study, asked).included if source.name != RUN_TO_RUN
    )


def _levels(runs: pd.DataFrame, column: str | None) -> tuple[str, ...]:
    if column is None:
        return ()
    return tuple(level_text(value) for value in sorted(runs[column].unique()))
