"""Many trials in one file: their answers, a reference powder over the years, repeatability."""

from psdstats.archive.collecting import collect
from psdstats.archive.results import Archive

__all__ = ["Archive", "collect"]
