"""Empty weights of each sieve over the runs, judged against the balance's own uncertainty.

A tare that rises means powder left in the mesh, one that falls a damaged or worn mesh, one that
jumps another sieve or a wrong reading.  Also: how much noise two readings have, and what makes a
run impossible to evaluate; such a study is checked, and not read.  Masses in g, apertures in µm.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist, median

import pandas as pd

from psdstats import columns as col
from psdstats.sieves.standards import practice_rule
from psdstats.study.flags import CHECKS, Flag, at, limits_of, readings
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.study.runs import Reading, Run

Weighed = list[tuple[Run, Reading]]

_NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal variable
_LEAST_LIMIT = 1.5  # in units of d: neighbouring display values are never an alarm
_FAR = 4.0  # standard uncertainties between two groups
_NOISIEST = 3.0  # in units of d: repeatability that is taken from tares
_STOPPING_NOISE = 8.0  # room for balances noisier than they say; a real mix-up is far larger
_UNSTATED = 10.0  # in units of d: what a balance may be off by of which nothing is stated


def net_noise_g(resolution_g: float, repeatability_g: float) -> float:
    """Standard uncertainty of the difference of two readings of one balance, g.

    Notes
    -----
    sqrt(2 (d²/12 + s_r²)): rounding to the resolution d and repeatability s_r of each reading
    (JCGM 100, F.2.2.1, from memory); s_r is taken as at least 0.41 d (USP <41>, from memory), so
    that a balance of which it is not known is not taken for perfect.
    """
    spread_g = max(repeatability_g, practice_rule("least_repeatability").value * resolution_g)
    return math.sqrt(2.0 * (resolution_g**2 / 12.0 + spread_g**2))


@dataclass(frozen=True, kw_only=True)
class TareRecord:
    """One tare beside the others of the same sieve on the same balance: their median, the limit.

    `limit_g` is the largest difference that the balance explains; `is_latest` says that no later
    run weighed this sieve on this balance; `n_others` counts the other runs.
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


