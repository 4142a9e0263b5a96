"""What to look at before a verdict is believed: residuals, quantiles, and what single groups do.

Nothing is drawn here; `psdstats.output` draws these tables.

A term is tested again without each group in turn.  Leaving a group out does two things: the effect
may move, and there is less evidence (fewer degrees of freedom, a wider interval).  Only the first
says something of that group; with three groups the second alone can undo a verdict.  So the effect
that is left is told beside p, as a share of the effect with all groups.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.design_columns import TermSpec, factor_column
from psdstats.models.judged import f_tail
from psdstats.models.kenward_roger import Inference, TermTest
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
    """Residuals by row, with the normal quantile of each standardised one.

    Columns: row, response, fitted, residual, standardised, normal_quantile, marginal_residual.

    Notes
    -----
    With R the covariance of rows given the random effects (σ²I + V_known) and P the projection of
    the fit, residuals are R P y and have covariance R P R, by which they are standardised.
    """
    fit = fit.whole
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
            "normal_quantile": normal_quantiles(standard),
            "marginal_residual": fit.response - fit.effects.marginal,
        }
    )


def _residual_variances(fit: MixedModelFit) -> Array:
    """Diagonal of R P R; outside the span, where there is one, P is the identity over σ²."""
    found, known, span = fit.estimates, fit.random.parts.known, fit.random.parts.span
    weighted = found.precision @ found.design
    projection = found.precision - weighted @ found.beta_covariance @ weighted.T
    residual = float(fit.variance_components.get("residual", 0.0))
    if span is None:
        within = residual * np.eye(len(fit.response))
        within = within if known is None else within + known
        return np.diagonal(within @ projection @ within)
    inside = residual**2 * projection - residual * np.eye(len(projection))
    return np.asarray(residual + ((span.basis @ inside) * span.basis).sum(axis=1))


_FAR = 3.0  # of alpha, beyond which a p at the variances of all groups tells enough
_HARDLY_MOVED = 0.8  # share of the effect that is left (own rule, no source)


@dataclass(frozen=True, kw_only=True, eq=False)
class Influence:
    """A term tested again and again, each time without one group.

    Parameters
    ----------
    table : DataFrame
        Columns left_out, rows, f, df_num, df_den, p, effect_left, status (why there is no
        test, else empty); the first row leaves nothing out.
    term, grouping : str
        What was tested, and of which grouping levels were left out.
    decided_by : tuple of str
        Groups without which p passes to the other side of ``alpha``, and not for want of evidence
        alone.
    needed_by_number : tuple of str
        Groups without which the effect is no longer shown although it hardly moves.
    """

    table: pd.DataFrame
    term: str
    grouping: str
    decided_by: tuple[str, ...]
    needed_by_number: tuple[str, ...]


def leave_one_group_out(
    fit: MixedModelFit,
    term: TermSpec,
    *,
    grouping: str | None = None,
    method: Inference | str = Inference.KENWARD_ROGER,
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

    Of very many runs (`SharedErrors`) a group is left out at the variances and degrees of freedom
    of all groups; where p comes within three times of ``alpha``, or beyond, the others are fitted.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import MixedModel
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
    >>> from psdstats.models import leave_one_group_out
    >>> leave_one_group_out(fit, "time").table.shape
    (4, 8)
    """
    name = grouping or (fit.random.groupings[0].label if fit.random.groupings else None)
    if name is None:
        raise ModelError("The model has no random grouping; name the column to leave out by level.")
    own = {one.label: one for one in fit.random.groupings}
    groups = own.get(name) or factor_column(fit.model.frame, name)
    rows = [{"left_out": "none", **_tested(fit, fit, term, method)}]
    for j, level in enumerate(groups.levels):
        keep, known = groups.codes != j, fit.random.parts.known
        row = _at_all_variances(~keep, fit, term, method, alpha)
        if row is None:
            known = None if known is None else known[np.ix_(keep, keep)]
            frame = fit.model.frame.loc[keep]
            try:
                rest = replace(fit.model, frame=frame, known_covariance=known).fit()
                row = _tested(rest, fit, term, method)
            except ModelError as error:
                row = {"rows": len(frame), "status": str(error)}
        rows.append({"left_out": level, **row})
    table = pd.DataFrame(rows)
    shown = bool(table["p"].iloc[0] < alpha)
    others = table.iloc[1:]
    crossed = others["p"].notna() & ((others["p"] < alpha) != shown)
    by_number = crossed & shown & (others["effect_left"] >= _HARDLY_MOVED)
    return Influence(
        table=table,
        term=fit.fixed.term(term).label,
        grouping=name,
        decided_by=tuple(others["left_out"][crossed & ~by_number]),
        needed_by_number=tuple(others["left_out"][by_number]),
    )


def _at_all_variances(
    gone: NDArray[np.bool_],
    fit: MixedModelFit,
    term: TermSpec,
    method: Inference | str,
    alpha: float,
) -> dict[str, object] | None:
    """A row of the table without some rows, at the variances of all; None where it is worth a fit.

    Rows gone are what further coefficients, one a row, take up altogether.
    """
    found, span = fit.estimates, fit.estimates.parts.span
    if span is None or fit.random.parts.columns is None:
        return None
    whole, contrast = fit.test(term, method=method), fit.fixed.hypothesis(term)
    weighted = found.precision @ found.design
    inside = weighted @ found.beta_covariance @ weighted.T
    own, core = span.basis[gone], found.precision - inside - np.eye(len(inside))
    left = (fit.response - fit.fixed.matrix @ found.beta) / span.sd
    taken = np.linalg.inv(np.eye(len(own)) + own @ core @ own.T)
    pull = found.beta_covariance @ weighted.T @ own.T
    moved = found.beta - pull @ taken @ (left[gone] + own @ core @ (span.basis.T @ left))
    spread = contrast @ (found.beta_covariance + pull @ taken @ pull.T) @ contrast.T
    effect = contrast @ moved
    f = float(effect @ np.linalg.solve(spread, effect)) / len(contrast) * whole.scaling
    p = float(f_tail(f, whole.df_num, whole.df_den))
    if p > alpha / _FAR if whole.p < alpha else p < alpha * _FAR:
        return None
    test = replace(whole, f=f, p=p)
    return _row(int((~gone).sum()), test, _share_left(effect, fit, term))


def _tested(
    fit: MixedModelFit, whole: MixedModelFit, term: TermSpec, method: Inference | str
) -> dict[str, object]:
    """A row of the table, of a fit without a group."""
    left = fit.fixed.hypothesis(term) @ fit.estimates.beta
    test = fit.test(term, method=method)
    return _row(len(fit.response), test, _share_left(left, whole, term))


def _row(rows: int, test: TermTest, share: float) -> dict[str, object]:
    numbers = {name: getattr(test, name) for name in ("f", "df_num", "df_den", "p")}
    return {"rows": rows, **numbers, "effect_left": share, "status": ""}


def _share_left(left: Array, whole: MixedModelFit, term: TermSpec) -> float:
    """Share of the effect that is left; NaN where a level went with the group."""
    contrast = whole.fixed.hypothesis(term)
    effect = contrast @ whole.estimates.beta
    if left.shape != effect.shape:
        return np.nan
    weight = np.linalg.solve(contrast @ whole.estimates.beta_covariance @ contrast.T, effect)
    return float(weight @ left) / float(weight @ effect) if weight @ effect > 0.0 else np.nan
