"""A milling trial as frozen, typed records: what was weighed, when, on which sieve and balance.

Units: aperture in µm, mass in g, time in min.  The records hold what the files say and nothing
computed; sizes come from `psdstats.distribution`, uncertainties from `psdstats.uncertainty`.
"""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

import pandas as pd

from psdstats.columns import TIME
from psdstats.sieves.sieve import Sieve


def _nothing() -> Mapping[str, object]:
    return MappingProxyType({})


def _read_only(values: dict[str, object]) -> MappingProxyType[str, object]:
    return MappingProxyType(values)


# read-only mappings cannot be pickled by themselves, and studies are sent to worker processes
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


class TareHandling(StrEnum):
    """How often the empty sieves were weighed."""

    EACH_RUN = "each run"
    ONCE = "once"


@dataclass(frozen=True, kw_only=True)
class Balance:
    """One balance and what is known of its errors.

    Parameters
    ----------
    name : str
        Key by which runs refer to it.
    resolution_g : float
        Scale interval d of the display.
    repeatability_g : float, default=0
        Standard deviation of repeated readings of one load.
    capacity_g : float or None
        Largest load; needed for the linearity error.
    slope_u : float, default=0
        Relative standard uncertainty of the sensitivity, from certificate or declared.
    linearity_g : float, default=0
        Largest deviation from linearity over the range, from certificate or declared.
    """

    name: str
    resolution_g: float
    repeatability_g: float = 0.0
    capacity_g: float | None = None
    slope_u: float = 0.0
    linearity_g: float = 0.0


@dataclass(frozen=True)
class Place:
    """Where a reading was written down.

    Parameters
    ----------
    file : str
        File name, or sheet of a workbook; empty where there was none.
    row : int
        Row as a spreadsheet counts (the header is row 1).
    """

    file: str
    row: int


@dataclass(frozen=True, kw_only=True)
class Reading:
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
        Loaded reading after one more shaking, for the end-point check alone, g.
    remark : str
        What was noted beside it.
    """

    sieve: str
    aperture_um: float
    tare_g: float
    gross_g: float
    place: Place = field(default=Place("", 0), compare=False)
    gross_again_g: float | None = None
    remark: str = ""

    @property
    def net_g(self) -> float:
        """Mass of powder on the sieve, g."""
        return self.gross_g - self.tare_g


@dataclass(frozen=True, kw_only=True)
class Run:
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
    sample_mass_g : float or None
        Mass put on the stack, if it was weighed.
    factors : mapping of str to (str or float)
        Every further column of the run table: ball_ratio, shaking_time_min, operator, …
    """

    name: str
    group: str
    milling_time_min: float
    readings: tuple[Reading, ...]
    balance: str
    replicate: str | None = None
    sample_mass_g: float | None = None
    factors: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def total_g(self) -> float:
        """Sum of the net masses, g."""
        return sum(reading.net_g for reading in self.readings)


@dataclass(frozen=True)
class SourceFile:
    """A file the study was read from.

    Parameters
    ----------
    name : str
        Its name without folders.
    sha256 : str
        SHA-256 of its bytes, hexadecimal.
    """

    name: str
    sha256: str


@dataclass(frozen=True, kw_only=True)
class Study:
    """A whole trial, as read.

    Two studies are equal if they say the same, whichever files they were read from.

    Parameters
    ----------
    title, material : str
        Free text.
    runs : tuple of Run
        In the order of the files.
    sieves : mapping of str to Sieve
        Physical sieves by key; the pan is not among them.
    balances : mapping of str to Balance
        Balances by name.
    tares : TareHandling
        Whether each run has tare readings of its own.
    density_g_per_cm3 : float or None
        Particle density, needed for the sampling uncertainty.
    shape_factor : float, default=0.5
        Particle volume over the cube of its sieve size (0.5: common practice, no source).
    rule : str, default="semilog"
        Interpolation rule for percentiles.
    uncertainty, checks, compare : mapping
        The tables of the same name of study.toml: options by name.
    files : tuple of SourceFile
        What was read, for the provenance record.
    notes : tuple of str
        What the reader had to assume, as sentences; they travel with every result.
    """

    title: str
    runs: tuple[Run, ...]
    sieves: Mapping[str, Sieve]
    balances: Mapping[str, Balance]
    material: str = ""
    tares: TareHandling = TareHandling.EACH_RUN
    density_g_per_cm3: float | None = None
    shape_factor: float = 0.5
    rule: str = "semilog"
    uncertainty: Mapping[str, object] = field(default_factory=_nothing)
    checks: Mapping[str, object] = field(default_factory=_nothing)
    compare: Mapping[str, object] = field(default_factory=_nothing)
    files: tuple[SourceFile, ...] = field(default=(), compare=False)
    notes: tuple[str, ...] = ()

    def runs_frame(self) -> pd.DataFrame:
        """One row a run: the fields of `Run`, then its factors as columns of their own."""
        return pd.DataFrame(
            [
                {
                    "run": run.name,
                    "group": run.group,
                    TIME: run.milling_time_min,
                    "replicate": run.replicate,
                    "sample_mass_g": run.sample_mass_g,
                    "balance": run.balance,
                    **run.factors,
                }
                for run in self.runs
            ]
        )

    def weighings_frame(self) -> pd.DataFrame:
        """One row a reading: run, sieve, aperture_um, tare_g, gross_g, net_g."""
        return pd.DataFrame(
            [
                {
                    "run": run.name,
                    "sieve": reading.sieve,
                    "aperture_um": reading.aperture_um,
                    "tare_g": reading.tare_g,
                    "gross_g": reading.gross_g,
                    "net_g": reading.net_g,
                }
                for run in self.runs
                for reading in run.readings
            ]
        )
