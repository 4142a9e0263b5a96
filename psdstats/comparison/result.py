"""What enters a comparison, and what it found: findings, tests, means and remarks, as records.

Effects are differences of ln size until the last table, where they are ratios.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import RUN
from psdstats.comparison.plan import ComparisonPlan
from psdstats.findings import ContrastKind, Finding, Numbers, Remark, RemarkKind
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastMatrix, contrast_matrix, ratio_columns, within_each
from psdstats.models.design_columns import level_text
from psdstats.models.diagnostics import Influence
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.verdicts import VerdictRemark
from psdstats.present import present
from psdstats.student import critical_t
from psdstats.uncertainty.propagation import in_open_cell

_MOST_SET_ASIDE = 0.5  # of the runs of a level (own rule, no source)


class Route(StrEnum):
    """What the comparison of one quantity rests on."""

    MIXED_MODEL = "mixed model"
    EACH_CONTRAST = "each contrast"
    MEASUREMENT_ONLY = "measurement only"
    NONE = "none"


class ComparisonRemark(RemarkKind):
    """What a comparison rests on, what was set aside, and why something cannot be judged."""

    BY_MODEL = "by the model"
    BY_MEASUREMENT = "by the measurement"  # declared_percent
    BY_OWN_SPREAD = "by their own spread"  # paired
    NOT_FITTED = "nothing fitted"  # reason
    NOT_BRACKETED = "level not bracketed"  # quantity, column, level, count, runs
    FEW_LEVELS = "few levels bracketed"  # quantity, column
    ONE_GROUP = "one group bracketed"  # quantity, columns
    TOO_FEW_RUNS = "too few runs"  # runs, means
    REFUSED = "refused by the model"  # why
    NO_RUN_LEFT = "no run left"
    FEW_UNITS = "few units left"  # paired
    SET_ASIDE = "runs set aside"  # runs
    ONE_LEVEL_LEFT = "one level left"  # column, level
    DRIFT_ALLOWED = "drift allowed"
    MISFIT = "spread does not fit"  # p, column, first, last, first_percent, last_percent


def families_for(levels: Sequence[object]) -> tuple[ContrastKind, ...]:
    """Families that make sense: ordered numbers also step by step, names only pair by pair."""
    numbers = all(isinstance(level, (int, float, np.number)) for level in levels)
    if numbers and len(levels) > 2:
        return (ContrastKind.AGAINST_FIRST, ContrastKind.SUCCESSIVE, ContrastKind.ALL_PAIRS)
    return (ContrastKind.ALL_PAIRS,)


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """One quantity of all runs that can enter the comparison, and what is asked of it.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    plan : ComparisonPlan
        What is compared with what.
    level : float
        Confidence level of a family.
    frame : DataFrame
        The run table of the runs used, with the column ``ln_value``.
    known : ndarray, shape (n, n)
        Covariance of ``ln_value`` from the measurement, with the sensitivities of the mean curve of
        runs alike.
    own : callable
        Gives the same with the sensitivities of each run's own curve; it may have to be drawn.
    set_aside : tuple of str
        Runs left out because their cell holds an open percentile.
    levels, at_levels : tuple of str
        All levels of the factor and of ``at_each``, in order.
    lost_column : str
        The column whose levels are lost where too many runs are open: the factor or ``at_each``.
    obstacles : mapping of str to Remark
        For each lost level of that column why it cannot be judged.
    """

    quantity: str
    plan: ComparisonPlan
    level: float
    frame: pd.DataFrame
    known: Array
    own: Callable[[], Array]
    set_aside: tuple[str, ...]
    levels: tuple[str, ...]
    at_levels: tuple[str, ...]
    lost_column: str
    obstacles: Mapping[str, Remark]

    def asked(self, family: ContrastKind, *, left: bool = False) -> ContrastMatrix:
        """The contrasts of one family over all levels, or over those that are left."""
        levels = _levels(self.frame, self.plan.by) if left else self.levels
        matrix = contrast_matrix(levels, family)
        return matrix if self.plan.at_each is None else within_each(matrix, self.at_levels)


def _levels(runs: pd.DataFrame, column: str | None) -> tuple[str, ...]:
    return () if column is None else tuple(map(level_text, sorted(runs[column].unique())))


def build_response(
    runs: pd.DataFrame,
    value: Array,
    plan: ComparisonPlan,
    quantity: str,
    known: Array,
    *,
    own: Callable[[], Array],
    level: float = 0.95,
) -> Response:
    """Take what can enter of one quantity, cell by cell.

    Shapes: value (R,), known, gives of own (R, R).
    """
    is_open = ~np.isfinite(value)
    first = [one for one in plan.within[:1] if isinstance(one, str)]
    aside = in_open_cell(runs, is_open, [*first, *plan.factors])
    placed = plan.placed(runs)
    column, lost = _lost_levels(runs[placed], aside[placed], plan)
    kept = placed & ~aside & ~runs[column].isin(lost).to_numpy()
    both = np.ix_(kept, kept)
    obstacles = {}
    for one in lost:
        here = is_open[(runs[column] == one).to_numpy()]
        obstacles[level_text(one)] = ComparisonRemark.NOT_BRACKETED(
            quantity=quantity,
            column=column,
            level=level_text(one),
            count=int(here.sum()),
            runs=len(here),
        )
    return Response(
        quantity=quantity,
        plan=plan,
        level=level,
        frame=runs.loc[kept].assign(ln_value=np.log(value[kept])).reset_index(drop=True),
        known=known[both],
        own=lambda: own()[both],
        set_aside=tuple(runs[RUN][placed & ~kept]),
        levels=_levels(runs[placed], plan.by),
        at_levels=_levels(runs[placed], plan.at_each),
        lost_column=column,
        obstacles=obstacles,
    )


def _lost_levels(
    runs: pd.DataFrame, aside: NDArray[np.bool_], plan: ComparisonPlan
) -> tuple[str, list[object]]:
    """Levels that lose more than half of their runs, and the column they belong to.

    With ``at_each`` a combination may be lost: then its level of the factor goes, or its level of
    ``at_each``, whichever leaves more runs.
    """
    columns = [plan.by] + ([] if plan.at_each is None else [plan.at_each])
    set_aside = pd.Series(aside, index=runs.index)
    share = set_aside.groupby([runs[name] for name in columns], observed=True).mean()
    lost = share[share > _MOST_SET_ASIDE].index
    choices = {name: list(dict.fromkeys(lost.get_level_values(name))) for name in columns}
    best = min(columns, key=lambda name: np.count_nonzero(runs[name].isin(choices[name])))
    return best, choices[best]


@dataclass(frozen=True, kw_only=True)
class OverallTest:
    """Test that the factor changes nothing at all.

    Parameters
    ----------
    term : tuple of str
        The factor, or two factors for their interaction.
    f : float
        F; chi-square over its degrees of freedom where ``df_den`` is infinite.
    df_num, df_den : float
        Degrees of freedom; ``df_den`` is infinite by the measurement alone.
    p : float
        Upper tail.
    """

    term: tuple[str, ...]
    f: float
    df_num: float
    df_den: float
    p: float


@dataclass(frozen=True, kw_only=True, eq=False)
class QuantityComparison:
    """One quantity compared.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    route : Route
        What it rests on.
    basis : Remark
        The same with its data; what was fitted is in ``fit``.
    tests : tuple of OverallTest
        Of the factor, and of its interaction where one was fitted.
    findings : tuple of Finding
        One a contrast, family by family.
    means : DataFrame
        One row a level of the factor (within each level of ``at_each``): columns of the factors,
        then value, lower, upper: size in µm (span without unit) with its own interval.
    fit : MixedModelFit or None
        The fitted model; None for the other routes.
    remarks : tuple of Remark
        Runs set aside, variances at zero, and what else a reader must know.
    influence : Influence or None
        What single groups do, where the answer hangs on one of them or on their number.
    """

    quantity: str
    route: Route
    basis: Remark
    tests: tuple[OverallTest, ...]
    findings: tuple[Finding, ...]
    means: pd.DataFrame
    fit: MixedModelFit | None = None
    remarks: tuple[Remark, ...] = ()
    influence: Influence | None = None

    @property
    def effects(self) -> pd.DataFrame:
        """One row a contrast, ready to be read.

        Columns: family, contrast, high, low, where, ratio with simultaneous and single limits,
        change in per cent, df, p, p_adjusted, detectable_decrease_percent, equivalence_p, verdict;
        undone_by_run_to_run_percent where run-to-run variation was neither estimated nor declared.
        """
        return _effects(self.findings)

    def family(self, name: str) -> pd.DataFrame:
        """The effects of one family, one row a contrast.

        Parameters
        ----------
        name : str
            "against first", "successive" or "all pairs"; a family not asked for has no rows.

        Returns
        -------
        DataFrame
            Columns of ``effects``.
        """
        return _effects([one for one in self.findings if one.subject.family == name])


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """A factor compared over all quantities asked for.

    The contrasts lead: they say which levels differ and by how much, and each family holds its
    level by itself.  The test of all levels at once stands beside them; the summary says in one
    sentence why both are right where they part.

    Parameters
    ----------
    plan : ComparisonPlan
        What was compared with what.
    level : float
        Confidence level of the intervals; family-wise over the contrasts of a family.
    across_quantities : bool
        Whether the level also holds over the quantities together (Bonferroni).
    results : tuple of QuantityComparison
        One a quantity.
    """

    plan: ComparisonPlan
    level: float
    across_quantities: bool
    results: tuple[QuantityComparison, ...]

    def __getitem__(self, quantity: str) -> QuantityComparison:
        for result in self.results:
            if result.quantity == quantity:
                return result
        known = ", ".join(result.quantity for result in self.results)
        raise KeyError(f"{quantity!r} was not compared; choose one of {known}.")

    @property
    def families(self) -> tuple[str, ...]:
        """Names of the families of contrasts, in their order."""
        found = (one.subject.family.value for result in self.results for one in result.findings)
        return tuple(dict.fromkeys(found))

    def to_frame(self, family: str | None = None) -> pd.DataFrame:
        """All effects of all quantities, one row a contrast.

        Parameters
        ----------
        family : str, optional
            Keep one family only: "against first", "successive" or "all pairs".
        """
        frames = [
            result.effects.assign(quantity=result.quantity, route=result.route.value)
            for result in self.results
        ]
        whole = pd.concat(frames, ignore_index=True)
        front = ["quantity", "family", "contrast"]
        whole = whole[front + [name for name in whole.columns if name not in front]]
        return whole if family is None else whole[whole["family"] == family].reset_index(drop=True)

    def means_frame(self) -> pd.DataFrame:
        """Sizes at each level, every quantity: quantity, factor columns, value, lower, upper."""
        frames = [result.means.assign(quantity=result.quantity) for result in self.results]
        whole = pd.concat(frames, ignore_index=True)
        return whole[["quantity", *(name for name in whole.columns if name != "quantity")]]

    def tests_frame(self) -> pd.DataFrame:
        """One row a test: quantity, term, f, df_num, df_den, p, route."""
        rows = [
            (
                one.quantity,
                " and ".join(test.term),
                test.f,
                test.df_num,
                test.df_den,
                test.p,
                one.route.value,
            )
            for one in self.results
            for test in one.tests
        ]
        columns = ["quantity", "term", "f", "df_num", "df_den", "p", "route"]
        return pd.DataFrame(rows, columns=columns)

    def variance_frame(self) -> pd.DataFrame:
        """One row a variance component of each fitted model, as a relative SD in per cent.

        The SD is missing where the estimate of the variance is below zero.
        """
        rows = [
            (
                result.quantity,
                str(name),
                float(value),
                100.0 * float(value) ** 0.5 if value >= 0.0 else float("nan"),
            )
            for result in self.results
            if result.fit is not None
            for name, value in result.fit.variance_components.items()
        ]
        return pd.DataFrame(rows, columns=["quantity", "component", "variance", "sd_percent"])

    def summary(self) -> str:
        """The answer in plain words, one sentence a line, then the notes."""
        return str(present("summary", self))


def _effects(findings: Sequence[Finding]) -> pd.DataFrame:
    """Findings as the last table: ratios and per cent."""
    names = [field.name for field in fields(Numbers)]
    rows = [[getattr(one.numbers, name) for name in names] for one in findings]
    table = pd.DataFrame(rows, columns=names, dtype=float)
    number = {name: table[name].to_numpy() for name in names}
    half = critical_t(1.0 - np.array([one.level for one in findings]), number["df"]) * number["u"]
    subjects = [one.subject for one in findings]
    frame = pd.DataFrame(
        {
            "family": [one.family.value for one in subjects],
            "contrast": [one.label for one in subjects],
            **{name: [getattr(one, name) for one in subjects] for name in ("high", "low", "where")},
            **ratio_columns(
                **{name: number[name] for name in names[:3]},
                lower_single=number["estimate"] - half,
                upper_single=number["estimate"] + half,
            ),
            **{name: number[name] for name in names[4:]},
            "verdict": [one.verdict.value for one in findings],
        }
    )
    undone = [_undone_percent(one) for one in findings]
    if None in undone:
        return frame
    return frame.assign(undone_by_run_to_run_percent=np.array(undone, dtype=float))


def _undone_percent(finding: Finding) -> float | None:
    """Run-to-run SD that would undo it; None where run-to-run variation is in its numbers."""
    kinds = (VerdictRemark.UNDONE, VerdictRemark.RUN_TO_RUN_UNKNOWN)
    found = (one["percent"] for one in finding.reasons if one.kind in kinds)
    return next((percent for percent in found if isinstance(percent, float)), None)
