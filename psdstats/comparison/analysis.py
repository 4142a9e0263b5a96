"""One analysis of a trial: rows, known covariance, design, spread, the law that judges contrasts.

Comparison, groups, rate, planning and the balance all read it, so that one thing has one number.
The mean of each condition (a level of the factor at a level of the further factors) is free;
groups and charges that hold several levels are fixed blocks of tests and intervals, so that their
variances never enter; cells, drift of the blocks and run to run are variances.  Printed standard
deviations are restricted likelihood estimates on the rows with random groups.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property, partial

import numpy as np
import pandas as pd

from psdstats.columns import CHARGE, GROUP, QUANTITIES, TIME, column_words
from psdstats.comparison.open_sizes import Law, known_where_open
from psdstats.comparison.ordered import Cell
from psdstats.comparison.plan import ComparisonPlan, Grouping, LevelTest, SpreadRule, columns_of
from psdstats.comparison.response import (
    AnalysisDesign,
    ComparisonRemark,
    Response,
    build_response,
    cell_texts,
    drift_lines,
    drifting_blocks,
    indicators,
    level_order,
    trial_design,
    where_columns,
)
from psdstats.comparison.spread import drift_slope, smooth_spread
from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.judged import Judged, Question, StudentJudged
from psdstats.models.kenward_roger import adjusted_covariance, single_df
from psdstats.models.level import LevelLaw
from psdstats.models.level_grid import cell_means
from psdstats.models.likelihood import Criterion
from psdstats.models.mixed_model import MixedModel, MixedModelFit
from psdstats.room import ensure_room
from psdstats.student import critical_t
from psdstats.study.records import Study, Trial
from psdstats.study.settings import Declared
from psdstats.uncertainty.inputs import RUN_TO_RUN, Source, measurement_sources
from psdstats.uncertainty.law import MOST_WHOLE, at_mean_curve, prepare
from psdstats.uncertainty.propagation import Propagation

_TINY = 1e-9  # share of the largest below which a direction of x is none
_MATRICES = 33  # of all runs, held at once for a quantity
_BYTES_OF_RUN = 42_000  # of more runs, for a quantity: tests/calibration/results/large_studies.md
LN = "ln size"
CONDITION = "condition"
ORDER = "order of {}"


class SpreadBasis(StrEnum):
    """Where the spread between runs comes from."""

    REPLICATES = "replicates"
    RESIDUAL = "residual"
    SMOOTH_COURSES = "smooth courses"
    DECLARED = "declared"
    NONE = "none"


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Standard deviations of ln size; NaN where not estimated, or estimated below zero.

    Parameters
    ----------
    run, cell, drift, group, charge : float
        Between runs alike, between cells of group and condition, of the drift of groups a step of
        levels, between groups, between charges (or other blocks that were asked for).
    df : float
        Degrees of freedom behind that of runs.
    basis : SpreadBasis
        Where that of runs comes from.
    """

    run: float = np.nan
    cell: float = np.nan
    drift: float = np.nan
    group: float = np.nan
    charge: float = np.nan
    df: float = 0.0
    basis: SpreadBasis = SpreadBasis.NONE


