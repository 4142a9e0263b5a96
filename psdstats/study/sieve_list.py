"""Reading a laboratory's own list of sieves, for a recording sheet.  Apertures in µm."""

from __future__ import annotations

from pathlib import Path

from psdstats.errors import Problem, StudyError
from psdstats.sieves.sieve import Sieve
from psdstats.study.columns import SIEVE_COLUMNS
from psdstats.study.equipment import listed_sieves
from psdstats.study.limits import MAX_FILE_BYTES
from psdstats.study.raw import RawStudy
from psdstats.study.source_csv import decode, read_csv_table

__all__ = ["read_sieve_list"]


def read_sieve_list(path: str | Path, *, encoding: str | None = None) -> tuple[Sieve, ...]:
    """Read a CSV file of sieves, with the columns that `sieves.csv` of a study has.

    Parameters
    ----------
    path : str or Path
        The file.
    encoding : str or None
        Its encoding where it is not UTF-8.

    Returns
    -------
    tuple of Sieve
        The sieves, in the order of the file.

    Raises
    ------
    StudyError
        If anything cannot be read as it stands; lists every problem found.
    """
    place = Path(path)
    problems: list[Problem] = []
    raw = RawStudy(name=place.name, settings_file=place.name)
    if not place.is_file() or place.stat().st_size > MAX_FILE_BYTES:
        remedy = "Give a CSV file with one sieve a row."
        fault = "there is no such file, or it is too large"
        raise StudyError([Problem(file=str(place), fault=fault, remedy=remedy)])
    text = decode(place.read_bytes(), place.name, encoding=encoding, problems=problems)
    if text is not None:
        raw.sieves = read_csv_table(text, place.name, known=SIEVE_COLUMNS, problems=problems)
    sieves = listed_sieves(raw, problems) if raw.sieves is not None else {}
    if problems:
        raise StudyError(problems)
    return tuple(sieves.values())
