"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""

from psdstats.sieves.standards import Sieve, aperture_table, series, tolerance_um

__all__ = ["Sieve", "aperture_table", "series", "tolerance_um"]
