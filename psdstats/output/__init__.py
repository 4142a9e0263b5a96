"""Tables, figures and the report; draws onto Axes and writes text, computes nothing.

Tables and report are named here; the figures stand in `psdstats.output.figures`, each a function
that takes a frame and an Axes and returns the Axes.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from psdstats.output.sheet import recording_sheet
    from psdstats.output.style import house_style, new_axes

__all__ = ["house_style", "new_axes", "recording_sheet"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"psdstats.output has no attribute {name!r}")
    home = "sheet" if name == "recording_sheet" else "style"
    return getattr(import_module(f"psdstats.output.{home}"), name)
