"""Columns of a frame as model variables: factors with ordered levels, numeric curves.

Levels are ordered as a Categorical orders them, numbers ascending, text sorted; the first is the
reference.  Levels without rows are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.design_terms import Factor, Trend, TrendForm
from psdstats.wording import signed

__all__ = [
    "FactorColumn",
    "NumericColumn",
    "column",
    "factor_column",
    "level_text",
    "numeric_column",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class FactorColumn:
    """A factor: its levels in order, as text, and the level of each row."""

    label: str
    levels: tuple[str, ...]
    codes: NDArray[np.intp]
    scores: tuple[float, ...] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class NumericColumn:
    """A numeric curve: one column of ``basis`` (n, k) for each of its k coefficients."""

    label: str
    parts: tuple[str, ...]
    basis: Array
    at_mean: Array
    mean: float


def level_text(level: object) -> str:
    """Level as it is written in coefficient names: 5.0 becomes '5', text stays as it is."""
    if isinstance(level, (int, float, np.number)) and not isinstance(level, (bool, np.bool_)):
        return format(float(level), ".12g")
    return str(level)


def column(frame: pd.DataFrame, name: str) -> pd.Series:
    """One column without gaps.

    Raises
    ------
    ModelError
        If the frame has no such column, or rows without a value.
    """
    if name not in frame.columns:
        known = ", ".join(str(c) for c in frame.columns)
        raise ModelError(f"The frame has no column {name!r}; it has {known}.")
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
    """Read a column as a curve.

    Parameters
    ----------
    frame : DataFrame
        Holds the column, without gaps.
    name : str
        The column.
    form : TrendForm or str
        Shape of the curve.

    Returns
    -------
    NumericColumn

    Raises
    ------
    ModelError
        If the column holds no numbers, the form is unknown, or is not defined for its values.
    """
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
    label = Trend(name, form).label
    mean = float(x.mean())
    basis, parts = _basis(np.append(x, mean), form, name, label)
    return NumericColumn(
        label=label, parts=parts, basis=basis[:-1], at_mean=basis[-1].copy(), mean=mean
    )


def _basis(x: Array, form: TrendForm, name: str, label: str) -> tuple[Array, tuple[str, ...]]:
    if form is TrendForm.SQRT:
        return np.sqrt(x)[:, None], (label,)
    if form is TrendForm.LOG1P:
        return np.log1p(x)[:, None], (label,)
    degree = {TrendForm.LINEAR: 1, TrendForm.QUADRATIC: 2, TrendForm.CUBIC: 3}[form]
    powers = range(1, degree + 1)
    return np.stack([x**k for k in powers], axis=1), tuple(
        name if k == 1 else f"{name}^{k}" for k in powers
    )


def resolve(
    frame: pd.DataFrame, item: str | Factor | Trend, factors: frozenset[str]
) -> FactorColumn | NumericColumn:
    """The variable behind one entry of ``fixed``."""
    if isinstance(item, Factor):
        return factor_column(frame, item.column)
    if isinstance(item, Trend):
        return numeric_column(frame, item.column, item.form)
    if item in factors or is_factor(column(frame, item)):
        return factor_column(frame, item)
    return numeric_column(frame, item, TrendForm.LINEAR)
