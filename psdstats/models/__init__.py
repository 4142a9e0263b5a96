"""Mixed models for small designs: REML, small-sample inference, contrasts, diagnostics.

Start with `MixedModel(frame, response=..., fixed=[...], random=[...]).fit()`; everything else
hangs on the fit it returns.
"""

from psdstats.models.bootstrap import BootstrapTest
from psdstats.models.contrasts import ContrastKind, ContrastResult, contrast_table
from psdstats.models.criterion import Criterion
from psdstats.models.crosschecks import CrossCheck, friedman_check, repeated_measures_check
from psdstats.models.design_columns import Factor, RandomSlope, Trend, TrendForm
from psdstats.models.diagnostics import (
    Influence,
    effect_quantiles,
    leave_one_group_out,
    normal_quantiles,
    residual_quantiles,
    residual_table,
)
from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch
from psdstats.models.equivalence import (
    DetectableChange,
    EquivalenceResult,
    contrast_power,
    equivalence_test,
    smallest_detectable,
)
from psdstats.models.fitted import Boundary, Method, TermTest
from psdstats.models.kenward_roger import FTests, adjusted_covariance, kenward_roger, satterthwaite
from psdstats.models.mixed_model import MixedModel, MixedModelFit, fit_many, term_in_responses
from psdstats.models.multiplicity import Adjustment
from psdstats.models.permutation import PermutationTest
from psdstats.models.verdicts import Evidence, Finding, Verdict, verdict

__all__ = [
    "Adjustment",
    "BatchFit",
    "BootstrapTest",
    "Boundary",
    "ContrastKind",
    "ContrastResult",
    "CovarianceParts",
    "Criterion",
    "CrossCheck",
    "DetectableChange",
    "EquivalenceResult",
    "Evidence",
    "FTests",
    "Factor",
    "Finding",
    "Influence",
    "Method",
    "MixedModel",
    "MixedModelFit",
    "PermutationTest",
    "RandomSlope",
    "TermTest",
    "Trend",
    "TrendForm",
    "Verdict",
    "adjusted_covariance",
    "contrast_power",
    "contrast_table",
    "effect_quantiles",
    "equivalence_test",
    "fit_batch",
    "fit_many",
    "friedman_check",
    "kenward_roger",
    "leave_one_group_out",
    "normal_quantiles",
    "repeated_measures_check",
    "residual_quantiles",
    "residual_table",
    "satterthwaite",
    "smallest_detectable",
    "term_in_responses",
    "verdict",
]
