"""Runs that share their classes, and which of those classes moved between levels of a factor.

Whether the whole distribution changed, and in which size classes.

Classes are brought to common limits (merged, never interpolated), empty classes are replaced by a
stated small fraction, and the log-ratio coordinates are compared by exchange of runs within groups.
The test is repeated with the replacement halved and doubled, because log-ratios of nearly empty
classes depend on it.  Where stacks share too few apertures, each stack keeps its own classes and
its own changes; one test judges them together.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import TIME, without_value
from psdstats.comparison.classes import (
    CommonClasses,
    common_classes,
    log_ratio_coordinates,
    replace_zeros,
    stack_families,
)
from psdstats.comparison.moved_classes import MovedClasses, moved_classes, pair_text
from psdstats.comparison.permutation_manova import PermutationManova, permutation_manova
from psdstats.errors import ModelError
from psdstats.models.design_columns import column as column_without_gaps
from psdstats.study.records import Run, Study


class Pairs(StrEnum):
    """Which levels are compared: each with the first, or each with the one before."""

    FIRST = "first"
    SUCCESSIVE = "successive"

    def of(self, levels: list[object]) -> Iterator[tuple[object, object]]:
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
    untold : tuple of str
        Pairs of levels that could not be judged, and why.
    """

    name: str
    classes: CommonClasses
    moved: tuple[MovedClasses, ...]
    untold: tuple[str, ...]


def groups_of(table: pd.DataFrame, within: str | None) -> list[str]:
    """Group of each run as text; one group for all where none is named."""
    return [""] * len(table) if within is None else [str(one) for one in table[within]]


def part_of(
    classes: CommonClasses,
    table: pd.DataFrame,
    *,
    by: str,
    within: str | None,
    pairs: Pairs,
    level: float,
    permutations: int,
    seed: int,
) -> StackPart:
    """Changes of classes of one family of stacks, for each pair of levels."""
    factor = table[by].to_numpy()
    strata = groups_of(table, within)
    unit = "min" if by.endswith("_min") else ""
    found, untold = [], []
    for low, high in pairs.of(sorted(set(factor))):
        try:
            found.append(
                moved_classes(
                    classes.fractions,
                    factor,
                    low=low,
                    high=high,
                    names=classes.names,
                    strata=strata,
                    unit=unit,
                    level=level,
                    permutations=permutations,
                    seed=seed,
                )
            )
        except ModelError as error:
            pair = pair_text(low, high, unit=unit)
            untold.append(f"{pair}: cannot be told which classes moved. {error}")
    name = ", ".join(dict.fromkeys(str(group) for group in table["group"]))
    return StackPart(name=name, classes=classes, moved=tuple(found), untold=tuple(untold))


# share of the detection limit put in place of an empty class: 0.65 in J. A. Martín-Fernández,
# C. Barceló-Vidal and V. Pawlowsky-Glahn, Mathematical Geology 35 (2003) 253-278 (from memory)
ZERO_SHARE = 0.65

_SCALES = (0.5, 1.0, 2.0)