def tare_records(study: Study) -> list[TareRecord]:
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
    other = {(one.sieve, one.group) for one in shared_sieves(study)}
    compared = [each for each in _tare_series(study, other).values() if len(each) > 1]
    number = sum(map(len, compared))
    limits = limits_of(study, "tare_drift") or CHECKS["tare_drift"].limits
    alarm = min(limits["false_alarm"], 0.5) / (2.0 * max(number, 1))
    quantile = NormalDist().inv_cdf(1.0 - alarm)
    records: list[TareRecord] = []
    for name, balance in study.balances.items():
        own = [members for members in compared if members[0][0].balance == name]
        spread_g = balance.repeatability_g or _spread_of_tares_g(own)
        largest_g = quantile * net_noise_g(balance.resolution_g, spread_g) / math.sqrt(2.0)
        for members in own:
            others = len(members) - 1
            limit_g = largest_g * math.sqrt(1.0 + min(1.0, math.pi / (2.0 * others)))
            tares = sorted(reading.tare_g for _, reading in members)
            records += [
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
    return records


def _tare_series(
    study: Study, other: Collection[tuple[str, str]] = ()
) -> dict[tuple[str, str, str], Weighed]:
    """Readings of each sieve on each balance; those of `other` sieves of a group by themselves."""
    series: dict[tuple[str, str, str], Weighed] = defaultdict(list)
    for run, reading in readings(study):
        # pans often carry no name of their own, so they are kept apart by group
        apart = reading.aperture_um == 0 or (reading.sieve, run.group) in other
        series[reading.sieve, run.group if apart else "", run.balance].append((run, reading))
    return series


def _spread_of_tares_g(series: Iterable[Weighed]) -> float:
    """Repeatability that the successive tares of each sieve show, g."""
    steps = [
        abs(after.tare_g - before.tare_g)
        for members in series
        for (_, before), (_, after) in pairwise(members)
    ]
    return median(steps) / (_NORMAL_MEDIAN * math.sqrt(2.0)) if steps else 0.0


def _median_without(ordered: list[float], value: float) -> float:
    """Median of the sorted values without one of them."""
    gone = bisect_left(ordered, value)
    others = len(ordered) - 1
    low, high = (others - 1) // 2, others // 2
    return (ordered[low + (low >= gone)] + ordered[high + (high >= gone)]) / 2.0


@dataclass(frozen=True)
class SharedSieve:
    """A name under which two groups seem to weigh two sieves: the odd group, and the usual one."""

    sieve: str
    group: str
    usual: str
    weighed: Weighed
    tare_g: float
    usual_g: float
    limit_g: float


def shared_sieves(study: Study) -> list[SharedSieve]:
    """Sieves of one name whose tares in two groups differ by more than the balances explain.

    Notes
    -----
    The limit is four standard uncertainties of the difference of two medians, u sqrt(v) each (see
    `tare_records`), and never less than 1.5 d.  Between two balances comes to it, of each, what it
    may be off by: linearity, drift and three times its calibration; 10 d where nothing is stated.
    """
    if study.tares is TareHandling.ONCE:
        return []
    sieves: dict[str, dict[tuple[str, str], Weighed]] = {}
    for run, reading in readings(study):
        if reading.aperture_um > 0:
            parts = sieves.setdefault(reading.sieve, {})
            parts.setdefault((run.group, run.balance), []).append((run, reading))
    found: list[SharedSieve] = []
    for sieve, parts in sieves.items():
        usual = max(parts, key=lambda part: len(parts[part]))
        tares_g = {part: median(reading.tare_g for _, reading in parts[part]) for part in parts}
        for part, weighed in parts.items():
            both = {part: weighed, usual: parts[usual]}
            odd_g, usual_g = tares_g[part], tares_g[usual]
            if part[0] != usual[0]:
                limit_g = _between_groups_g(study, both, usual_g)
                if abs(odd_g - usual_g) > limit_g:
                    groups = part[0], usual[0], weighed
                    found.append(SharedSieve(sieve, *groups, odd_g, usual_g, limit_g))
    return found


def _between_groups_g(
    study: Study, weighed: Mapping[tuple[str, str], Weighed], tare_g: float
) -> float:
    """Largest difference of the median tares of one sieve in two groups that balances explain."""
    variance, least_g, off_g = 0.0, 0.0, 0.0
    for (_, name), own in weighed.items():
        one = study.balances[name]
        u = net_noise_g(one.resolution_g, one.repeatability_g or _spread_of_tares_g([own]))
        variance += u**2 / 2.0 * min(1.0, math.pi / (2.0 * len(own)))
        least_g = max(least_g, _LEAST_LIMIT * one.resolution_g)
        stated_g = (one.linearity_g or 0.0) + one.drift_g + 3.0 * one.slope_u * tare_g
        off_g += stated_g or _UNSTATED * one.resolution_g
    two = len({name for _, name in weighed}) == 2
    return max(least_g, _FAR * math.sqrt(variance)) + (off_g if two else 0.0)


def shared_sieve(study: Study, _: object) -> Iterator[Flag]:
    """One sieve name in two groups whose tares tell two sieves apart."""
    for one in shared_sieves(study):
        says = f"sieve {one.sieve} weighs {one.tare_g:.10g} g empty in group {one.group} and "
        says += f"{one.usual_g:.10g} g in group {one.usual}, so it is two sieves"
        for run, reading in one.weighed:
            moved_g = reading.tare_g - one.usual_g
            yield Flag("shared_sieve", says, at(run, reading), moved_g, one.limit_g, says)


def tare_flags(study: Study) -> Iterator[Flag]:
    """Tares outside their limits.

    Each is called swapped where it fits another sieve of its run, else drifted.  Of two tares
    that differ, the later one is named.
    """
    by_run: dict[str, list[TareRecord]] = defaultdict(list)
    for record in (records := tare_records(study)):
        by_run[record.run.name].append(record)
    for record in records:
        if not record.is_outside or not (record.n_others > 1 or record.is_latest):
            continue
        tare_g, moved_g = record.reading.tare_g, record.deviation_g
        fits = [
            (abs(tare_g - other.reference_g), other.reading.sieve)
            for other in by_run[record.run.name]
            if other is not record and abs(tare_g - other.reference_g) <= other.limit_g
        ]
        check, remedy, says = "swapped_sieves", "", f"tare {tare_g:.10g} g "
        if fits:
            says += f"does not fit this sieve ({record.reference_g:.10g} g in its other runs) but "
            says += f"sieve {min(fits)[1]}"
        else:
            check, remedy, way = "tare_drift", "Look for a mistyped figure, ", "below"
            if moved_g > 0:
                way = "above"
                remedy += "brush powder left out of the mesh, and weigh it empty again."
            else:
                remedy += "a damaged mesh or a loose frame; weigh it empty again."
            says += f"is {abs(moved_g):.3g} g {way} the median of its other runs, more than the "
            says += f"balance explains ({record.limit_g:.2g} g)"
        yield Flag(
            check, says, at(record.run, record.reading), moved_g, record.limit_g, remedy=remedy
        )


_OF_READING = (col.SIEVE, col.APERTURE, col.TARE)
_OF_RUN = (col.GROUP, col.TIME, col.BALANCE)
_JUDGED = ("reference_g", "deviation_g", "limit_g", "is_outside")
_HISTORY = (
    col.SIEVE, col.GROUP, col.APERTURE, col.RUN, "run_number", col.TIME, col.BALANCE, col.TARE,
)  # fmt: skip


def tare_history(study: Study) -> pd.DataFrame:
    """Tares over the runs with their limits, for a table or a figure."""
    order = {run.name: number for number, run in enumerate(study.runs, start=1)}
    rows = [
        {
            **{name: getattr(record.reading, name) for name in _OF_READING},
            **{name: getattr(record.run, name) for name in _OF_RUN},
            **{name: getattr(record, name) for name in _JUDGED},
            col.RUN: record.run.name,
            "run_number": order[record.run.name],
        }
        for record in tare_records(study)
    ]
    return pd.DataFrame(rows, columns=[*_HISTORY, *_JUDGED])


def lowest_net_g(balance: Balance, spread_g: float = 0.0) -> float:
    """Net mass below which a loaded sieve was not weighed right, whatever the noise, g.

    Where the balance states no repeatability, that of its tares counts (`spread_g`), up to 3 d.
    """
    shown_g = min(spread_g, _NOISIEST * balance.resolution_g)
    noise_g = net_noise_g(balance.resolution_g, balance.repeatability_g or shown_g)
    return -max(_STOPPING_NOISE * noise_g, balance.resolution_g)


def stopping_flags(study: Study) -> Iterator[Flag]:
    """Everything that makes a run impossible to evaluate."""
    series = _tare_series(study)
    lowest: dict[str, float] = {}
    for name, balance in study.balances.items():
        own = [members for (*_, weighed_on), members in series.items() if weighed_on == name]
        lowest[name] = lowest_net_g(balance, _spread_of_tares_g(own))
    for run in study.runs:
        yield from _stack_flags(run)
        yield from _crossed_flags(study, run)
        lowest_g, total_g = lowest[run.balance], run.total_g
        below = [one for one in run.readings if one.net_g < lowest_g]  # wrong, not merely noisy
        if len(below) > 1 and all(one.net_g <= -lowest_g for one in run.readings):
            says = "every sieve with powder weighs less than when it was empty, as if tare_g and "
            says += "gross_g were exchanged"
            remedy = "Exchange the two columns, or their headings, if they are."
            yield Flag("gross_below_tare", says, at(run), total_g, 0.0, says, remedy=remedy)
            continue
        for one in below:
            yield _below_tare(study, run, one, lowest_g)
        if not total_g > 0:
            says = f"the net masses add up to {col.signed(total_g, '.6g')} g"
            yield Flag("no_powder", says, at(run), total_g, 0.0)


def _below_tare(study: Study, run: Run, reading: Reading, lowest_g: float) -> Flag:
    """A gross below its tare; the other tares of the sieve tell whether the tare is at fault."""
    tare_g, gross_g, net_g = reading.tare_g, reading.gross_g, reading.net_g
    says = f"gross {gross_g:.10g} g is below its tare {tare_g:.10g} g "
    says += f"(net {col.signed(net_g, '.6g')} g)"
    remedy = "Weigh the sieve with its powder again, or correct the tare if it belongs to another "
    remedy += "sieve."
    others = [
        each.tare_g
        for other, each in readings(study)
        if other is not run
        and other.balance == run.balance
        and (reading.aperture_um > 0 or other.group == run.group)
        and (each.sieve, each.aperture_um) == (reading.sieve, reading.aperture_um)
    ]
    usual_g = median(others) if others else tare_g
    if usual_g < tare_g and gross_g - usual_g >= lowest_g:
        remedy = f"In its other runs this sieve weighs {usual_g:.10g} g empty: correct the tare if "
        remedy += "it was mistyped, or weigh the empty sieve again."
    return Flag("gross_below_tare", says, at(run, reading), net_g, lowest_g, remedy=remedy)


def _stack_flags(run: Run) -> Iterator[Flag]:
    """A pan or sieves that are missing, and sieves that are there twice."""
    apertures = {reading.aperture_um for reading in run.readings}
    if 0.0 not in apertures:
        yield Flag("no_pan", "the pan (aperture 0) is missing", at(run))
    if not any(apertures):
        yield Flag("no_sieve", "there is no sieve", at(run))
    if len(apertures) == len({reading.sieve for reading in run.readings}) == len(run.readings):
        return
    seen: dict[float, str] = {}
    keys: set[str] = set()
    for reading in sorted(run.readings, key=lambda each: each.place.row):
        aperture_um, sieve = reading.aperture_um, reading.sieve
        if aperture_um in seen or sieve in keys:
            name = "the pan" if aperture_um == 0 else f"{aperture_um:.12g} µm"
            first = seen.get(aperture_um, sieve)
            also = "" if first == sieve else f" (also as sieve {first})"
            says = f"{name} is there twice{also}"
            yield Flag("repeated_sieve", says, at(run, reading), aperture_um)
        seen.setdefault(aperture_um, sieve)
        keys.add(sieve)


def _crossed_flags(study: Study, run: Run) -> Iterator[Flag]:
    """Sieves that act, by their certificates, as if they stood in another order."""
    stack = {one.sieve: one for one in run.readings if one.aperture_um > 0}
    for finer, coarser in pairwise(study.sieves[name] for name in stack):
        if finer.best_um < coarser.best_um or finer.nominal_um >= coarser.nominal_um:
            continue
        both = (finer, coarser)
        odd, other = sorted(both, key=lambda one: -abs(one.best_um / one.nominal_um - 1.0))
        way = "at least as wide as" if odd is finer else "no wider than"
        says = f"by its certificate sieve {odd.key} has {odd.best_um:.6g} µm (nominal "
        says += f"{odd.nominal_um:.6g} µm), {way} sieve {other.key} with {other.best_um:.6g} µm "
        says += f"(nominal {other.nominal_um:.6g} µm)"
        remedy = f"Correct the aperture of sieve {odd.key} in the sieve table; look whether two "
        remedy += "certificates were exchanged."
        spot = at(run, stack[odd.key])
        yield Flag("certified_order", says, spot, odd.best_um, other.best_um, says, remedy=remedy)
