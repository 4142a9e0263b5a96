"""A milling trial as frozen, typed records: what was weighed, when, on which sieve and balance.

Units: aperture in µm, mass in g, time in min.  The records hold what the files say and nothing
computed; sizes come from `psdstats.distribution`, uncertainties from `psdstats.uncertainty`.
They check what they are given: a field that cannot be so is refused with its record, value and
remedy.  What only readings beside each other show (a missing pan, a gross below its tare) is left
to the bench checks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from psdstats import columns as col
from psdstats.errors import StudyError
from psdstats.frozen import (
    ReadOnly,
    hold_number,
    hold_records,
    hold_text,
    hold_texts,
    read_only,
    refusal,
)
from psdstats.present import Shown
from psdstats.sieves.sieve import Sieve
from psdstats.study.cells import CellComment, SourceFile, even_levels, note_problem

if TYPE_CHECKING:
    from narwhals.stable.v2.typing import IntoFrame

_FRAMES = "psdstats.study.frames"  # which makes studies, and is loaded on use
_RUN_LABELS = (col.REPLICATE, col.SPLIT, col.CHARGE)
_RUN_FIELDS = (col.RUN, col.GROUP, col.TIME, *_RUN_LABELS, col.SAMPLE_MASS, col.BALANCE)

ACCURACY_CLASSES = ("I", "II", "III", "IIII")
"""Classes of balances in OIML R 76."""


class TareHandling(StrEnum):
    """How often the empty sieves were weighed.

    Examples
    --------
    >>> from psdstats.study import TareHandling
    >>> [str(one) for one in TareHandling]
    ['each run', 'once']
    """

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
    repeatability_weighings : int or None
        How many readings that standard deviation is of; it has one degree of freedom less.
    capacity_g : float or None
        Largest load.
    slope_u : float, default=0
        Relative standard uncertainty of the sensitivity, from certificate or declared.
    linearity_g : float or None
        Largest deviation from linearity over the range, from certificate or declared.
    drift_g : float, default=0
        Largest change of the reading between weighing the sieves empty and loaded.
    accuracy_class : {"I", "II", "III", "IIII"} or None
        Class of the balance (OIML R 76); it bounds the errors of one without data sheet.
    verification_interval_g : float or None
        Verification scale interval e on its plate; the resolution if left out.
    certificate : str or None
        Name of its certificate, for the list of what a result is traceable to.

    Raises
    ------
    StudyError
        If a field cannot be so; names the balance, the field, the value and the remedy.

    Examples
    --------
    >>> from psdstats.study import Balance
    >>> Balance(name="fine", resolution_g=0.001, repeatability_g=0.0005).has_data_sheet
    True
    """

    name: str
    resolution_g: float
    repeatability_g: float = 0.0
    repeatability_weighings: int | None = None
    capacity_g: float | None = None
    slope_u: float = 0.0
    linearity_g: float | None = None
    drift_g: float = 0.0
    accuracy_class: str | None = None
    verification_interval_g: float | None = None
    certificate: str | None = None

    def __post_init__(self) -> None:
        hold_text(self, "name")
        hold_number(self, "resolution_g", above=0)
        hold_number(self, "repeatability_g", least=0)
        hold_number(self, "capacity_g", above=0, optional=True)
        hold_number(self, "slope_u", least=0, below=1)
        hold_number(self, "linearity_g", least=0, optional=True)
        hold_number(self, "drift_g", least=0)
        hold_number(self, "verification_interval_g", above=0, optional=True)
        hold_text(self, "certificate", optional=True)
        hold_number(self, "repeatability_weighings", least=2, optional=True)
        weighings = self.repeatability_weighings
        if weighings is not None:
            if weighings != int(weighings):
                fault = "there is no such number of weighings"
                raise refusal(self, "repeatability_weighings", fault, "Give a whole number.")
            object.__setattr__(self, "repeatability_weighings", int(weighings))
        if self.accuracy_class not in (None, *ACCURACY_CLASSES):
            remedy = f"Give one of {', '.join(ACCURACY_CLASSES)}."
            raise refusal(self, "accuracy_class", "the class is not known", remedy)

    @property
    def has_data_sheet(self) -> bool:
        """Whether anything is stated of its errors: repeatability or linearity."""
        return self.repeatability_g > 0 or self.linearity_g is not None

    @property
    def repeatability_df(self) -> float:
        """Degrees of freedom of its repeatability; inf where it is taken as known."""
        weighings = self.repeatability_weighings
        return math.inf if weighings is None else weighings - 1.0


@dataclass(frozen=True)
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
    hold_number(reading, col.APERTURE, least=0)
    for name in (col.TARE, col.GROSS, col.GROSS_AGAIN):
        optional = not masses_known or name == col.GROSS_AGAIN
        hold_number(reading, name, least=0, optional=optional)
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
    hold_number(run, col.TIME, least=0)
    hold_number(run, col.SAMPLE_MASS, above=0, optional=True)
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


def _with_levels(run: Any, even: Mapping[str, Mapping[str | float, str | float]]) -> Any:
    factors = {name: even.get(name, {}).get(one, one) for name, one in run.factors.items()}
    return replace(run, factors=factors)


