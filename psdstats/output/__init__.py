"""Tables, figures and the report; draws onto Axes and writes text, computes nothing.

Tables and report are named here; the figures stand in `psdstats.output.figures`, each a function
that takes a frame and an Axes and returns the Axes.
"""

from psdstats.output.bundle import write_report_folder
from psdstats.output.content import (
    Bullets,
    Drawing,
    Equation,
    Note,
    NoteKind,
    Paragraph,
    ReportContent,
    Section,
    Verdict,
)
from psdstats.output.report import report_html
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Column, Show, Table

__all__ = [
    "Bullets",
    "Column",
    "Drawing",
    "Equation",
    "Note",
    "NoteKind",
    "Paragraph",
    "ReportContent",
    "Section",
    "Show",
    "Table",
    "Verdict",
    "house_style",
    "new_axes",
    "report_html",
    "write_report_folder",
]
