"""Every result that a report of a study shows, asked of the library once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from typing import Any, TypeVar

import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.compare import compare
from psdstats.comparison.result import Comparison
from psdstats.comparison.values import Values
from psdstats.comparison.whole import WholeComparison, compare_distributions
from psdstats.errors import ModelError, PsdstatsError
from psdstats.output.bundle import Progress
from psdstats.output.pages.checks import ModelChecks, model_checks
from psdstats.output.pages.groups import GroupResults, collect_groups, stated_margin
from psdstats.output.pages.rate import collect_loss, rate_factor
from psdstats.planning.attained import Attained
from psdstats.processes import beside, shared_out
from psdstats.rate.first_order import LossRates
from psdstats.rate.fit_rate import RateResult, fit_rate
from psdstats.study.check import check_study
from psdstats.study.flags import CheckReport
from psdstats.study.records import Study
from psdstats.uncertainty.budget import Budget, budget
from psdstats.uncertainty.conformity import LimitResult, judge_limit, specifications
from psdstats.uncertainty.engine import ENOUGH_DRAWS, propagate, undersize_bands
from psdstats.uncertainty.inputs import Source, measurement_sources
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.propagation import Propagation

PERMUTATIONS = 1_999
LEAST_TIMES = 3
_WANTED = (
    "psdstats.output.report",
    "seaborn",
    "matplotlib.backends.backend_svg",
    "matplotlib.backends.backend_agg",
)
FURTHER, WRITING = "groups and rate", "writing"
"""Stages of the work, as a progress line names them."""

Stage = Callable[[str], Progress | None]
Compared = Comparison | PsdstatsError
Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, eq=False)
class Results:
    """What a report shows; a result that the study does not allow is the error that says why.

    Parameters
    ----------
    study : Study or Values
        The study, or values in hand, which have no checks, bands or budget.
    checks : CheckReport
        What the bench checks found.
    propagation : Propagation
        Sizes of every run.
    bands : DataFrame
        Undersize of every run with its band.
    comparison : Comparison or PsdstatsError
        What was compared.
    budget : Budget
        Shares of the uncertainty.
    limits : tuple of LimitResult
        Decisions on the limits that study.toml states.
    groups, whole, rate : results or PsdstatsError or None
        None where the study does not ask for it (one group, one time, too few times).
    model_checks : ModelChecks or None
        What was found out about the models fitted.
    loss, loss_notes : LossRates or None, tuple of str
        Loss above each sieve, beside the rate.
    attained : Attained or None
        What the answers attain in simulated trials, where asked for.
    target_um : float or None
        Size to reach, µm.
    level : float
        Confidence level of groups and rate.
    author, report_date : str
        Who answers for the report, and its date; empty for a blank.
    """

    study: Study | Values
    checks: CheckReport | None = None
    propagation: Propagation
    bands: pd.DataFrame | None = None
    comparison: Comparison | PsdstatsError
    budget: Budget | None = None
    limits: tuple[LimitResult, ...] = ()
    groups: GroupResults | PsdstatsError | None = None
    whole: WholeComparison | PsdstatsError | None = None
    rate: RateResult | PsdstatsError | None = None
    model_checks: ModelChecks | None = None
    loss: LossRates | None = None
    loss_notes: tuple[str, ...] = ()
    attained: Attained | None = None
    target_um: float | None = None
    level: float = 0.95
    author: str = ""
    report_date: str = ""

    @property
    def compared(self) -> Comparison | None:
        """The comparison, where there is one."""
        return self.comparison if isinstance(self.comparison, Comparison) else None


def gather(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | Callable[[], Propagation] | None = None,
    comparison: Compared | Callable[[], Compared] | None = None,
    checks: CheckReport | None = None,
    attained: Attained | Callable[[Comparison], Attained | None] | None = None,
    level: float = 0.95,
    target_um: float | None = None,
    stage: Stage = lambda _: None,
) -> Results:
    """Ask for everything; what is given already is not asked for again.

    What gives the propagation is asked for it while the trial is compared.
    """
    counted = measurement_sources(study, sources)
    with _asked_beside(study, counted, propagation) as drawn:
        bring_in()
        if comparison is None:
            given = propagation if isinstance(propagation, Propagation) else None
            made = partial(compare, study, level=level, sources=counted, propagation=given)
            comparison = _or_reason(made, ModelError)
        elif callable(comparison):
            comparison = comparison()
        done = comparison if isinstance(comparison, Comparison) else None
        if callable(attained):
            attained = None if done is None else attained(done)
        measured = drawn()
    if target_um is None and "target_um" in study.compare:
        target_um = float(study.compare["target_um"])  # type: ignore[arg-type]
    told = stage(FURTHER)
    further = _further(study, measured, done, level=level, target_um=target_um, told=told)
    loss, loss_notes = further.pop("losses")
    return Results(
        study=study,
        checks=check_study(study) if checks is None else checks,
        propagation=measured,
        comparison=comparison,
        limits=tuple(
            judge_limit(study, one, sources=measured.sources) for one in specifications(study)
        ),
        **further,
        loss=loss,
        loss_notes=loss_notes,
        attained=attained,
        target_um=target_um,
        level=level,
    )


def _further(
    study: Study,
    measured: Propagation,
    done: Comparison | None,
    *,
    level: float,
    target_um: float | None,
    told: Progress | None,
) -> dict[str, Any]:
    """What rests on sizes and comparison, shared by two processes, what takes longest first."""
    names = measured.sources
    by = str(study.compare.get("by") or TIME) if done is None else done.plan.by
    asked: dict[str, Callable[[], Any]] = {
        "rate": partial(_rate, study, measured, done, level, target_um),
        "model_checks": lambda: None if done is None else model_checks(done),
        "losses": partial(_loss, study, done, level),
        "budget": partial(budget, study, by=by, sources=names),
        "groups": partial(_groups, study, measured, done, level),
        "whole": partial(_whole, study, level, measured.seed or 0),
        "bands": partial(undersize_bands, study, sources=names, coverage=measured.coverage),
    }

    def tell(number: int) -> None:
        if told is not None:
            told(number, len(asked))

    return dict(zip(asked, shared_out(list(asked.values()), told=tell), strict=True))


def in_hand(values: Values, comparison: Comparison, level: float) -> Results:
    """What a report of values in hand shows."""
    return Results(
        study=values,
        propagation=values.measured,
        comparison=comparison,
        level=level,
    )


@contextmanager
def _asked_beside(
    study: Study,
    sources: Sequence[str | Source],
    propagation: Propagation | Callable[[], Propagation] | None,
) -> Iterator[Callable[[], Propagation]]:
    """What gives the propagation at last; it is made meanwhile."""
    if isinstance(propagation, Propagation):
        yield lambda: propagation
        return
    ask = propagation or partial(propagate, study, sources=sources, max_draws=ENOUGH_DRAWS)
    prepare(study, sources=sources)  # found again by whatever asks for it
    with beside(ask) as drawn:
        yield drawn


def bring_in() -> None:
    """Import what figures and tables will want, which takes a while."""
    for name in _WANTED:
        import_module(name)


def _or_reason(
    make: Callable[[], Found], refusal: type[PsdstatsError] = PsdstatsError
) -> Found | PsdstatsError:
    """What `make` gives, or why it cannot."""
    try:
        return make()
    except refusal as reason:
        return reason


def _margin(study: Study, done: Comparison | None) -> float | None:
    return stated_margin(study) if done is None else done.plan.margin_percent


def _groups(
    study: Study, propagation: Propagation, done: Comparison | None, level: float
) -> GroupResults | PsdstatsError | None:
    if len({run.group for run in study.runs}) < 2:
        return None
    analysis = None if done is None or "D50" not in done.analysis.quantities else done.analysis
    return _or_reason(
        lambda: collect_groups(
            study,
            propagation,
            margin_percent=_margin(study, done),
            level=level,
            intraclass=False,
            analysis=analysis,
        )
    )


def _whole(study: Study, level: float, seed: int) -> WholeComparison | PsdstatsError | None:
    if len({run.milling_time_min for run in study.runs}) < 2:
        return None
    return _or_reason(
        lambda: compare_distributions(study, level=level, permutations=PERMUTATIONS, seed=seed)
    )


def _rate(
    study: Study,
    propagation: Propagation,
    done: Comparison | None,
    level: float,
    target_um: float | None,
) -> RateResult | PsdstatsError | None:
    if not _has_rate(study) and target_um is None:
        return None
    return _or_reason(
        lambda: fit_rate(
            study,
            target_um=target_um,
            margin_percent=_margin(study, done),
            level=level,
            propagation=propagation,
            analysis=None if done is None else done.analysis,
        )
    )


def _has_rate(study: Study) -> bool:
    return len({run.milling_time_min for run in study.runs}) >= LEAST_TIMES


def _loss(
    study: Study, done: Comparison | None, level: float
) -> tuple[LossRates | None, tuple[str, ...]]:
    if not _has_rate(study):
        return None, ()
    is_known = done is not None and done.plan.by == TIME
    each = _or_reason(lambda: done.plan.at_each if done and is_known else rate_factor(study))
    if isinstance(each, PsdstatsError):  # the rate gives the same reason
        return None, ()
    return collect_loss(study, at_each=each, level=level)
