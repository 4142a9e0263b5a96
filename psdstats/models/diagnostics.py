"""Tables to look at before a verdict is believed: residuals and their quantiles.

Nothing is drawn here; `psdstats.output` draws these tables.  What single groups do to a verdict is
in `influence`.

What single groups do to a verdict: a term tested again without each group in turn.

Leaving a group out does two things: the effect may move, and there is less evidence (fewer degrees
of freedom, a wider interval).  Only the first says something of that group; with three groups the
second alone can undo a verdict.  So the effect that is left is told beside p, as a share of the
effect with all groups.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import signed
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.design_columns import TermSpec, factor_column
from psdstats.models.fitted import Method
from psdstats.models.wording import word_p

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModelFit


def normal_quantiles(values: ArrayLike) -> Array:
    """Normal quantile that belongs to the rank of each value, shape (n,).

    Shapes: values (n,); gives (n,).

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
    """Standardised residuals against normal quantiles, in ascending order."""
    table = residual_table(fit)[["row", "standardised"]]
    table = table.assign(normal_quantile=normal_quantiles(table["standardised"].to_numpy()))
    return table.sort_values("normal_quantile", ignore_index=True)


def effect_quantiles(fit: MixedModelFit) -> pd.DataFrame:
    """Predicted random effects against normal quantiles, by grouping and effect."""
    pieces = [
        table.assign(normal_quantile=normal_quantiles(table["estimate"].to_numpy()))
        for _, table in fit.random_effects.groupby(["grouping", "effect"], sort=False)
    ]
    return pd.concat(pieces, ignore_index=True) if pieces else fit.random_effects


_HARDLY_MOVED = 0.8  # share of the effect that is left (own rule, no source)


@dataclass(frozen=True, kw_only=True, eq=False)
class Influence:
    """A term tested again and again, each time without one group.

    Parameters
    ----------
    table : DataFrame
        Columns left_out, rows, f, df_num, df_den, p, effect_left, status; the first row leaves
        nothing out.
    sentence : str
        Whether one group decides the verdict.
    decided_by : tuple of str
        Groups without which p passes to the other side of ``alpha``, and not for want of evidence
        alone.
    needed_by_number : tuple of str
        Groups without which the effect is no longer shown although it hardly moves.
    """

    table: pd.DataFrame
    sentence: str
    decided_by: tuple[str, ...]
    needed_by_number: tuple[str, ...]


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

    Notes
    -----
    With L the hypothesis, d = Lβ of all groups, d₋ of the others and C the covariance of d, the
    effect left is dᵀC⁻¹d₋ / dᵀC⁻¹d: 1 where it did not move, 0 where nothing of it is left, below
    0 where it turned round.  A verdict that is lost while 0.8 of the effect or more is left is lost
    for want of evidence (own rule, no source).
    """
    name = grouping or (fit.random.groupings[0].label if fit.random.groupings else None)
    if name is None:
        raise ModelError("The model has no random grouping; name the column to leave out by level.")
    levels, codes = _levels_of(fit, name)
    rows = [_tested("none", fit, fit, term, method)]
    for j, level in enumerate(levels):
        keep = codes != j
        try:
            rows.append(_tested(level, _without(fit, keep), fit, term, method))
        except ModelError as error:
            numbers = ("f", "df_num", "df_den", "p", "effect_left")
            nothing = dict.fromkeys(numbers, float("nan"))
            size = int(keep.sum())
            rows.append({"left_out": level, "rows": size, **nothing, "status": str(error)})
    table = pd.DataFrame(rows)
    shown = bool(table["p"].iloc[0] < alpha)
    others = table.iloc[1:]
    crossed = others["p"].notna() & ((others["p"] < alpha) != shown)
    by_number = crossed & shown & (others["effect_left"] >= _HARDLY_MOVED)
    return Influence(
        table=table,
        sentence=_sentence(table, crossed, by_number, fit.fixed.term(term).label, name),
        decided_by=tuple(others["left_out"][crossed & ~by_number]),
        needed_by_number=tuple(others["left_out"][by_number]),
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
    left_out: str, fit: MixedModelFit, whole: MixedModelFit, term: TermSpec, method: Method | str
) -> dict[str, object]:
    test = fit.test(term, method=method)
    return {
        "left_out": left_out,
        "rows": len(fit.response),
        "f": test.f,
        "df_num": test.df_num,
        "df_den": test.df_den,
        "p": test.p,
        "effect_left": _effect_left(fit, whole, term),
        "status": test.status,
    }


def _effect_left(fit: MixedModelFit, whole: MixedModelFit, term: TermSpec) -> float:
    """Share of the effect of the whole fit; NaN where a level of the term went with the group."""
    contrast = whole.fixed.hypothesis(term)
    left = fit.fixed.hypothesis(term) @ fit.batch.beta[0]
    effect = contrast @ whole.batch.beta[0]
    if left.shape != effect.shape:
        return float("nan")
    weight = np.linalg.solve(contrast @ whole.batch.beta_covariance[0] @ contrast.T, effect)
    size = float(weight @ effect)
    return float(weight @ left) / size if size > 0.0 else float("nan")


def _sentence(
    table: pd.DataFrame, crossed: pd.Series, by_number: pd.Series, term: str, grouping: str
) -> str:
    whole, others = float(table["p"].iloc[0]), table.iloc[1:]
    if others["p"].isna().all():
        return f"The effect of {term} cannot be tested without any one level of {grouping}."
    if not crossed.any():
        return (
            f"No single level of {grouping} decides the verdict on {term}: {word_p(whole)} with "
            f"all and between {others['p'].min():.2g} and {others['p'].max():.2g} without one."
        )
    deciding = _each_told(others[crossed & ~by_number])
    if deciding:
        return (
            f"The verdict on {term} hangs on one level of {grouping}: {word_p(whole)} with all, "
            f"but {' and '.join(deciding)}."
        )
    needed = others[by_number]
    which = "any one" if len(needed) == len(others) else " or ".join(needed["left_out"])
    left = 100.0 * needed["effect_left"]
    return (
        f"The verdict on {term} hangs on no single level of {grouping}, but on their number: "
        f"{word_p(whole)} with all; without {which} the effect hardly moves ({left.min():.0f} to "
        f"{left.max():.0f} % of that with all), yet the rest are too few to show it (p up to "
        f"{needed['p'].max():.2g})."
    )


def _each_told(rows: pd.DataFrame) -> list[str]:
    told = []
    for row in rows.to_dict("records"):
        text = f"without {row['left_out']} {word_p(row['p'])}"
        if np.isfinite(row["effect_left"]):
            share = signed(100.0 * row["effect_left"], ".0f")
            text += f", the effect being {share} % of that with all"
        told.append(text)
    return told
