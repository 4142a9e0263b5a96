"""A trial as data: reading files, typed records, bench checks, saving."""

from psdstats.study.check import check_file, check_study
from psdstats.study.findings import CHECKS, CheckOptions, CheckReport, Finding, Severity
from psdstats.study.reader import read_sieve_list, read_study
from psdstats.study.records import (
    Balance,
    Place,
    Reading,
    Run,
    SourceFile,
    Study,
    TareHandling,
)
from psdstats.study.save import StudyForm, form_of, save_study
from psdstats.study.sheet import SheetPlan, recording_labels, recording_sheet
from psdstats.study.tares import tare_history

__all__ = [
    "CHECKS",
    "Balance",
    "CheckOptions",
    "CheckReport",
    "Finding",
    "Place",
    "Reading",
    "Run",
    "Severity",
    "SheetPlan",
    "SourceFile",
    "Study",
    "StudyForm",
    "TareHandling",
    "check_file",
    "check_study",
    "form_of",
    "read_sieve_list",
    "read_study",
    "recording_labels",
    "recording_sheet",
    "save_study",
    "tare_history",
]
