"""Where numbers come from: version, data by their digest, method, seed, options, packages.

Every folder that a command writes holds the record as provenance.json, and every JSON document
holds it under `provenance`.  It has no time of its own and no path: the same data, options and
versions give the same record, wherever and whenever it is made.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from importlib.metadata import version
from math import isfinite
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from psdstats import __version__

FILE = "provenance.json"
SCHEMA = "provenance/1"
PACKAGES = ("numpy", "scipy", "pandas", "matplotlib")
"""Those that numbers and figures come from."""


class Digest(Protocol):
    """A file or frame with the SHA-256 of what it holds."""

    @property
    def name(self) -> str:
        """Its name without folders."""

    @property
    def sha256(self) -> str:
        """Hexadecimal digest."""


class Traced(Protocol):
    """What names the data that it was read from: a study, or values of any origin."""

    @property
    def title(self) -> str:
        """What was studied."""

    @property
    def files(self) -> tuple[Digest, ...]:
        """What was read."""


def record(
    study: Traced | None,
    *,
    seed: int | None = None,
    method: str | None = None,
    options: Mapping[str, object] | None = None,
    command: str | None = None,
) -> dict[str, object]:
    """Version, data, method, seed, options and packages, as JSON holds them; no time, no path.

    Parameters
    ----------
    study : Study or None
        Whatever has a title and `files`; None where no data are read.
    seed : int, optional
        Seed of what was drawn; None where nothing is drawn.
    method : str, optional
        How the uncertainty was propagated.
    options : mapping of str to object, optional
        What was asked for; values become plain JSON.
    command : str, optional
        The command that gives the same again.
    """
    return {
        "schema": SCHEMA,
        "psdstats": __version__,
        "repeat_with": command,
        "python": platform.python_version(),
        "packages": {name: version(name) for name in PACKAGES},
        "study": study.title if study is not None else None,
        "inputs": {file.name: file.sha256 for file in study.files} if study is not None else {},
        "method": method,
        "seed": seed,
        "options": plain(options or {}),
    }


def plain(value: object) -> object:
    """A value as JSON holds it: None for what is missing or not finite, a path without folders."""
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, np.generic | np.ndarray):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Path):
        return value.name
    if isinstance(value, datetime):
        return value.isoformat()
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): plain(own) for name, own in value.items()}
    if isinstance(value, Iterable):
        return [plain(own) for own in value]
    return None if value is pd.NaT or value is pd.NA else str(value)


def write(folder: Path, made: Mapping[str, object]) -> None:
    """Write a record into the folder that it tells of."""
    text = json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / FILE).write_text(text + "\n", encoding="utf-8", newline="\n")
