"""Empty weights of each sieve over the runs, judged against the balance's own uncertainty.

A tare that rises means powder left in the mesh, one that falls a damaged or worn mesh, one that
jumps another sieve or a wrong reading.  Masses in g.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist, median

import pandas as pd

from psdstats.columns import TIME
from psdstats.sieves.standards import practice_rule
from psdstats.study.findings import CHECKS
from psdstats.study.records import Balance, Reading, Run, Study, TareHandling

_NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal variable
_LEAST_LIMIT = 1.5  # in units of d: neighbouring display values are never an alarm


@dataclass(frozen=True, kw_only=True)
class TareRecord:
    """One tare beside the other tares of the same sieve on the same balance.

    Parameters
    ----------
    run, reading : Run, Reading
        Where it was weighed.
    reference_g : float
        Median of the sieve's tares in the other runs, g.
    limit_g : float
        Largest difference that the balance explains, g.
    is_latest : bool
        Whether no later run weighed this sieve on this balance.
    n_others : int
        Number of the other runs.
    """

    run: Run
    reading: Reading
    reference_g: float
    limit_g: float
    is_latest: bool
    n_others: int

    @property
    def deviation_g(self) -> float:
        """Tare minus reference, g."""
        return self.reading.tare_g - self.reference_g

    @property
    def is_outside(self) -> bool:
        """Whether the balance does not explain the difference."""
        return abs(self.deviation_g) > self.limit_g


def tare_records(study: Study, *, false_alarm: float | None = None) -> list[TareRecord]:
    """Every tare that has others to be compared with.

    Notes
    -----
    The limit is z u sqrt(1 + v) with u² = d²/12 + max(s_r, 0.41 d)², v = min(1, π/(2 m)) the
    variance of the median of m other tares relative to one, and z the two-sided normal quantile
    at false_alarm divided by the number of tares compared (Bonferroni); never less than 1.5 d.
    Where a balance states no repeatability, s_r is estimated from the tares themselves: the
    median difference between successive tares of a sieve, over 0.6745 sqrt(2), which a few wrong
    tares hardly move.
    """
    if study.tares is TareHandling.ONCE:
        return []
    series: Mapping[tuple[str, str, str], list[tuple[Run, Reading]]] = defaultdict(list)
    for run in study.runs:
        for reading in run.readings:
            # pans often carry no name of their own, so they are kept apart by group
            owner = run.group if reading.aperture_um == 0 else ""
            series[reading.sieve, owner, run.balance].append((run, reading))
    compared = [members for members in series.values() if len(members) > 1]
    number = sum(len(members) for members in compared)
    if number == 0:
        return []
    alarm = _false_alarm(study) if false_alarm is None else false_alarm
    quantile = NormalDist().inv_cdf(1.0 - min(alarm, 0.5) / (2.0 * number))
    records: list[TareRecord] = []
    for name, balance in study.balances.items():
        own = [members for members in compared if members[0][0].balance == name]
        u_g = _reading_u_g(balance, own)
        for members in own:
            records += _records(members, balance, quantile * u_g)
    return records


def _reading_u_g(balance: Balance, series: list[list[tuple[Run, Reading]]]) -> float:
    """Standard uncertainty of one reading, from the balance's record or from the tares, g."""
    step = balance.resolution_g
    spread = balance.repeatability_g
    if spread == 0.0:
        steps = [
            abs(after.tare_g - before.tare_g)
            for members in series
            for (_, before), (_, after) in pairwise(members)
        ]
        spread = median(steps) / (_NORMAL_MEDIAN * math.sqrt(2.0)) if steps else 0.0
    spread = max(spread, practice_rule("least_repeatability").value * step)
    return math.sqrt(step**2 / 12.0 + spread**2)


def _false_alarm(study: Study) -> float:
    setting = study.checks.get("tare_drift")
    default = CHECKS["tare_drift"].thresholds["false_alarm"]
    if isinstance(setting, Mapping):
        return float(setting.get("false_alarm", default))
    return default


def _records(
    members: list[tuple[Run, Reading]], balance: Balance, largest_g: float
) -> list[TareRecord]:
    others = len(members) - 1
    limit_g = largest_g * math.sqrt(1.0 + min(1.0, math.pi / (2.0 * others)))
    tares = sorted(reading.tare_g for _, reading in members)
    return [
        TareRecord(
            run=run,
            reading=reading,
            reference_g=_median_without(tares, reading.tare_g),
            limit_g=max(limit_g, _LEAST_LIMIT * balance.resolution_g),
            is_latest=index == others,
            n_others=others,
        )
        for index, (run, reading) in enumerate(members)
    ]


def _median_without(ordered: list[float], value: float) -> float:
    """Median of the sorted values without one of them."""
    gone = bisect_left(ordered, value)
    others = len(ordered) - 1
    low, high = (others - 1) // 2, others // 2
    return (ordered[low + (low >= gone)] + ordered[high + (high >= gone)]) / 2.0


def tare_history(study: Study) -> pd.DataFrame:
    """Tares over the runs with their limits, for a table or a figure."""
    order = {run.name: number for number, run in enumerate(study.runs, start=1)}
    rows = [
        {
            "sieve": record.reading.sieve,
            "group": record.run.group,
            "aperture_um": record.reading.aperture_um,
            "run": record.run.name,
            "run_number": order[record.run.name],
            TIME: record.run.milling_time_min,
            "balance": record.run.balance,
            "tare_g": record.reading.tare_g,
            "reference_g": record.reference_g,
            "deviation_g": record.deviation_g,
            "limit_g": record.limit_g,
            "is_outside": record.is_outside,
        }
        for record in tare_records(study)
    ]
    columns = ["sieve", "group", "aperture_um", "run", "run_number", TIME, "balance"]
    columns += ["tare_g", "reference_g", "deviation_g", "limit_g", "is_outside"]
    return pd.DataFrame(rows, columns=columns)
