"""A trial as data: reading files, typed records, bench checks, saving."""

from psdstats.study.reader import read_study
from psdstats.study.records import (
    Balance,
    Place,
    Reading,
    Run,
    SourceFile,
    Study,
    TareHandling,
)
from psdstats.study.save import StudyForm, save_study

__all__ = [
    "Balance",
    "Place",
    "Reading",
    "Run",
    "SourceFile",
    "Study",
    "StudyForm",
    "TareHandling",
    "read_study",
    "save_study",
]
