"""Names, severities and thresholds of the bench checks: what `[checks]` of study.toml may set.

`name = false` switches a check off; `[checks.name]` with a threshold changes its limit.  Checks
that stop the reading of a study cannot be switched off and are marked so.

What the bench checks found: one finding a row, with its place, limit, source and remedy.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from enum import StrEnum
from types import MappingProxyType

import pandas as pd

from psdstats.errors import Problem
from psdstats.sieves.standards import practice_rule
from psdstats.study.records import Reading, Run


class Severity(StrEnum):
    """What a finding means: an error stops, a warning travels along, a note informs."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, kw_only=True)
class CheckOptions:
    """One check.

    Parameters
    ----------
    severity : Severity
        How grave a finding is.
    says : str
        What the check looks for, as a clause.
    judged_by : str
        Where the limit comes from if not from a rule of practice.
    rules : mapping of str to str
        Settable limits by name, each with the rule of practice that gives its default.
    stops : bool, default=False
        Whether a study with such a finding cannot be read at all.
    """

    severity: Severity
    says: str
    judged_by: str = ""
    rules: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    stops: bool = False

    @property
    def thresholds(self) -> dict[str, float]:
        """Settable limits with their defaults; units in the names."""
        return {name: practice_rule(rule).value for name, rule in self.rules.items()}

    @property
    def source(self) -> str:
        """Where the limits come from, each source once."""
        sources = [practice_rule(rule).source for rule in self.rules.values()]
        return "; ".join(dict.fromkeys([*filter(None, [self.judged_by]), *sources]))


_PRACTICE = "common practice, no source"
_NOISE = "the balance's own resolution and repeatability"

CHECKS: Mapping[str, CheckOptions] = MappingProxyType(
    {
        "gross_below_tare": CheckOptions(
            severity=Severity.ERROR,
            says="a loaded sieve is lighter than the empty one by more than weighing noise",
            judged_by=_NOISE,
            stops=True,
        ),
        "no_pan": CheckOptions(
            severity=Severity.ERROR,
            says="a run has no pan (aperture 0)",
            judged_by="ISO 9276-1: the undersize of every sieve needs the whole mass (from memory)",
            stops=True,
        ),
        "no_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has a pan and no sieve",
            judged_by="ISO 9276-1 (from memory)",
            stops=True,
        ),
        "repeated_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has the same sieve, or the same aperture, twice",
            judged_by=_PRACTICE,
            stops=True,
        ),
        "no_powder": CheckOptions(
            severity=Severity.ERROR,
            says="the net masses of a run do not add up to more than nothing",
            judged_by=_PRACTICE,
            stops=True,
        ),
        "negative_net": CheckOptions(
            severity=Severity.NOTE,
            says="a loaded sieve is lighter than the empty one, within weighing noise",
            judged_by=_NOISE,
        ),
        "missing_sieve": CheckOptions(
            severity=Severity.WARNING,
            says="a run lacks a sieve that the other runs of its group have",
            judged_by=_PRACTICE,
        ),
        "aperture_order": CheckOptions(
            severity=Severity.WARNING,
            says="the sieves of a run are not written in the order of their apertures",
            judged_by=_PRACTICE,
        ),
        "off_series": CheckOptions(
            severity=Severity.NOTE,
            says="an aperture is not in the standard series",
            judged_by="ISO 3310-1, ASTM E11 (from memory)",
        ),
        "certificate": CheckOptions(
            severity=Severity.WARNING,
            says="a certified aperture is outside the standard's tolerance, or a sieve has neither",
            judged_by="ISO 3310-1 (from memory)",
        ),
        "overload": CheckOptions(
            severity=Severity.WARNING,
            says="a sieve holds more than its load limit",
            rules={"kg_per_m2": "load_limit", "sieve_diameter_mm": "sieve_diameter"},
        ),
        "over_capacity": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is above the capacity of the balance",
            judged_by="the balance's own capacity",
        ),
        "finer_than_resolution": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is not a multiple of the balance's resolution",
            judged_by="the balance's own resolution",
        ),
        "mass_balance": CheckOptions(
            severity=Severity.WARNING,
            says="the sum of the net masses differs too much from the sample mass",
            rules={"percent": "loss_percent", "gain_percent": "gain_percent"},
        ),
        "dominant_class": CheckOptions(
            severity=Severity.WARNING,
            says="one sieve holds more than half of the powder",
            rules={"percent": "dominant_percent"},
        ),
        "not_bracketed": CheckOptions(
            severity=Severity.WARNING,
            says="D10, D50 or D90 lies in the pan or above the top sieve",
            judged_by="a percentile is read between two sieves, never extrapolated",
        ),
        "end_point": CheckOptions(
            severity=Severity.WARNING,
            says="the second shaking still moved powder",
            rules={
                "percent": "end_point_percent",
                "mass_g": "end_point_mass",
                "small_percent": "end_point_small_percent",
            },
        ),
        "tare_drift": CheckOptions(
            severity=Severity.WARNING,
            says="the tare of a sieve changes between runs by more than the balance explains",
            judged_by=_NOISE,
            rules={"false_alarm": "tare_false_alarm"},
        ),
        "swapped_sieves": CheckOptions(
            severity=Severity.WARNING,
            says="the tares of two sieves are exchanged in one run",
            judged_by="as tare_drift, whose limit it uses",
        ),
    }
)
"""Every check by name, in the order in which findings are listed."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing a check found.

    Parameters
    ----------
    severity : Severity
        Error, warning or note.
    check : str
        Name of the check, a key of `CHECKS`, or "reading" for what cannot be read at all.
    says : str
        What was found, as a clause.
    remedy : str
        What to do, as a sentence.
    file, row, run, sieve : str, int, str, str
        Place; None where it does not apply.
    value, limit : float
        What was found and what it is compared with, in `unit`; None where there is no number.
    unit : str
        Unit of value and limit.
    source : str
        Where the limit comes from.
    """

    severity: Severity
    check: str
    says: str
    remedy: str
    file: str | None = None
    row: int | None = None
    run: str | None = None
    sieve: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    source: str = ""

    def __str__(self) -> str:
        where = self.file or ""
        if self.row is not None:
            where += f", row {self.row}"
        names = [f"run {self.run}"] if self.run else []
        names += [f"sieve {self.sieve}"] if self.sieve else []
        place = ": ".join(part for part in (where, ", ".join(names)) if part)
        return f"{self.severity}: {place}: {self.says}. {self.remedy}"

    def to_problem(self) -> Problem:
        """Give the same as a problem that stops reading."""
        names = [f"run {self.run}"] if self.run else []
        names += [f"sieve {self.sieve}"] if self.sieve else []
        fault = f"{', '.join(names)}: {self.says}" if names else self.says
        return Problem(file=self.file or "", row=self.row, fault=fault, remedy=self.remedy)


