"""A figure as SVG and PNG files: the same bytes for the same data.

Dates and program versions are left out.  Presentation stands in attributes instead of ``style``,
so that a page with a strict content policy may hold the drawing, and marks with a hover text get a
``title`` of their own.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from psdstats.files import ensure, write_file_atomically
from psdstats.output.figures.marks import HOVER
from psdstats.output.style import house_style, narrow_screen
from psdstats.output.text import escape_html

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


PROLOGUE = '<?xml version="1.0" encoding="utf-8"?>\n'  # of a file
_STYLE_ATTRIBUTE = re.compile(r' style="([^"]*)"')
_STYLE_ELEMENT = re.compile(r"\s*<style[^>]*>.*?</style>", re.DOTALL)
_EMPTY_DEFS = re.compile(r"\s*<defs>\s*</defs>")
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_PROLOGUE = re.compile(r"^.*?(?=<svg )", re.DOTALL)
# a text with a double quote stands in single ones
_HOVERED = rf"""(?:"{HOVER}([^"]*)"|'{HOVER}([^']*)')"""
_HOVER_GROUP = re.compile(rf"<g id={_HOVERED}>")
_HOVER_POINT = re.compile(rf"<a xlink:href={_HOVERED}[^>]*>(.*?)</a>", re.DOTALL)
_TITLED = r'<g class="mark"><title>\1\2</title>'


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
    text = _HOVER_POINT.sub(rf"{_TITLED}\3</g>", text)
    if title:
        text = text.replace(">", f">\n <title>{escape_html(title)}</title>", 1)
    return text.strip() + "\n"


def png_bytes(figure: Figure) -> bytes:
    """A figure as PNG."""
    buffer = io.BytesIO()
    with house_style():
        _print(figure, "png", buffer, {"Software": None})
    return buffer.getvalue()


def narrow_figure(draw: Callable[[], Axes]) -> Figure:
    """What is drawn, drawn for a narrow screen.

    A panel keeps the labels that one beside it had for both.
    """
    with narrow_screen():
        ax: Any = draw()
    figure: Figure = ax.get_figure(root=True)
    axes = [one for one in figure.axes if one.get_subplotspec() is not None]
    for own in axes if len(axes) > 1 else ():
        if not own.get_ylabel():
            own.set_ylabel(next((one.get_ylabel() for one in axes if one.get_ylabel()), ""))
    return figure


def save_figure(
    figure: Figure, folder: Path | str, name: str, *, title: str = "", replace: bool = False
) -> list[Path]:
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
    replace : bool, default=False
        Whether files of that name are replaced.

    Returns
    -------
    list of Path
        The two files.

    Raises
    ------
    OutputError
        If one of them is there already and may not be replaced, or cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from psdstats.output.figures import new_axes
    >>> with TemporaryDirectory() as folder:
    ...     files = save_figure(new_axes().figure, folder, "empty")
    >>> [file.name for file in files]
    ['empty.svg', 'empty.png']
    """
    files = [Path(folder) / f"{name}.{ending}" for ending in ("svg", "png")]
    for file in files:
        ensure(file, None, replace=replace)
    svg, png = PROLOGUE + svg_text(figure, title=title), png_bytes(figure)
    write_file_atomically(files[0], svg, replace=replace)
    write_file_atomically(files[1], png, replace=replace)
    return files


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
