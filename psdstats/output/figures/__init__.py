"""Figures: each function takes a frame and an Axes, draws, and returns the Axes."""

from psdstats.output.figures.classes import class_changes
from psdstats.output.figures.consistency import group_consistency
from psdstats.output.figures.draws import draw_spread
from psdstats.output.figures.influence import leave_one_out, random_effects, rows_height_mm
from psdstats.output.figures.loss import loss_against_size
from psdstats.output.figures.mill import jar_section
from psdstats.output.figures.misfit import fit_misfit
from psdstats.output.figures.panels import joint_key, new_panels
from psdstats.output.figures.planned_uncertainty import uncertainty_against_sample
from psdstats.output.figures.power import power_curves
from psdstats.output.figures.rate import size_rate
from psdstats.output.figures.ratios import effect_ratios, ratios_height_mm
from psdstats.output.figures.residuals import residual_quantiles, residuals_against_fitted
from psdstats.output.figures.save import png_bytes, save_figure, svg_text
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.figures.signs import set_decimal_sign
from psdstats.output.figures.sizes import size_against_time
from psdstats.output.figures.stack import expected_undersize
from psdstats.output.figures.tares import tare_history
from psdstats.output.figures.timeline import bench_bars, bench_bars_height_mm
from psdstats.output.figures.undersize import cumulative_undersize
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
