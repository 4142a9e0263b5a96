"""The laboratory's own list of sieves, for planning a recording sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.errors import Problem, StudyError

if TYPE_CHECKING:
    from psdstats.sieves import Sieve

__all__ = ["read_sieve_list"]


def read_sieve_list(path: Path) -> tuple[Sieve, ...]:
    """Read a CSV file with the columns of sieves.csv (at least sieve and nominal_um).

    Parameters
    ----------
    path : Path
        The file, UTF-8.

    Returns
    -------
    tuple of Sieve
        In the order of the file.

    Raises
    ------
    StudyError
        If the file cannot be read as it stands; lists every problem.
    """
    from psdstats.study.columns import SIEVE_COLUMNS
    from psdstats.study.equipment import collect_sieves
    from psdstats.study.raw import RawStudy
    from psdstats.study.source_csv import decode, read_csv_table

    problems: list[Problem] = []
    raw = RawStudy(name=path.stem, settings_file=path.name)
    try:
        content = path.read_bytes()
    except OSError as cause:
        fault = f"the list of sieves cannot be opened ({cause.strerror})"
        remedy = "Give a CSV file with the columns sieve and nominal_um."
        raise StudyError([Problem(file=str(path), fault=fault, remedy=remedy)]) from cause
    text = decode(content, path.name, encoding=None, problems=problems)
    if text is not None:
        raw.sieves = read_csv_table(text, path.name, known=SIEVE_COLUMNS, problems=problems)
    sieves = collect_sieves(raw, (), problems) if raw.sieves is not None else {}
    if problems:
        raise StudyError(problems)
    return tuple(sieves.values())
