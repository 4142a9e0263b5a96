"""Predicted random effects, fitted values and residuals of one fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.models.design_random import Grouping, RandomDesign
from psdstats.models.engine import BatchFit

__all__ = ["Effects", "predict_effects"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Effects:
    """Best linear unbiased predictions at the estimated variances.

    Parameters
    ----------
    table : DataFrame
        One row a level and effect: grouping, level, effect, estimate, standard_error.
    fitted : ndarray, shape (n,)
        Xβ plus the predicted random effects.
    marginal : ndarray, shape (n,)
        Xβ alone.
    """

    table: pd.DataFrame
    fitted: Array
    marginal: Array


def predict_effects(
    y: Array, design: Array, fit: BatchFit, random: RandomDesign, row: int = 0
) -> Effects:
    """Predict the random effects of one response (n,) with X (n, p).

    Notes
    -----
    b = ΛZᵀV⁻¹(y - Xβ); the standard error is that of b minus the true effect, with β estimated
    and the variances taken as known.
    """
    x, precision, span = fit.design, fit.precision[row], fit.parts.span
    marginal = design @ fit.beta[row]
    left = y - marginal
    weighted = precision @ (left if span is None else span.coordinates(left[None])[0])
    projection = precision - precision @ x @ fit.beta_covariance[row] @ x.T @ precision
    fitted = marginal.copy()
    tables = []
    for grouping in random.groupings:
        spread = _spread(grouping, fit.theta[row])
        z = grouping.indicators(span)
        size, levels, effects = z.shape
        mixed = (z @ spread).reshape(size, levels * effects)
        estimate = mixed.T @ weighted
        fitted += grouping.predicted(estimate.reshape(levels, effects))
        unknown = np.tile(np.diag(spread), levels) - ((projection @ mixed) * mixed).sum(axis=0)
        tables.append(
            pd.DataFrame(
                {
                    "grouping": grouping.label,
                    "level": np.repeat(grouping.levels, effects),
                    "effect": np.tile(grouping.column_names, levels),
                    "estimate": estimate,
                    "standard_error": np.sqrt(np.maximum(unknown, 0.0)),
                }
            )
        )
    columns = ["grouping", "level", "effect", "estimate", "standard_error"]
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)
    return Effects(table=table, fitted=fitted, marginal=marginal)


def _spread(grouping: Grouping, theta: Array) -> Array:
    spread = np.diag(theta[list(grouping.components)])
    if grouping.cross is not None:
        spread[0, 1] = spread[1, 0] = theta[grouping.cross]
    return spread