@dataclass(frozen=True, kw_only=True)
class WholeComparison:
    """Comparison of whole distributions between the levels of a factor.

    Parameters
    ----------
    by : str
        Factor compared.
    within : str or None
        Groups within which runs were exchanged.
    test : PermutationManova or None
        The test with the stated replacement of empty classes; None where the design has nothing to
        test.
    reason : str
        Why there is no test; empty where there is one.
    sensitivity : DataFrame
        delta_factor (0.5, 1, 2), empty_classes, pseudo_f, r_squared, p; no row without a test.
    parts : tuple of StackPart
        One for each family of stacks with common classes.
    level : float
        Confidence level.
    notes : tuple of str
        What was merged, replaced or left out.
    """

    by: str
    within: str | None
    test: PermutationManova | None
    reason: str
    sensitivity: pd.DataFrame
    parts: tuple[StackPart, ...]
    level: float
    notes: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Whether the whole distribution changed, in words."""
        alpha = 1 - self.level
        if self.test is None:
            return f"cannot be told whether the distribution changes with {self.by}: {self.reason}"
        p = self.sensitivity["p"].to_numpy()
        told = self.test.sentence
        if self.test.smallest_p > alpha:
            return f"cannot be told whether the distribution changes with {self.by}: {told}"
        if (p <= alpha).all():
            return f"the whole distribution changes with {self.by}: {told}"
        if (p > alpha).all():
            return f"no change of the whole distribution with {self.by} is shown: {told}"
        return (
            f"cannot be told whether the distribution changes with {self.by}: the answer depends "
            f"on what is put in place of empty classes (p from {p.min():.2g} to {p.max():.2g})"
        )

    def sentences(self) -> tuple[str, ...]:
        """Verdict, then which classes moved for each stack and pair of levels."""
        several = len(self.parts) > 1
        return (
            self.verdict,
            *(
                f"{part.name}, {one.sentence}" if several else one.sentence
                for part in self.parts
                for one in part.moved
            ),
        )

    def moved_frame(self) -> pd.DataFrame:
        """All class changes in one tidy frame, with the stack's groups."""
        frames = [
            one.to_frame().assign(stack=part.name) for part in self.parts for one in part.moved
        ]
        return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def compare_distributions(
    study: Study,
    *,
    by: str = TIME,
    within: str | None = "group",
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
        Test, sensitivity, classes that moved, verdict.

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
    """
    table = study.runs_frame().set_index("run")
    for column in (by, *((within,) if within else ())):
        if column not in table.columns:
            raise ModelError(
                f"There is no column {column!r} in the run table (it has {list(table.columns)})."
            )
    if within:
        column_without_gaps(table, within)
    study, table, lost = _with_level(study, table, by)
    families = stack_families(study)
    classes = [common_classes(family) for family in families]
    deltas = [_replacement(study, family) for family in families]
    tests, reason = _tests(classes, deltas, table, by, within, permutations, seed)
    parts = tuple(
        part_of(
            one,
            table.loc[list(one.runs)],
            by=by,
            within=within,
            pairs=Pairs(against),
            level=level,
            permutations=permutations,
            seed=seed,
        )
        for one in classes
    )
    empty = sum(int(np.count_nonzero(one.mass_g <= 0)) for one in classes)
    return WholeComparison(
        by=by,
        within=within,
        test=tests.get(1.0),
        reason=reason,
        sensitivity=_sensitivity(tests, empty),
        parts=parts,
        level=level,
        notes=(*lost, *_notes(parts, empty, np.concatenate(deltas))),
    )


def _with_level(
    study: Study, table: pd.DataFrame, by: str
) -> tuple[Study, pd.DataFrame, tuple[str, ...]]:
    """The runs that have a value of the factor, and a note on those that have none."""
    lost = table.index[table[by].isna()].tolist()
    if not lost:
        return study, table, ()
    kept = tuple(run for run in study.runs if run.name not in lost)
    return replace(study, runs=kept), table.drop(index=lost), (without_value(lost, by),)


def _tests(
    classes: Sequence[CommonClasses],
    deltas: Sequence[NDArray[np.float64]],
    table: pd.DataFrame,
    by: str,
    within: str | None,
    permutations: int,
    seed: int,
) -> tuple[dict[float, PermutationManova], str]:
    """The test for each scale of the replacement of empty classes, or why there is none."""
    mine = table.loc[[run for one in classes for run in one.runs]]
    family = np.repeat(range(len(classes)), [len(one.runs) for one in classes])
    strata = [f"{f}|{group}" for f, group in zip(family, groups_of(mine, within), strict=True)]
    factor = [f"{f}|{value}" for f, value in zip(family, mine[by], strict=True)]
    tests = {}
    for scale in _SCALES:
        try:
            tests[scale] = permutation_manova(
                _joint_coordinates(classes, deltas, scale),
                factor,
                strata=strata,
                permutations=permutations,
                seed=seed,
            )
        except ModelError as error:
            return {}, str(error)
    return tests, ""


def _replacement(study: Study, runs: Sequence[Run]) -> NDArray[np.float64]:
    """Fraction put in place of an empty class, shape (n_runs,)."""
    resolution = [study.balances[run.balance].resolution_g for run in runs]
    total = [run.total_g for run in runs]
    return np.asarray(ZERO_SHARE * np.array(resolution) / np.array(total), dtype=np.float64)


def _joint_coordinates(
    classes: Sequence[CommonClasses], deltas: Sequence[NDArray[np.float64]], scale: float
) -> NDArray[np.float64]:
    """Coordinates of all runs, one block of columns for each family of stacks."""
    from scipy.linalg import block_diag

    blocks = [
        log_ratio_coordinates(replace_zeros(one.fractions, scale * delta))
        for one, delta in zip(classes, deltas, strict=True)
    ]
    return np.asarray(block_diag(*blocks), dtype=np.float64)


def _sensitivity(tests: dict[float, PermutationManova], empty: int) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "delta_factor": scale,
                "empty_classes": empty,
                "pseudo_f": test.pseudo_f,
                "r_squared": test.r_squared,
                "p": test.p,
            }
            for scale, test in tests.items()
        ],
        columns=["delta_factor", "empty_classes", "pseudo_f", "r_squared", "p"],
    )


def _notes(parts: Sequence[StackPart], empty: int, delta: NDArray[np.float64]) -> tuple[str, ...]:
    notes = []
    if len(parts) > 1:
        stacks = "; ".join(part.name for part in parts)
        notes.append(
            f"The stacks share too few apertures for common classes ({stacks}), so each keeps its "
            "own; one test judges them together."
        )
    for part in parts:
        notes += [*part.classes.notes, *part.untold]
    if empty:
        ends = dict.fromkeys(f"{100 * one:.2g}" for one in (delta.min(), delta.max()))
        notes.append(
            f"{empty} empty class{'es were' if empty > 1 else ' was'} given {ZERO_SHARE:g} of the "
            f"balance resolution ({' to '.join(ends)} % of the sample); the test is repeated with "
            "half and twice that."
        )
    return tuple(notes)
