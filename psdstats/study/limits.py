"""How large an input may be before it is refused, so that no file can exhaust the machine.

The figures are choices of this project (no source): about a thousand times a large trial.
"""

from __future__ import annotations

__all__ = [
    "MAX_APERTURE_UM",
    "MAX_CELL_CHARACTERS",
    "MAX_COLUMNS",
    "MAX_FILE_BYTES",
    "MAX_MASS_G",
    "MAX_ROWS",
    "MAX_SETTINGS_BYTES",
    "MAX_UNPACKED_BYTES",
    "MIN_APERTURE_UM",
]

MAX_FILE_BYTES = 50_000_000
"""Largest table or workbook, bytes."""
MAX_UNPACKED_BYTES = 300_000_000
"""Largest sum of the unpacked parts of a workbook, bytes."""
MAX_SETTINGS_BYTES = 1_000_000
"""Largest study.toml, bytes."""
MAX_ROWS = 200_000
"""Most rows of one table."""
MAX_COLUMNS = 200
"""Most columns of one table."""
MAX_CELL_CHARACTERS = 2_000
"""Longest text in one cell."""

MIN_APERTURE_UM = 1.0
"""Smallest aperture taken as meant in µm; smaller ones are mm in the wrong column."""
MAX_APERTURE_UM = 125_000.0
"""Largest aperture, µm: the upper end of the range of ISO 3310-1."""
MAX_MASS_G = 1_000_000.0
"""Largest mass, g; more is a lost decimal sign."""
