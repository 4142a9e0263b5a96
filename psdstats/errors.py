"""The errors psdstats raises, and the sentence each one carries.

PsdstatsError
├── StudyError         a study cannot be read as it stands; lists every problem found
├── SizeError          a size distribution cannot be computed from what was given
├── UncertaintyError   an uncertainty source or a propagation is not possible as asked
├── ModelError         a statistical model cannot be fitted or tested as asked
├── PlanError          a trial cannot be planned as asked
└── OutputError        a result cannot be written without losing something

Each message is one sentence (or a list of sentences) that names the place, the value found and
what to do.  Programs read the same facts from the attributes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

_MOST_SHOWN = 60  # characters of a value in a message


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a study, with its place and its remedy.

    Parameters
    ----------
    file : str
        File name as the user knows it, a workbook with its sheet, or the record.
    fault : str
        What is wrong, as a clause without a full stop.
    remedy : str
        What to do, as a sentence.
    row : int or None
        Row number as a spreadsheet counts it (the header is row 1), or None for the whole file.
    column : str or None
        Column name, or None.
    value : str or None
        The text found, or None where nothing was found.
    """

    file: str
    fault: str
    remedy: str
    row: int | None = None
    column: str | None = None
    value: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        value = self.value
        if value is not None and len(value) > _MOST_SHOWN:
            value = f"{value[:_MOST_SHOWN]}…"
        found = "" if value is None else f" (found {value!r})"
        return f"{place}: {self.fault}{found}. {self.remedy}"


class PsdstatsError(Exception):
    """Base of every error that psdstats raises on purpose.

    Examples
    --------
    >>> import psdstats
    >>> try:
    ...     psdstats.read_study("nowhere")
    ... except psdstats.PsdstatsError as refusal:
    ...     print(type(refusal).__name__)
    StudyError
    """


class StudyError(PsdstatsError):
    """A study that cannot be read as it stands.

    Parameters
    ----------
    problems : iterable of Problem
        Every problem found, in the order of the files; at least one.
    """

    problems: tuple[Problem, ...]

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(dict.fromkeys(map(str, self.problems))))


class SizeError(PsdstatsError, ValueError):
    """A size distribution that cannot be computed from what was given."""


class UncertaintyError(PsdstatsError, ValueError):
    """An uncertainty source or a propagation that is not possible as asked."""


class ModelError(PsdstatsError, ValueError):
    """A statistical model that cannot be fitted or tested as asked."""


class PlanError(PsdstatsError, ValueError):
    """A plan (charge, stack, power, precision, timeline) that is not possible as asked."""


class OutputError(PsdstatsError):
    """A result that cannot be written without losing something."""