def frame_of_runs(runs: Sequence[Run | AsideRun]) -> pd.DataFrame:
    """One row a run: what is known of every run, then its factors as columns of their own."""
    rows = [
        {col.RUN: one.name, **{name: getattr(one, name) for name in _RUN_FIELDS[1:]}, **one.factors}
        for one in runs
    ]
    return pd.DataFrame(rows)


@dataclass(frozen=True, kw_only=True, repr=False)
class Study(Shown):
    """A whole trial, as read.

    Two studies are equal if they say the same, whichever files they were read from.

    Parameters
    ----------
    title, material, author, date : str
        Free text: what was studied, on which powder, by whom, and when the trial was run.
    runs : tuple of Run
        Those that are evaluated, in the order of the files.
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
    rule : str or None
        Interpolation rule that a procedure prescribes for percentiles; None for the powder's own
        sizes, by the law of the undersize curve.
    uncertainty, checks, compare, limits : mapping
        The tables of the same name of study.toml: options by name.
    files : tuple of SourceFile
        What was read, for the provenance record.
    notes : tuple of str
        What the reader had to assume, as sentences; they travel with every result.
    settings_text : str
        The settings as they were typed, so that saving keeps their comments.
    aside : tuple of AsideRun
        Runs that are not evaluated: planned, abandoned, or not wholly weighed yet.
    comments : tuple of CellComment
        What is attached to cells of its tables; held in order.
    unread : tuple of str
        Tables found beside those of the study, which were not read.

    Raises
    ------
    StudyError
        If a field cannot be so, two runs have one name, or a run names a sieve or a balance that
        is not among those of the study.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> study.title, len(study.runs), list(study.balances)
    ('one_bench', 5, ['balance'])
    """

    title: str
    runs: tuple[Run, ...]
    sieves: Mapping[str, Sieve]
    balances: Mapping[str, Balance]
    material: str = ""
    author: str = ""
    date: str = ""
    tares: TareHandling = TareHandling.EACH_RUN
    density_g_per_cm3: float | None = None
    shape_factor: float = 0.5
    rule: str | None = None
    uncertainty: Mapping[str, object] = field(default_factory=ReadOnly)
    checks: Mapping[str, object] = field(default_factory=ReadOnly)
    compare: Mapping[str, object] = field(default_factory=ReadOnly)
    limits: Mapping[str, float] = field(default_factory=ReadOnly)
    files: tuple[SourceFile, ...] = field(default=(), compare=False)
    notes: tuple[str, ...] = ()
    settings_text: str = field(default="", compare=False, repr=False)
    aside: tuple[AsideRun, ...] = ()
    comments: tuple[CellComment, ...] = ()
    unread: tuple[str, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        for name in ("title", "material", "author", "date", "settings_text"):
            hold_text(self, name, empty=True)
        for name, known in (("tares", tuple(TareHandling)), ("rule", (None, *col.RULES))):
            if getattr(self, name) not in known:
                remedy = f"Give one of {', '.join(repr(str(one)) for one in known if one)}."
                raise refusal(self, name, "the value is not known", remedy)
        object.__setattr__(self, "tares", TareHandling(self.tares))
        hold_number(self, "density_g_per_cm3", above=0, optional=True)
        hold_number(self, "shape_factor", above=0)
        for name in ("sieves", "balances", "uncertainty", "checks", "compare", "limits"):
            if not isinstance(getattr(self, name), Mapping):
                raise refusal(self, name, "this is no mapping", "Give a dictionary by name.")
            object.__setattr__(self, name, read_only(getattr(self, name)))
        for name, kind in (
            ("runs", Run),
            ("aside", AsideRun),
            ("files", SourceFile),
            ("notes", str),
            ("comments", CellComment),
            ("unread", str),
        ):
            hold_records(self, name, kind)
        object.__setattr__(self, "comments", tuple(sorted(self.comments)))
        even = even_levels(run.factors for kind in (self.runs, self.aside) for run in kind)
        for name in ("runs", "aside") if even else ():
            own = tuple(_with_levels(run, even) for run in getattr(self, name))
            object.__setattr__(self, name, own)
        self._refuse_unknown_names()

    def _refuse_unknown_names(self) -> None:
        for name, kind in (("sieves", Sieve), ("balances", Balance)):
            for key, each in getattr(self, name).items():
                own = each.key if isinstance(each, Sieve) else getattr(each, "name", None)
                if not isinstance(each, kind) or own != key:
                    remedy = "Give each record under its own name."
                    raise refusal(self, name, f"{key!r} is no {kind.__name__} of that name", remedy)
        seen: set[str] = set()
        every: tuple[Run | AsideRun, ...] = (*self.runs, *self.aside)
        for each_run in every:
            if each_run.name in seen:
                fault = "two runs have this name"
                raise refusal(each_run, "name", fault, "Give each run its own.")
            seen.add(each_run.name)
        for run in self.runs:
            if run.balance not in self.balances:
                known = ", ".join(self.balances)
                remedy = f"Give one of {known}, or add it to the balances of the study."
                raise refusal(
                    run, col.BALANCE, "the balance is not among those of the study", remedy
                )
            for reading in run.readings:
                if reading.aperture_um > 0 and reading.sieve not in self.sieves:
                    fault = f"run {run.name} uses a sieve that is not among those of the study"
                    raise refusal(reading, col.SIEVE, fault, "Add it to the sieves of the study.")
                nominal_um = self.sieves[reading.sieve].nominal_um if reading.aperture_um else 0.0
                if reading.aperture_um != nominal_um:
                    fault = f"in run {run.name} it differs from that of the sieve, "
                    fault += f"{nominal_um:.12g} µm"
                    remedy = "Correct it, or name the sieve that was really used."
                    raise refusal(reading, col.APERTURE, fault, remedy)

    @classmethod
    def from_frame(
        cls,
        weighings: IntoFrame,
        runs: IntoFrame | None = None,
        balances: IntoFrame | Mapping[str, object] | None = None,
        sieves: IntoFrame | Mapping[str, object] | None = None,
        *,
        settings: Mapping[str, object] | None = None,
        **stated: object,
    ) -> Study:
        """Make a study of frames: of pandas, polars, pyarrow or what else narwhals reads.

        Parameters
        ----------
        weighings : frame
            One row a weighing: run, sieve, aperture_um (or aperture_mm), tare_g, gross_g, …; the
            pan has aperture 0.  Without `runs` it is flat: what describes a run stands on its rows.
        runs : frame or None
            One row a run: run, group, milling_time_min, …; every further column is a factor.
        balances : frame, mapping or None
            One row a balance: balance, resolution_g, …; or such tables, or `Balance`, by name.
        sieves : frame, mapping or None
            One row a sieve: sieve, nominal_um, …; or such tables, or `Sieve`, by name.
        settings, **stated
            What else study.toml may say, as a mapping or by name: title, tares, compare, …

        Returns
        -------
        Study
            As read from files of that content; `files` has the SHA-256 of each frame.  Missing
            values are empty cells, named levels of an index are columns.

        Raises
        ------
        StudyError
            As `read_study`; names frame, label of the row, and column.

        Examples
        --------
        >>> import pandas as pd
        >>> weighings = pd.DataFrame({
        ...     "run": ["a-0"] * 3 + ["a-6"] * 3, "milling_time_min": [0] * 3 + [6] * 3,
        ...     "aperture_um": [180, 90, 0] * 2, "tare_g": [400.0, 380.0, 300.0] * 2,
        ...     "gross_g": [410.01, 412.33, 307.9, 403.2, 410.1, 317.0],
        ... })
        >>> study = Study.from_frame(weighings, title="Invented", tares="once")
        >>> [run.name for run in study.runs]
        ['a-0', 'a-6']
        """
        tables = {"runs": runs, "balances": balances, "sieves": sieves}
        given = {**(settings or {}), **stated}
        study: Study = import_module(_FRAMES).study_from(weighings, **tables, settings=given)
        return study

    def to_frames(self, library: str = "pandas") -> dict[str, Any]:
        """The tables of the study as frames, with its settings.

        Parameters
        ----------
        library : {"pandas", "polars", "pyarrow"}, default="pandas"
            Whose frames to make.

        Returns
        -------
        dict
            Frames weighings, runs, balances and sieves, as `from_frame` takes them, and settings, a
            mapping: ``Study.from_frame(**study.to_frames())`` is the same study.

        Raises
        ------
        OutputError
            If the library is not known or not installed, or a column could not be read again.

        Examples
        --------
        >>> import psdstats_datasets, psdstats
        >>> study = psdstats.read_study(psdstats_datasets.demo_study("one_bench"))
        >>> frames = study.to_frames()
        >>> list(frames), Study.from_frame(**frames) == study
        (['weighings', 'runs', 'balances', 'sieves', 'settings'], True)
        """
        frames: dict[str, Any] = import_module(_FRAMES).frames_of(self, library)
        return frames

    def runs_frame(self) -> pd.DataFrame:
        """One row a run: the fields of `Run`, then its factors as columns of their own.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> study.runs_frame()[["run", "group", "milling_time_min"]].head(2)
              run group  milling_time_min
        0  mill-0   all               0.0
        1  mill-6   all               6.0
        """
        return frame_of_runs(self.runs)


class Trial(Protocol):
    """Runs that can be compared, of a study or of values in hand, and what is stated of them."""

    @property
    def title(self) -> str:
        """What was studied."""

    @property
    def author(self) -> str:
        """By whom."""

    @property
    def date(self) -> str:
        """When the trial was run."""

    @property
    def files(self) -> tuple[SourceFile, ...]:
        """What was read."""

    @property
    def runs(self) -> Sequence[Run | AsideRun]:
        """Every run."""

    @property
    def compare(self) -> Mapping[str, object]:
        """Settings of comparisons."""

    @property
    def uncertainty(self) -> Mapping[str, object]:
        """Settings of uncertainties."""

    def runs_frame(self) -> pd.DataFrame:
        """One row a run."""
