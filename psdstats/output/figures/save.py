"""A figure as SVG and PNG files: the same bytes for the same data.

Dates and program versions are left out.  Presentation stands in attributes instead of ``style``,
so that a page with a strict content policy may hold the drawing, and marks with a hover text get a
``title`` of their own.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.output.figures.marks import HOVER
from psdstats.output.style import house_style
from psdstats.output.text import escape_html

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_STYLE_ATTRIBUTE = re.compile(r' style="([^"]*)"')
_STYLE_ELEMENT = re.compile(r"\s*<style[^>]*>.*?</style>", re.DOTALL)
_EMPTY_DEFS = re.compile(r"\s*<defs>\s*</defs>")
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_PROLOGUE = re.compile(r"^.*?(?=<svg )", re.DOTALL)
_HOVER_GROUP = re.compile(rf'<g id="{HOVER}([^"]*)">')
_HOVER_POINT = re.compile(rf'<a xlink:href="{HOVER}([^"]*)"[^>]*>(.*?)</a>', re.DOTALL)
MM_PER_INCH = 25.4
NARROW_MM = 105.0  # in the 350 pixels of a phone, letters of 8 pt have 9.4 pixels
_ONE_COLUMN = 4  # panels
_TITLED = r'<g class="mark"><title>\1</title>'


def svg_text(figure: Figure, *, title: str = "") -> str:
    """A figure as SVG text without prologue, ready for a file or a page."""
    buffer = io.StringIO()
    with house_style():
        _print(figure, "svg", buffer, {"Date": None, "Creator": None})
    text = _PROLOGUE.sub("", buffer.getvalue(), count=1)
    text = _METADATA.sub("", _STYLE_ELEMENT.sub("", text))
    text = _EMPTY_DEFS.sub("", text)
    text = _STYLE_ATTRIBUTE.sub(_as_attributes, text)
    # joins and caps were the style sheet's only rule; here the marks inherit them
    text = text.replace("<svg ", '<svg stroke-linejoin="round" stroke-linecap="butt" ', 1)
    text = _HOVER_GROUP.sub(_TITLED, text)
    text = _HOVER_POINT.sub(rf"{_TITLED}\2</g>", text)
    if title:
        text = text.replace(">", f">\n <title>{escape_html(title)}</title>", 1)
    return text.strip() + "\n"


def png_bytes(figure: Figure) -> bytes:
    """A figure as PNG."""
    buffer = io.BytesIO()
    with house_style():
        _print(figure, "png", buffer, {"Software": None})
    return buffer.getvalue()


def narrowed(figure: Figure) -> Figure | None:
    """A figure laid out again for a narrow screen, its letters as large as before.

    Panels beside each other come below each other, in two columns where there are more than four.
    The figure itself is changed; None where it is narrow enough as it is.
    """
    width, height = figure.get_size_inches()
    if width <= NARROW_MM / MM_PER_INCH:
        return None
    panels = [(ax, spec) for ax in figure.axes if (spec := ax.get_subplotspec()) is not None]
    before = max((spec.get_gridspec().nrows for _, spec in panels), default=1)
    after = before
    if len(panels) > before:
        columns = 1 if len(panels) <= _ONE_COLUMN else 2
        after = -(-len(panels) // columns)
        grid = figure.add_gridspec(after, columns)
        for at, (ax, _) in enumerate(panels):
            ax.set_subplotspec(grid[at // columns, at % columns])
            ax.tick_params(labelleft=True, labelbottom=True)
            _label_again(ax, [other for other, _ in panels], is_last=at >= len(panels) - columns)
    figure.set_size_inches(NARROW_MM / MM_PER_INCH, height * after / before)
    return figure


def _label_again(ax: Axes, panels: list[Axes], *, is_last: bool) -> None:
    """Give a panel the labels that one beside it, or below it, had for both."""
    if not ax.get_ylabel():
        ax.set_ylabel(next((one.get_ylabel() for one in panels if one.get_ylabel()), ""))
    if is_last and not ax.get_xlabel():
        ax.set_xlabel(next((one.get_xlabel() for one in panels if one.get_xlabel()), ""))


def save_figure(figure: Figure, folder: Path | str, name: str, *, title: str = "") -> list[Path]:
    """Write a figure as NAME.svg and NAME.png.

    Parameters
    ----------
    figure : Figure
        The figure.
    folder : path
        Existing folder.
    name : str
        File name without ending.
    title : str, default=""
        Text alternative, written into the SVG.

    Returns
    -------
    list of Path
        The two files.
    """
    svg, png = Path(folder) / f"{name}.svg", Path(folder) / f"{name}.png"
    prologue = '<?xml version="1.0" encoding="utf-8"?>\n'
    svg.write_text(prologue + svg_text(figure, title=title), encoding="utf-8", newline="\n")
    png.write_bytes(png_bytes(figure))
    return [svg, png]


def _print(figure: Figure, kind: str, buffer: io.IOBase, metadata: dict[str, None]) -> None:
    """Lay out and draw in one pass; `Figure.savefig` draws twice, once only to lay out."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    canvas, dpi = figure.canvas, figure.dpi
    try:
        figure.dpi = mpl.rcParams["savefig.dpi"]
        if kind == "svg":
            FigureCanvasSVG(figure).print_svg(buffer, metadata=metadata)  # type: ignore[no-untyped-call]
        else:
            FigureCanvasAgg(figure).print_png(buffer, metadata=metadata)  # type: ignore[no-untyped-call]
    finally:
        figure.dpi = dpi
        figure.set_canvas(canvas)


def _as_attributes(match: re.Match[str]) -> str:
    pairs = [rule.split(":", 1) for rule in match[1].split(";") if ":" in rule]
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)
