"""What the bench checks found: one finding a row, with its place, limit, source and remedy."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields

import pandas as pd

from psdstats.errors import Problem
from psdstats.study.check_options import CHECKS, Severity
from psdstats.study.records import Reading, Run

__all__ = ["CheckReport", "Finding", "finding", "from_problem"]


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