@dataclass(frozen=True, kw_only=True, eq=False)
class QuantityAnalysis:
    """One quantity of a trial, ready to be asked; `ready` makes it of a response.

    Parameters
    ----------
    response : Response
        Runs, values and what was set aside.
    design : AnalysisDesign
        Its arrays.
    quantity : str
        Such as "D50".
    plan : ComparisonPlan
        What is compared with what.
    frame : DataFrame
        The runs used, with ``ln_value``.
    cells : tuple of (str, str)
        Conditions that can be compared with others of their level.
    y : ndarray, shape (n,)
        Values of ln size.
    drift_lines : ndarray, shape (n, b)
        Drift lines of unit slope: of the blocks, or of all runs as one.
    known : ndarray, shape (n, n)
        Measurement covariance, with a declared drift.
    """

    response: Response
    design: AnalysisDesign
    quantity: str
    plan: ComparisonPlan
    frame: pd.DataFrame
    cells: tuple[Cell, ...]
    y: Array
    drift_lines: Array
    known: Covariance

    def with_spread(
        self, *, run_percent: float | None = None, drift_percent: float | None = None
    ) -> QuantityAnalysis:
        """The same with a spread between runs, or a drift, declared."""
        plan, design = self.plan, self.design
        if run_percent is not None:
            plan = replace(plan, run_to_run=Declared(percent=run_percent, df=np.inf))
        if drift_percent is not None:
            plan = replace(plan, drift=Declared(percent=drift_percent, df=np.inf))
        response = replace(self.response, plan=plan)
        return ready(response, None if "drift" in design.part_names else design)

    def with_open(self) -> QuantityAnalysis | None:
        """The same over all runs with a place, open ones at their bound; None where none is open.

        Runs without a bound on either side say nothing and are left out.
        """
        placed = self.response.placed
        ends = placed[["ln_lower", "ln_upper"]].to_numpy(dtype=float)
        told = np.isfinite(ends).any(axis=1)
        is_open = ends[:, 0] != ends[:, 1]
        if not (is_open & told).any():
            return None
        near = np.where(np.isfinite(ends[:, 0]), *ends.T)  # the end that the sieve makes
        frame = placed[told].assign(ln_value=near[told]).reset_index(drop=True)
        known = known_where_open(self.response.placed_known, is_open)[np.ix_(told, told)]
        return ready(
            replace(self.response, frame=frame, known=known, balance=None, own=lambda: known)
        )

    @cached_property
    def fit(self) -> MixedModelFit | None:
        """Restricted likelihood with random groups, whose standard deviations are printed.

        None where these runs cannot be fitted.
        """
        plan, frame = self.plan, self.frame.rename(columns={"ln_value": LN}).fillna({CHARGE: ""})
        order, place = ORDER.format(column_words(plan.by)), level_order(frame[plan.by])
        slope = None
        if plan.spread is SpreadRule.DRIFTING and place is not None:
            frame = frame.assign(**{order: place})
            slope = drift_slope(frame, plan, order=order)
        crossed = [plan.by, *where_columns(plan)]
        factors = [*crossed, *plan.also]
        fixed: list[Grouping] = [*factors, *([] if plan.where is None else [tuple(crossed)])]
        cells = int(np.prod([frame[name].nunique() for name in crossed]))
        if cells != frame.groupby(crossed, observed=True).ngroups:
            frame = frame.assign(**{CONDITION: [" at ".join(x) for x in cell_texts(frame, plan)]})
            factors = [CONDITION, *plan.also]
            fixed = [*factors]
        held = frame.groupby(crossed, observed=True).ngroups  # group and ratio may be one
        random = [
            slope if slope is not None and one == slope.group else one
            for one in plan.within
            if frame.groupby([*crossed, *columns_of(one)], observed=True).ngroups > held
        ]
        try:
            return MixedModel(
                frame,
                response=LN,
                fixed=fixed,
                random=random,
                known_covariance=self.response.known,
                factors=factors,
                # calibrated: tests/calibration/results/mixed_models.md and time_effect.md
                boundary="free" if slope is None else "drop",
            ).fit()
        except ModelError:
            return None

    @cached_property
    def spread(self) -> Spread:
        """The standard deviations printed anywhere."""
        plan, left = self.plan, self.design.left
        if left < 1:
            return self._of_single_runs()
        if self.fit is None:
            return Spread()
        blocks = [indicators(self.frame, columns_of(one)) for one in plan.blocks]
        codes = [np.argmax(one, axis=1) for one in blocks]
        cells = set(zip(cell_texts(self.frame, plan), *codes, strict=True))
        alike = len(self.frame) - len(cells)
        parts = {":".join(columns_of(one)): "cell" for one in plan.cells}
        parts |= {"residual": "run", GROUP: "group"}
        found = {
            "drift" if "[" in str(name) else parts.get(str(name), "charge"): (
                float(value) ** 0.5 if value >= 0 else np.nan
            )
            for name, value in self.fit.variance_components.items()
        }
        basis = SpreadBasis.REPLICATES if alike > 0 else SpreadBasis.RESIDUAL
        return Spread(**found, df=float(alike if alike > 0 else left), basis=basis)

    def _of_single_runs(self) -> Spread:
        """Declared, or about smooth courses over time, or none."""
        declared = self.plan.run_to_run
        if declared is not None:
            return Spread(run=declared.percent / 100, df=declared.df, basis=SpreadBasis.DECLARED)
        if self.plan.by != TIME:
            return Spread()
        keys = [*where_columns(self.plan), *(columns_of(one)[-1] for one in self.plan.blocks)]
        parts = [own for _, own in self.frame.groupby(keys, dropna=False)] if keys else [self.frame]
        found = smooth_spread(
            [own[TIME].to_numpy(dtype=float) for own in parts],
            [own["ln_value"].to_numpy(dtype=float) for own in parts],
        )
        if found is None:
            return Spread()
        return Spread(run=found[0], df=found[1], basis=SpreadBasis.SMOOTH_COURSES)

    def judge(self, question: Question) -> Judged:
        """Judge contrasts of the columns of x, all at once."""
        return self.law(question)(self.y)

    def law(self, question: Question, otherwise: Callable[[], Law] | None = None) -> Law:
        """What judges these contrasts of one response (n,); but for Kenward-Roger also of many.

        `otherwise` gives what stands for Kenward-Roger.
        """
        if self.design.left < 1:
            return partial(self._by_single_runs, question)
        found = None
        if self.plan.test is LevelTest.CALIBRATED:
            found = self._calibrated(question)
        if found is None and otherwise is not None:
            return otherwise()
        return found or partial(self._by_kenward_roger, question)

    def _calibrated(self, question: Question) -> Law | None:
        """The calibrated level; None where it would take too long.

        It is found for the runs, or for means (m, n) of very many of them in which nothing is lost.
        """
        design, known, x, y = self.design, self.known, self.design.x, self.y
        if isinstance(known, SharedErrors):
            means = cell_means(x, design.columns, question.contrasts)
            if means is None or len(means) > MOST_WHOLE:
                return None
            parts = np.array([one @ one.T for one in (*(means @ z for z in design.columns), means)])
            x, y, known = means @ x, means @ y, np.asarray(known.averaged(means))
        else:
            means, parts = None, design.parts
        # simulated laws depend on the order of the rows, answers must not
        order = np.lexsort((y, *x.T[::-1]))
        both = np.ix_(order, order)
        parts = np.array([one[both] for one in parts])
        law = LevelLaw(x[order], parts, known[both], question, y[order])
        if law.is_too_large:
            return None
        if means is None:
            return lambda y: law.judge(np.asarray(y)[..., order])
        taking = means[order].T
        return lambda y: law.judge(np.asarray(y) @ taking)

    def weights(self, question: Question) -> Array:
        """Least-squares weights (q, n) of contrasts on the runs."""
        inverse = np.linalg.pinv(self.design.x, rcond=1e-10)
        return np.asarray(question.contrasts @ inverse, dtype=np.float64)

    def _by_single_runs(self, question: Question, y: Array) -> StudentJudged:
        """Student's t with the spread of single runs, and the readings' own covariance."""
        rows = self.weights(question)
        run = np.nan_to_num(self.spread.run) ** 2 * np.eye(len(self.frame))
        own = _with_drift(self.response.own(), self.plan, self.drift_lines)
        joint = rows @ (own + run) @ rows.T
        se = np.sqrt(np.diagonal(joint))
        estimate = y @ rows.T
        return StudentJudged(
            estimate=estimate,
            se=np.broadcast_to(se, estimate.shape),
            df=np.full(len(se), self.spread.df or np.inf),
            correlation=joint / np.outer(se, se),
            jointly=question.jointly,
        )

    def _by_kenward_roger(self, question: Question, y: Array) -> StudentJudged:
        """Student's t with the standard errors and degrees of freedom of the fixed-block fit."""
        size, turn = np.linalg.svd(self.design.x, full_matrices=False)[1:]
        basis = turn[size > _TINY * size[0]].T
        parts = CovarianceParts.of(self.design.columns, self.known)
        x = self.design.x @ basis
        fit = fit_batch(y[None], x, parts, criterion=Criterion.REML, free=True).row(0)
        covariance = adjusted_covariance(fit)
        rows = question.contrasts @ basis
        joint = rows @ covariance.adjusted @ rows.T
        plain = np.diagonal(rows @ covariance.plain @ rows.T)
        own = np.diagonal(joint)
        se = np.sqrt(np.where(own > 0, own, plain))  # the adjustment may overshoot
        return StudentJudged(
            estimate=rows @ fit.beta,
            se=se,
            df=single_df(covariance, rows),
            correlation=joint / np.outer(se, se),
            jointly=question.jointly,
        )

    def from_first(self) -> tuple[Covariance, tuple[Array, ...]]:
        """Known covariance and columns of the variances, with drift from the first level on.

        That is how sizes themselves ask: benches start with what they have in hand.
        """
        lines = partial(drift_lines, self.frame, self.plan, from_first=True)
        drifting = drifting_blocks(self.frame, self.plan) or ()
        columns = tuple(
            lines(drifting) if name == "drift" else one
            for one, name in zip(self.design.columns, self.design.part_names, strict=False)
        )
        last = columns_of(self.plan.blocks[-1]) if self.plan.blocks else ()
        return _with_drift(self.response.known, self.plan, lines(last)), columns


