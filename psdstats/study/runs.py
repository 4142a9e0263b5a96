"""Runs of a trial and their readings, as frozen records that check themselves.

Units: aperture in µm, mass in g, time in min.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd

from psdstats import columns as col
from psdstats.errors import StudyError
from psdstats.frozen import ReadOnly, hold_number, hold_records, hold_text, hold_texts, refusal
from psdstats.limits import NOT_NEGATIVE, POSITIVE
from psdstats.study.cells import note_problem, number_text, to_number

_FIGURES = re.compile(r"([0-9]+)")
Key = tuple[tuple[int, float, str], ...]
"""What sorts names; runs are shown by what they are, not by where they stand in the files."""

_RUN_LABELS = (col.REPLICATE, col.SPLIT, col.CHARGE)
_RUN_FIELDS = (col.RUN, col.GROUP, col.TIME, *_RUN_LABELS, col.SAMPLE_MASS, col.BALANCE)


@dataclass(frozen=True, slots=True)
class Place:
    """File or sheet, and row as a spreadsheet counts it, of what was written down."""

    file: str
    row: int


@dataclass(frozen=True, kw_only=True)
class _Written:
    """What is written of every reading, evaluated or not."""

    sieve: str
    aperture_um: float
    place: Place = field(default=Place("", 0), compare=False)
    gross_again_g: float | None = None
    remark: str = ""
    further: Mapping[str, str] = field(default_factory=ReadOnly)


@dataclass(frozen=True, kw_only=True)
class Reading(_Written):
    """One sieve (or the pan, aperture 0) weighed empty and loaded in one run.

    Parameters
    ----------
    sieve : str
        Key of the physical sieve, or of the pan.
    aperture_um : float
        Nominal aperture, µm; 0 for the pan.
    tare_g, gross_g : float
        Readings empty and loaded, g.
    place : Place
        Where it was written down; two readings that differ in this alone are equal.
    gross_again_g : float or None
        Loaded reading after one more shaking, for the end point of sieving, g.
    remark : str
        What was noted beside it.
    further : mapping of str to str
        What stands beside it in columns that are not known, as text; nothing is made of it.

    Raises
    ------
    StudyError
        If a field cannot be so; names the sieve, the field, the value and the remedy.

    Examples
    --------
    >>> from psdstats.study import Reading
    >>> round(Reading(sieve="90 µm", aperture_um=90, tare_g=380.1, gross_g=392.6).net_g, 2)
    12.5
    """

    tare_g: float
    gross_g: float

    def __post_init__(self) -> None:
        _hold_reading(self, masses_known=True)

    @property
    def net_g(self) -> float:
        """Mass of powder on the sieve, g."""
        return self.gross_g - self.tare_g


@dataclass(frozen=True, kw_only=True)
class AsideReading(_Written):
    """What is written of a sieve of a run that is not evaluated; None where nothing is."""

    tare_g: float | None = None
    gross_g: float | None = None

    def __post_init__(self) -> None:
        _hold_reading(self, masses_known=False)


def _hold_reading(reading: Reading | AsideReading, *, masses_known: bool) -> None:
    """Hold the fields that a reading has, evaluated or not."""
    hold_text(reading, col.SIEVE)
    hold_number(reading, col.APERTURE, NOT_NEGATIVE)
    for name in (col.TARE, col.GROSS, col.GROSS_AGAIN):
        optional = not masses_known or name == col.GROSS_AGAIN
        hold_number(reading, name, NOT_NEGATIVE, optional=optional)
    hold_text(reading, "remark", empty=True)
    hold_texts(reading, "further")


@dataclass(frozen=True)
class _Factor:
    """One level of a factor, while it is checked."""

    name: str
    level: str | float


def _hold_run(run: Run | AsideRun, kind: type) -> None:
    """Hold the fields that a run has, evaluated or not."""
    for name in ("name", col.GROUP):
        hold_text(run, name)
    for name in _RUN_LABELS:
        hold_text(run, name, optional=True)
    hold_text(run, col.BALANCE, optional=kind is AsideReading)
    hold_number(run, col.TIME, NOT_NEGATIVE)
    hold_number(run, col.SAMPLE_MASS, POSITIVE, optional=True)
    hold_records(run, "readings", kind)
    levels: dict[str, str | float] = {}
    for name, level in run.factors.items():
        if not isinstance(name, str) or name in (*_RUN_FIELDS, *col.NOTED):
            raise refusal(run, "factors", f"{name!r} is no factor", "Give it another name.")
        one = _Factor(name, level)
        if not isinstance(level, str):
            hold_number(one, "level")
        levels[name] = one.level
    object.__setattr__(run, "factors", ReadOnly(levels))
    hold_texts(run, "noted")
    for name, text in run.noted.items():
        if name not in col.NOTED:
            remedy = f"Give some of {', '.join(col.NOTED)}."
            raise refusal(run, "noted", f"{name!r} is no note about a run", remedy)
        if problem := note_problem(name, text, f"{type(run).__name__} {run.name[:40]}"):
            raise StudyError([problem])


@dataclass(frozen=True, kw_only=True)
class _ListedRun:
    """What is known of every run, evaluated or not."""

    name: str
    group: str
    milling_time_min: float
    replicate: str | None = None
    split: str | None = None
    charge: str | None = None
    sample_mass_g: float | None = None
    factors: Mapping[str, str | float] = field(default_factory=ReadOnly)
    noted: Mapping[str, str] = field(default_factory=ReadOnly)
    place: Place = field(default=Place("", 0), compare=False)

    @property
    def sample(self) -> tuple[object, ...]:
        """What the splits of one sample have in common: all that tells samples apart."""
        factors = tuple(sorted((name, str(level)) for name, level in self.factors.items()))
        return self.group, self.milling_time_min, self.replicate, self.charge, factors


@dataclass(frozen=True, kw_only=True)
class Run(_ListedRun):
    """One sample taken at one time and sieved once.

    Parameters
    ----------
    name, group : str
        Key of the run; the group (bench, laboratory) that did it.
    milling_time_min : float
        Milling time at which the sample was taken, min.
    readings : tuple of Reading
        Pan first, then by increasing aperture; each aperture once.
    balance : str
        Key of the balance used.
    replicate : str or None
        Label of the repeat, where a group did the same thing more than once.
    split : str or None
        Label of the split, where one sample was split and each part sieved.
    charge : str or None
        Label of the filling of the jar it was sampled from; runs of one label are samples of one
        filling, taken at several times.
    sample_mass_g : float or None
        Mass put on the stack, if it was weighed.
    factors : mapping of str to (str or float)
        Every further column of the run table: ball_ratio, shaking_time_min, operator, …
    noted : mapping of str to str
        What is noted of it (`psdstats.columns.NOTED`): status, remark, day, person, order.
    place : Place
        Where the run is listed; two runs that differ in this alone are equal.

    Raises
    ------
    StudyError
        If a field cannot be so; names the run, the field, the value and the remedy.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> run = study.runs[0]
    >>> run.name, run.milling_time_min, round(run.total_g, 1)
    ('mill-0', 0.0, 50.2)
    """

    readings: tuple[Reading, ...]
    balance: str

    def __post_init__(self) -> None:
        _hold_run(self, Reading)

    @property
    def total_g(self) -> float:
        """Sum of the net masses, g."""
        return sum(reading.net_g for reading in self.readings)


def chord_um(run: Run, level: float, nets_g: Sequence[float] | None = None) -> float:
    """Size by the chord of ln aperture between two sieves, µm; infinite where none enclose it."""
    ln_um = [math.log(one.aperture_um) for one in run.readings if one.aperture_um > 0]
    whole = np.cumsum([one.net_g for one in run.readings] if nets_g is None else nets_g)
    below = whole[: len(ln_um)] / whole[-1]
    inside = below[0] <= level <= below[-1]
    return math.exp(np.interp(level, np.maximum.accumulate(below), ln_um)) if inside else math.inf


@dataclass(frozen=True, kw_only=True)
class AsideRun(_ListedRun):
    """A run that is not evaluated: planned, abandoned, or not wholly weighed yet.

    Its readings are all that is written of its sieves, perhaps nothing.
    """

    readings: tuple[AsideReading, ...] = ()
    balance: str | None = None

    def __post_init__(self) -> None:
        _hold_run(self, AsideReading)

    @property
    def status(self) -> str:
        """What it is: as noted, or planned where no sieve has a gross mass yet; else empty."""
        waits = bool(self.readings) and all(one.gross_g is None for one in self.readings)
        return self.noted.get(col.STATUS, "planned" if waits else "")


def even_levels(
    factors: Iterable[Mapping[str, str | float]],
) -> dict[str, dict[str | float, str | float]]:
    """Levels of factors to be replaced so that each is all numbers, or words where one is none.

    So a file has them, in which a number is a text like any other.

    Examples
    --------
    >>> even_levels([{"ratio": "12"}, {"ratio": 6.0}, {"mill": "A"}])
    {'ratio': {'12': 12.0}}
    """
    levels: dict[str, dict[str | float, None]] = {}
    for name, level in chain.from_iterable(one.items() for one in factors):
        levels.setdefault(name, {})[level] = None
    even: dict[str, dict[str | float, str | float]] = {}
    for name, own in levels.items():
        numbers = {one: to_number(one) for one in own if isinstance(one, str)}
        if numbers and None not in numbers.values():
            even[name] = {one: float(number or 0) for one, number in numbers.items()}
        elif 0 < len(numbers) < len(own):
            even[name] = {one: number_text(one) for one in own if not isinstance(one, str)}
    return even


def with_levels(run: Any, even: Mapping[str, Mapping[str | float, str | float]]) -> Any:
    """The run with some levels of its factors as others."""
    factors = {name: even.get(name, {}).get(one, one) for name, one in run.factors.items()}
    return replace(run, factors=factors)


def frame_of_runs(runs: Sequence[Run | AsideRun]) -> pd.DataFrame:
    """One row a run: what is known of every run, then its factors as columns of their own."""
    rows = [
        {col.RUN: one.name, **{name: getattr(one, name) for name in _RUN_FIELDS[1:]}, **one.factors}
        for one in runs
    ]
    return pd.DataFrame(rows)


def natural(text: str) -> Key:
    """Key that sorts names as a person does: a-2 before a-10, capitals beside small letters.

    Examples
    --------
    >>> sorted(["a-10", "B-1", "a-2"], key=natural)
    ['a-2', 'a-10', 'B-1']
    """
    parts = (part for part in _FIGURES.split(text.casefold()) if part)
    cut = tuple((0, float(part), "") if part.isdecimal() else (1, 0.0, part) for part in parts)
    return (*cut, (2, 0.0, text))


def place_of(run: Run | AsideRun) -> tuple[object, ...]:
    """Key that sorts runs: group, factors, time, replicate, split, name."""
    levels = tuple(
        (name, *((0, float(one), ()) if isinstance(one, int | float) else (1, 0.0, natural(one))))
        for name, one in sorted(run.factors.items())
    )
    names = (natural(one or "") for one in (run.replicate, run.split, run.name))
    return (natural(run.group), levels, run.milling_time_min, *names)
