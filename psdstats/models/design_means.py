"""Which contrasts and means a user asks for, as weights on the coefficients."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.contrast_matrices import (
    ContrastKind,
    ContrastMatrix,
    against_first,
    contrast_matrix,
    interaction,
    polynomial_trend,
    within_each,
)
from psdstats.models.design_columns import FactorColumn
from psdstats.models.design_fixed import Coefficient, FixedDesign, TermSpec
from psdstats.models.design_terms import term_items

__all__ = ["asked_contrasts", "cell_means"]

Array = NDArray[np.float64]


def _labels(fixed: FixedDesign, term: TermSpec) -> tuple[str, ...]:
    labels = tuple(fixed.variable(item) for item in term_items(term))
    for label in labels:
        if label not in fixed.factors and label not in fixed.numerics:
            known = ", ".join([*fixed.factors, *fixed.numerics]) or "none"
            raise ModelError(
                f"The fixed part has no variable {label!r}; its variables are {known}."
            )
    return labels


def _factor(fixed: FixedDesign, label: str) -> FactorColumn:
    if label not in fixed.factors:
        known = ", ".join(fixed.factors) or "none"
        raise ModelError(f"{label!r} is no factor of the fixed part; its factors are {known}.")
    return fixed.factors[label]


def _one(size: int, position: int) -> Array:
    weights = np.zeros(size)
    weights[position] = 1.0
    return weights


def _mean_weights(fixed: FixedDesign, factors: tuple[FactorColumn, ...]) -> Array:
    """Weights of the cell means of some factors, the last factor varying fastest."""
    cells = product(*(range(len(f.levels)) for f in factors))
    return np.array(
        [
            fixed.weights(
                {f.label: _one(len(f.levels), j) for f, j in zip(factors, cell, strict=True)},
                fixed.at_means,
            )
            for cell in cells
        ]
    )


def cell_means(
    fixed: FixedDesign, term: TermSpec, by: str | None = None
) -> tuple[pd.DataFrame, Array]:
    """Cells of one or several factors, and the weights (cells, p) of their means.

    Raises
    ------
    ModelError
        If a variable is unknown or no factor.
    """
    labels = _labels(fixed, term) + (() if by is None else (by,))
    factors = tuple(_factor(fixed, label) for label in labels)
    cells = list(product(*(f.levels for f in factors)))
    return pd.DataFrame(cells, columns=list(labels)), _mean_weights(fixed, factors)


def asked_contrasts(
    fixed: FixedDesign, term: TermSpec, *, kind: str, by: str | None = None, degree: int = 1
) -> ContrastMatrix:
    """Contrasts of a term as weights on the coefficients (m, p).

    Raises
    ------
    ModelError
        If the term, the kind or the factor ``by`` does not fit.
    """
    labels = _labels(fixed, term)
    if len(labels) == 2 and kind == ContrastKind.INTERACTION:
        first, second = (_factor(fixed, label) for label in labels)
        matrix = interaction(against_first(first.levels), against_first(second.levels))
        return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (first, second)))
    if len(labels) == 2:
        cells, means = cell_means(fixed, term)
        matrix = contrast_matrix([" ".join(cell) for cell in cells.to_numpy()], kind)
        return replace(matrix, weights=matrix.weights @ means)
    if len(labels) > 2:
        raise ModelError(f"Contrasts take one factor or two, not {len(labels)}; use 'by'.")
    if labels[0] in fixed.numerics:
        return _slopes(fixed, labels[0], by)
    factor = _factor(fixed, labels[0])
    matrix = _factor_matrix(factor, kind, degree)
    if by is None:
        return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (factor,)))
    other = _factor(fixed, by)
    matrix = within_each(matrix, other.levels)
    return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (other, factor)))


def _factor_matrix(factor: FactorColumn, kind: str, degree: int) -> ContrastMatrix:
    if kind != ContrastKind.TREND:
        return contrast_matrix(factor.levels, kind)
    if factor.scores is None:
        raise ModelError(
            f"A trend over {factor.label!r} needs numeric levels; they are "
            f"{', '.join(factor.levels)}."
        )
    return polynomial_trend(factor.scores, degree=degree)


def _slopes(fixed: FixedDesign, label: str, by: str | None) -> ContrastMatrix:
    """Coefficients of a trend, overall or at each level of a factor."""
    numeric = fixed.numerics[label]
    levels: list[tuple[str, dict[str, Array]]] = [("", {})]
    if by is not None:
        other = _factor(fixed, by)
        levels = [
            (f" at {name}", {by: _one(len(other.levels), j)}) for j, name in enumerate(other.levels)
        ]
    rows, names = [], []
    for suffix, over in levels:
        for part, name in enumerate(numeric.parts):
            rows.append(fixed.weights(over, lambda c, j=part: _slope_value(fixed, c, label, j)))  # type: ignore[misc]
            names.append(f"{name}{suffix}")
    nothing = ("",) * len(names)
    return ContrastMatrix(
        kind=ContrastKind.TREND,
        weights=np.array(rows),
        labels=tuple(names),
        high=nothing,
        low=nothing,
    )


def _slope_value(fixed: FixedDesign, coefficient: Coefficient, label: str, part: int) -> float:
    """What multiplies one coefficient of a trend; other covariates at their mean."""
    inside = dict(coefficient.parts)
    if inside.pop(label, None) != part:
        return 0.0
    value = 1.0
    for other, position in inside.items():
        value *= float(fixed.numerics[other].at_mean[position])
    return value
