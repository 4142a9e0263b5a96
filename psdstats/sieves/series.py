"""Standard series of nominal apertures, from the table of apertures and tolerances.

Apertures in µm.  The table `apertures.csv` says of every value whether it was found in a source
or is quoted from memory.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from psdstats.errors import SizeError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SERIES", "aperture_table", "nominal_apertures_um", "series"]

SERIES = {
    "R20/3": "principal sizes of ISO 3310-1, ratio 1.41",
    "R40/3": "supplementary sizes of ISO 3310-1 and sizes of ASTM E11, ratio 1.19",
    "R20": "supplementary sizes of ISO 3310-1, ratio 1.12",
}
"""Series by name (ISO 565, from memory)."""


@cache
def _rows() -> tuple[dict[str, str], ...]:
    text = (files("psdstats.sieves") / "apertures.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def aperture_table() -> pd.DataFrame:
    """The whole table of apertures and tolerances, with the status of each value.

    Returns
    -------
    DataFrame
        One row an aperture; columns ending in `_status` say "searched" or "from memory".
    """
    import pandas as pd

    with as_file(files("psdstats.sieves") / "apertures.csv") as path:
        return pd.read_csv(path, keep_default_na=True)


def nominal_apertures_um() -> tuple[float, ...]:
    """Every nominal aperture in the table, increasing.

    Returns
    -------
    tuple of float
        Apertures in µm.
    """
    return tuple(float(row["w_um"]) for row in _rows())


def series(
    name: str, *, finest_um: float = 20.0, coarsest_um: float = 16_000.0
) -> tuple[float, ...]:
    """Nominal apertures of a series between two limits.

    Parameters
    ----------
    name : str
        A key of `SERIES`.
    finest_um, coarsest_um : float
        Limits, both included, µm.

    Returns
    -------
    tuple of float
        Apertures in µm, increasing.

    Raises
    ------
    SizeError
        If the series is not known or has no aperture between the limits.

    Examples
    --------
    >>> series("R20/3", finest_um=45, coarsest_um=180)
    (45.0, 63.0, 90.0, 125.0, 180.0)
    """
    if name not in SERIES:
        raise SizeError(f"The series {name!r} is not known. Use one of {', '.join(SERIES)}.")
    found = tuple(
        float(row["w_um"])
        for row in _rows()
        if name in row["series"].split(" + ") and finest_um <= float(row["w_um"]) <= coarsest_um
    )
    if not found:
        raise SizeError(
            f"Series {name} has no aperture between {finest_um:g} and {coarsest_um:g} µm. "
            "Widen the limits (20 µm to 16 mm)."
        )
    return found
