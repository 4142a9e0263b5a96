"""Elementary inputs, the independent errors of a measurement, and the sources they come from.

An elementary input is one number with mean 0 and standard deviation 1, known by an identity: two
runs that share a sieve, a tare reading or a balance share the input, and that is all the
correlation there is.  Coefficients say how the inputs act: on net masses (g), on apertures (µm) or
directly on ln D.  Linear propagation reads the coefficients, Monte Carlo draws the inputs; both see
the same table.

To add a source, add a subclass of `Source` to a module of `psdstats.uncertainty.sources`;
the registry finds it.
"""

from __future__ import annotations

import inspect
import pkgutil
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import import_module
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.curves import StudyArrays
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Indices
from psdstats.study.records import Balance, Run, Study
from psdstats.study.settings import RETIRED, UNCERTAINTY_RULES, expected_instead
from psdstats.uncertainty import sources as folder

Identity = tuple[str, ...]


class SourceRemark(RemarkKind):
    """What a source had to assume."""

    TOLERANCE_USED = "tolerance used"  # standard, half_widths_um: (aperture, half width), sieves
    NO_REPEATABILITY = "no repeatability declared"  # balance
    NO_SAMPLE_MASS = "no sample mass stated"  # runs
    NO_DATA_SHEET = "balance without data sheet"
    # balance, accuracy_class, is_stated, interval_g, least_g, most_g
    LOSS_COUNTED = "loss counted"  # runs: how many, least_g, most_g, habit
    EMPTY_PAN = "empty pan"  # runs
    END_POINT = "sieving not finished"  # runs: how many, most_g, least_g
    SPLITS_FOUND = "splitting estimated"  # samples, percent, degrees_of_freedom


class Kind(StrEnum):
    """Distribution of an elementary input before it is scaled to standard deviation 1.

    GAMMA has the shape parameter as number of counted objects (JCGM 101:2008, 6.4.11, here kept at
    the observed mean); STUDENT is the scaled t of 6.4.9 with its degrees of freedom.
    """

    NORMAL = "normal"
    UNIFORM = "uniform"
    GAMMA = "gamma"
    STUDENT = "student"


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighings:
    """A study as the sources see it: its records beside its arrays, row for row.

    Attributes
    ----------
    study : Study
        The study.
    runs : tuple of Run
        The runs of the arrays, in their order.
    arrays : StudyArrays
        Their weighings.
    left_open : tuple of ElementaryInputs
        What the law of their curves leaves open between the sieves.
    """

    study: Study
    runs: tuple[Run, ...]
    arrays: StudyArrays
    left_open: tuple[ElementaryInputs, ...] = ()

    def balance(self, row: int) -> Balance:
        """Balance of the run in that row."""
        return self.study.balances[self.runs[row].balance]

    def classes(self) -> Iterator[tuple[int, int, Run, str]]:
        """Row, place, run and sieve of every class weighed."""
        for row, run in enumerate(self.runs):
            for place in np.flatnonzero(self.arrays.real[row]).tolist():
                yield row, place, run, self.arrays.sieves[row][place]


