"""What the bench checks found: one flag a row, with its place, limit, source and remedy.

`checks.csv` lists the checks in the order in which flags are given: severity, whether such a flag
stops the reading of a study, the limits that `[checks]` of study.toml may set (each with the rule
of practice that gives its default) and their unit, where a limit comes from otherwise, whether a
flag throws doubt on what was weighed in its run, and what to do where that is always the same.
There, `name = false` switches a check off and `[checks.name]` changes its limits; a check that
stops cannot be switched off.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from importlib.resources import files

import pandas as pd

from psdstats.columns import listed
from psdstats.errors import Problem
from psdstats.frozen import ReadOnly
from psdstats.present import Shown
from psdstats.sieves.standards import practice_rule
from psdstats.study.cells import SourceFile
from psdstats.study.records import Study
from psdstats.study.runs import Reading, Run


class Severity(StrEnum):
    """What a flag means: an error stops, a warning travels along, a note informs."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, kw_only=True)
class CheckOptions:
    """One check.

    Parameters
    ----------
    severity : Severity
        How grave a flag is.
    stops : bool
        Whether a study with such a flag cannot be read at all.
    doubts : bool
        Whether a flag throws doubt on a reading of its run, so that the run may be left out.
    limits : mapping of str to float
        Settable limits with their defaults; units in the names.
    source : str
        Where the limits come from, each source once.
    unit : str
        Unit of what is found and of its limit.
    remedy : str
        What to do, where that is always the same.
    """

    severity: Severity
    stops: bool
    doubts: bool
    limits: Mapping[str, float]
    source: str
    unit: str
    remedy: str


def _declared(row: Mapping[str, str]) -> CheckOptions:
    """One row of `checks.csv`."""
    rules = [part.partition("=")[::2] for part in row["limits"].split()]
    sources = [row["judged_by"], *(practice_rule(rule).source for _, rule in rules)]
    return CheckOptions(
        severity=Severity(row["severity"]),
        stops=row["stops"] == "yes",
        doubts=row["doubts"] == "yes",
        limits=ReadOnly({name: practice_rule(rule).value for name, rule in rules}),
        source="; ".join(dict.fromkeys(filter(None, sources))),
        unit=row["unit"],
        remedy=row["remedy"],
    )


_ROWS = (files("psdstats.study") / "checks.csv").read_text(encoding="utf-8").splitlines()
CHECKS: Mapping[str, CheckOptions] = ReadOnly(
    {row["check"]: _declared(row) for row in csv.DictReader(_ROWS)}
)
"""Every check by name, in the order in which flags are listed."""


UNREADABLE = "reading"
"""Name under which a flag stands for what cannot be read at all."""
_READING = CheckOptions(
    severity=Severity.ERROR, stops=True, doubts=False, limits={}, source="", unit="", remedy=""
)


def limits_of(study: Study, check: str) -> dict[str, float] | None:
    """Limits of a check, or None where the study switches it off."""
    setting = study.checks.get(check, True)
    if setting is False and not CHECKS[check].stops:
        return None
    own = setting if isinstance(setting, Mapping) else {}
    return {**CHECKS[check].limits, **{key: float(value) for key, value in own.items()}}


@dataclass(frozen=True)
class Spot:
    """Where something was found; None where it does not apply."""

    file: str | None = None
    row: int | None = None
    run: str | None = None
    sieve: str | None = None


def readings(study: Study) -> Iterator[tuple[Run, Reading]]:
    """Every reading, with its run."""
    return ((run, reading) for run in study.runs for reading in run.readings)


def at(run: Run, reading: Reading | None = None, *, sieve: str | None = None) -> Spot:
    """Spot of a reading, or of a run and its first row."""
    places = [each.place for each in (run.readings if reading is None else (reading,))]
    place = min(places, key=lambda each: each.row, default=None)
    name = sieve if reading is None else reading.sieve
    if place is None or place.file == "":
        return Spot(run=run.name, sieve=name)
    return Spot(place.file, place.row, run.name, name)


@dataclass(frozen=True)
class Flag:
    """One thing a check found.

    Parameters
    ----------
    check : str
        Name of the check, or "reading" for what cannot be read at all.
    says : str
        What was found, as a clause.
    spot : Spot
        File, row, run and sieve.
    value, limit : float
        What was found and what it is compared with, in the unit of the check; None where there is
        no number.
    common : str
        What it has in common with flags of other runs that are one finding with it, as a clause.
    remedy : str
        What to do, as a sentence; if left out, what `checks.csv` says.

    Examples
    --------
    >>> from psdstats.study import Flag
    >>> print(Flag("mass_balance", "6 % lost", remedy="Weigh again."))
    warning: 6 % lost. Weigh again.
    """

    check: str
    says: str
    spot: Spot = Spot()
    value: float | None = None
    limit: float | None = None
    common: str = ""
    remedy: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "remedy", self.remedy or self._options.remedy)

    @property
    def unit(self) -> str:
        """Unit of value and limit; empty where there is no number."""
        return "" if self.value is None else self._options.unit

    @property
    def _options(self) -> CheckOptions:
        """What is declared of the check."""
        return _READING if self.check == UNREADABLE else CHECKS[self.check]

    @property
    def severity(self) -> Severity:
        """Error, warning or note."""
        return self._options.severity

    @property
    def source(self) -> str:
        """Where the limit comes from."""
        return self._options.source

    @property
    def doubts(self) -> bool:
        """Whether it throws doubt on a reading of its run, or of all that it names in common."""
        return self._options.doubts

    def __str__(self) -> str:
        where = self.spot.file or ""
        if self.spot.row is not None:
            where += f", row {self.spot.row}"
        place = "".join(f"{part}: " for part in (where, self._names()) if part)
        return f"{self.severity}: {place}{self.says}. {self.remedy}"

    def _names(self) -> str:
        names = {"run": self.spot.run, "sieve": self.spot.sieve}
        return ", ".join(f"{kind} {name}" for kind, name in names.items() if name)

    def to_problem(self) -> Problem:
        """Give the same as a problem that stops reading.

        Examples
        --------
        >>> from psdstats.study import Flag
        >>> Flag("mass_balance", "6 % lost", remedy="Weigh again.").to_problem().remedy
        'Weigh again.'
        """
        names = self._names()
        fault = f"{names}: {self.says}" if names else self.says
        return Problem(self.spot.file or "", fault, self.remedy, row=self.spot.row)


