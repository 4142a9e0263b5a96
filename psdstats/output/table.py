"""How one column of a table is shown: heading, unit, and the rule that turns numbers into text.

A column may gather several columns of the frame: the value with its standard uncertainty, or with
its limits, or with a flag that makes it an open interval.  Where nothing is said, the heading and
the unit are read from the column's own name (``d50_um`` is "d50" in µm).

A table: one frame in full precision, and the columns a reader sees.

The frame is what CSV and XLSX carry; the grid of texts made from it once is what HTML, Markdown,
LaTeX and the terminal show, so that every format gives the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import KW_ONLY, dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd

from psdstats.errors import OutputError
from psdstats.output.text import slug
from psdstats.words.numbers import LEAST_TOLD, MISSING, PLAIN, Numerals
from psdstats.words.remarks import CAPTIONS, FURTHER_NOTES, NOTES, fill

_UNITS = {
    "_g_per_cm3": "g/cm³",
    "_per_cent": "%",
    "_percent": "%",
    "_um2": "µm²",
    "_um": "µm",
    "_mm": "mm",
    "_mg": "mg",
    "_kg": "kg",
    "_g": "g",
    "_min": "min",
    "_rpm": "rpm",
}


class Place(StrEnum):
    """Where a table is shown; all are among the files, and a terminal prints all when asked."""

    FIRST = "first"  # in the report, and in a terminal unasked
    REPORT = "report"
    FILES = "files"
    CSV = "csv"  # a file for machines: as CSV alone, never in a terminal


_POSSIBLE = (1e-15, 1.0 - 1e-15)  # probabilities: 0 and 1 are roundings


class Show(StrEnum):
    """The rule by which a value becomes text.

    `TEXT` (names, words, messages of the bench checks) stays as it is; `RANGE` goes from the value
    to that of the column `upper`; `CHANGE` turns a ratio into
    a change in per cent, `PER_CENT` a fraction into per cent; `SIGNED` shows a number that is a
    change already, with its sign.
    """

    TEXT = "text"
    COUNT = "count"
    NUMBER = "number"
    MEASURED = "measured"
    RATIO = "ratio"
    RANGE = "range"
    CHANGE = "change"
    SIGNED = "signed"
    PER_CENT = "per cent"
    CHANCE = "chance"
    P_VALUE = "p-value"


@dataclass(frozen=True)
class Column:
    """One column as a reader sees it.

    Parameters
    ----------
    name : str
        Column of the frame that holds the value; sorting uses it.
    heading : str
        What stands above it.
    unit : str, default=""
        Unit, shown beside the heading; "" for none.
    show : Show or None
        Rule for the text; None is the usual one of the column's name and values (`usual`).
    u : str or None
        Column with the standard uncertainty, by which the value and what stands behind it are
        rounded.
    expanded : str or None
        Column with the expanded uncertainty, shown behind ± where it is known.
    lower, upper : str or None
        Columns with limits, shown in brackets behind the value (`Show.RATIO`), or as an interval
        behind it (`Show.MEASURED`; with − and + where there is a column `expanded`).
    side : str or None
        Column with "", "<" or ">": not empty makes the value a bound.
    decimals : int or None
        Fixed decimal places, for `Show.NUMBER`, `Show.RANGE`, `Show.PER_CENT`, `Show.CHANGE` and
        `Show.SIGNED`.
    spare : bool, default=False
        Whether a narrow terminal does without it first.
    as_written : bool, default=False
        Whether numbers have the decimals that the values need.
    """

    name: str
    heading: str
    unit: str = ""
    _: KW_ONLY
    show: Show | None = None
    u: str | None = None
    expanded: str | None = None
    lower: str | None = None
    upper: str | None = None
    side: str | None = None
    decimals: int | None = None
    spare: bool = False
    as_written: bool = False

    @property
    def is_number(self) -> bool:
        """Whether the column is set to the right, as numbers are."""
        return self.show not in (None, Show.TEXT)

    @property
    def sources(self) -> tuple[str, ...]:
        """Every column of the frame this one reads."""
        named = (self.name, self.u, self.expanded, self.lower, self.upper, self.side)
        return tuple(name for name in named if name is not None)

    @property
    def full_heading(self) -> str:
        """Heading with its unit after a comma, for formats of plain text."""
        return f"{self.heading}, {self.unit}" if self.unit else self.heading

    def settled(self, values: pd.Series) -> Column:
        """The same column with a rule for its text, by its name and values where none is stated."""
        if self.show is not None:
            return self
        if pd.api.types.is_bool_dtype(values) or not pd.api.types.is_numeric_dtype(values):
            return replace(self, show=Show.TEXT)
        if self.as_written:
            return replace(self, show=Show.NUMBER, decimals=_places(values))
        return replace(self, show=_usual(self.name, values), unit=self.unit or _unit_of(self.name))

    def text(self, row: dict[str, object], say: Numerals = PLAIN) -> str:
        """The cell of one row."""
        value = row[self.name]
        if is_missing(value):
            return self._bounds_text(row, say)
        if not self.is_number:
            if isinstance(value, (bool, np.bool_)):
                return "yes" if value else "no"
            return str(value)
        number = _number(value)
        if self.side is not None and str(row[self.side] or "").strip():
            return say.measured(number, float("nan"), side=str(row[self.side]))
        return self._number_text(number, row, say)

    def _bounds_text(self, row: dict[str, object], say: Numerals) -> str:
        """What bounds say of a size or ratio without a value, as beyond the sieves."""
        if self.lower is None or self.upper is None:
            return MISSING
        lower, upper = _number(row[self.lower]), _number(row[self.upper])
        if lower > 0 and math.isfinite(upper):
            return say.interval(lower, upper)
        if lower > 0 or math.isfinite(upper):
            end, side = (lower, ">") if lower > 0 else (upper, "<")
            if self.show is Show.RATIO and abs(end - 1.0) < LEAST_TOLD:
                return MISSING  # no more than the verdict says
            return say.measured(end, math.nan, side=side)
        return MISSING

    def _number_text(self, number: float, row: dict[str, object], say: Numerals) -> str:
        match self.show:
            case Show.MEASURED:
                own = (self.u, self.expanded, self.lower, self.upper)
                u, expanded, lower, upper = (
                    math.nan if name is None else _number(row[name]) for name in own
                )
                if self.expanded is None and self.lower is not None:
                    return _with_interval(number, lower, upper, say, None if math.isnan(u) else u)
                return say.measured(number, u, expanded, ends=(lower, upper))
            case Show.RATIO if self.lower is not None and self.upper is not None:
                limits = (_number(row[self.lower]), _number(row[self.upper]))
                return say.ratio(number, *limits)
            case Show.RANGE if self.upper is not None:
                ends = (number, _number(row[self.upper]))
                return " to ".join(
                    dict.fromkeys(say.fixed(one, self.decimals or 0) for one in ends)
                )
            case Show.CHANGE:
                return say.change(number, decimals=self.decimals or 0)
            case Show.SIGNED:
                return say.signed(number, self.decimals or 0)
            case Show.PER_CENT:
                return say.per_cent(number, decimals=self.decimals or 0)
            case Show.CHANCE:
                return say.per_cent(np.clip(number, *_POSSIBLE), decimals=self.decimals or 0)
            case Show.P_VALUE:
                return say.p_value(number)
            case Show.COUNT:
                return say.fixed(number, 0)
            case _ if self.decimals is not None:
                return say.fixed(number, self.decimals)
            case _:
                return say.significant(number)


def columns_of(frame: pd.DataFrame) -> tuple[Column, ...]:
    """Columns for a frame of which nothing is said: headings and units from its names."""
    found = []
    for name in map(str, frame.columns):
        unit = _unit_of(name)
        end = next((end for end in _UNITS if unit and name.endswith(end)), "")
        heading = name.removesuffix(end).replace("_", " ")
        found.append(Column(name=name, heading=heading, unit=unit).settled(frame[name]))
    return tuple(found)


def is_missing(value: object) -> bool:
    """Whether a cell holds nothing: None, NaN, NaT or pandas' NA."""
    return value is None or value is pd.NA or value is pd.NaT or value != value