Entry = tuple[int, int, int, float]
"""An input, what it acts on (run and place), and how much of itself it adds there."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Actions:
    """What inputs do to something indexed by run and place, as arrays of one length."""

    input: NDArray[np.int32]
    run: NDArray[np.int32]
    place: NDArray[np.int32]
    coefficient: Array

    @classmethod
    def of(cls, parts: Sequence[tuple[int, Sequence[Entry] | Array]] = ()) -> Actions:
        """Several one after the other, the inputs of each counted from its start."""
        tables = [np.empty((0, 4)), *(np.reshape(part, (-1, 4)) for _, part in parts)]
        index, run, place = (
            np.concatenate([own[:, column].astype(np.int32) for own in tables])
            for column in range(3)
        )
        starts = np.array([0, *(start for start, _ in parts)], dtype=np.int32)
        index += np.repeat(starts, [len(own) for own in tables])
        coefficient = np.concatenate([own[:, 3] for own in tables])
        return cls(input=index, run=run, place=place, coefficient=coefficient)


@dataclass(kw_only=True)
class ElementaryInputs:
    """The inputs of one source.

    Attributes
    ----------
    kind : Kind
        Distribution of all of them.
    identity : list of tuple of str
        One for each input; unique within the source.
    shape : list of float
        Gamma shape or degrees of freedom of the t; 0 for the other kinds.
    degrees_of_freedom : list of float
        Of the standard uncertainty of each input; inf where it is taken as known.
    estimate : list of (tuple of str or None)
        Which estimate the standard uncertainty of each input comes from, None for one of its own:
        readings of one balance share that of its repeatability, and so its degrees of freedom.
    on_mass, on_aperture, on_ln_size : list of Entry, or ndarray of shape (n, 4)
        Coefficients in g at (run, class), in µm at (run, aperture), in ln D at (run, level).
    mass_shift_g : ndarray, shape (R, K), or None
        Correction of the net masses to their expected value, where the source states one.
    notes : list of Remark
        What had to be assumed.
    """

    kind: Kind
    identity: list[Identity] = field(default_factory=list)
    shape: list[float] = field(default_factory=list)
    degrees_of_freedom: list[float] = field(default_factory=list)
    estimate: list[Identity | None] = field(default_factory=list)
    on_mass: list[Entry] = field(default_factory=list)
    on_aperture: list[Entry] = field(default_factory=list)
    on_ln_size: list[Entry] | Array = field(default_factory=list)
    mass_shift_g: Array | None = None
    notes: list[Remark] = field(default_factory=list)
    _known: dict[Identity, int] = field(default_factory=dict)

    def index(
        self,
        identity: Identity,
        *,
        shape: float = 0.0,
        freedom: float = np.inf,
        estimate: Identity | None = None,
    ) -> int:
        """Index of the input of that identity; a new input if it has not been met yet.

        A t has its degrees of freedom as shape.
        """
        if identity not in self._known:
            self._known[identity] = len(self.identity)
            self.identity.append(identity)
            self.shape.append(freedom if self.kind is Kind.STUDENT else shape)
            self.degrees_of_freedom.append(freedom)
            self.estimate.append(estimate)
        return self._known[identity]

    def packed(self, source: str) -> ElementaryInputs:
        """The same, complete, with all names those of a source, in little room.

        What inputs do stands in arrays: as a tuple an entry takes several times as much.
        """
        for name in ("on_mass", "on_aperture", "on_ln_size"):
            setattr(self, name, np.asarray(getattr(self, name), dtype=float))
        self._known.clear()
        self.identity = [(source, *own) for own in self.identity]
        shared: dict[Identity, Identity] = {}
        self.estimate = [
            named if own is None else shared.setdefault(own, (source, *own))
            for named, own in zip(self.identity, self.estimate, strict=True)
        ]
        return self

    def move_mass(
        self,
        identity: Identity,
        row: int,
        place: int,
        u_g: float,
        *,
        shape: float = 0.0,
        freedom: float = np.inf,
        estimate: Identity | None = None,
    ) -> None:
        """Let the input of that identity add `u_g` times itself to a net mass."""
        index = self.index(identity, shape=shape, freedom=freedom, estimate=estimate)
        self.on_mass.append((index, row, place, u_g))


@dataclass(frozen=True, kw_only=True, eq=False)
class InputTable:
    """All elementary inputs of a propagation; N inputs, R runs, K classes.

    Attributes
    ----------
    sources : tuple of str
        Names of the sources included.
    source : ndarray of int, shape (N,)
        Which source each input belongs to.
    kind : tuple of Kind
        Distribution of each input.
    identity : tuple of tuple of str
        Source name followed by the identity within the source.
    shape, degrees_of_freedom : ndarray, shape (N,)
        As in `ElementaryInputs`.
    estimate : ndarray of int, shape (N,)
        Number of the estimate that the standard uncertainty of each input comes from.
    on_mass, on_aperture, on_ln_size : Actions
        As in `ElementaryInputs`, with input indices of this table.
    net_g : ndarray, shape (R, K)
        Net masses with the stated corrections.
    notes : tuple of Remark
        What the sources had to assume.
    """

    sources: tuple[str, ...]
    source: Indices
    kind: tuple[Kind, ...]
    identity: tuple[Identity, ...]
    shape: Array
    degrees_of_freedom: Array
    estimate: Indices
    on_mass: Actions
    on_aperture: Actions
    on_ln_size: Actions
    net_g: Array
    notes: tuple[Remark, ...]


def collect_inputs(weighings: Weighings, sources: Sequence[Source]) -> InputTable:
    """Put the inputs of several sources into one table."""
    told = ((one.name, one.inputs(weighings)) for one in sources)
    named = [(name, [own.packed(name) for own in by]) for name, by in told]
    found = [(number, one) for number, (_, group) in enumerate(named) for one in group]
    starts = np.cumsum([0, *(len(one.identity) for _, one in found)]).tolist()
    net_g = weighings.arrays.net_g.copy()
    numbers: dict[Identity | None, int] = {}
    for _, inputs in found:
        if inputs.mass_shift_g is not None:
            net_g += inputs.mass_shift_g

    acts = {
        what: Actions.of([(at, getattr(one, what)) for at, (_, one) in zip(starts, found)])  # noqa: B905
        for what in ("on_mass", "on_aperture", "on_ln_size")
    }
    return InputTable(
        sources=tuple(name for name, _ in named),
        source=np.array([n for n, one in found for _ in one.identity], dtype=np.intp),
        kind=tuple(one.kind for _, one in found for _ in one.identity),
        identity=tuple(own for _, one in found for own in one.identity),
        shape=np.array([own for _, one in found for own in one.shape], dtype=float),
        degrees_of_freedom=np.array(
            [own for _, one in found for own in one.degrees_of_freedom], dtype=float
        ),
        estimate=np.array(
            [numbers.setdefault(own, len(numbers)) for _, one in found for own in one.estimate],
            dtype=np.intp,
        ),
        **acts,
        net_g=net_g,
        notes=tuple(note for _, one in found for note in one.notes),
    )


class Source(ABC):
    """One source of uncertainty, with its parameters as fields of a frozen dataclass.

    Attributes
    ----------
    name : str
        Key in the study settings, in budgets and in random streams.
    balance_limited : bool
        Whether a better balance would make it smaller.
    order : int
        Place in the budget.
    switch : str
        Setting that switches it on: true or false, or a number above 0 for `..._percent`; its name
        where empty.
    usual : bool
        Whether the source counts where the study does not mention it.

    Examples
    --------
    >>> from psdstats.uncertainty.sources.instruments import Rounding
    >>> Rounding.name, Rounding.balance_limited
    ('rounding', True)
    """

    name: ClassVar[str]
    balance_limited: ClassVar[bool] = False
    order: ClassVar[int]
    switch: ClassVar[str] = ""
    usual: ClassVar[bool] = False

    @classmethod
    def on_by_default(cls, study: Study) -> bool:  # noqa: ARG003 - some sources look at the study
        """Whether the source counts where the study does not mention it.

        Parameters
        ----------
        study : Study
            The trial; some sources look at what it knows.

        Returns
        -------
        bool

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> from psdstats.uncertainty.sources.powder import Sampling
        >>> Sampling.on_by_default(study)
        False
        """
        return cls.usual

    @classmethod
    def from_study(cls, study: Study) -> Self:  # noqa: ARG003 - some sources take parameters
        """Take the parameters from the study.

        Parameters
        ----------
        study : Study
            The trial with its settings, balances and sieves.

        Returns
        -------
        Source

        Raises
        ------
        UncertaintyError
            Naming the key that is missing or out of range.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> from psdstats.uncertainty.sources.instruments import Rounding
        >>> Rounding.from_study(study)
        Rounding()
        """
        return cls()

    @property
    def only_widens(self) -> bool:
        """Whether the curve is fitted as if the source were not there, so that it moves no size."""
        return False

    @abstractmethod
    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """Elementary inputs of this source.

        Parameters
        ----------
        weighings : Weighings
            The runs and their readings.

        Returns
        -------
        sequence of ElementaryInputs
            Inputs with mean 0 and standard deviation 1, and what each does to masses, apertures or
            ln sizes.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> from psdstats.distribution.curves import study_arrays
        >>> from psdstats.uncertainty.inputs import Weighings
        >>> from psdstats.uncertainty.sources.instruments import Rounding
        >>> weighings = Weighings(study=study, runs=study.runs, arrays=study_arrays(study))
        >>> len(Rounding.from_study(study).inputs(weighings))
        1
        """


RUN_TO_RUN = "run_to_run"
"""Name of the declared scatter between runs, which models of several runs estimate themselves."""


@dataclass(frozen=True, kw_only=True)
class ChosenSources:
    """Sources of a propagation, in budget order, and the names of those left out."""

    included: tuple[Source, ...]
    left_out: tuple[str, ...]

    def without(self, name: str) -> ChosenSources:
        """The same with one source left out."""
        kept = tuple(source for source in self.included if source.name != name)
        if len(kept) == len(self.included):
            return self
        return ChosenSources(included=kept, left_out=(*self.left_out, name))


@cache
def known_sources() -> dict[str, type[Source]]:
    """All source classes by name, in budget order."""
    found: list[type[Source]] = []
    for module in pkgutil.iter_modules(folder.__path__):
        loaded = import_module(f"{folder.__name__}.{module.name}")
        found += [
            item
            for item in vars(loaded).values()
            if inspect.isclass(item)
            and issubclass(item, Source)
            and not inspect.isabstract(item)
            and item.__module__ == loaded.__name__
        ]
    return {source.name: source for source in sorted(found, key=lambda one: (one.order, one.name))}


def choose_sources(study: Study, asked: Iterable[str | Source] | None = None) -> ChosenSources:
    """Sources a study switches on, or exactly those asked for.

    Parameters
    ----------
    study : Study
        Its `uncertainty` settings switch sources on and off.
    asked : iterable of str or Source, optional
        Names, or sources with their parameters; replaces the settings of the study.

    Returns
    -------
    ChosenSources
        The sources taken, and notes on what had to be assumed.

    Raises
    ------
    UncertaintyError
        If a setting or a name is unknown, of the wrong type, or a source lacks what it needs.
    """
    known = known_sources()
    chosen: dict[str, Source] = {}
    if asked is None:
        _check_settings(study)
        for name, source in known.items():
            setting = study.uncertainty.get(source.switch or source.name)
            if source.on_by_default(study) if setting is None else setting:
                chosen[name] = source.from_study(study)
    else:
        for item in asked:
            if isinstance(item, Source):
                chosen[item.name] = item
            elif item in known:
                chosen[item] = known[item].from_study(study)
            else:
                raise UncertaintyError(
                    f"source {item!r} is not known; choose from {', '.join(known)}."
                )
    ordered = sorted(chosen.values(), key=lambda source: (source.order, source.name))
    return ChosenSources(
        included=tuple(ordered),
        left_out=tuple(name for name in known if name not in chosen),
    )


def _check_settings(study: Study) -> None:
    """Refuse settings that no file may have either."""
    for key, value in study.uncertainty.items():
        place = f"setting {key!r} of the uncertainty table"
        if key in RETIRED:
            raise UncertaintyError(
                f"{place} has no effect any more, for what the curve may do between two sieves "
                f"counts by default; remove it, or give {RETIRED[key]} = false to leave that out."
            )
        if key not in UNCERTAINTY_RULES:
            names = ", ".join(UNCERTAINTY_RULES)
            raise UncertaintyError(f"{place} is not known; choose from {names}.")
        expected = expected_instead(UNCERTAINTY_RULES[key], value)
        if expected:
            raise UncertaintyError(f"{place} is {value!r}; give {expected}.")


def measurement_sources(
    study: Study, asked: Iterable[str | Source] | None = None
) -> tuple[Source, ...]:
    """Sources for what estimates run-to-run variation itself: those asked for, without it."""
    return tuple(
        source for source in choose_sources(study, asked).included if source.name != RUN_TO_RUN
    )