def unreadable(problem: Problem) -> Flag:
    """Turn something that cannot be read into an error among the flags."""
    column = "" if problem.column is None else f"column {problem.column}: "
    found = "" if problem.value is None else f" (found {problem.value!r})"
    common = f"{column}{problem.fault}"
    spot = Spot(problem.file, problem.row)
    return Flag(UNREADABLE, f"{common}{found}", spot, common=common, remedy=problem.remedy)


_FEW = 3  # flags of one check that are findings of their own though they ask for the same


def alike(flags: Sequence[Flag]) -> tuple[tuple[Flag, ...], ...]:
    """Flags that are one finding together, in the order of the first of each.

    One finding are flags that say the same of several runs, or have it in common; and warnings and
    notes of one check and remedy, and cells that cannot be read for one reason, where there are
    more than three.
    """
    often = Counter((flag.check, flag.remedy, flag.common) for flag in flags)
    found: dict[tuple[str, ...], list[Flag]] = {}
    for flag in flags:
        many = often[flag.check, flag.remedy, flag.common] > _FEW
        told = flag.common or ("" if many and flag.severity is not Severity.ERROR else flag.says)
        if flag.check == UNREADABLE and not many:
            told = flag.says
        found.setdefault((flag.check, flag.remedy, told), []).append(flag)
    return tuple(map(tuple, found.values()))


def together(flags: Sequence[Flag]) -> Problem:
    """Flags that are one finding as a problem that stops reading."""
    first, runs = flags[0], [one.spot.run for one in flags[1:] if one.spot.run is not None]
    problem = first.to_problem()
    if not runs:
        return problem
    return replace(problem, fault=f"{problem.fault} (also in {listed(runs, _FEW)})")


_COLUMNS = ("severity", "check", "says", "remedy", "file", "row", "run", "sieve", "value", "limit")


@dataclass(frozen=True, kw_only=True, repr=False)
class CheckReport(Shown):
    """Everything the checks found in a study.

    Parameters
    ----------
    flags : tuple of Flag
        Errors first, then warnings, then notes; within each in the order of the checks.
    switched_off : tuple of str
        Checks that the study switches off.
    title : str
        What was studied.
    files : tuple of SourceFile
        What was read, also where it is no study.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> report = psdstats.check_study(study)
    >>> print(report.summary().splitlines()[0].split(".")[0])
    note: no run has a sample mass, so loss of powder is not looked for
    """

    flags: tuple[Flag, ...]
    switched_off: tuple[str, ...] = ()
    title: str = ""
    files: tuple[SourceFile, ...] = ()

    @property
    def exit_code(self) -> int:
        """2 with errors, 1 with warnings, else 0."""
        severities = {each.severity for each in self.flags}
        if Severity.ERROR in severities:
            return 2
        return 1 if Severity.WARNING in severities else 0

    @property
    def doubted_runs(self) -> tuple[str, ...]:
        """Runs with a reading in doubt, in the order of the flags."""
        found = (each.spot.run for each in self.flags if each.doubts and each.spot.run is not None)
        return tuple(dict.fromkeys(found))

    @property
    def findings(self) -> tuple[tuple[Flag, ...], ...]:
        """The flags, those together that are one finding (see `alike`)."""
        return alike(self.flags)

    def of_severity(self, severity: Severity | str) -> tuple[Flag, ...]:
        """Flags of one severity.

        Parameters
        ----------
        severity : {"error", "warning", "note"}
            Which.

        Returns
        -------
        tuple of Flag
            In the order of the report.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> report = psdstats.check_study(study)
        >>> len(report.of_severity("warning")), len(report.of_severity("note"))
        (0, 2)
        """
        return tuple(each for each in self.flags if each.severity == severity)

    def to_frame(self) -> pd.DataFrame:
        """One row a flag: severity, check, what it says, remedy, place, value, limit, source.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> report = psdstats.check_study(study)
        >>> report.to_frame()[["severity", "check"]].head(2)
          severity           check
        0     note  no_sample_mass
        1     note    negative_net
        """
        rows = [
            {
                **vars(flag.spot),
                **vars(flag),
                "severity": str(flag.severity),
                "unit": flag.unit,
                "source": flag.source,
            }
            for flag in self.flags
        ]
        return pd.DataFrame(rows, columns=[*_COLUMNS, "unit", "source"])
