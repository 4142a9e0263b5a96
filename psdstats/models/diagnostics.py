"""Tables to look at before a verdict is believed: residuals and their quantiles.

Nothing is drawn here; `psdstats.output` draws these tables.  What single groups do to a verdict is
in `influence`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from psdstats.models.mixed_model_fit import MixedModelFit

__all__ = [
    "effect_quantiles",
    "normal_quantiles",
    "residual_quantiles",
    "residual_table",
]

Array = NDArray[np.float64]


def normal_quantiles(values: ArrayLike) -> Array:
    """Normal quantile that belongs to the rank of each value, shape (n,).

    Parameters
    ----------
    values : array_like, shape (n,)
        Any numbers.

    Returns
    -------
    ndarray, shape (n,)
        Quantiles in the order of the values.

    Notes
    -----
    Plotting positions (i - 3/8) / (n + 1/4), G. Blom 1958 (from memory).

    Examples
    --------
    >>> normal_quantiles([0.3, -1.0, 0.1]).round(3)
    array([ 0.869, -0.869,  0.   ])
    """
    from scipy import special

    found = np.asarray(values, dtype=float)
    rank = np.empty(len(found))
    rank[np.argsort(found, kind="stable")] = np.arange(1, len(found) + 1)
    quantiles: Array = special.ndtri((rank - 0.375) / (len(found) + 0.25))
    return quantiles + 0.0


def residual_table(fit: MixedModelFit) -> pd.DataFrame:
    """Residuals by row.

    Parameters
    ----------
    fit : MixedModelFit
        The fit.

    Returns
    -------
    DataFrame
        Columns row (of the frame), response, fitted, residual, standardised, marginal_residual.

    Notes
    -----
    With R the covariance of rows given the random effects (σ²I + V_known) and P the projection of
    the fit, residuals are R P y and have covariance R P R, by which they are standardised.
    """
    spread = np.sqrt(np.maximum(_residual_variances(fit), 0.0))
    usable = spread > 1e-9 * spread.max(initial=0.0)
    standard = np.divide(fit.residuals, spread, out=np.zeros_like(spread), where=usable)
    return pd.DataFrame(
        {
            "row": fit.model.frame.index,
            "response": fit.response,
            "fitted": fit.fitted,
            "residual": fit.residuals,
            "standardised": standard,
            "marginal_residual": fit.response - fit.effects.marginal,
        }
    )


def _residual_variances(fit: MixedModelFit) -> Array:
    """Diagonal of R P R; outside the span, where there is one, P is the identity over σ²."""
    batch, span = fit.batch, fit.batch.parts.span
    x, precision = batch.design, batch.precision[0]
    projection = precision - precision @ x @ batch.beta_covariance[0] @ x.T @ precision
    if span is None:
        within = _within_rows(fit)
        return np.diagonal(within @ projection @ within)
    residual = float(fit.variance_components["residual"])
    inside = residual**2 * projection - residual * np.eye(span.size)
    return residual + span.row_forms(inside)


def _within_rows(fit: MixedModelFit) -> Array:
    n = len(fit.response)
    within = np.zeros((n, n))
    if "residual" in fit.random.names:
        within += float(fit.variance_components["residual"]) * np.eye(n)
    if fit.random.parts.known is not None:
        within += fit.random.parts.known.reshape(n, n)
    return within


def residual_quantiles(fit: MixedModelFit) -> pd.DataFrame:
    """Standardised residuals against normal quantiles, in ascending order.

    Parameters
    ----------
    fit : MixedModelFit
        The fit.

    Returns
    -------
    DataFrame
        One row a residual, with its normal quantile.
    """
    table = residual_table(fit)[["row", "standardised"]]
    table = table.assign(normal_quantile=normal_quantiles(table["standardised"].to_numpy()))
    return table.sort_values("normal_quantile", ignore_index=True)


def effect_quantiles(fit: MixedModelFit) -> pd.DataFrame:
    """Predicted random effects against normal quantiles, by grouping and effect.

    Parameters
    ----------
    fit : MixedModelFit
        The fit.

    Returns
    -------
    DataFrame
        One row a predicted effect, with its normal quantile.
    """
    pieces = [
        table.assign(normal_quantile=normal_quantiles(table["estimate"].to_numpy()))
        for _, table in fit.random_effects.groupby(["grouping", "effect"], sort=False)
    ]
    return pd.concat(pieces, ignore_index=True) if pieces else fit.random_effects
