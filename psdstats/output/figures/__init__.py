"""Figures: each function takes a frame and an Axes, draws, and returns the Axes."""

from psdstats.output.figures.ratios import effect_ratios, ratios_height_mm
from psdstats.output.figures.save import png_bytes, save_figure, svg_text
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.figures.sizes import size_against_time
from psdstats.output.figures.undersize import cumulative_undersize
from psdstats.output.style import house_style, new_axes

__all__ = [
    "cumulative_undersize",
    "effect_ratios",
    "house_style",
    "new_axes",
    "png_bytes",
    "ratios_height_mm",
    "save_figure",
    "shares_height_mm",
    "size_against_time",
    "svg_text",
    "uncertainty_shares",
]
