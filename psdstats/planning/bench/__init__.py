"""Mill charge and bench timeline: the day at the bench, before it begins."""

from psdstats.planning.bench.charge import Balls, Jar, MillCharge, mill_charge
from psdstats.planning.bench.schedule import BenchTimes
from psdstats.planning.bench.timeline import Timeline, timeline

__all__ = ["Balls", "BenchTimes", "Jar", "MillCharge", "Timeline", "mill_charge", "timeline"]
