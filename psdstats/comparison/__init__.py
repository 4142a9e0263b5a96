"""Did milling time, ball ratio or group change the size, and do the groups agree."""

from psdstats.comparison.compare import compare, measurement_sources
from psdstats.comparison.consistency import (
    Consistency,
    Intraclass,
    consistency,
    intraclass_correlation,
    outliers,
)
from psdstats.comparison.groups import Scores, difference_scores, group_agreement, sizes_by_run
from psdstats.comparison.groups_result import GroupAgreement, GroupFinding, GroupVerdict
from psdstats.comparison.plan import ComparisonPlan, plan_comparison
from psdstats.comparison.precision import Precision, precision
from psdstats.comparison.result import Comparison, OverallTest, QuantityComparison, Route
from psdstats.comparison.whole import WholeComparison, compare_distributions
from psdstats.comparison.whole_fits import StudyFits, curve_points, fit_study

__all__ = [
    "Comparison",
    "ComparisonPlan",
    "Consistency",
    "GroupAgreement",
    "GroupFinding",
    "GroupVerdict",
    "Intraclass",
    "OverallTest",
    "Precision",
    "QuantityComparison",
    "Route",
    "Scores",
    "StudyFits",
    "WholeComparison",
    "compare",
    "compare_distributions",
    "consistency",
    "curve_points",
    "difference_scores",
    "fit_study",
    "group_agreement",
    "intraclass_correlation",
    "measurement_sources",
    "outliers",
    "plan_comparison",
    "precision",
    "sizes_by_run",
]
