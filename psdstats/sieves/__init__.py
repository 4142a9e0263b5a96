"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""

from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import aperture_table, series, tolerance_um

__all__ = ["Sieve", "aperture_table", "series", "tolerance_um"]
