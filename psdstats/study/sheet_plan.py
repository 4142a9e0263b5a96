"""What a recording sheet is made from: who mills how long, on which sieves, how often.

Units: aperture in µm, mass in g, time in min.

The rows of a recording sheet: the tables of a study whose masses are still empty.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from psdstats import columns as col
from psdstats.errors import Problem, StudyError
from psdstats.frozen import ReadOnly
from psdstats.sieves.standards import Sieve
from psdstats.study.assemble import listed_sieves
from psdstats.study.cells import letters, number_text
from psdstats.study.forms import file_text, read_csv_table
from psdstats.study.records import Balance, TareHandling
from psdstats.study.save import OutTable, described, sieve_table, table_of
from psdstats.study.tables import MAX_APERTURE_UM, MIN_APERTURE_UM, RawStudy

_MOST_RUNS = 1000  # two to a page of A4


@dataclass(frozen=True, kw_only=True)
class PlannedRun:
    """One run to be done: its name, its place in the proposed order and what distinguishes it."""

    order: int
    name: str
    group: str
    milling_time_min: float
    replicate: str | None
    split: str | None
    charge: str
    factors: Mapping[str, str | float]


@dataclass(frozen=True, kw_only=True)
class SheetPlan:
    """A trial to be recorded.

    Parameters
    ----------
    title, material : str
        Free text.
    groups : tuple of str
        Benches or laboratories.
    times_min : tuple of float
        Milling times, min.
    apertures_um : tuple of float
        Nominal apertures of the stack, µm, without the pan; for groups without sieves of their
        own in `sieves`.
    sieves : mapping of str to tuple of Sieve
        Physical sieves by group, where the laboratory has a list of them.
    one_stack : bool, default=False
        Whether all groups share one physical stack of `apertures_um`.
    replicates : int, default=1
        Runs of each group at each time.
    fresh_charges : bool, default=False
        Whether every time of milling has a filling of the jar of its own; without, one filling is
        sampled at all times.
    splits : int, default=1
        Parts of each sample that are sieved, which tell how well it was split.
    factors : mapping of str to tuple
        Further factors and their levels, every combination of which is run; blanks in a name
        become underscores.
    sample_mass_g : float or None
        Mass to be put on the stack; written as a hint, for the sheet wants the mass weighed.
    shaking_time_min : float or None
        Shaking time, min.
    balance : Balance or None
        The balance.
    tares : TareHandling, default="each run"
        Whether every run weighs its sieves empty.
    second_shaking : bool, default=False
        Whether loads are weighed again after one more shaking, for the end-point check.
    margin_percent : float or None
        Change of size too small to matter, per cent; a setting of the study.
    seed : int, default=0
        Seed of the proposed order of the runs.

    Raises
    ------
    StudyError
        If the plan is empty or contradicts itself; lists every problem.

    Examples
    --------
    >>> from psdstats.study import SheetPlan
    >>> plan = SheetPlan(
    ...     title="Trial",
    ...     groups=("Alder",),
    ...     times_min=(0, 12),
    ...     apertures_um=(63, 125),
    ...     replicates=2,
    ... )
    >>> len(plan.runs())
    4
    """

    title: str
    groups: tuple[str, ...]
    times_min: tuple[float, ...]
    apertures_um: tuple[float, ...] = ()
    sieves: Mapping[str, tuple[Sieve, ...]] = field(default_factory=ReadOnly)
    one_stack: bool = False
    replicates: int = 1
    fresh_charges: bool = False
    splits: int = 1
    factors: Mapping[str, tuple[str | float, ...]] = field(default_factory=ReadOnly)
    material: str = ""
    sample_mass_g: float | None = None
    shaking_time_min: float | None = None
    balance: Balance | None = None
    tares: TareHandling = TareHandling.EACH_RUN
    second_shaking: bool = False
    margin_percent: float | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        faults = [
            Problem("recording sheet", fault, remedy, column=column)
            for column, fault, remedy in self._refused()
        ]
        if faults:
            raise StudyError(faults)
        object.__setattr__(self, "tares", TareHandling(self.tares))
        factors = {"_".join(name.split()): levels for name, levels in self.factors.items()}
        object.__setattr__(self, "factors", ReadOnly(factors))

    def _refused(self) -> Iterator[tuple[str, str, str]]:
        """Field, fault and remedy of everything that cannot be planned."""
        for name in ("groups", "times_min"):
            values = getattr(self, name)
            if not values:
                yield name, "there is none", "Give at least one."
            if len(set(values)) < len(values):
                yield name, "a value is there twice", "Give each value once."
        if not all(map(str.strip, self.groups)):
            yield "groups", "a group has no name", "Name every group."
        if not all(math.isfinite(time) and time >= 0 for time in self.times_min):
            yield "times_min", "a time is negative or no number", "Give times in min from 0."
        if self.tares not in tuple(TareHandling):
            yield "tares", "the value is not known", f"Give one of {', '.join(TareHandling)}."
        for name in ("replicates", "splits"):
            if getattr(self, name) < 1:
                yield name, "there is none", "Give at least 1."
        for group in self.groups:
            yield from self._refused_stack(group)
        nominal: dict[str, float] = {}
        for sieve in (sieve for group in self.groups for sieve in self.stack(group)):
            if nominal.setdefault(sieve.key, sieve.nominal_um) != sieve.nominal_um:
                yield "sieves", f"sieve {sieve.key} has two apertures", "Name each sieve once."
        for name, levels in self.factors.items():
            if not levels or len(set(map(str, levels))) < len(levels):
                yield f"factors.{name}", "levels are missing or there twice", "Give each once."
            if name in (*col.FLAT_COLUMNS, *col.COMPUTED_COLUMNS) or not name.strip():
                yield f"factors.{name}", "the sheet uses this name", "Rename the factor."
        for name in (col.SAMPLE_MASS, col.SHAKING_TIME):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                yield name, "the number is not above zero", "Give a number above zero."
        combinations = math.prod(len(levels) for levels in self.factors.values())
        runs = len(self.groups) * len(self.times_min) * combinations
        runs *= max(self.replicates, 1) * max(self.splits, 1)
        if runs > _MOST_RUNS:
            fault = f"the sheet would have {runs:,} runs, more than {_MOST_RUNS:,}"
            yield "replicates", fault, "Plan less, or a sheet for each group."

    def _refused_stack(self, group: str) -> Iterator[tuple[str, str, str]]:
        """The same for the sieves of a group."""
        apertures = [sieve.nominal_um for sieve in self.stack(group)]
        if not apertures:
            yield "apertures_um", f"group {group} has no sieves", "Give its apertures or sieves."
        if len(set(apertures)) < len(apertures):
            yield "apertures_um", f"group {group} has an aperture twice", "Give each once."
        if any(not MIN_APERTURE_UM <= aperture <= MAX_APERTURE_UM for aperture in apertures):
            yield (
                "apertures_um",
                f"group {group} has an aperture outside {MIN_APERTURE_UM:g} µm to 125 mm",
                "Give apertures in µm, without the pan.",
            )

    def stack(self, group: str) -> tuple[Sieve, ...]:
        """Sieves of a group, from coarse to fine, the pan left out.

        Parameters
        ----------
        group : str
            One of the groups.

        Examples
        --------
        >>> from psdstats.study import SheetPlan
        >>> plan = SheetPlan(
        ...     title="Trial",
        ...     groups=("Alder",),
        ...     times_min=(0, 12),
        ...     apertures_um=(63, 125),
        ...     replicates=2,
        ... )
        >>> [sieve.nominal_um for sieve in plan.stack("Alder")]
        [125.0, 63.0]
        """
        owner = "stack" if self.one_stack else group
        own = self.sieves.get(group) or tuple(
            Sieve(key=f"{owner} {number_text(aperture)} µm", nominal_um=aperture)
            for aperture in self.apertures_um
        )
        return tuple(sorted(own, key=lambda sieve: -sieve.nominal_um))

    def pan(self, group: str) -> str:
        """Name of the pan of a group.

        Parameters
        ----------
        group : str
            One of the groups.

        Examples
        --------
        >>> from psdstats.study import SheetPlan
        >>> plan = SheetPlan(
        ...     title="Trial",
        ...     groups=("Alder",),
        ...     times_min=(0, 12),
        ...     apertures_um=(63, 125),
        ...     replicates=2,
        ... )
        >>> plan.pan("Alder")
        'Alder pan'
        """
        return f"{'stack' if self.one_stack and group not in self.sieves else group} pan"

    def runs(self) -> tuple[PlannedRun, ...]:
        """Every run in the proposed order, with a name made from what distinguishes it.

        Notes
        -----
        Each group has an order of its own, for benches work side by side; groups that share one
        stack have one order.  One replicate of everything comes before the next, so that what
        changes from day to day strikes all alike (common practice, no source).  Within it the
        charges come at random; the times of one charge stay in order, since milling adds up.

        Examples
        --------
        >>> from psdstats.study import SheetPlan
        >>> plan = SheetPlan(
        ...     title="Trial",
        ...     groups=("Alder",),
        ...     times_min=(0, 12),
        ...     apertures_um=(63, 125),
        ...     replicates=2,
        ... )
        >>> [run.name for run in plan.runs()]
        ['Alder-0-a', 'Alder-12-a', 'Alder-0-b', 'Alder-12-b']
        """
        rng = np.random.default_rng(self.seed)
        ordered: list[PlannedRun] = []
        for groups in [self.groups] if self.one_stack else [(group,) for group in self.groups]:
            order = itertools.count(1)
            for number in range(self.replicates):
                charges: dict[str, list[PlannedRun]] = {}
                for run in self._replicate(groups, number):
                    charges.setdefault(run.charge, []).append(run)
                of_charge = list(charges.values())
                for index in rng.permutation(len(of_charge)):
                    ordered += [replace(run, order=next(order)) for run in of_charge[index]]
        return tuple(ordered)

    def _replicate(self, groups: tuple[str, ...], number: int) -> Iterator[PlannedRun]:
        """The runs of one replicate, times and splits in order."""
        label = [letters(number + 1).lower()] if self.replicates > 1 else []
        splits = [[str(part + 1)] if self.splits > 1 else [] for part in range(self.splits)]
        for group, levels in itertools.product(groups, itertools.product(*self.factors.values())):
            texts = [level if isinstance(level, str) else number_text(level) for level in levels]
            for time, split in itertools.product(sorted(self.times_min), splits):
                sample = [group, *texts, number_text(time), *label]
                filling = sample if self.fresh_charges else [group, *texts, *label]
                yield PlannedRun(
                    order=0,
                    name="-".join([*sample, *split]),
                    group=group,
                    milling_time_min=time,
                    replicate=next(iter(label), None),
                    split=next(iter(split), None),
                    charge="-".join(filling),
                    factors=ReadOnly(dict(zip(self.factors, levels, strict=True))),
                )


def plan_settings(plan: SheetPlan) -> dict[str, object]:
    """Settings of the study to be recorded."""
    settings: dict[str, object] = {"title": plan.title, "tares": str(plan.tares)}
    if plan.material:
        settings["material"] = plan.material
    if plan.balance is not None:
        settings["balances"] = {plan.balance.name: described(plan.balance)}
    if plan.margin_percent is not None:
        settings["compare"] = {"margin_percent": plan.margin_percent}
    return settings


def plan_runs(plan: SheetPlan) -> OutTable:
    """One row a planned run; the sample mass is to be weighed."""
    balance = None if plan.balance is None else plan.balance.name
    common = {col.SHAKING_TIME: plan.shaking_time_min, col.BALANCE: balance}
    optional = {
        col.REPLICATE: plan.replicates > 1,
        col.SPLIT: plan.splits > 1,
        col.CHARGE: True,
        col.SAMPLE_MASS: True,
        **{name: value is not None for name, value in common.items()},
    }
    asked = [name for name, is_asked in optional.items() if is_asked]
    names = [col.RUN, col.GROUP, col.TIME, *asked, *plan.factors, *col.NOTED]
    cells = (
        {**vars(run), **common, **run.factors, col.RUN: run.name, col.RUN_ORDER: run.order}
        for run in plan.runs()
    )
    return table_of(names, cells)


def plan_weighings(plan: SheetPlan) -> OutTable:
    """One row a sieve and run, from coarse to fine and then the pan; masses are to be weighed."""
    again = [col.GROSS_AGAIN] if plan.second_shaking else []
    names = [col.RUN, col.SIEVE, col.APERTURE, col.TARE, col.GROSS, *again, col.REMARK]
    stacks = {
        group: [*((s.key, s.nominal_um) for s in plan.stack(group)), (plan.pan(group), 0.0)]
        for group in plan.groups
    }
    cells = (
        {col.RUN: run.name, col.SIEVE: sieve, col.APERTURE: aperture_um}
        for run in plan.runs()
        for sieve, aperture_um in stacks[run.group]
    )
    return table_of(names, cells)


def plan_sieves(plan: SheetPlan) -> OutTable:
    """One row a physical sieve, to be completed from its certificate."""
    return sieve_table({sieve.key: sieve for g in plan.groups for sieve in plan.stack(g)})


def read_sieve_list(path: str | Path, *, encoding: str | None = None) -> tuple[Sieve, ...]:
    """Read a CSV file of sieves, with the columns that `sieves.csv` of a study has."""
    raw = RawStudy(Path(path).name, name=Path(path).name)
    if not Path(path).is_file():
        remedy = "Give a CSV file with one sieve a row."
        raise StudyError([Problem(str(path), "there is no such file", remedy)])
    text = file_text(Path(path).resolve(), raw, encoding=encoding)
    if text is not None:
        raw.sieves = read_csv_table(text, raw, known=col.SIEVE_COLUMNS)
    sieves = listed_sieves(raw) if raw.sieves is not None else {}
    if raw.problems:
        raise StudyError(raw.problems)
    return tuple(sieves.values())
