"""Mixed models for small designs: REML, small-sample inference, contrasts, diagnostics.

Start with `MixedModel(frame, response=..., fixed=[...], random=[...]).fit()`; everything else
hangs on the fit it returns.
"""

from psdstats.findings import ContrastKind
from psdstats.models.contrasts import ContrastResult
from psdstats.models.design_columns import Factor, RandomSlope, Trend
from psdstats.models.diagnostics import friedman_check, leave_one_group_out, repeated_measures_check
from psdstats.models.mixed_model import MixedModel, MixedModelFit
from psdstats.models.resampling import bootstrap_test
from psdstats.models.verdicts import smallest_detectable

__all__ = [
    "ContrastKind",
    "ContrastResult",
    "Factor",
    "MixedModel",
    "MixedModelFit",
    "RandomSlope",
    "Trend",
    "bootstrap_test",
    "friedman_check",
    "leave_one_group_out",
    "repeated_measures_check",
    "smallest_detectable",
]