def _unit_of(name: str) -> str:
    """The unit that the name of a column ends with."""
    return next((unit for end, unit in _UNITS.items() if name.endswith(end) and name != end), "")


def _usual(name: str, values: pd.Series) -> Show:
    """The usual rule for numbers of a column."""
    if pd.api.types.is_integer_dtype(values):
        return Show.COUNT
    if name == "p" or name.startswith("p_") or name.endswith("_p"):
        return Show.P_VALUE
    return Show.PER_CENT if name == "share" or name.endswith("_share") else Show.NUMBER


def _places(values: pd.Series) -> int:
    """The decimals that values need, such as apertures, times, resolutions."""
    written = (Decimal(f"{float(one):.6g}").as_tuple().exponent for one in values.dropna())
    return max((-one for one in written if isinstance(one, int) and one < 0), default=0)


def _with_interval(
    number: float, lower: float, upper: float, say: Numerals, u: float | None
) -> str:
    limits = say.interval(lower, upper, u=u)
    value = say.rounded(number, (upper - lower) / 4 if u is None else u)
    return value if limits == MISSING else f"{value} ({limits})"


def _number(value: object) -> float:
    if is_missing(value):
        return float("nan")
    return float(value)  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """A table with a name, a caption and rules for its text.

    Parameters
    ----------
    name : str
        Short name; file and anchor are made from it.
    frame : DataFrame
        Tidy, full precision, units in column names; the index is ignored.
    caption : str
        One sentence that says what stands in it.
    columns : tuple of Column, default=()
        What a reader sees, in order; empty shows every column of the frame.
    notes : tuple of str, default=()
        Sentences that belong under the table.
    row_headings : int, default=1
        How many of the first shown columns name the row.
    place : Place, default=Place.REPORT
        Where it is shown.
    is_front : bool, default=False
        Whether it stands on the pages before the appendix of a report.

    Raises
    ------
    OutputError
        If a column names something the frame does not have.
    """

    name: str
    frame: pd.DataFrame
    caption: str
    columns: tuple[Column, ...] = ()
    notes: tuple[str, ...] = ()
    row_headings: int = 1
    place: Place = Place.REPORT
    is_front: bool = False

    def __post_init__(self) -> None:
        own = self.frame.reset_index(drop=True).copy()
        own.columns = pd.Index([str(name) for name in own.columns])
        if own.columns.has_duplicates:
            twice = sorted(own.columns[own.columns.duplicated()])
            raise OutputError(
                f"table {self.name!r} has column {twice[0]!r} twice; give each column its own name."
            )
        object.__setattr__(self, "frame", own)
        for column in self.columns:
            for source in column.sources:
                if source not in own.columns:
                    raise OutputError(
                        f"table {self.name!r} has no column {source!r} (it has "
                        f"{', '.join(own.columns)}); name one of these."
                    )
        settled = tuple(one.settled(own[one.name]) for one in self.columns)
        object.__setattr__(self, "columns", settled or columns_of(own))

    @property
    def key(self) -> str:
        """File name without ending, and anchor in the report."""
        return slug(self.name)

    def rows(self) -> list[dict[str, object]]:
        """The frame's rows as plain Python values by column name."""
        columns = (map(_plain, own.tolist()) for _, own in self.frame.items())
        names = list(map(str, self.frame.columns))
        return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]

    def grid(self, say: Numerals = PLAIN) -> list[list[str]]:
        """The texts a reader sees, row by row, not yet escaped."""
        return [[column.text(row, say) for column in self.columns] for row in self.rows()]


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value


