"""Did milling time, ball ratio or group change the size, and by how much."""

from psdstats.comparison.compare import compare, measurement_sources
from psdstats.comparison.plan import ComparisonPlan, plan_comparison
from psdstats.comparison.result import Comparison, OverallTest, QuantityComparison, Route

__all__ = [
    "Comparison",
    "ComparisonPlan",
    "OverallTest",
    "QuantityComparison",
    "Route",
    "compare",
    "measurement_sources",
    "plan_comparison",
]
