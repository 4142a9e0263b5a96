"""How the guide shows what its code gives: a figure as a picture, a frame as a table."""

from __future__ import annotations

import base64
import html

import pandas as pd
from matplotlib.axes import Axes

from psdstats.output.figures.save import svg_text


def shown(result: object, alt: str = "") -> str:
    """HTML of a result, as a notebook would show it."""
    if isinstance(result, Axes):
        svg = svg_text(result.get_figure(root=True))
        data = base64.b64encode(svg.encode()).decode()
        return (
            f'<img class="drawn" alt="{html.escape(alt)}" src="data:image/svg+xml;base64,{data}">'
        )
    if isinstance(result, pd.DataFrame):
        text = result.to_html(index=False, border=0, float_format="{:.4g}".format, na_rep="")
        return f'<div class="frame">{text}</div>'
    if hasattr(result, "_repr_html_"):
        return result._repr_html_()
    return f"<pre>{html.escape(str(result))}</pre>"
