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
from psdstats.frozen import ReadOnly, hold_number, hold_records, hold_text, read_only, refusal
from psdstats.limits import NOT_NEGATIVE, POSITIVE, Limits
from psdstats.present import Shown
from psdstats.sieves.standards import Sieve
from psdstats.study.cells import CellComment, SourceFile
from psdstats.study.runs import AsideRun, even_levels, frame_of_runs, natural, place_of, with_levels
from psdstats.study.runs import Place as Place
from psdstats.study.runs import Reading as Reading
from psdstats.study.runs import Run as Run

if TYPE_CHECKING:
    from narwhals.stable.v2.typing import IntoFrame

_FRAMES = "psdstats.study.frames"  # which makes studies, and is loaded on use
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
        hold_number(self, "resolution_g", POSITIVE)
        hold_number(self, "slope_u", Limits(0, 1, below=True))
        hold_number(self, "linearity_g", NOT_NEGATIVE, optional=True)
        for name in ("repeatability_g", "drift_g"):
            hold_number(self, name, NOT_NEGATIVE)
        for name in ("capacity_g", "verification_interval_g"):
            hold_number(self, name, POSITIVE, optional=True)
        hold_text(self, "certificate", optional=True)
        hold_number(self, "repeatability_weighings", Limits(2, whole=True), optional=True)
        if (weighings := self.repeatability_weighings) is not None:
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
        hold_number(self, "density_g_per_cm3", POSITIVE, optional=True)
        hold_number(self, "shape_factor", POSITIVE)
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
            own = tuple(with_levels(run, even) for run in getattr(self, name))
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


def in_order(study: Study) -> Study:
    """The same study, its runs by group, factors, time, replicate, split and name.

    Parameters
    ----------
    study : Study
        A study; its runs may stand in any order.

    Returns
    -------
    Study
        Sieves stand by name, too.
    """
    sieves = {key: study.sieves[key] for key in sorted(study.sieves, key=natural)}
    return replace(study, runs=tuple(sorted(study.runs, key=place_of)), sieves=sieves)


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
