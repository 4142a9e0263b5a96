"""Figures: each function takes a frame and an Axes, draws, and returns the Axes."""

from psdstats.output.figures.archive import control_chart, trials_over_dates
from psdstats.output.figures.bench import bench_bars, jar_section, tare_course
from psdstats.output.figures.effects import (
    effect_ratios,
    residual_quantiles,
    residuals_against_fitted,
)
from psdstats.output.figures.groups import bench_deviations, class_changes, fit_misfit
from psdstats.output.figures.planning import (
    expected_undersize,
    power_curves,
    uncertainty_against_sample,
)
from psdstats.output.figures.rate import loss_against_size, size_rate
from psdstats.output.figures.save import save_figure
from psdstats.output.figures.shares import uncertainty_shares
from psdstats.output.figures.sizes import size_against_time
from psdstats.output.figures.undersize import undersize_curves
from psdstats.output.style import house_style, new_axes

__all__ = [
    "bench_bars",
    "bench_deviations",
    "class_changes",
    "control_chart",
    "effect_ratios",
    "expected_undersize",
    "fit_misfit",
    "house_style",
    "jar_section",
    "loss_against_size",
    "new_axes",
    "power_curves",
    "residual_quantiles",
    "residuals_against_fitted",
    "save_figure",
    "size_against_time",
    "size_rate",
    "tare_course",
    "trials_over_dates",
    "uncertainty_against_sample",
    "uncertainty_shares",
    "undersize_curves",
]
