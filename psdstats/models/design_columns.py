"""What a user writes to describe a mixed model: factors, trends and random slopes.

Plain column names are enough for most models; the classes here say what a name cannot: that a
numeric column is to be read as a factor, in which form a size follows time, that a slope varies
between groups.

Columns of a frame as model variables: factors with ordered levels, numeric curves.

Levels are ordered as a Categorical orders them, numbers ascending, text sorted; the first is the
reference.  Levels without rows are left out.

Designs that cannot be fitted: empty cells, aliased terms, groupings without information.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import RUN, signed
from psdstats.errors import ModelError
from psdstats.frozen import Array


class TrendForm(StrEnum):
    """Form in which a numeric column enters the fixed effects."""

    LINEAR = "linear"
    SQRT = "sqrt"
    LOG1P = "log1p"
    QUADRATIC = "quadratic"
    CUBIC = "cubic"


_DEGREES = {TrendForm.LINEAR: 1, TrendForm.QUADRATIC: 2, TrendForm.CUBIC: 3}


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


@dataclass(frozen=True, kw_only=True, eq=False)
class FactorColumn:
    """A factor: its levels in order, as text, and the level of each row."""

    label: str
    levels: tuple[str, ...]
    codes: NDArray[np.intp]
    scores: tuple[float, ...] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class NumericColumn:
    """A numeric curve: ``basis`` (n, k) for its k coefficients, and its row at the mean."""

    label: str
    column: str
    parts: tuple[str, ...]
    basis: Array
    at_mean: Array


def level_text(level: object) -> str:
    """Level as it is written in coefficient names: 5.0 becomes '5', text stays as it is."""
    if isinstance(level, (int, float, np.number)) and not isinstance(level, (bool, np.bool_)):
        return format(float(level), ".12g")
    return str(level)


def need_columns(frame: pd.DataFrame, names: Iterable[str], *, table: str = "table") -> None:
    """Refuse a table that lacks one of the columns named; the names of runs are no choice."""
    for name in names:
        if name not in frame.columns:
            known = ", ".join(str(one) for one in frame.columns if one != RUN)
            raise ModelError(f"The {table} has no column {name!r}. Name one of: {known}.")


def column(frame: pd.DataFrame, name: str) -> pd.Series:
    """One column without gaps."""
    need_columns(frame, [name])
    series = frame[name]
    gaps = np.flatnonzero(series.isna().to_numpy())
    if len(gaps):
        rows = ", ".join(str(frame.index[i]) for i in gaps[:5])
        raise ModelError(
            f"Column {name!r} has no value in {len(gaps)} rows (first: {rows}); leave those rows "
            f"out before fitting."
        )
    return series


def is_factor(series: pd.Series) -> bool:
    """Whether a column is a factor without being declared one."""
    return bool(
        isinstance(series.dtype, pd.CategoricalDtype)
        or series.dtype == bool
        or not pd.api.types.is_numeric_dtype(series.dtype)
    )


def factor_column(frame: pd.DataFrame, name: str) -> FactorColumn:
    """Read a column as a factor."""
    series = column(frame, name)
    if isinstance(series.dtype, pd.CategoricalDtype):
        present = series.cat.remove_unused_categories()
        levels, codes = list(present.cat.categories), present.cat.codes.to_numpy()
    else:
        values = series.to_numpy()
        unique, codes = np.unique(
            values if pd.api.types.is_numeric_dtype(series.dtype) else values.astype(str),
            return_inverse=True,
        )
        levels = list(unique)
    numeric = all(isinstance(v, (int, float, np.number)) for v in levels)
    return FactorColumn(
        label=name,
        levels=tuple(level_text(v) for v in levels),
        codes=np.asarray(codes, dtype=np.intp).reshape(-1),
        scores=tuple(float(v) for v in levels) if numeric else None,
    )


def numeric_column(frame: pd.DataFrame, name: str, form: TrendForm | str) -> NumericColumn:
    """Read a column as a curve."""
    series = column(frame, name)
    if not pd.api.types.is_numeric_dtype(series.dtype):
        raise ModelError(
            f"Column {name!r} holds {series.iloc[0]!r}, not numbers; a trend needs numbers."
        )
    x = series.to_numpy(dtype=float)
    try:
        form = TrendForm(form)
    except ValueError as error:
        allowed = ", ".join(TrendForm)
        raise ModelError(f"Trend form {form!r} of {name!r} is not one of {allowed}.") from error
    if form in (TrendForm.SQRT, TrendForm.LOG1P) and x.min() < 0:
        raise ModelError(
            f"Column {name!r} has the value {signed(x.min())}, of which {form} is not taken; use "
            f"form linear or quadratic."
        )
    label, x = Trend(name, form).label, np.append(x, x.mean())
    if form in _DEGREES:
        powers = range(1, _DEGREES[form] + 1)
        basis = np.stack([x**k for k in powers], axis=1)
        parts = tuple(name if k == 1 else f"{name}^{k}" for k in powers)
    else:
        basis = (np.sqrt(x) if form is TrendForm.SQRT else np.log1p(x))[:, None]
        parts = (label,)
    return NumericColumn(
        label=label, column=name, parts=parts, basis=basis[:-1], at_mean=basis[-1].copy()
    )


_RANK_TOLERANCE = 1e-9


def refuse_empty_cells(factors: Sequence[FactorColumn]) -> None:
    """Raise if a combination of the levels of these factors has no row."""
    if len(factors) < 2:
        return
    seen = set(zip(*(f.codes.tolist() for f in factors), strict=True))
    empty = [
        " and ".join(f"{f.label} = {f.levels[j]}" for f, j in zip(factors, cell, strict=True))
        for cell in product(*(range(len(f.levels)) for f in factors))
        if cell not in seen
    ]
    if empty:
        more = "" if len(empty) <= 3 else f" and {len(empty) - 3} more"
        raise ModelError(
            f"The interaction {':'.join(f.label for f in factors)} has no row with "
            f"{'; nor with '.join(empty[:3])}{more}; leave the interaction out, or the levels that "
            f"are not crossed."
        )


def refuse_aliased(matrix: Array, names: Sequence[str]) -> None:
    """Raise if a column of X is a combination of the columns before it."""
    size = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / np.where(size > 0, size, 1.0)
    if np.linalg.matrix_rank(scaled, tol=_RANK_TOLERANCE) == matrix.shape[1]:
        return
    kept: list[int] = []
    aliased: list[str] = []
    for j, name in enumerate(names):
        if np.linalg.matrix_rank(scaled[:, [*kept, j]], tol=_RANK_TOLERANCE) > len(kept):
            kept.append(j)
        else:
            aliased.append(name)
    raise ModelError(
        f"The coefficients {', '.join(aliased)} cannot be told from the terms before them (the "
        f"rows do not cross the levels); leave one of the terms out."
    )