def finding(
    check: str,
    says: str,
    remedy: str,
    *,
    run: Run | None = None,
    reading: Reading | None = None,
    sieve: str | None = None,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "",
) -> Finding:
    """Make a finding of a named check, with its severity and source, at a run or a reading."""
    place = None
    if reading is not None:
        place = reading.place
    elif run is not None and run.readings:
        place = min((each.place for each in run.readings), key=lambda each: each.row)
    placed = place is not None and place.file != ""
    return Finding(
        severity=CHECKS[check].severity,
        check=check,
        says=says,
        remedy=remedy,
        file=place.file if place is not None and placed else None,
        row=place.row if place is not None and placed else None,
        run=None if run is None else run.name,
        sieve=sieve if reading is None else reading.sieve,
        value=value,
        limit=limit,
        unit=unit,
        source=CHECKS[check].source,
    )


def from_problem(problem: Problem) -> Finding:
    """Turn something that cannot be read into an error among the findings."""
    column = "" if problem.column is None else f"column {problem.column}: "
    found = "" if problem.value is None else f" (found {problem.value!r})"
    return Finding(
        severity=Severity.ERROR,
        check="reading",
        says=f"{column}{problem.fault}{found}",
        remedy=problem.remedy,
        file=problem.file,
        row=problem.row,
    )


@dataclass(frozen=True, kw_only=True)
class CheckReport:
    """Everything the checks found in a study.

    Parameters
    ----------
    findings : tuple of Finding
        Errors first, then warnings, then notes; within each in the order of the checks.
    switched_off : tuple of str
        Checks that the study switches off.
    """

    findings: tuple[Finding, ...]
    switched_off: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """2 with errors, 1 with warnings, else 0."""
        severities = {each.severity for each in self.findings}
        if Severity.ERROR in severities:
            return 2
        return 1 if Severity.WARNING in severities else 0

    def of_severity(self, severity: Severity | str) -> tuple[Finding, ...]:
        """Findings of one severity.

        Parameters
        ----------
        severity : {"error", "warning", "note"}
            Which.

        Returns
        -------
        tuple of Finding
            In the order of the report.
        """
        return tuple(each for each in self.findings if each.severity == severity)

    def to_frame(self) -> pd.DataFrame:
        """One row a finding, the fields of `Finding` as columns."""
        rows = [asdict(each) | {"severity": str(each.severity)} for each in self.findings]
        return pd.DataFrame(rows, columns=[each.name for each in fields(Finding)])

    def to_json(self) -> str:
        """Findings as a JSON list, one object a finding."""
        rows = [asdict(each) for each in self.findings]
        return json.dumps(rows, ensure_ascii=False, indent=1, allow_nan=False)

    def sentences(self) -> tuple[str, ...]:
        """Every finding as a sentence with its remedy, then the checks switched off."""
        said = [str(each) for each in self.findings]
        if self.switched_off:
            said.append(f"note: switched off in this study: {', '.join(self.switched_off)}.")
        return tuple(said)
