"""Tables, figures and the report; draws onto Axes and writes text, computes nothing.

Tables and report are named here; the figures stand in `psdstats.output.figures`, each a function
that takes a frame and an Axes and returns the Axes.
"""

from psdstats.output.sheet import recording_sheet
from psdstats.output.style import house_style, new_axes

__all__ = ["house_style", "new_axes", "recording_sheet"]
