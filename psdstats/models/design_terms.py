"""What a user writes to describe a mixed model: factors, trends and random slopes.

Plain column names are enough for most models; the classes here say what a name cannot: that a
numeric column is to be read as a factor, in which form a size follows time, that a slope varies
between groups.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Factor", "RandomSlope", "Single", "TermSpec", "Trend", "TrendForm", "term_items"]


class TrendForm(StrEnum):
    """Form in which a numeric column enters the fixed effects."""

    LINEAR = "linear"
    SQRT = "sqrt"
    LOG1P = "log1p"
    QUADRATIC = "quadratic"
    CUBIC = "cubic"


@dataclass(frozen=True)
class Factor:
    """A column whose values are levels, whatever its type; numeric levels in ascending order.

    Parameters
    ----------
    column : str
        Column name.

    Examples
    --------
    >>> Factor("milling_time_min")
    Factor(column='milling_time_min')
    """

    column: str


@dataclass(frozen=True)
class Trend:
    """A numeric column that enters as a curve.

    Parameters
    ----------
    column : str
        Column name, for example ``"milling_time_min"``.
    form : {"linear", "sqrt", "log1p", "quadratic", "cubic"}, default="linear"
        x, √x, ln(1 + x), or a polynomial of degree 2 or 3 with one coefficient a degree.

    Examples
    --------
    >>> Trend("milling_time_min", form="log1p").label
    'log1p(milling_time_min)'
    """

    column: str
    form: TrendForm | str = TrendForm.LINEAR

    @property
    def label(self) -> str:
        """Name of the term in tables."""
        form = TrendForm(self.form)
        return self.column if form is TrendForm.LINEAR else f"{form}({self.column})"


@dataclass(frozen=True)
class RandomSlope:
    """A slope in a numeric column that varies between groups, with an intercept that does too.

    Parameters
    ----------
    group : str or tuple of str
        Grouping column, or columns whose combination is the grouping.
    by : str
        Numeric column of the slope.
    correlated : bool, default=True
        Estimate the covariance of intercept and slope; False holds it at zero.

    Examples
    --------
    >>> RandomSlope("group", "milling_time_min", correlated=False)
    RandomSlope(group='group', by='milling_time_min', correlated=False)
    """

    group: str | tuple[str, ...]
    by: str
    correlated: bool = True


Single = str | Factor | Trend
TermSpec = Single | tuple[Single, ...]


def term_items(spec: TermSpec) -> tuple[Single, ...]:
    """Variables of a term: one, or those of an interaction, a tuple (or a list, as TOML has them).

    Examples
    --------
    >>> term_items(("milling_time_min", "ball_ratio")), term_items("ball_ratio")
    (('milling_time_min', 'ball_ratio'), ('ball_ratio',))
    """
    return tuple(spec) if isinstance(spec, tuple | list) else (spec,)
