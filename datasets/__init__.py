"""Demo studies (invented) and published reference cases, each with a README.

>>> demo_study("one_bench").name
'one_bench.csv'
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from psdstats.errors import Problem, StudyError

__all__ = ["DEMO_STUDIES", "PUBLISHED_CASES", "demo_path", "demo_study", "published_path"]

_DEMOS = {
    "four_benches": "demo/four_benches",
    "one_bench": "demo/one_bench",
}
_PUBLISHED = {
    "crushed_quartz": "published/crushed_quartz.csv",
    "mixed_models": "published/mixed_models",
}

DEMO_STUDIES = tuple(_DEMOS)
"""Invented studies: the whole trial first, then the smallest one."""

PUBLISHED_CASES = tuple(_PUBLISHED)
"""Published reference cases."""


def demo_path(name: str) -> Path:
    """Folder of an invented demo study, with its README.

    Parameters
    ----------
    name : str
        One of `DEMO_STUDIES`.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    StudyError
        If there is no demo study of that name.
    """
    return _find(name, _DEMOS)


def demo_study(name: str) -> Path:
    """What `psdstats.read_study` reads of a demo study: its folder, or its only CSV file.

    Parameters
    ----------
    name : str
        One of `DEMO_STUDIES`.

    Returns
    -------
    Path
        A folder or a file.

    Raises
    ------
    StudyError
        If there is no demo study of that name.
    """
    folder = demo_path(name)
    return folder if (folder / "study.toml").exists() else folder / f"{name}.csv"


def published_path(name: str) -> Path:
    """Where a published reference case lies.

    Parameters
    ----------
    name : str
        One of `PUBLISHED_CASES`.

    Returns
    -------
    Path
        A file, or a folder with a README of its own.

    Raises
    ------
    StudyError
        If there is no published case of that name.
    """
    return _find(name, _PUBLISHED)


def _find(name: str, known: dict[str, str]) -> Path:
    if name not in known:
        raise StudyError(
            [
                Problem(
                    file=name,
                    fault="no data set has this name",
                    remedy=f"Choose one of {', '.join(known)}.",
                )
            ]
        )
    return Path(str(files(__name__).joinpath(known[name])))
