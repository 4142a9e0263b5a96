"""Figures: each function takes a frame and an Axes, draws, and returns the Axes."""

from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.bench import (
    bench_bars,
    bench_bars_height_mm,
    jar_section,
    tare_history,
)
from psdstats.output.figures.effects import (
    effect_ratios,
    leave_one_out,
    random_effects,
    ratios_height_mm,
    residual_quantiles,
    residuals_against_fitted,
    rows_height_mm,
)
from psdstats.output.figures.groups import class_changes, fit_misfit, group_consistency
from psdstats.output.figures.planning import (
    expected_undersize,
    power_curves,
    uncertainty_against_sample,
)
from psdstats.output.figures.rate import loss_against_size, size_rate
from psdstats.output.figures.save import png_bytes, save_figure, set_decimal_sign, svg_text
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.figures.sizes import cumulative_undersize, draw_spread, size_against_time
from psdstats.output.style import house_style, new_axes

__all__ = [
    "bench_bars",
    "bench_bars_height_mm",
    "class_changes",
    "cumulative_undersize",
    "draw_spread",
    "effect_ratios",
    "expected_undersize",
    "fit_misfit",
    "group_consistency",
    "house_style",
    "jar_section",
    "joint_key",
    "leave_one_out",
    "loss_against_size",
    "new_axes",
    "new_panels",
    "png_bytes",
    "power_curves",
    "random_effects",
    "ratios_height_mm",
    "residual_quantiles",
    "residuals_against_fitted",
    "rows_height_mm",
    "save_figure",
    "set_decimal_sign",
    "shares_height_mm",
    "size_against_time",
    "size_rate",
    "svg_text",
    "tare_history",
    "uncertainty_against_sample",
    "uncertainty_shares",
]
