"""What pages share: tables and figures with their words, columns by values, sentences once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pandas as pd

from psdstats.output.content import Bullets, Drawing, Section
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.words.captions import CAPTIONS, NOTES
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import fill

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def table_of(
    name: str,
    frame: pd.DataFrame,
    heads: Iterable[Column] = (),
    columns: Iterable[Column] = (),
    say: Numerals = PLAIN,
    *,
    key: str = "",
    notes: Iterable[str] | None = None,
    place: Place = Place.REPORT,
    is_front: bool = False,
    **said: Any,
) -> Table:
    """A table of which `psdstats.words.captions` has caption and notes, by its name or ``key``.

    Columns ``heads`` name the row; without any column all of the frame are shown.  What stands in
    the gaps of the words is ``said``; ``notes`` are given where they are not the usual ones.
    """
    own = NOTES.get(key or name, ())
    usual = (own,) if isinstance(own, str) else own
    named = tuple(heads)
    return Table(
        name=name,
        frame=frame,
        caption=fill(CAPTIONS[key or name], say, **said),
        columns=(*named, *columns),
        notes=tuple(fill(one, say, **said) for one in usual) if notes is None else tuple(notes),
        row_headings=len(named) or 1,
        place=place,
        is_front=is_front,
    )


def drawing_of(
    name: str, draw: Callable[[], Axes], caption: str, told: str | Iterable[str]
) -> Drawing:
    """A figure to be drawn in the house style when it is wanted, told in sentences."""
    alternative = told if isinstance(told, str) else " ".join(told)
    return Drawing(name=name, draw=house_style()(draw), caption=caption, alternative=alternative)


def panel_of(
    name: str,
    onto: Callable[[Axes], Axes],
    caption: str,
    told: str | Iterable[str],
    *,
    height_mm: float,
    say: Numerals,
    is_front: bool = False,
) -> Drawing:
    """A figure of one panel, which may also be drawn onto Axes of somebody's own."""
    drawing = drawing_of(name, lambda: onto(new_axes(height_mm=height_mm, say=say)), caption, told)
    return replace(drawing, onto=house_style()(onto), is_front=is_front)


def number_column(values: pd.Series, *, name: str, heading: str = "", unit: str = "") -> Column:
    """A column with the decimals its values need, such as apertures, times, resolutions.

    Examples
    --------
    >>> number_column(pd.Series([0.1, 0.01]), name="d", heading="resolution").decimals
    2
    >>> number_column(pd.Series([1e-5]), name="slope_u").decimals
    5
    """
    if not pd.api.types.is_numeric_dtype(values):
        return Column(name=name, heading=heading, unit=unit)
    known = values.dropna()
    written = (Decimal(f"{float(one):.6g}").as_tuple().exponent for one in known)
    decimals = max((-one for one in written if isinstance(one, int)), default=0)
    decimals = max(decimals, 0)
    return Column(name=name, heading=heading, unit=unit, show=Show.NUMBER, decimals=decimals)


def without_repeats(sections: Iterable[Section]) -> tuple[Section, ...]:
    """Leave out the items of lists that an earlier section says already, and lists left empty."""
    said: set[str] = set()
    kept = (_once(section, said) for section in sections)
    return tuple(section for section in kept if section.blocks or section.sections)


def _once(section: Section, said: set[str]) -> Section:
    blocks = []
    for block in section.blocks:
        if isinstance(block, Bullets):
            block = Bullets(tuple(item for item in block.items if item not in said))
            said.update(block.items)
            if not block.items:
                continue
        blocks.append(block)
    below = (_once(each, said) for each in section.sections)
    return replace(
        section,
        blocks=tuple(blocks),
        sections=tuple(each for each in below if each.blocks or each.sections),
    )
