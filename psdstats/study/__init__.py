"""A trial as data: reading files, typed records, bench checks, saving."""

from psdstats.study.check import check_file, check_study
from psdstats.study.findings import CheckOptions, CheckReport, Finding
from psdstats.study.reader import read_study
from psdstats.study.records import Balance, Reading, Run, Study, TareHandling
from psdstats.study.save import StudyForm, save_study
from psdstats.study.sheet import recording_sheet
from psdstats.study.sheet_plan import SheetPlan

__all__ = [
    "Balance",
    "CheckOptions",
    "CheckReport",
    "Finding",
    "Reading",
    "Run",
    "SheetPlan",
    "Study",
    "StudyForm",
    "TareHandling",
    "check_file",
    "check_study",
    "read_study",
    "recording_sheet",
    "save_study",
]
