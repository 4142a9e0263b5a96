"""Empty weights of each sieve over the runs, judged against the balance's own uncertainty.

A tare that rises means powder left in the mesh, one that falls a damaged or worn mesh, one that
jumps another sieve or a wrong reading.  Also: how much noise two readings have, and what makes a
run impossible to evaluate; such a study is checked, and not read.  Masses in g, apertures in µm.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, pairwise
from operator import attrgetter
from statistics import NormalDist, median

import pandas as pd

from psdstats import columns as col
from psdstats.sieves.standards import practice_rule
from psdstats.study.flags import CHECKS, Flag, Spot, at, limits_of, readings
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.study.runs import Reading, Run, chord_um

Weighed = list[tuple[Run, Reading]]

_NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal variable
_LEAST_LIMIT = 1.5  # in units of d: neighbouring display values are never an alarm
_ALIKE = 4  # runs whose gains differ by less than a quarter have one cause
_NOISE = 4.0  # normal tail 6e-5 a run
_DRIFT = 10.0  # median deviations within a group
_FAR = 4.0  # standard uncertainties between two groups
_NOISIEST = 3.0  # in units of d: repeatability that is taken from tares
_COARSEST, _ENOUGH = 5.0, 8  # in units of d: scatter of so many tares that is the balance's own
_MOST = 0.4  # share of the tares of a sieve that are off: then it is the sieve
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
    Where a balance states no repeatability, or tares of a group scatter far more than it states
    (`scatter_g`), s_r is estimated from the tares themselves: the median difference between
    successive tares of a sieve, over 0.6745 sqrt(2), which a few wrong tares hardly move.
    """
    if study.tares is TareHandling.ONCE:
        return []
    series = _tare_series(study, shared_sieves(study))
    compared = [each for each in series.values() if len(each) > 1]
    number, seen = sum(map(len, compared)), scatter_g(study)
    limits = limits_of(study, "tare_drift") or CHECKS["tare_drift"].limits
    alarm = min(limits["false_alarm"], 0.5) / (2.0 * max(number, 1))
    quantile = NormalDist().inv_cdf(1.0 - alarm)
    records: list[TareRecord] = []
    for name, balance in study.balances.items():
        own = [members for members in compared if members[0][0].balance == name]
        spread_g = balance.repeatability_g or _spread_of_tares_g(own)
        for members in own:
            others = len(members) - 1
            share = quantile * math.sqrt((1.0 + min(1.0, math.pi / (2.0 * others))) / 2.0)
            limits_g = [
                max(
                    share
                    * net_noise_g(balance.resolution_g, seen.get((name, run.group), spread_g)),
                    _LEAST_LIMIT * balance.resolution_g,
                )
                for run, _ in members
            ]
            tares = sorted(reading.tare_g for _, reading in members)
            records += [
                TareRecord(
                    run=run,
                    reading=reading,
                    reference_g=_median_without(tares, reading.tare_g, limits_g[index]),
                    limit_g=limits_g[index],
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


def scatter_g(study: Study) -> dict[tuple[str, str], float]:
    """Repeatability that tares show, by balance and group, where it is far beyond the balance's."""
    steps: dict[tuple[str, str], list[float]] = defaultdict(list)
    for members in _tare_series(study).values():
        for (_, before), (run, after) in pairwise(members):
            steps[run.balance, run.group].append(abs(after.tare_g - before.tare_g))
    seen = {
        place: median(own) / (_NORMAL_MEDIAN * math.sqrt(2.0))
        for place, own in steps.items()
        if len(own) >= _ENOUGH and study.tares is not TareHandling.ONCE
    }
    return {place: one for place, one in seen.items() if one > _explained_g(study, place[0])}


def _explained_g(study: Study, balance: str) -> float:
    """Largest repeatability of tares that does not contradict a balance, g."""
    one = study.balances[balance]
    noise_g = net_noise_g(one.resolution_g, one.repeatability_g) / math.sqrt(2.0)
    return max(_NOISIEST * noise_g, _COARSEST * one.resolution_g)


def reading_noise_g(study: Study, run: Run, seen: Mapping[tuple[str, str], float]) -> float:
    """Standard uncertainty of a net mass of a run, its tares scattering as seen, g."""
    one, seen_g = study.balances[run.balance], seen.get((run.balance, run.group), 0.0)
    return net_noise_g(one.resolution_g, max(one.repeatability_g, seen_g))


def tare_scatter(study: Study, _: object) -> Iterator[Flag]:
    """Balances whose tares scatter as a whole: one cause for all their runs."""
    seen = scatter_g(study)
    for balance in dict.fromkeys(balance for balance, _ in seen):
        runs = [
            run for run in study.runs if run.balance == balance and (balance, run.group) in seen
        ]
        most_g, limit_g = (
            max(seen[run.balance, run.group] for run in runs),
            _explained_g(study, balance),
        )
        moved = max(abs(moved_percent(run, one, most_g)) for run in runs for one in run.readings)
        told = (
            f"the tares on balance {balance} scatter by {most_g:.2g} g in all {len(runs)} runs of "
        )
        told += ", ".join(dict.fromkeys(run.group for run in runs))
        says = (
            f"{told}, where the balance explains {limit_g:.2g} g; one tare so far off moves D50 by "
        )
        yield Flag("tare_scatter", f"{says}up to {moved:.1f} %", Spot(), most_g, limit_g, told)


def moved_percent(run: Run, reading: Reading, by_g: float) -> float:
    """How far D50 moves, per cent, with the tare of one sieve so much higher; 0 without a D50."""
    nets = [one.net_g - by_g * (one is reading) for one in run.readings]
    moved, before = (chord_um(run, 0.5, one) for one in (nets, None))
    return 100.0 * (moved / before - 1.0) if max(moved, before) < math.inf else 0.0


def _median_without(ordered: list[float], value: float, far: float) -> float:
    """Median of the sorted values without one, or what of two middle ones far apart is nearest."""
    gone = bisect_left(ordered, value)
    others = len(ordered) - 1
    low, high = (others - 1) // 2, others // 2
    below, above = ordered[low + (low >= gone)], ordered[high + (high >= gone)]
    return (below + above) / 2.0 if above - below <= far else min(max(value, below), above)


def shared_sieves(study: Study) -> dict[tuple[str, str], list[Flag]]:
    """Sieves of one name whose tares in two groups differ by more than the balances explain.

    Notes
    -----
    The limit is four standard uncertainties of the difference of two medians, u sqrt(v) each (see
    `tare_records`), and never less than 1.5 d or ten median deviations of the tares of a group.
    Between two balances comes to it, of each, what it may be off by: linearity, drift and three
    times its calibration; 10 d where nothing is stated.
    """
    if study.tares is TareHandling.ONCE:
        return {}
    sieves: dict[str, dict[tuple[str, str], Weighed]] = {}
    for run, reading in readings(study):
        if reading.aperture_um > 0:
            parts = sieves.setdefault(reading.sieve, {})
            parts.setdefault((run.group, run.balance), []).append((run, reading))
    found: dict[tuple[str, str], list[Flag]] = defaultdict(list)
    for sieve, parts in sieves.items():
        usual = max(parts, key=lambda part: len(parts[part]))
        tares_g = {part: median(reading.tare_g for _, reading in parts[part]) for part in parts}
        for part, weighed in parts.items():
            both, usual_g = {part: weighed, usual: parts[usual]}, tares_g[usual]
            limit_g = max(_between_groups_g(study, both, usual_g), *map(_wide_g, both.values()), 0)
            if part[0] == usual[0] or abs(tares_g[part] - usual_g) <= limit_g:
                continue
            says = f"sieve {sieve} weighs {tares_g[part]:.10g} g empty in group {part[0]} and "
            says += f"{usual_g:.10g} g in group {usual[0]}, so it is two sieves"
            found[sieve, part[0]] += [
                Flag("shared_sieve", says, at(run, one), one.tare_g - usual_g, limit_g, says)
                for run, one in weighed
            ]
    return found


def _wide_g(weighed: Weighed) -> float:
    """How far apart two groups may lie whose tares drift or scatter so much within a group, g."""
    tares = [reading.tare_g for _, reading in weighed]
    return _DRIFT * median(abs(one - median(tares)) for one in tares)


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
    return chain.from_iterable(shared_sieves(study).values())


def tare_flags(study: Study) -> Iterator[Flag]:
    """Tares outside their limits.

    Each is called swapped where it fits another sieve of its run, else drifted.  Of two tares
    that differ, the later one is named.
    """
    by_run: dict[str, list[TareRecord]] = defaultdict(list)
    by_sieve: dict[str, list[TareRecord]] = defaultdict(list)
    for record in (records := tare_records(study)):
        by_run[record.run.name].append(record)
        by_sieve[record.reading.sieve].append(record)
    drifting = [flag for own in by_sieve.values() for flag in _drifting(own)]
    yield from drifting
    moved = {flag.spot.sieve for flag in drifting}
    for record in records:
        outside = record.is_outside and (record.n_others > 1 or record.is_latest)
        if not outside or record.reading.sieve in moved:
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


def _drifting(own: Sequence[TareRecord]) -> Iterator[Flag]:
    """What is told of a sieve of which so many tares are off that it is the sieve, not a run."""
    off = [one.deviation_g for one in own if one.is_outside]
    if len(off) > max(_MOST * len(own), 2):
        first, tares = own[0], [one.reading.tare_g for one in own]
        told = f"lies between {min(tares):.10g} and {max(tares):.10g} g, off its median in "
        told += f"{len(off)} of {len(own)} runs"
        says = f"its tare {told} by more than the balance explains ({first.limit_g:.2g} g): the "
        says += "sieve changed, not these runs, and each run counts its own tare"
        spot, told = at(first.run, first.reading), f"the tare of sieve {first.reading.sieve} {told}"
        spot = replace(spot, row=None, run=None)
        yield Flag("tare_drift", says, spot, max(off, key=abs), first.limit_g, told)


def mass_balance(study: Study, limits: Mapping[str, float]) -> Iterator[Flag]:
    """Loss or gain against the mass put on the stack, beyond what weighing noise explains."""
    lost_remedy = "Look for powder left behind or spilt, and for a sieve that was not weighed."
    gain_remedy = "Look for a wrong reading, a sieve weighed with its lid, or damp powder."
    shared, seen = dict[str, float](), scatter_g(study)
    for runs, percent in _shared_gains(study, limits):
        yield _shared_gain(runs, percent, limits)
        shared |= dict.fromkeys((run.name for run in runs), percent)
    for run in study.runs:
        sample_g, total_g = run.sample_mass_g, run.total_g
        if sample_g is None:
            continue
        noise_g = _NOISE * reading_noise_g(study, run, seen)
        gain = 100.0 * (total_g / sample_g - 1.0) - shared.get(run.name, 0.0)
        lost = gain < 0
        limit = limits["percent"] if lost else limits["gain_percent"]
        told = abs(total_g - sample_g) > noise_g * math.sqrt(len(run.readings) + 0.5)
        if told and abs(gain) > limit:
            says = f"{total_g:.6g} g came back of {sample_g:.6g} g: "
            says += f"{abs(gain):.1f} % {'lost' if lost else 'too much'}"
            says += ", beside what its runs have in common" if run.name in shared else ""
            remedy, limit = (lost_remedy, -limit) if lost else (gain_remedy, limit)
            yield Flag("mass_balance", says, at(run), gain, limit, remedy=remedy)


def _shared_gains(study: Study, limits: Mapping[str, float]) -> Iterator[tuple[list[Run], float]]:
    """Runs of a balance, or of a group on it, that all gain or lose nearly as much, per cent."""
    left = [run for run in study.runs if run.sample_mass_g is not None]
    for by in (attrgetter("balance"), attrgetter("balance", "group")):
        alike: dict[object, list[Run]] = defaultdict(list)
        for run in left:
            alike[by(run)].append(run)
        for runs in alike.values():
            gains = [100.0 * (run.total_g / (run.sample_mass_g or 1.0) - 1.0) for run in runs]
            shared = median(gains)
            limit = limits["gain_percent"] if shared > 0 else limits["percent"]
            apart = median(abs(one - shared) for one in gains)
            if len(runs) >= _ALIKE and abs(shared) > max(limit, _ALIKE * apart):
                left = [run for run in left if run not in runs]
                yield runs, shared


def _shared_gain(runs: Sequence[Run], percent: float, limits: Mapping[str, float]) -> Flag:
    """What is told of a gain or loss that runs have in common, with what one tare would move."""
    by_g = [percent / 100.0 * (run.sample_mass_g or 0.0) for run in runs]
    moves: dict[float, list[float]] = defaultdict(list)
    for run, own_g in zip(runs, by_g, strict=True):
        for one in run.readings:
            moves[one.aperture_um].append(moved_percent(run, one, own_g))
    most = max(abs(median(own)) for own in moves.values())
    told = f"the {len(runs)} runs of {', '.join(dict.fromkeys(run.group for run in runs))} weigh "
    told += f"{abs(median(by_g)):.3g} g {'more' if percent > 0 else 'less'} than was put on the "
    says = f"{told}stack, nearly alike, as by one cause; were it the tare of one sieve, D50 would "
    says += f"move by up to {most:.1f} %"
    remedy = "Weigh the empty sieves, and a sample, again; correct the tare in all these runs."
    limit = limits["gain_percent"] if percent > 0 else -limits["percent"]
    return Flag("mass_balance", says, Spot(), percent, limit, f"{told}stack", remedy=remedy)


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
    usual_g, told = median(others) if others else tare_g, ""
    if len(others) > 1 and {*others} == {tare_g}:
        told = (
            f"sieve {reading.sieve} weighs less loaded than empty ({tare_g:.10g} g, one tare for "
        )
        told += "all its runs)"
        remedy = "Weigh the empty sieve again, and correct its tare in all of them."
    elif net_g > -_FAR * reading_noise_g(study, run, scatter_g(study)):
        told = f"gross is below tare, as far as the tares on balance {run.balance} scatter"
        remedy = "Write that scatter as repeatability_g of the balance, or weigh the sieves again."
    elif usual_g < tare_g and gross_g - usual_g >= lowest_g:
        remedy = f"In its other runs this sieve weighs {usual_g:.10g} g empty: correct the tare if "
        remedy += "it was mistyped, or weigh the empty sieve again."
    spot = at(run, reading)
    return Flag("gross_below_tare", told or says, spot, net_g, lowest_g, told, remedy)


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


TARE_CHECKS = (shared_sieve, tare_scatter)
