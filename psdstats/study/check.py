"""Running the bench checks on a study or straight on its files.

Every check has a name, a switch and its thresholds in `[checks]` of the settings; `check_options`
lists them.  Errors stop a study from being read, warnings travel with every result, notes inform.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from psdstats.study.check_masses import (
    dominant_class,
    end_point,
    finer_than_resolution,
    mass_balance,
    negative_net,
    not_bracketed,
    over_capacity,
    overload,
)
from psdstats.study.check_options import CHECKS, Severity
from psdstats.study.check_stack import aperture_order, certificate, missing_sieve, off_series
from psdstats.study.check_tares import tare_findings
from psdstats.study.findings import CheckReport, Finding, from_problem
from psdstats.study.reader import read_leniently
from psdstats.study.records import Run, Study
from psdstats.study.stopping import stopping_findings

__all__ = ["check_file", "check_study"]

_OF_STUDY: Mapping[str, Callable[[Study], Iterator[Finding]]] = {
    "missing_sieve": missing_sieve,
    "aperture_order": aperture_order,
    "off_series": off_series,
    "certificate": certificate,
}
_OF_RUN: Mapping[str, Callable[[Study, Run, Mapping[str, float]], Iterator[Finding]]] = {
    "negative_net": negative_net,
    "overload": overload,
    "over_capacity": over_capacity,
    "finer_than_resolution": finer_than_resolution,
    "mass_balance": mass_balance,
    "dominant_class": dominant_class,
    "not_bracketed": not_bracketed,
    "end_point": end_point,
}


def check_study(study: Study) -> CheckReport:
    """Run every check that the study does not switch off.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    CheckReport
        Findings, errors first.
    """
    return _report(study, ())


def check_file(path: str | Path, *, encoding: str | None = None) -> CheckReport:
    """Check the files of a study, also where they cannot be read as they stand.

    Parameters
    ----------
    path : str or Path
        Folder, flat CSV file or workbook.
    encoding : str or None
        Encoding of the CSV files where it is not UTF-8.

    Returns
    -------
    CheckReport
        What cannot be read, as errors, and the findings of all runs that can.
    """
    study, problems = read_leniently(path, encoding=encoding)
    unreadable = [from_problem(problem) for problem in problems]
    if study is None:
        return CheckReport(findings=tuple(unreadable))
    return _report(study, unreadable)


def _report(study: Study, unreadable: Iterable[Finding]) -> CheckReport:
    stopping = list(stopping_findings(study))
    stopped = {found.run for found in stopping}
    sound = replace(study, runs=tuple(run for run in study.runs if run.name not in stopped))
    found = [*unreadable, *stopping]
    for name in CHECKS:
        limits = _limits(study, name)
        if limits is None:
            continue
        if name in _OF_STUDY:
            found += _OF_STUDY[name](sound)
        elif name in _OF_RUN:
            for run in sound.runs:
                found += _OF_RUN[name](sound, run, limits)
    found += [each for each in tare_findings(sound) if _limits(study, each.check) is not None]
    rank = {severity: index for index, severity in enumerate(Severity)}
    off = tuple(name for name in CHECKS if _limits(study, name) is None)
    return CheckReport(
        findings=tuple(sorted(found, key=lambda each: rank[each.severity])), switched_off=off
    )


def _limits(study: Study, name: str) -> Mapping[str, float] | None:
    """Thresholds of a check, or None where the study switches it off."""
    setting = study.checks.get(name, True)
    if setting is False and not CHECKS[name].stops:
        return None
    own = setting if isinstance(setting, Mapping) else {}
    return {**CHECKS[name].thresholds, **{key: float(value) for key, value in own.items()}}
