"""Tolerance on the average aperture of a test sieve, by standard.

The formula is quoted from memory and not yet compared with the paper standard for apertures of
4 mm and more; a certificate always takes its place.  Apertures in µm.
"""

from __future__ import annotations

from psdstats.errors import SizeError

__all__ = ["COARSEST_UM", "EDITIONS", "FINEST_UM", "tolerance_um"]

EDITIONS = {
    "ISO 3310-1": "ISO 3310-1:2016 (formula from memory)",
    "ASTM E11": "ASTM E11, editions from 2009 on (formula from memory)",
}
"""Standards by the name used in sieve tables, with the edition meant."""

FINEST_UM = 20.0
"""Finest aperture with a tolerance, µm."""
COARSEST_UM = 125_000.0
"""Coarsest aperture with a tolerance, µm."""


def tolerance_um(nominal_um: float, *, standard: str = "ISO 3310-1") -> float:
    """Largest deviation Y allowed for the average aperture of a sieve.

    Parameters
    ----------
    nominal_um : float
        Nominal aperture w, µm; 20 to 125 000.
    standard : str, default="ISO 3310-1"
        A key of `EDITIONS`.

    Returns
    -------
    float
        Y in µm: the average aperture lies between w - Y and w + Y.

    Raises
    ------
    SizeError
        If the standard is not known or does not cover the aperture.

    Notes
    -----
    Y = w^0.98 / 27 + 1.6 µm (ISO 3310-1:2016 and ASTM E11, from memory).  Older editions differ.

    Examples
    --------
    >>> round(tolerance_um(125), 2)
    5.8
    """
    if standard not in EDITIONS:
        raise SizeError(
            f"The tolerance of sieves by {standard!r} is not known. "
            f"Use one of {', '.join(EDITIONS)}, or give the certificate of the sieve."
        )
    if not FINEST_UM <= nominal_um <= COARSEST_UM:
        raise SizeError(
            f"{standard} has no tolerance for an aperture of {nominal_um:g} µm (20 µm to 125 mm). "
            "Give the certificate of the sieve."
        )
    return float(nominal_um**0.98 / 27.0 + 1.6)
