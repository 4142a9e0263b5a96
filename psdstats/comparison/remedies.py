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

from dataclasses import dataclass
from enum import StrEnum
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import GROUP, QUANTITIES, RUN
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.beside import generalised, headline_rows, scatter
from psdstats.comparison.plan import columns_of
from psdstats.comparison.result import Comparison, Route
from psdstats.frozen import Array
from psdstats.study.records import Study
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
    findings, rows = headline_rows(one, result)
    if not findings or result.route not in (Route.MIXED_MODEL, Route.SINGLE_RUNS):
        return ()
    u = np.array([finding.numbers.u for finding in findings])
    covariances = _covariances(comparison, one)
    variances = {
        remedy: np.einsum("ij,jk,ik->i", rows, generalised(one.design.x, v)[2], rows)
        for remedy, v in covariances.items()
    }
    now = variances.pop(None)

    def percent(share: Array | float) -> float:
        return float(100.0 * np.sqrt(np.mean(np.square(u * np.sqrt(share)))))

    found = [
        Gain(
            quantity=quantity,
            remedy=remedy,
            u_now_percent=percent(1.0),
            u_then_percent=percent(then / now),
        )
        for remedy, then in variances.items()
        if remedy is not None
    ]
    return tuple(sorted(found, key=lambda each: each.u_then_percent))


def _covariances(comparison: Comparison, one: QuantityAnalysis) -> dict[Remedy | None, Array]:
    """Covariance (n, n) of the runs of a quantity as it is (None), and as each remedy makes it."""
    run, other = scatter(one)  # between runs; of cells and drift
    study, code = comparison.analysis.study, one.frame[GROUP].factorize()[0]
    changed = dict[Remedy, Array]()
    if isinstance(study, Study):
        sources = comparison.analysis.measured()
        prepared = partial(prepare, sources=sources.sources, rule=sources.rule)
        law = prepared(study)
        inputs, named = _inputs(one, law), law.table.sources
        number = named.index(_SHARED_BY_REPLICATES) if _SHARED_BY_REPLICATES in named else -1
        own = (_touched(inputs) == 1) & (law.contributions.source != number)
        places = (code, np.arange(len(code)))
        of_group = sparse.csr_array((np.ones(len(code)), places), (code.max() + 1, len(code)))
        in_group = _touched(of_group @ abs(inputs)) == 1
        measured = _covariance(inputs)
        own_of_run = _covariance(inputs[:, np.flatnonzero(own)])
        own_of_group = _covariance(inputs[:, np.flatnonzero(in_group)])
        for name, then in changed_studies(study).items():
            changed[Remedy(name)] = _covariance(_inputs(one, prepared(then, curves=law.curves)))
    else:  # what values in hand share is not told, so none of it is divided
        measured = np.asarray(one.response.known)
        is_own = not (measured - np.diag(np.diagonal(measured))).any()
        own_of_run = own_of_group = measured if is_own else np.zeros_like(measured)
    total = run + other + measured
    found: dict[Remedy | None, Array] = {None: total}
    found[Remedy.TWICE_RUNS] = total - (run + own_of_run) / 2.0
    if (GROUP,) in map(columns_of, one.plan.blocks):
        own = run + other + own_of_group
        found[Remedy.ONE_MORE_GROUP] = total - own / (one.frame[GROUP].nunique() + 1.0)
    return found | {remedy: run + other + then for remedy, then in changed.items()}


def _inputs(one: QuantityAnalysis, law: JointLaw) -> sparse.csr_array:
    """What each input adds to ln size of the runs compared, (n, N)."""
    place = {name: number for number, name in enumerate(law.arrays.runs)}
    at = np.array([place[name] for name in one.frame[RUN]])
    column = QUANTITIES.index(one.quantity)
    return sparse.csr_array(law.contributions.rows(len(QUANTITIES) * at + column).matrix)


def _covariance(inputs: sparse.csr_array) -> Array:
    return np.asarray((inputs @ inputs.T).toarray(), dtype=np.float64)


def _touched(inputs: sparse.csr_array) -> NDArray[np.intp]:
    """How many rows each input adds to, (N,)."""
    return np.asarray((inputs != 0).sum(axis=0)).ravel()