def ready(response: Response, design: AnalysisDesign | None = None) -> QuantityAnalysis:
    """The analysis of a response; its design is found where it is not known."""
    plan, frame = response.plan, response.frame
    design = design or trial_design(frame, plan)
    lines = drift_lines(frame, plan, columns_of(plan.blocks[-1]) if plan.blocks else ())
    return QuantityAnalysis(
        response=response,
        design=design,
        quantity=response.quantity,
        plan=plan,
        frame=frame,
        cells=tuple(one for one in design.cells if one not in design.unlinked),
        y=frame["ln_value"].to_numpy(dtype=float),
        drift_lines=lines,
        known=_with_drift(response.known, plan, lines),
    )


def _with_drift(known: Covariance, plan: ComparisonPlan, lines: Array) -> Covariance:
    """A covariance with that of a declared drift along lines of unit slope.

    It is widened so that a normal limit at 95 % is that of Student's t.
    """
    declared = plan.drift
    if declared is None:
        return known
    widened = critical_t(0.05, declared.df) / critical_t(0.05, np.inf)
    variance = float((declared.percent / 100 * widened) ** 2)
    if isinstance(known, SharedErrors):
        return known.plus(variance**0.5 * lines)
    return np.asarray(known + variance * (lines @ lines.T))


@dataclass(frozen=True, kw_only=True, eq=False)
class Analysis:
    """A trial analysed once.

    Parameters
    ----------
    study : Trial
        The study, or the values in hand.
    plan : ComparisonPlan
        Its design.
    level : float
        Confidence level.
    quantities : dict of str to QuantityAnalysis
        By name.
    measured : callable
        Gives the joint propagation of the measurement, where single runs ask for their own.
    """

    study: Trial
    plan: ComparisonPlan
    level: float
    quantities: Mapping[str, QuantityAnalysis]
    measured: Callable[[], Propagation]

    def __getitem__(self, quantity: str) -> QuantityAnalysis:
        return self.quantities[quantity]


