"""Whether the whole distribution changed, and in which size classes.

Classes are brought to common limits (merged, never interpolated), empty classes are replaced by a
stated small fraction, and the log-ratio coordinates are compared by exchange of runs within groups.
The test is repeated with the replacement halved and doubled, because log-ratios of nearly empty
classes depend on it.  Where stacks share too few apertures, each stack keeps its own classes and
its own changes; one test judges them together.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
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
    common_classes,
    log_ratio_coordinates,
    moved_classes,
    replace_zeros,
    stack_families,
)
from psdstats.comparison.permutation_manova import PermutationManova, permutation_manova
from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark, Verdict
from psdstats.frozen import Array
from psdstats.limits import LEVEL, PERMUTATIONS, SEED
from psdstats.models.design_columns import column as column_without_gaps
from psdstats.models.design_columns import need_columns
from psdstats.present import Shown
from psdstats.study.records import Study, in_order

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
    tests: dict[float, PermutationManova] = {}
    refused = ""
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
