"""Reading the study named on the command line, with its bench checks.

What only the checks can see (a warning) is remarked on standard error by the commands that compute
sizes, so that it travels with the numbers; errors stop.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from .console import Console

if TYPE_CHECKING:
    from psdstats.study import CheckReport, Study

__all__ = ["read_checked"]


def read_checked(options: argparse.Namespace, console: Console) -> tuple[Study, CheckReport]:
    """Read the study and run the bench checks; say how many warnings there are."""
    from psdstats.study import check_study, read_study

    study = read_study(options.study, encoding=options.encoding)
    report = check_study(study)
    warnings = report.of_severity("warning")
    if warnings:
        console.warn(
            f"{len(warnings)} warning{'s' if len(warnings) > 1 else ''} from the bench checks; "
            f"see: psdstats check {options.study}"
        )
    return study, report
