"""A trial as data: reading files, typed records, bench checks, saving."""

from psdstats.study.check import check_study
from psdstats.study.flags import CheckReport, Flag
from psdstats.study.reader import check_file, read_study
from psdstats.study.records import Balance, Reading, Run, Study, TareHandling
from psdstats.study.save import StudyForm, save_study
from psdstats.study.sheet_plan import SheetPlan

__all__ = [
    "Balance",
    "CheckReport",
    "Flag",
    "Reading",
    "Run",
    "SheetPlan",
    "Study",
    "StudyForm",
    "TareHandling",
    "check_file",
    "check_study",
    "read_study",
    "save_study",
]
