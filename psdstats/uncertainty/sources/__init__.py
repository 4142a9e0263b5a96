"""The sources of uncertainty, one module each."""

from psdstats.uncertainty.sources.base import Source

__all__ = ["Source"]