def _shown(
    show: Show | None,
    names: Iterable[str],
    headings: dict[str, str],
    unit: str = "",
    decimals: int | None = None,
) -> tuple[Column, ...]:
    named = {name: name for name in names} | headings
    return tuple(
        Column(name=name, heading=heading, unit=unit, show=show, decimals=decimals)
        for name, heading in named.items()
    )


def fields(*names: str, **headings: str) -> tuple[Column, ...]:
    """Columns by the usual rule: those headed by their own names, then those with a heading.

    Examples
    --------
    >>> [column.heading for column in fields("quantity", contrast="levels")]
    ['quantity', 'levels']
    """
    return _shown(None, names, headings)


def counts(*names: str, **headings: str) -> tuple[Column, ...]:
    """Columns of whole numbers that may be missing or infinite, named as `fields` names them."""
    return _shown(Show.COUNT, names, headings)


def written(name: str, heading: str = "", unit: str = "") -> Column:
    """A column of numbers with the decimals that they need, such as levels of a factor; or of text.

    Examples
    --------
    >>> written("d", "resolution").settled(pd.Series([0.1, 0.01])).decimals
    2
    >>> written("slope_u").settled(pd.Series([1e-5])).decimals
    5
    """
    return Column(name=name, heading=heading, unit=unit, show=None, as_written=True)


