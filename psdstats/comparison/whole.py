"""Whether the whole distribution changed, and in which size classes.

Classes are brought to common limits (merged, never interpolated), empty classes are replaced by a
stated small fraction, and the log-ratio coordinates are compared by exchange of runs within groups.
The test is repeated with the replacement halved and doubled, because log-ratios of nearly empty
classes depend on it.  Where stacks share too few apertures, each stack keeps its own classes and
its own changes; one test judges them together.

Fitted distributions of every run of a study, weighted by the study's own uncertainty sources.

The covariance of the undersize fractions of one run comes from the same elementary inputs as the
uncertainty of its percentiles: errors of the readings move mass between classes (fractions stay a
whole), aperture errors move points along ln x.  Sources that act on percentiles directly
(interpolation, run to run) have no part in a fit.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import GROUP, RUN, TIME
from psdstats.comparison.classes import (
    CommonClasses,
    DistributionRemark,
    Level,
    MovedClasses,
    PermutationManova,
    common_classes,
    log_ratio_coordinates,
    moved_classes,
    permutation_manova,
    replace_zeros,
    stack_families,
)
from psdstats.distribution.fits import DistributionFit, Family, fit_distribution
from psdstats.errors import ModelError, SizeError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark, Verdict
from psdstats.frozen import Array
from psdstats.limits import LEVEL, PERMUTATIONS, SEED
from psdstats.models.design_columns import column as column_without_gaps
from psdstats.models.design_columns import need_columns
from psdstats.present import Shown
from psdstats.study.records import Study, in_order
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.linear import undersize_law

# share of the detection limit put in place of an empty class: 0.65 in J. A. Martín-Fernández,
# C. Barceló-Vidal and V. Pawlowsky-Glahn, Mathematical Geology 35 (2003) 253-278 (from memory)
ZERO_SHARE = 0.65

_SCALES = (0.5, 1.0, 2.0)


class Pairs(StrEnum):
    """Which levels are compared: each with the first, or each with the one before."""

    FIRST = "first"
    SUCCESSIVE = "successive"

    def of(self, levels: list[Level]) -> Iterator[tuple[Level, Level]]:
        """Pairs (low, high) of the sorted levels."""
        if self is Pairs.SUCCESSIVE:
            return iter(itertools.pairwise(levels))
        return ((levels[0], level) for level in levels[1:])


@dataclass(frozen=True, kw_only=True)
class StackPart:
    """Runs that share their classes.

    Parameters
    ----------
    name : str
        Groups that used these stacks.
    classes : CommonClasses
        Common classes and masses.
    moved : tuple of MovedClasses
        Changes of classes, one record a pair of levels.
    untold : tuple of Remark
        Pairs of levels that could not be judged, and why.
    """

    name: str
    classes: CommonClasses
    moved: tuple[MovedClasses, ...]
    untold: tuple[Remark, ...]


@dataclass(frozen=True, kw_only=True, repr=False)
class WholeComparison(Shown):
    """Comparison of whole distributions between the levels of a factor.

    Parameters
    ----------
    by : str
        Factor compared.
    finding : Finding
        Whether the distribution changes with it; the estimate is the share of the variation within
        groups that goes with it, and p that of the test.
    test : PermutationManova or None
        The test with the stated replacement of empty classes; None where the design has nothing to
        test.
    sensitivity : DataFrame
        delta_factor (0.5, 1, 2), empty_classes, pseudo_f, r_squared, p; no row without a test.
    parts : tuple of StackPart
        One for each family of stacks with common classes.
    level : float
        Confidence level.
    notes : tuple of Remark
        What was merged, replaced or left out.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.compare_distributions(study, permutations=99)
    >>> found.finding.verdict, [part.name for part in found.parts]
    (<Verdict.CHANGED: 'changed'>, ['Alder, Birch, Cedar', 'Rowan'])
    """

    by: str
    finding: Finding
    test: PermutationManova | None
    sensitivity: pd.DataFrame
    parts: tuple[StackPart, ...]
    level: float
    notes: tuple[Remark, ...]

    def to_frame(self) -> pd.DataFrame:
        """All class changes in one tidy frame, with the stack's groups.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("four_benches"))
        >>> found = psdstats.comparison.compare_distributions(study, permutations=99)
        >>> found.to_frame()[["class", "pair", "change_percent", "moved"]].head(2).round(1)
                 class        pair  change_percent  moved
        0      < 45 µm  0 to 6 min             0.9   True
        1  45 to 63 µm  0 to 6 min             0.9   True
        """
        frames = [
            one.to_frame().assign(stack=part.name) for part in self.parts for one in part.moved
        ]
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def compare_distributions(
    study: Study,
    *,
    by: str = TIME,
    within: str | None = GROUP,
    against: Pairs | str = Pairs.FIRST,
    level: float = 0.95,
    permutations: int = 9_999,
    seed: int = 0,
) -> WholeComparison:
    """Compare whole distributions between the levels of a factor.

    Parameters
    ----------
    study : Study
        The weighings.
    by : str, default="milling_time_min"
        Column of the run table whose levels are compared.
    within : str or None, default="group"
        Column of the groups within which runs may be exchanged; None for none.
    against : {"first", "successive"}, default="first"
        Pairs of levels for the classes: each against the first, or each against the one before.
    level : float, default=0.95
        Confidence level; family-wise over the classes of one pair.
    permutations, seed : int
        Random rearrangements where there are too many to enumerate, and their seed.

    Returns
    -------
    WholeComparison
        Finding, test, sensitivity, classes that moved.

    Raises
    ------
    ModelError
        If a column is missing or has gaps, or a run has no mass.  A design with nothing to test
        is a result.

    Notes
    -----
    An empty class is given 0.65 of the balance resolution over the sample's total.  With several
    families of stacks the coordinates of each family stand in columns of their own (zero for the
    others) and the factor is taken within family, so that the exchange of runs stays exact.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.compare_distributions(study, permutations=99)
    >>> found.test.smallest_p
    0.01
    """
    LEVEL.require("level", level, ModelError)
    PERMUTATIONS.require("permutations", permutations, ModelError)
    SEED.require("seed", seed, ModelError)
    study, levels, lost = _levels(in_order(study), by, within)
    families = stack_families(study)
    classes = [common_classes(family) for family in families]
    deltas = [  # fraction put in place of an empty class of each run
        np.array(
            [ZERO_SHARE * study.balances[run.balance].resolution_g / run.total_g for run in family]
        )
        for family in families
    ]
    tests, refused = dict[float, PermutationManova](), ""
    try:
        tests = _tests(classes, deltas, levels, permutations, seed)
    except ModelError as error:
        refused = str(error)
    judged = partial(moved_classes, level=level, permutations=permutations, seed=seed)
    unit = "min" if by.endswith("_min") else ""
    parts = tuple(_part(one, levels, Pairs(against), unit, judged) for one in classes)
    empty = sum(int(np.count_nonzero(one.mass_g <= 0)) for one in classes)
    columns = ("pseudo_f", "r_squared", "p")
    sensitivity = {name: [getattr(one, name) for one in tests.values()] for name in columns}
    notes = [*lost]
    if len(parts) > 1:
        notes.append(DistributionRemark.STACKS_APART(stacks=tuple(part.name for part in parts)))
    notes += [one for part in parts for one in (*part.classes.remarks, *part.untold)]
    if empty:
        delta = np.concatenate(deltas)
        ends = {"lowest": float(delta.min()), "highest": float(delta.max())}
        notes.append(DistributionRemark.EMPTY_CLASSES(count=empty, **ends))
    return WholeComparison(
        by=by,
        finding=_finding(by, tests, refused, level),
        test=tests.get(1.0),
        sensitivity=pd.DataFrame({"delta_factor": [*tests], "empty_classes": empty} | sensitivity),
        parts=parts,
        level=level,
        notes=tuple(notes),
    )


def _levels(
    study: Study, by: str, within: str | None
) -> tuple[Study, pd.DataFrame, tuple[Remark, ...]]:
    """Runs with a value of the factor: level, stratum and group of each; a remark on the others."""
    table = study.runs_frame().set_index(RUN)
    need_columns(table, [by] if within is None else [by, within], table="run table")
    strata = "" if within is None else column_without_gaps(table, within).astype(str)
    levels = pd.DataFrame(
        {"level": table[by], "stratum": strata, "group": table[GROUP].astype(str)}
    )
    lost = tuple(levels.index[levels["level"].isna()])
    if not lost:
        return study, levels, ()
    kept = tuple(run for run in study.runs if run.name not in lost)
    remark = DistributionRemark.WITHOUT_LEVEL(runs=lost, column=by)
    return replace(study, runs=kept), levels.drop(index=list(lost)), (remark,)


def _tests(
    classes: Sequence[CommonClasses],
    deltas: Sequence[Array],
    levels: pd.DataFrame,
    permutations: int,
    seed: int,
) -> dict[float, PermutationManova]:
    """The test for each scale of the replacement of empty classes, one block a family of stacks."""
    from scipy.linalg import block_diag

    mine = levels.loc[[run for one in classes for run in one.runs]]
    family = np.repeat(range(len(classes)), [len(one.runs) for one in classes])
    strata = [f"{f}|{stratum}" for f, stratum in zip(family, mine["stratum"], strict=True)]
    factor = [f"{f}|{value}" for f, value in zip(family, mine["level"], strict=True)]
    tests = {}
    for scale in _SCALES:
        blocks = [
            log_ratio_coordinates(replace_zeros(one.fractions, scale * delta))
            for one, delta in zip(classes, deltas, strict=True)
        ]
        tests[scale] = permutation_manova(
            block_diag(*blocks), factor, strata=strata, permutations=permutations, seed=seed
        )
    return tests


def _part(
    classes: CommonClasses,
    levels: pd.DataFrame,
    pairs: Pairs,
    unit: str,
    judged: Callable[..., MovedClasses],
) -> StackPart:
    """Changes of classes of one family of stacks, for each pair of levels."""
    found, untold, own = [], [], levels.loc[list(classes.runs)]
    for low, high in pairs.of(sorted(set(own["level"]))):
        try:
            found.append(
                judged(
                    classes.fractions,
                    own["level"].to_numpy(),
                    low=low,
                    high=high,
                    limits_um=classes.limits_um,
                    strata=own["stratum"],
                    unit=unit,
                )
            )
        except ModelError as error:
            refused = DistributionRemark.PAIR_REFUSED
            untold.append(refused(low=low, high=high, unit=unit, error=str(error)))
    name = ", ".join(dict.fromkeys(own["group"]))
    return StackPart(name=name, classes=classes, moved=tuple(found), untold=tuple(untold))


def _finding(
    by: str, tests: Mapping[float, PermutationManova], refused: str, level: float
) -> Finding:
    """Changed or not shown where every replacement of empty classes says so."""
    subject = Contrast(high=by)
    if refused:
        return Finding(
            kind=FindingKind.DISTRIBUTION,
            subject=subject,
            verdict=Verdict.CANNOT_BE_TOLD,
            reasons=(DistributionRemark.NOT_TESTED(error=refused),),
            level=level,
        )
    alpha, test, p = 1 - level, tests[1.0], [one.p for one in tests.values()]
    reasons: tuple[Remark, ...] = ()
    if test.smallest_p > alpha:
        reasons = (DistributionRemark.TOO_FEW_REARRANGEMENTS(smallest_p=test.smallest_p),)
    elif min(p) <= alpha < max(p):
        reasons = (DistributionRemark.EMPTY_CLASSES_DECIDE(lowest=min(p), highest=max(p)),)
    shown = Verdict.CHANGED if max(p) <= alpha else Verdict.NOT_SHOWN
    return Finding(
        kind=FindingKind.DISTRIBUTION,
        subject=subject,
        verdict=Verdict.CANNOT_BE_TOLD if reasons else shown,
        reasons=reasons,
        numbers=Numbers(estimate=test.r_squared, p=test.p),
        level=level,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class CurvePoints:
    """Undersize of one run with the covariance of its points.

    Parameters
    ----------
    run : str
        Name of the run.
    aperture_um, undersize : ndarray, shape (n,)
        Points of the curve, finest first.
    covariance : ndarray, shape (n, n)
        Covariance of the undersize from errors of the masses.
    aperture_covariance_um2 : ndarray, shape (n, n)
        Covariance of the apertures.
    """

    run: str
    aperture_um: Array
    undersize: Array
    covariance: Array
    aperture_covariance_um2: Array


@dataclass(frozen=True, kw_only=True, repr=False)
class StudyFits(Shown):
    """Fits of every run and family.

    Parameters
    ----------
    fits : dict of (str, Family) to DistributionFit
        By run and family, in the order of the study.
    refused : dict of (str, Family) to str
        Why a run could not be fitted.
    """

    fits: dict[tuple[str, Family], DistributionFit]
    refused: dict[tuple[str, Family], str]

    def to_frame(self) -> pd.DataFrame:
        """One row a run, family and parameter; refused fits have no value and say why."""
        rows = [_with_run(run, fit.to_frame()) for (run, _), fit in self.fits.items()]
        rows += [
            pd.DataFrame({"run": [run], "family": [str(family)], "status": [reason]})
            for (run, family), reason in self.refused.items()
        ]
        return pd.concat(rows, ignore_index=True)

    def sizes_frame(self) -> pd.DataFrame:
        """One row a run, family and percentile, extrapolated ones marked."""
        rows = [_with_run(run, fit.sizes_frame()) for (run, _), fit in self.fits.items()]
        none = pd.DataFrame(columns=["run", "family", "level", "size_um", "extrapolated"])
        return pd.concat(rows, ignore_index=True) if rows else none

    def misfit_frame(self, points: Iterable[CurvePoints], runs: pd.DataFrame) -> pd.DataFrame:
        """Measured undersize less that of the fitted curve, in percentage points."""
        measured, rows = {one.run: one for one in points}, []
        for (run, family), fit in self.fits.items():
            own = measured[run]
            misfit = 100 * (own.undersize - fit.undersize(own.aperture_um))
            columns = {"aperture_um": own.aperture_um, "misfit_percent": misfit}
            rows.append(pd.DataFrame({"run": run, "family": str(family), **columns}))
        return pd.concat(rows, ignore_index=True).merge(runs[["run", TIME]], on="run")

    def families_frame(self) -> pd.DataFrame:
        """One row a family: runs fitted, runs described within their uncertainty, total χ², df."""
        rows = []
        for family in dict.fromkeys(family for _, family in [*self.fits, *self.refused]):
            mine = [fit for (_, one), fit in self.fits.items() if one == family]
            rows.append(
                {
                    "family": str(family),
                    "fitted": len(mine),
                    "refused": sum(one == family for _, one in self.refused),
                    "described": sum(fit.describes is True for fit in mine),
                    "chi_squared": sum(fit.chi_squared for fit in mine),
                    "df": sum(fit.df for fit in mine),
                }
            )
        return pd.DataFrame(rows)


def _with_run(run: str, table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(run=run)[["run", *table.columns]]


def curve_points(
    study: Study, *, sources: Iterable[str | Source] | None = None
) -> list[CurvePoints]:
    """Undersize points of every run with their covariance."""
    law = prepare(study, sources=sources, rule="semilog")  # any rule: a fit needs no sizes
    arrays = law.arrays
    undersize, of_mass, of_aperture = undersize_law(law.table)
    found = []
    for row in law.order.tolist():
        real = np.flatnonzero(arrays.real[row, 1:])
        rows = undersize.shape[1] * row + real
        found.append(
            CurvePoints(
                run=arrays.runs[row],
                aperture_um=arrays.aperture_um[row, real],
                undersize=undersize[row, real],
                covariance=of_mass.rows(rows).covariance,
                aperture_covariance_um2=of_aperture.rows(rows).covariance,
            )
        )
    return found


def fit_study(
    study: Study,
    *,
    families: Sequence[Family | str] = tuple(Family),
    sources: Iterable[str | Source] | None = None,
    levels: Sequence[float] = (0.1, 0.5, 0.9),
    coverage: float = 0.95,
    misfit: bool = True,
) -> StudyFits:
    """Fit distributions to every run of a study.

    Parameters
    ----------
    study : Study
        The weighings.
    families : sequence of str, default=all three
        Distributions to be fitted.
    sources : iterable of str or Source, optional
        As in `propagate`; by default those the study switches on.
    levels : sequence of float, default=(0.1, 0.5, 0.9)
        Percentiles wanted.
    coverage : float, default=0.95
        Coverage probability of the intervals.
    misfit : bool, default=True
        Allow for a curve that misses the points (`fit_distribution`).

    Returns
    -------
    StudyFits
        Fits, and the reasons where one was refused.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> fits = psdstats.comparison.fit_study(study, families=["log-normal"])
    >>> fits.families_frame()[["family", "fitted", "described"]]
           family  fitted  described
    0  log-normal       5          1
    """
    LEVEL.require("coverage", coverage, ModelError)
    fits: dict[tuple[str, Family], DistributionFit] = {}
    refused: dict[tuple[str, Family], str] = {}
    for points in curve_points(study, sources=sources):
        for family in map(Family, families):
            try:
                fits[points.run, family] = fit_distribution(
                    points.aperture_um,
                    points.undersize,
                    covariance=points.covariance,
                    aperture_covariance_um2=points.aperture_covariance_um2,
                    family=family,
                    levels=levels,
                    coverage=coverage,
                    misfit=misfit,
                )
            except SizeError as error:
                refused[points.run, family] = str(error)
    return StudyFits(fits=fits, refused=refused)
