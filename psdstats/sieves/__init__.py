"""Aperture series and tolerances of standards, and the physical sieve with its certificate."""
