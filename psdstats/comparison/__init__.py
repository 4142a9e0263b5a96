"""Did milling time, ball ratio or group change the size, and do the groups agree."""

from psdstats.comparison.compare import compare, compare_values
from psdstats.comparison.consistency import consistency, intraclass_correlation, outliers
from psdstats.comparison.groups import GroupAgreement, group_agreement, group_precision
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.comparison.whole import WholeComparison, compare_distributions, fit_study

__all__ = [
    "Comparison",
    "GroupAgreement",
    "QuantityComparison",
    "WholeComparison",
    "compare",
    "compare_distributions",
    "compare_values",
    "consistency",
    "fit_study",
    "group_agreement",
    "group_precision",
    "intraclass_correlation",
    "outliers",
]
