"""Do the groups agree: at each condition, in how they change, and on average.

Arrays in, numbers out; sizes are ln D, so that differences are ratios.  A group is compared with
the plain mean of the other groups.

- At each condition (a milling time at a level of the further factors): against the scatter of runs
  of the same kind where replicates show it.  Without them the scatter about group and condition
  effects that add up serves, each difference being judged by the scatter that is left when its own
  cell is set aside, so that it cannot hide in what it is judged by.
- In rate: the line of a group over the order of the milling times against those of the others,
  written as change from the first to the last time.  Scatter: that about the lines.
- On average over the conditions: scatter about group and condition effects that add up.

Replicates of a cell may lie closer together than cells do: rate and average are judged by the
scatter of the cells' means, and by replicates only where the cells leave none. What is known (the
measurement, with what groups share) and what is estimated are kept apart (`models.posterior`).
Intervals hold for all groups (and conditions) of a question together, and so does equivalence
within a margin, by the one rule of `models.verdicts`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from psdstats.covariance import Covariance, SharedErrors
from psdstats.findings import Numbers
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.engine import squares_of
from psdstats.models.judged import Family
from psdstats.models.posterior import (
    Mixture,
    VariancePosterior,
    freed,
    left_over,
    mixture,
    stated_posterior,
    variance_posterior,
)
from psdstats.models.verdicts import detectable_percent, equivalence_of

Codes = NDArray[np.intp]
ENOUGH_DF = 3
"""Replicates with as many degrees of freedom serve by themselves (own rule, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BenchRuns:
    """The runs whose groups are compared.

    Parameters
    ----------
    y : ndarray, shape (n,)
        ln size.
    known : ndarray, shape (n, n)
        Its covariance from the measurement.
    group, condition : ndarray of int, shape (n,)
        Codes from 0.
    order : ndarray, shape (conditions,)
        Place of the milling time of each condition among all milling times.
    further : tuple of ndarray, each of shape (n, r)
        Z of each Z Zᵀ that a further variance multiplies (charges sampled several times).
    stated : tuple of (float, float) or None
        Variance between runs and its degrees of freedom where it does not come from these runs.
    """

    y: Array
    known: Covariance
    group: Codes
    condition: Codes
    order: Array
    further: tuple[Array, ...] = ()
    stated: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def groups(self) -> int:
        """Number of groups."""
        return int(self.group.max()) + 1

    @property
    def conditions(self) -> int:
        """Number of conditions."""
        return len(self.order)

    @property
    def steps(self) -> float:
        """Steps of the order from the first to the last milling time."""
        return float(np.ptp(self.order))

    def cells(self) -> Array:
        """Indicators of the combinations of group and condition that hold runs, (n, cells)."""
        return indicators(self.group * self.conditions + self.condition)

    def additive(self) -> Array:
        """Condition and group effects, of full rank, (n, p)."""
        return np.hstack([indicators(self.condition), indicators(self.group)[:, 1:]])

    def lines(self) -> Array:
        """The order of the milling time about its mean, a column a group, (n, groups)."""
        place = self.order - np.mean([self.order.min(), self.order.max()])
        return np.asarray(indicators(self.group) * place[self.condition][:, None])

    def weights(self, group: int, condition: int) -> Array | None:
        """Weights (n,) of one group minus the mean of the others at one condition.

        None where the group or all others have no result there.
        """
        here = self.condition == condition
        own = here & (self.group == group)
        others = [here & (self.group == one) for one in range(self.groups) if one != group]
        others = [mask for mask in others if mask.any()]
        if not own.any() or not others:
            return None
        found = own / own.sum()
        for mask in others:
            found = found - mask / (mask.sum() * len(others))
        return np.asarray(found, dtype=np.float64)

    def parts(self) -> Array:
        """What the variances multiply, the residual last, (k, n, n)."""
        return squares_of(self.further, len(self.y))

    def posterior(self, design: Array) -> VariancePosterior:
        """What the variances may be, from what a design leaves."""
        if isinstance(self.known, SharedErrors):
            return variance_posterior(self.y, design, (), self.known, columns=self.further)
        return variance_posterior(self.y, design, self.parts(), self.known)

    def freed(self) -> BenchRuns:
        """The same, what the measurement gives every run by itself being part of its scatter."""
        return self if self.stated else replace(self, known=freed(self.known))

    def averaged(self, means: Array) -> BenchRuns:
        """The same with the rows averaged by weights (m, n)."""
        known = self.known
        return replace(
            self,
            y=means @ self.y,
            known=known.averaged(means)
            if isinstance(known, SharedErrors)
            else means @ known @ means.T,
            further=tuple(means @ z for z in self.further),
        )


def indicators(codes: Codes) -> Array:
    """A column for each value of the codes, (n, values)."""
    return np.asarray(np.equal.outer(codes, np.unique(codes)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """One group against the others.

    Parameters
    ----------
    group : int
        Its code.
    condition : int or None
        Code of the condition; None for rate and average.
    numbers : Numbers
        Of the difference, with its joint interval.
    undone_by : float or None
        Run-to-run SD that would undo the difference, where no scatter could be estimated.
    """

    group: int
    condition: int | None
    numbers: Numbers
    undone_by: float | None = None


def at_conditions(
    runs: BenchRuns, *, level: float, margin_percent: float | None = None
) -> tuple[Deviation, ...]:
    """Each group at each condition; with two groups one difference a condition."""
    measured, runs = runs, runs.freed()
    subjects, weights = _compared(runs)
    if not subjects:
        return ()
    replicated = _left(runs.cells())
    if runs.stated is not None:
        judged = [_plain(runs, weights, stated_posterior(*runs.stated))]
    elif replicated >= ENOUGH_DF:
        judged = [_plain(runs, weights, runs.posterior(runs.cells()))]
    elif isinstance(runs.known, SharedErrors):  # one cell of very many moves no scatter
        judged = [_plain(runs, weights, runs.posterior(runs.additive()))]
    else:
        judged = [
            one
            for (group, condition), row in zip(subjects, weights, strict=True)
            if (one := _own_cell_aside(runs, group, condition, row)) is not None
        ]
        if len(judged) < len(subjects):
            return _by_measurement(measured, subjects, weights, level, margin_percent)
    return _answers(subjects, judged, level, margin_percent)


def in_rate(
    runs: BenchRuns, *, level: float, margin_percent: float | None = None
) -> tuple[Deviation, ...]:
    """The change of each group from first to last milling time against that of the others.

    Empty with fewer than two times or groups, or where a group has all its runs at one time.
    """
    own = runs.lines()
    held = np.count_nonzero(np.abs(own).sum(axis=0))
    if runs.steps == 0 or runs.groups < 2 or held < runs.groups:
        return ()
    design = np.hstack([runs.additive(), own[:, 1:]])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return ()
    rows = runs.steps * _against_others(runs.groups)[:, 1:]
    return _of_design(runs, design, rows, level, margin_percent)


def on_average(
    runs: BenchRuns, *, level: float, margin_percent: float | None = None
) -> tuple[Deviation, ...]:
    """Each group averaged over the conditions."""
    design = runs.additive()
    if runs.groups < 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return ()
    return _of_design(runs, design, _against_others(runs.groups)[:, 1:], level, margin_percent)


def _against_others(groups: int) -> Array:
    """Each group minus the mean of the others, (groups, groups); one row where there are two."""
    rows = np.eye(groups) - (1 - np.eye(groups)) / (groups - 1)
    return rows[:1] if groups == 2 else rows


def _compared(runs: BenchRuns) -> tuple[list[tuple[int, int]], Array]:
    """Group and condition of every difference there is, and its weights on the runs."""
    subjects, rows = [], []
    for condition in range(runs.conditions):
        for group in range(1 if runs.groups == 2 else runs.groups):
            row = runs.weights(group, condition)
            if row is not None:
                subjects.append((group, condition))
                rows.append(row)
    return subjects, np.array(rows)


def _left(design: Array) -> int:
    return len(design) - int(np.linalg.matrix_rank(design))


def _plain(runs: BenchRuns, rows: Array, posterior: VariancePosterior) -> Mixture:
    """Differences as they stand, with their variance at every point of a posterior."""
    theta = posterior.theta
    if isinstance(runs.known, SharedErrors):
        squares = np.array([one @ one.T for one in (*(rows @ z for z in runs.further), rows)])
        covariance = rows @ runs.known @ rows.T + np.tensordot(theta, squares[-theta.shape[1] :], 1)
    else:
        parts = runs.parts()[-theta.shape[1] :]
        covariance = rows @ (runs.known + np.tensordot(theta, parts, 1)) @ rows.T
    return Mixture(
        weight=posterior.weight,
        centre=np.broadcast_to(rows @ runs.y, (len(theta), len(rows))),
        covariance=covariance,
    )


def _own_cell_aside(runs: BenchRuns, group: int, condition: int, row: Array) -> Mixture | None:
    """One difference, judged by what is left when its cell has a parameter of its own."""
    own = (runs.group == group) & (runs.condition == condition)
    design = np.column_stack([runs.additive(), own])
    if not left_over(design).shape[1]:
        return None
    return _plain(runs, row[None], runs.posterior(design))


def _of_design(
    runs: BenchRuns, design: Array, rows: Array, level: float, margin_percent: float | None
) -> tuple[Deviation, ...]:
    """Contrasts of group coefficients (the last columns), all judged together."""
    wanted = np.hstack([np.zeros((len(rows), design.shape[1] - rows.shape[1])), rows])
    subjects: list[tuple[int, int | None]] = [(group, None) for group in range(len(rows))]
    cells = runs.cells()
    spare = cells.shape[1] - int(np.linalg.matrix_rank(design))
    if runs.stated is not None:
        posterior = stated_posterior(*runs.stated)
    elif not spare and _left(cells):
        posterior = runs.posterior(cells)
    elif spare:
        means = cells.T / cells.sum(axis=0)[:, None]
        runs, design = runs.averaged(means), means @ design
        posterior = runs.posterior(design)
    else:
        weights = wanted @ np.linalg.pinv(design, rcond=1e-10)
        return _by_measurement(runs, subjects, weights, level, margin_percent)
    count = posterior.theta.shape[1]
    columns = runs.further[len(runs.further) + 1 - count :]
    parts = () if isinstance(runs.known, SharedErrors) else squares_of(columns, len(runs.y))
    found = mixture(
        runs.y, design, parts, wanted, posterior=posterior, known=runs.known, columns=columns
    )
    return _answers(subjects, [found], level, margin_percent)


def _answers(
    subjects: list[tuple[int, int | None]] | list[tuple[int, int]],
    judged: list[Mixture],
    level: float,
    margin_percent: float | None,
) -> tuple[Deviation, ...]:
    """Numbers of every difference; one mixture for all, or one each (then shared by Bonferroni)."""
    alpha, count = 1 - level, len(subjects)
    own = Family(members=(0,), signs=(1,))
    if len(judged) == 1:
        (joint,) = judged
        own = Family(members=tuple(range(count)), signs=(1,) * count)
        half, adjusted, times = joint.family_half_width(own, alpha), joint.family_p(own), 1
    else:
        half = np.concatenate([one.half_width(alpha / count) for one in judged])
        adjusted = np.minimum(count * np.concatenate([one.p() for one in judged]), 1.0)
        times = count
    columns = {
        name: np.concatenate([getattr(one, source) for one in judged])
        for name, source in (("estimate", "estimate"), ("u", "se"), ("df", "df"))
    }
    columns |= {
        "lower": columns["estimate"] - half,
        "upper": columns["estimate"] + half,
        "p": np.concatenate([one.p() for one in judged]),
        "p_adjusted": adjusted,
        **detectable_percent(columns["u"], columns["df"], critical=half / columns["u"]),
    }
    if margin_percent is not None:
        tested = [
            equivalence_of(one, own, margin_percent=margin_percent, alpha=alpha / times)
            for one in judged
        ]
        columns |= {name: np.concatenate([one[name] for one in tested]) for name in tested[0]}
        columns["equivalence_p"] = np.minimum(times * columns["equivalence_p"], 1.0)
    return tuple(
        Deviation(
            group=group,
            condition=condition,
            numbers=Numbers(**{name: float(column[place]) for name, column in columns.items()}),
        )
        for place, (group, condition) in enumerate(subjects)
    )


def _by_measurement(
    runs: BenchRuns,
    subjects: list[tuple[int, int | None]] | list[tuple[int, int]],
    weights: Array,
    level: float,
    margin_percent: float | None,
) -> tuple[Deviation, ...]:
    """Differences judged by the measurement alone, and the scatter that would undo each."""
    if not (((weights @ runs.known) * weights).sum(axis=1) > 0).all():
        return ()
    nothing = stated_posterior(0.0, np.inf)
    joint = _plain(runs, weights, nothing)
    found = _answers(subjects, [joint], level, margin_percent)
    return tuple(
        Deviation(
            group=one.group,
            condition=one.condition,
            numbers=one.numbers,
            undone_by=_undoing(one.numbers, float(row @ row)),
        )
        for one, row in zip(found, weights, strict=True)
    )


def _undoing(numbers: Numbers, leverage: float) -> float:
    """Run-to-run SD at which the joint interval would just reach no difference."""
    critical = (numbers.upper - numbers.estimate) / numbers.u
    room = (numbers.estimate / critical) ** 2 - numbers.u**2
    return float(np.sqrt(max(room, 0.0) / leverage))