def analyse(
    study: Study,
    plan: ComparisonPlan,
    *,
    quantities: Sequence[str] = QUANTITIES,
    level: float = 0.95,
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | None = None,
) -> Analysis:
    """Prepare the one analysis that all answers of a trial are read from.

    Parameters
    ----------
    study : Study
        The trial.
    plan : ComparisonPlan
        Its design, as `plan_comparison` reads it.
    quantities : sequence of str
        Which of D10, D50, D90 and span.
    level : float
        Confidence level.
    sources, propagation
        As in `compare`.

    Returns
    -------
    Analysis

    Raises
    ------
    ModelError
        If a quantity is unknown, or the propagation holds the run-to-run source.
    """
    given = propagation
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
    runs = len(study.runs)
    of_run = 8.0 * _MATRICES * runs if runs <= MOST_WHOLE else _BYTES_OF_RUN
    ensure_room(
        of_run * runs * len(quantities),
        f"the comparison of {runs} runs",
        remedy="compare fewer quantities (--quantity D50), or fewer runs at a time",
    )
    counted = measurement_sources(study, sources) if given is None else given.sources
    law = prepare(study, sources=counted, rule=None if given is None else given.rule)
    at_mean = at_mean_curve(law, plan.factors)
    return analyse_sizes(
        study,
        plan,
        law.value if given is None else given.value,
        {name: at_mean[name][0] for name in quantities},
        balance={name: at_mean[name][1] for name in quantities},
        bounds=np.stack([law.sizes.lower, law.sizes.upper], axis=2)[law.order],
        measured=lambda: given or law.linear(),
        level=level,
    )


def analyse_sizes(
    study: Trial,
    plan: ComparisonPlan,
    value: Array,
    known: Mapping[str, Covariance],
    *,
    measured: Callable[[], Propagation],
    quantities: Sequence[str] = QUANTITIES,
    bounds: Array | None = None,
    balance: Mapping[str, Covariance] | None = None,
    level: float = 0.95,
) -> Analysis:
    """The same of sizes whose known covariance is given, and the balance's part of it.

    Shapes: value (R, Q), a column a quantity, known, balance (R, R), bounds (R, Q, 2).
    """
    runs = plan.with_where(study.runs_frame())

    def own(name: str) -> Array:
        return np.asarray(measured().covariance(name, log=True), dtype=np.float64)

    def one(name: str, joint: Covariance) -> QuantityAnalysis:
        place, is_large = quantities.index(name), len(runs) > MOST_WHOLE
        if is_large and not isinstance(joint, SharedErrors):
            joint = SharedErrors.told_apart(joint)
        response = build_response(
            runs,
            value[:, place],
            plan.of(name),
            name,
            joint,
            bounds=None if bounds is None else bounds[:, place],
            balance=None if balance is None else balance[name],
            own=partial(own, name),
            level=level,
        )
        # further factors that have one level left among the runs used are none
        also = tuple(name for name in plan.also if len(response.frame[name].unique()) > 1)
        left = replace(response.plan, also=also)
        design = trial_design(response.frame, left)
        within = dict.fromkeys((*also, *(name for b in left.blocks for name in columns_of(b))))
        apart = ComparisonRemark.NOT_LINKED(columns=tuple(within))
        obstacles = {**response.obstacles, **dict.fromkeys(design.unlinked, apart)}
        return ready(replace(response, plan=left, obstacles=obstacles), design)

    return Analysis(
        study=study,
        plan=plan,
        level=level,
        quantities={name: one(name, joint) for name, joint in known.items()},
        measured=measured,
    )