def shares(decimals: int | None, /, *names: str, **headings: str) -> tuple[Column, ...]:
    """Columns of shares, in per cent."""
    return _shown(Show.PER_CENT, names, headings, decimals=decimals)


def chances(decimals: int, /, *names: str, **headings: str) -> tuple[Column, ...]:
    """Columns of probabilities in per cent, none of them told as none or as certain."""
    return _shown(Show.CHANCE, names, headings, decimals=decimals)


def changes(unit: str = "%", /, **headings: str) -> tuple[Column, ...]:
    """Columns of changes to one decimal, always with their sign."""
    return _shown(Show.SIGNED, (), headings, unit, 1)


def numbers(
    decimals: int | None, unit: str = "", /, *names: str, **headings: str
) -> tuple[Column, ...]:
    """Columns of plain numbers."""
    return _shown(Show.NUMBER, names, headings, unit, decimals)


def spare(*columns: Column) -> tuple[Column, ...]:
    """Columns that a narrow terminal does without first."""
    return tuple(replace(one, spare=True) for one in columns)


def interval(
    name: str, heading: str, unit: str = "", *, lower: str = "lower", upper: str = "upper"
) -> Column:
    """A column of values with the limits of their intervals behind."""
    return Column(
        name=name, heading=heading, unit=unit, show=Show.MEASURED, lower=lower, upper=upper
    )


def ratio(heading: str, name: str = "ratio", *, ends: str = "ratio_") -> Column:
    """A column of ratios with their intervals, whose columns begin with ``ends``."""
    lower, upper = f"{ends}lower", f"{ends}upper"
    return Column(name=name, heading=heading, show=Show.RATIO, lower=lower, upper=upper)


def table_of(
    name: str,
    frame: pd.DataFrame,
    heads: Iterable[Column | str] = (),
    columns: Iterable[Column | str] = (),
    say: Numerals = PLAIN,
    *,
    key: str = "",
    notes: Iterable[str] | None = None,
    place: Place = Place.REPORT,
    is_front: bool = False,
    **said: Any,
) -> Table:
    """A table of which `psdstats.words.remarks` has caption and notes, by its name or ``key``.

    Columns ``heads`` name the row; one given by its name alone is headed by it.  Without any column
    all of the frame are shown.  What stands in
    the gaps of the words is ``said``; ``notes`` are given where they are not the usual ones.
    """
    known = key or name
    usual = [texts[known] for texts in (NOTES, FURTHER_NOTES) if known in texts]
    named, others = tuple(heads), tuple(columns)
    return Table(
        name=name,
        frame=frame,
        caption=fill(CAPTIONS[known], say, **said),
        columns=tuple(fields(one)[0] if isinstance(one, str) else one for one in (*named, *others)),
        notes=tuple(fill(one, say, **said) for one in usual) if notes is None else tuple(notes),
        row_headings=len(named) or 1,
        place=place,
        is_front=is_front,
    )
