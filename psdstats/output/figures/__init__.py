"""Figures: each function takes a frame and an Axes, draws, and returns the Axes."""

from psdstats.output.figures.consistency import group_consistency
from psdstats.output.figures.draws import draw_spread
from psdstats.output.figures.influence import leave_one_out, random_effects, rows_height_mm
from psdstats.output.figures.power import power_curves
from psdstats.output.figures.rate import size_rate
from psdstats.output.figures.ratios import effect_ratios, ratios_height_mm
from psdstats.output.figures.residuals import residual_quantiles, residuals_against_fitted
from psdstats.output.figures.save import png_bytes, save_figure, svg_text
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.figures.signs import set_decimal_sign
from psdstats.output.figures.sizes import size_against_time
from psdstats.output.figures.tares import tare_history
from psdstats.output.figures.undersize import cumulative_undersize
from psdstats.output.style import house_style, new_axes

__all__ = [
    "cumulative_undersize",
    "draw_spread",
    "effect_ratios",
    "group_consistency",
    "house_style",
    "leave_one_out",
    "new_axes",
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
    "uncertainty_shares",
]
