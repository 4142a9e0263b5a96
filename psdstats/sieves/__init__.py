"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""

from psdstats.sieves.sieve import Sieve
from psdstats.sieves.tolerance import EDITIONS, tolerance_um

__all__ = ["EDITIONS", "Sieve", "tolerance_um"]
