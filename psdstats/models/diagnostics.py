"""Tables to look at before a verdict is believed: residuals, quantiles, influence of groups.

Nothing is drawn here; `psdstats.output` draws these tables.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.design_columns import factor_column
from psdstats.models.design_fixed import TermSpec
from psdstats.models.mixed_model_tests import Method

if TYPE_CHECKING:
    from psdstats.models.mixed_model_fit import MixedModelFit

__all__ = [
    "Influence",
    "effect_quantiles",
    "leave_one_group_out",
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Influence:
    """A term tested again and again, each time without one group.

    Parameters
    ----------
    table : DataFrame
        Columns left_out, rows, f, df_num, df_den, p, status; the first row leaves nothing out.
    sentence : str
        Whether one group decides the verdict.
    decided_by : tuple of str
        Groups without which p passes to the other side of ``alpha``.
    """

    table: pd.DataFrame
    sentence: str
    decided_by: tuple[str, ...]


def leave_one_group_out(
    fit: MixedModelFit,
    term: TermSpec,
    *,
    grouping: str | None = None,
    method: Method | str = Method.KENWARD_ROGER,
    alpha: float = 0.05,
) -> Influence:
    """Test a term without each group in turn.

    Parameters
    ----------
    fit : MixedModelFit
        The fit with all groups.
    term : str or tuple of str
        Term of the fixed part.
    grouping : str or None
        Column whose levels are left out; the first random grouping by default.
    method : {"kenward-roger", "satterthwaite"}
        Test.
    alpha : float
        Level at which the verdict is read.

    Returns
    -------
    Influence
        The test of the term with all groups, and without each.

    Raises
    ------
    ModelError
        If no grouping is named and the model has none.
    """
    name = grouping or (fit.random.groupings[0].label if fit.random.groupings else None)
    if name is None:
        raise ModelError("The model has no random grouping; name the column to leave out by level.")
    levels, codes = _levels_of(fit, name)
    rows = [_tested("none", fit, term, method)]
    for j, level in enumerate(levels):
        keep = codes != j
        try:
            rows.append(_tested(level, _without(fit, keep), term, method))
        except ModelError as error:
            nothing = {k: float("nan") for k in ("f", "df_num", "df_den", "p")}
            size = int(keep.sum())
            rows.append({"left_out": level, "rows": size, **nothing, "status": str(error)})
    table = pd.DataFrame(rows)
    whole = float(table["p"].iloc[0])
    others = table.iloc[1:]
    crossed = others[((others["p"] < alpha) != (whole < alpha)) & others["p"].notna()]
    label = fit.fixed.term(term).label
    return Influence(
        table=table,
        sentence=_influence_sentence(label, name, whole, crossed, others, alpha),
        decided_by=tuple(crossed["left_out"]),
    )


def _levels_of(fit: MixedModelFit, name: str) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    for grouping in fit.random.groupings:
        if grouping.label == name:
            return grouping.levels, grouping.codes
    found = factor_column(fit.model.frame, name)
    return found.levels, found.codes


def _without(fit: MixedModelFit, keep: NDArray[np.bool_]) -> MixedModelFit:
    known = fit.random.parts.known
    if known is not None:
        n = len(keep)
        known = known.reshape(n, n)[np.ix_(keep, keep)]
    return replace(fit.model, frame=fit.model.frame.loc[keep], known_covariance=known).fit()


def _tested(
    left_out: str, fit: MixedModelFit, term: TermSpec, method: Method | str
) -> dict[str, object]:
    test = fit.test(term, method=method)
    return {
        "left_out": left_out,
        "rows": len(fit.response),
        "f": test.f,
        "df_num": test.df_num,
        "df_den": test.df_den,
        "p": test.p,
        "status": test.status,
    }


def _influence_sentence(
    term: str,
    grouping: str,
    whole: float,
    crossed: pd.DataFrame,
    others: pd.DataFrame,
    alpha: float,
) -> str:
    if others["p"].isna().all():
        return f"The effect of {term} cannot be tested without any one level of {grouping}."
    if crossed.empty:
        return (
            f"No single level of {grouping} decides the verdict on {term}: p is {whole:.3g} with "
            f"all and between {others['p'].min():.3g} and {others['p'].max():.3g} without one."
        )
    parts = [f"{row.left_out} (p = {row.p:.3g})" for row in crossed.itertuples(index=False)]
    return (
        f"The verdict on {term} hangs on one level of {grouping}: p is {whole:.3g} with all, but "
        f"on the other side of {alpha:g} without {' or without '.join(parts)}."
    )
