"""Mixed models for small designs: REML, small-sample inference, contrasts, diagnostics.

Start with `MixedModel(frame, response=..., fixed=[...], random=[...]).fit()`; everything else
hangs on the fit it returns.
"""

from psdstats.models.bootstrap import BootstrapTest
from psdstats.models.contrasts import ContrastResult
from psdstats.models.design_terms import Factor, RandomSlope, Trend, TrendForm
from psdstats.models.diagnostics import (
    Influence,
    effect_quantiles,
    leave_one_group_out,
    normal_quantiles,
    residual_quantiles,
    residual_table,
)
from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch
from psdstats.models.engine_criterion import Criterion
from psdstats.models.kenward_roger import FTests, adjusted_covariance, kenward_roger
from psdstats.models.mixed_model import MixedModel, fit_many
from psdstats.models.mixed_model_fit import MixedModelFit
from psdstats.models.mixed_model_tests import Boundary, Method, TermTest
from psdstats.models.permutation import PermutationTest
from psdstats.models.satterthwaite import satterthwaite

__all__ = [
    "BatchFit",
    "BootstrapTest",
    "Boundary",
    "ContrastResult",
    "CovarianceParts",
    "Criterion",
    "FTests",
    "Factor",
    "Influence",
    "Method",
    "MixedModel",
    "MixedModelFit",
    "PermutationTest",
    "RandomSlope",
    "TermTest",
    "Trend",
    "TrendForm",
    "adjusted_covariance",
    "effect_quantiles",
    "fit_batch",
    "fit_many",
    "kenward_roger",
    "leave_one_group_out",
    "normal_quantiles",
    "residual_quantiles",
    "residual_table",
    "satterthwaite",
]
