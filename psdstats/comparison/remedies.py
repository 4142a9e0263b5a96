"""What more of something would buy: how much shorter the intervals of the headlines would be.

A headline is taken by generalised least squares: its variance follows from the design, from what
every input of the measurement adds to every run (the linear law, with the sensitivities of each
run), and from the printed standard deviations of runs, cells and drift.  More runs, or more groups,
divide the parts that each run, or group, has by itself; another sieve, balance or sample changes
the inputs.  The ratio of the variances shortens the standard uncertainty of the headline; the law
of its t ratio is held as it is, although more runs would also know the spread better, so that what
is told is rather too little.  Nothing is fitted again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import GROUP, QUANTITIES, RUN
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.beside import generalised, headline_row, headlines, scatter
from psdstats.comparison.plan import columns_of
from psdstats.comparison.result import Comparison, Route
from psdstats.frozen import Array
from psdstats.study.records import Study
from psdstats.uncertainty.budget import changed_studies
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.propagation import Propagation

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
    u, rows = np.array([each for each, _ in known]), np.array([row for _, row in known])
    study, changed = comparison.analysis.study, dict[Remedy, JointLaw]()
    if isinstance(study, Study):
        law, changed = _laws(study, comparison.analysis.measured())
        parts = _parts(one, law)
    else:
        parts = _parts_in_hand(one)
    now = _variances(one, rows, parts.total)
    found = [
        Gain(
            quantity=quantity,
            remedy=remedy,
            u_now_percent=_root_mean(u),
            u_then_percent=_root_mean(u * np.sqrt(_variances(one, rows, then) / now)),
        )
        for remedy, then in _covariances(one, parts, changed)
    ]
    return tuple(sorted(found, key=lambda each: each.u_then_percent))


def _root_mean(u: Array) -> float:
    return float(100.0 * np.sqrt(np.mean(np.square(u))))


def _variances(one: QuantityAnalysis, rows: Array, covariance: Array) -> Array:
    """Variances of effects (e, p) by generalised least squares."""
    _, _, core = generalised(one.design.x, covariance)
    return np.asarray(np.einsum("ij,jk,ik->i", rows, core, rows))


def _laws(study: Study, measured: Propagation) -> tuple[JointLaw, dict[Remedy, JointLaw]]:
    """The joint law of the study, and those with another sieve, balance or sample."""
    law = prepare(study, sources=measured.sources, rule=measured.rule)
    changed = {
        Remedy(name): prepare(own, sources=measured.sources, rule=measured.rule, curves=law.curves)
        for name, own in changed_studies(study).items()
    }
    return law, changed


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parts:
    """Covariances (n, n) of the runs of a quantity, by what they come from."""

    run: Array
    cell_and_drift: Array
    measured: Array
    own_of_run: Array  # of `measured`: what every run has by itself
    own_of_group: Array

    @property
    def total(self) -> Array:
        return np.asarray(self.run + self.cell_and_drift + self.measured)


def _parts(one: QuantityAnalysis, law: JointLaw) -> _Parts:
    run, other = scatter(one)
    inputs = _inputs(one, law)
    code = one.frame[GROUP].factorize()[0]
    places = (code, np.arange(len(code)))
    of_group = sparse.csr_array((np.ones(len(code)), places), shape=(code.max() + 1, len(code)))
    is_own = (_touched(inputs) == 1) & ~_of_source(law, _SHARED_BY_REPLICATES)
    return _Parts(
        run=run,
        cell_and_drift=other,
        measured=_covariance(inputs),
        own_of_run=_covariance(inputs[:, np.flatnonzero(is_own)]),
        own_of_group=_covariance(inputs[:, np.flatnonzero(_touched(of_group @ abs(inputs)) == 1)]),
    )


def _parts_in_hand(one: QuantityAnalysis) -> _Parts:
    """The same of values in hand: what runs share is not told, so none of it is divided."""
    run, other = scatter(one)
    known = np.asarray(one.response.known)
    is_own = not (known - np.diag(np.diagonal(known))).any()
    own = known if is_own else np.zeros_like(known)
    return _Parts(run=run, cell_and_drift=other, measured=known, own_of_run=own, own_of_group=own)


def _covariances(
    one: QuantityAnalysis, parts: _Parts, changed: dict[Remedy, JointLaw]
) -> Iterator[tuple[Remedy, Array]]:
    """What each remedy makes of the covariance of the runs."""
    yield Remedy.TWICE_RUNS, parts.total - (parts.run + parts.own_of_run) / 2.0
    if (GROUP,) in [columns_of(each) for each in one.plan.blocks]:
        own = parts.run + parts.cell_and_drift + parts.own_of_group
        yield Remedy.ONE_MORE_GROUP, parts.total - own / (one.frame[GROUP].nunique() + 1.0)
    for remedy, law in changed.items():
        measured = _covariance(_inputs(one, law))
        yield remedy, parts.run + parts.cell_and_drift + measured


def _inputs(one: QuantityAnalysis, law: JointLaw) -> sparse.csr_array:
    """What each input adds to ln size of the runs compared, (n, N)."""
    place = {name: number for number, name in enumerate(law.arrays.runs)}
    at = np.array([place[name] for name in one.frame[RUN]])
    column = QUANTITIES.index(one.quantity)
    return sparse.csr_array(law.contributions.rows(len(QUANTITIES) * at + column).matrix)


def _covariance(inputs: sparse.csr_array) -> Array:
    return np.asarray((inputs @ inputs.T).toarray(), dtype=np.float64)


def _of_source(law: JointLaw, name: str) -> NDArray[np.bool_]:
    sources = law.table.sources
    number = sources.index(name) if name in sources else -1
    return np.asarray(law.contributions.source == number)


def _touched(inputs: sparse.csr_array) -> NDArray[np.intp]:
    """How many rows each input adds to, (N,)."""
    return np.asarray((inputs != 0).sum(axis=0)).ravel()
