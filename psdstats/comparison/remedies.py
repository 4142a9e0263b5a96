"""What more of something would buy: how much shorter the intervals of the headlines would be.

The variance of a headline is that of its least-squares weights on the runs: what the measurement
adds (known), and what runs, cells of group and condition and drift add (the printed standard
deviations).  More runs, or more groups, divide the parts that each run, or group, has by itself;
another sieve, balance or sample changes the part of the measurement by the ratio that the linear
law gives with the sensitivities of each run.  The law of the t ratio is held as it is, although
more runs would also know the spread better, so that what is told is rather too little.  Nothing is
fitted again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import GROUP, QUANTITIES
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.beside import headline_row, headlines
from psdstats.comparison.plan import columns_of
from psdstats.comparison.result import Comparison, Route
from psdstats.comparison.trial_design import same_level
from psdstats.frozen import Array
from psdstats.uncertainty.budget import changed_studies
from psdstats.uncertainty.law import JointLaw, prepare

_SHARED_BY_REPLICATES = "between_sieves"  # what the curve does there is that of the powder


class Remedy(StrEnum):
    """What there could be more of; those of the measurement are named as in the budget."""

    TWICE_RUNS = "twice the runs"
    ONE_MORE_GROUP = "one more group"
    CERTIFIED_SIEVES = "certified sieves"
    FINER_BALANCE = "balance ten times finer"
    TWICE_SAMPLE = "twice the sample"
    TARES_EACH_RUN = "tares weighed each run"


@dataclass(frozen=True, kw_only=True)
class Gain:
    """What one remedy would buy.

    Parameters
    ----------
    quantity : str
        Whose headlines: changes by the end, over all levels of the further factors.
    remedy : Remedy
        What there would be more of.
    u_now_percent, u_then_percent : float
        Standard uncertainty of the headline's ratio (root mean square over the headlines).
    """

    quantity: str
    remedy: Remedy
    u_now_percent: float
    u_then_percent: float

    @property
    def shorter_percent(self) -> float:
        """By how much the interval would shorten."""
        return 100.0 * (1.0 - self.u_then_percent / self.u_now_percent)


def gains(comparison: Comparison, quantity: str = "D50") -> tuple[Gain, ...]:
    """What each remedy would buy for the headlines of a quantity, the most first.

    Empty where no headline is a number, or no model and no spread stand behind it.
    """
    result, one = comparison[quantity], comparison.analysis[quantity]
    asked = [(finding, headline_row(one, finding)) for finding in headlines(result)]
    known = [(finding.numbers.u, row) for finding, row in asked if row is not None]
    if not known or result.route not in (Route.MIXED_MODEL, Route.SINGLE_RUNS):
        return ()
    u = np.array([each for each, _ in known])
    rows = np.array([row for _, row in known]) @ np.linalg.pinv(one.design.x)
    parts = _Parts.of(one, rows, *_laws(comparison))
    now = float(100.0 * np.sqrt(np.mean(u**2)))
    found = [
        Gain(
            quantity=quantity,
            remedy=remedy,
            u_now_percent=now,
            u_then_percent=float(100.0 * np.sqrt(np.mean(u**2 * (1.0 - saved / parts.total)))),
        )
        for remedy, saved in parts.saved()
    ]
    return tuple(sorted(found, key=lambda each: each.u_then_percent))


def _laws(comparison: Comparison) -> tuple[JointLaw, dict[Remedy, JointLaw]]:
    """The joint law of the study, and those with another sieve, balance or sample."""
    study, measured = comparison.analysis.study, comparison.analysis.measured()
    law = prepare(study, sources=measured.sources, rule=measured.rule)
    changed = {
        Remedy(name): prepare(own, sources=measured.sources, rule=measured.rule, curves=law.curves)
        for name, own in changed_studies(study).items()
    }
    return law, changed


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parts:
    """Variances of headlines (h,), by what they come from."""

    run: Array
    cell_and_drift: Array
    measured: Array
    own_of_run: Array  # of `measured`: what every run has by itself
    own_of_group: Array
    then: dict[Remedy, Array]  # `measured` with another sieve, balance or sample
    groups: int  # blocks that one more could stand beside; 0 where there are none

    @staticmethod
    def of(
        one: QuantityAnalysis, rows: Array, law: JointLaw, changed: dict[Remedy, JointLaw]
    ) -> _Parts:
        spread, plan = one.spread, one.plan
        run, cell, drift = np.nan_to_num([spread.run, spread.cell, spread.drift]) ** 2
        other = drift * _squares(rows, one.drift_lines)
        for each in plan.cells[:1]:
            other = other + cell * _squares(rows, same_level(one.frame, columns_of(each)))
        measured = _squares(rows, one.response.known)
        inputs, weights = _inputs(one, rows, law)
        squares = np.square(np.asarray((weights @ inputs).todense()))
        whole = squares.sum(axis=1)
        scale = np.divide(measured, whole, out=np.zeros_like(whole), where=whole > 0)
        is_own = ~_of_source(law, _SHARED_BY_REPLICATES) & (_touched(inputs) == 1)
        code = one.frame[GROUP].factorize()[0]
        by_group = sparse.csr_array(
            (np.ones(len(code)), (code, np.arange(len(code)))), shape=(code.max() + 1, len(code))
        )
        is_own_of_group = _touched(by_group @ abs(inputs)) == 1
        then = {
            remedy: scale * _squares_of(*_inputs(one, rows, own)) for remedy, own in changed.items()
        }
        blocks = [columns_of(each) for each in plan.blocks]
        return _Parts(
            run=run * np.square(rows).sum(axis=1),
            cell_and_drift=other,
            measured=measured,
            own_of_run=scale * squares[:, is_own].sum(axis=1),
            own_of_group=scale * squares[:, is_own_of_group].sum(axis=1),
            then=then,
            groups=int(code.max()) + 1 if (GROUP,) in blocks else 0,
        )

    @property
    def total(self) -> Array:
        return np.asarray(self.run + self.cell_and_drift + self.measured)

    def saved(self) -> Iterator[tuple[Remedy, Array]]:
        """What each remedy takes off the variances."""
        yield Remedy.TWICE_RUNS, (self.run + self.own_of_run) / 2.0
        if self.groups:
            own = self.run + self.cell_and_drift + self.own_of_group
            yield Remedy.ONE_MORE_GROUP, own / (self.groups + 1.0)
        for remedy, then in self.then.items():
            yield remedy, self.measured - then


def _squares(rows: Array, matrix: Array) -> Array:
    return np.asarray(np.einsum("ij,jk,ik->i", rows, matrix, rows))


def _squares_of(inputs: sparse.csr_array, weights: sparse.csr_array) -> Array:
    return np.asarray(np.square((weights @ inputs).toarray()).sum(axis=1))


def _inputs(
    one: QuantityAnalysis, rows: Array, law: JointLaw
) -> tuple[sparse.csr_array, sparse.csr_array]:
    """What each input adds to ln size of the runs compared (n, N), and weights on these runs."""
    place = {name: number for number, name in enumerate(law.arrays.runs)}
    at = np.array([place[name] for name in one.frame["run"]])
    column = QUANTITIES.index(one.quantity)
    own = law.contributions.rows(len(QUANTITIES) * at + column).matrix
    return sparse.csr_array(own), sparse.csr_array(rows)


def _of_source(law: JointLaw, name: str) -> NDArray[np.bool_]:
    sources = law.table.sources
    number = sources.index(name) if name in sources else -1
    return np.asarray(law.contributions.source == number)


def _touched(inputs: sparse.csr_array) -> NDArray[np.intp]:
    """How many rows each input adds to, (N,)."""
    return np.asarray((inputs != 0).sum(axis=0)).ravel()
