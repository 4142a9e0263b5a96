"""What to look at before a verdict is believed: residuals, single groups, other packages' tests.

Nothing is drawn here; `psdstats.output` draws these tables.

A term is tested again without each group in turn.  Leaving a group out does two things: the effect
may move, and there is less evidence (fewer degrees of freedom, a wider interval).  Only the first
says something of that group; with three groups the second alone can undo a verdict.  So the effect
that is left is told beside p, as a share of the effect with all groups.

Common tests of a complete design (pingouin computes): repeated-measures analysis of variance with
the Greenhouse-Geisser correction, and Friedman's rank test.  They need every group measured at
every level; replicates of a group at a level are averaged first.  They know nothing of measurement
uncertainty: they are a check, and the mixed model gives the verdict.

The refits (statsmodels computes) share no code with the fit they are set beside.  The response may
be in any unit; statistics are dimensionless.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Flags
from psdstats.models.design_columns import TermSpec, factor_column, need_columns
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

    order = np.argsort(np.asarray(values, dtype=float), kind="stable")
    rank = np.argsort(order) + 1
    return np.asarray(special.ndtri((rank - 0.375) / (len(order) + 0.25)) + 0.0)


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
    gone: Flags, fit: MixedModelFit, term: TermSpec, method: Inference | str, alpha: float
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
    return _row(int((~gone).sum()), test, effect, fit, term)


def _tested(
    fit: MixedModelFit, whole: MixedModelFit, term: TermSpec, method: Inference | str
) -> dict[str, object]:
    """A row of the table, of a fit without a group."""
    left = fit.fixed.hypothesis(term) @ fit.estimates.beta
    return _row(len(fit.response), fit.test(term, method=method), left, whole, term)


def _row(
    rows: int, test: TermTest, left: Array, whole: MixedModelFit, term: TermSpec
) -> dict[str, object]:
    """A test, and the share of the effect that is left; NaN where a level went with the group."""
    contrast, share = whole.fixed.hypothesis(term), np.nan
    effect = contrast @ whole.estimates.beta
    if left.shape == effect.shape:
        weight = np.linalg.solve(contrast @ whole.estimates.beta_covariance @ contrast.T, effect)
        share = float(weight @ left) / float(weight @ effect) if weight @ effect > 0.0 else np.nan
    numbers = {name: getattr(test, name) for name in ("f", "df_num", "df_den", "p")}
    return {"rows": rows, **numbers, "effect_left": share, "status": ""}


class CommonTest(StrEnum):
    """Analyses of a complete design."""

    REPEATED_MEASURES = "repeated-measures analysis of variance"
    FRIEDMAN = "Friedman's rank test"


class CheckRemark(RemarkKind):
    """What a common test used, or why there is none."""

    CELLS = "cells"  # groups, levels
    AVERAGED = "averaged"
    TOO_FEW = "too few"  # groups, levels, group, within
    INCOMPLETE = "incomplete"  # missing, cells; group, within and the first missing level of each
    FEWER_THAN_THREE_GROUPS = "fewer than three groups"
    FEWER_THAN_THREE_LEVELS = "fewer than three levels"
    NO_MEASUREMENT = "knows no measurement"  # test
    NO_LINES = "knows no drift"  # test
    RANKS_ALONE = "ranks alone"  # test, groups


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossCheck:
    """Outcome of a common test, or the reason there is none.

    Parameters
    ----------
    test : CommonTest
        Which analysis.
    table : pandas.DataFrame or None
        One row; None where the analysis is not available.
    remarks : tuple of Remark
        What was used, or why it is not available.
    """

    test: CommonTest
    table: pd.DataFrame | None
    remarks: tuple[Remark, ...]


def repeated_measures_check(
    frame: pd.DataFrame, *, response: str, within: str, group: str
) -> CrossCheck:
    """Analyse a response by repeated-measures analysis of variance.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a measurement.
    response, within, group : str
        Columns: the number measured, the factor whose levels each group went through, the group.

    Returns
    -------
    CrossCheck
        Table columns: f, df_num, df_den, p, epsilon (Greenhouse-Geisser), p_corrected,
        partial_eta_squared, sphericity_w, sphericity_p (Mauchly; NaN where groups are too few).

    Raises
    ------
    ModelError
        If a column is missing or the response is not numeric.

    Notes
    -----
    F is the mean square of the factor over that of its interaction with the group.  Epsilon times
    both degrees of freedom gives the corrected p; it is 1 with two levels.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import repeated_measures_check
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> found = repeated_measures_check(trial, response="ln_D50", within="time", group="group")
    >>> round(float(found.table["f"].iloc[0]), 1)
    27.8
    """
    test, names = CommonTest.REPEATED_MEASURES, {"group": group, "level": within}
    cells, remarks = _complete_cells(frame, response, names, three_of="group")
    if cells is None:
        return CrossCheck(test=test, table=None, remarks=remarks)
    import pingouin

    with warnings.catch_warnings():  # pingouin calls pandas in a way that pandas will give up
        warnings.simplefilter("ignore", DeprecationWarning)
        found = pingouin.rm_anova(
            data=cells,
            dv="response",
            within="level",
            subject="group",
            correction=True,
            detailed=True,
            effsize="np2",
        )
    groups, levels = cells["group"].nunique(), cells["level"].nunique()
    effect = _first_row(found)
    if levels == 2:
        effect["eps"], effect["p_GG_corr"] = 1.0, effect["p_unc"]
    if levels == 2 or groups < levels:
        effect["W_spher"] = effect["p_spher"] = np.nan
    row = {
        "f": effect["F"],
        "df_num": levels - 1,
        "df_den": (levels - 1) * (groups - 1),
        "p": effect["p_unc"],
        "epsilon": effect["eps"],
        "p_corrected": effect["p_GG_corr"],
        "partial_eta_squared": effect["np2"],
        "sphericity_w": effect["W_spher"],
        "sphericity_p": effect["p_spher"],
    }
    return CrossCheck(test=test, table=pd.DataFrame([row]).astype(float), remarks=remarks)


def friedman_check(frame: pd.DataFrame, *, response: str, within: str, group: str) -> CrossCheck:
    """Compare the levels by their ranks within each group (Friedman).

    Parameters
    ----------
    frame, response, within, group
        As in `repeated_measures_check`.

    Returns
    -------
    CrossCheck
        Table columns: q (chi-square statistic), df, p (chi-square), kendall_w, f, df_num, df_den,
        p_f (F approximation, the better one for few groups).

    Raises
    ------
    ModelError
        If a column is missing or the response is not numeric.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import friedman_check
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> found = friedman_check(trial, response="ln_D50", within="time", group="group")
    >>> round(float(found.table["p"].iloc[0]), 3)
    0.05
    """
    test, names = CommonTest.FRIEDMAN, {"group": group, "level": within}
    cells, remarks = _complete_cells(frame, response, names, three_of="level")
    if cells is None:
        return CrossCheck(test=test, table=None, remarks=remarks)
    import pingouin

    columns = {"dv": "response", "within": "level", "subject": "group"}
    with np.errstate(divide="ignore"):  # F is infinite where all groups rank the levels alike
        chi_square = _first_row(pingouin.friedman(data=cells, method="chisq", **columns))
        approximate = _first_row(pingouin.friedman(data=cells, method="f", **columns))
    row = {
        "q": chi_square["Q"],
        "df": chi_square["ddof1"],
        "p": chi_square["p_unc"],
        "kendall_w": chi_square["W"],
        "f": approximate["F"],
        "df_num": approximate["ddof1"],
        "df_den": approximate["ddof2"],
        "p_f": approximate["p_unc"],
    }
    return CrossCheck(test=test, table=pd.DataFrame([row]).astype(float), remarks=remarks)


_FEWER_THAN_THREE = {
    "group": CheckRemark.FEWER_THAN_THREE_GROUPS,
    "level": CheckRemark.FEWER_THAN_THREE_LEVELS,
}


def _first_row(found: pd.DataFrame) -> pd.Series:
    """The first row; releases of pingouin write "p-unc" or "p_unc"."""
    return found.rename(columns=lambda name: str(name).replace("-", "_")).iloc[0]


def _complete_cells(
    frame: pd.DataFrame, response: str, names: Mapping[str, str], *, three_of: str
) -> tuple[pd.DataFrame | None, tuple[Remark, ...]]:
    """One row a group and level, or None; and what was done, or what is missing."""
    group, within = names["group"], names["level"]
    need_columns(frame, (response, within, group))
    if not pd.api.types.is_numeric_dtype(frame[response]):
        raise ModelError(f"The column {response!r} is not numeric; give the response as numbers.")
    rows = frame[[response, group, within]].dropna()
    keys = [pd.factorize(rows[name].astype(str))[1] for name in (group, within)]
    counts = {"groups": len(keys[0]), "levels": len(keys[1])}
    if min(counts.values()) < 2:
        return None, (CheckRemark.TOO_FEW(**counts, group=group, within=within),)
    columns = {one: rows[name].astype(str) for one, name in names.items()}
    cells = rows[response].astype(float).groupby(list(columns.values())).agg(["mean", "size"])
    cells.index.names = list(names)
    present = set(cells.index)
    missing = [pair for pair in product(*keys) if pair not in present]
    if missing:
        named = dict(zip(frame[within].astype(str), frame[within], strict=True))
        return None, (
            CheckRemark.INCOMPLETE(
                missing=len(missing),
                cells=len(keys[0]) * len(keys[1]),
                group=group,
                first_group=missing[0][0],
                within=within,
                first_level=named[missing[0][1]],
            ),
        )
    if counts[f"{three_of}s"] < 3:
        return None, (_FEWER_THAN_THREE[three_of](),)
    averaged = (CheckRemark.AVERAGED(),) if cells["size"].max() > 1 else ()
    cells = cells.reset_index().rename(columns={"mean": "response"})
    return cells, (CheckRemark.CELLS(**counts), *averaged)


def why_apart(
    check: CrossCheck, p: float, *, alpha: float, measured: bool, drifting: bool
) -> tuple[Remark, ...]:
    """Why a common test and a verdict with that p part; nothing where they agree.

    Whether the verdict knows the covariance of the measurement and allows groups to drift.
    """
    if check.table is None or np.isnan(p):
        return ()
    row = check.table.iloc[0]
    theirs = float(row.get("p_corrected", row.get("p_f", row["p"])))
    if (theirs < alpha) == (p < alpha):
        return ()
    test, found = str(check.test), list[Remark]()
    if measured:
        found.append(CheckRemark.NO_MEASUREMENT(test=test))
    if drifting:
        found.append(CheckRemark.NO_LINES(test=test))
    if check.test is CommonTest.FRIEDMAN:
        cells = next((one for one in check.remarks if one.kind is CheckRemark.CELLS), None)
        found.append(CheckRemark.RANKS_ALONE(test=test, groups=cells["groups"] if cells else 0))
    return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class Refit:
    """The estimates of a fit beside those of another package.

    Parameters
    ----------
    table : DataFrame
        One row a coefficient, then one a variance estimated anew: name, estimate, refit,
        standard_error, refit_standard_error (NaN for variances).
    converged : bool, default=True
        Whether the other package found a maximum.
    """

    table: pd.DataFrame
    converged: bool = True

    @property
    def largest_difference(self) -> float:
        """Largest difference of a coefficient, as a share of its standard error."""
        own = self.table.dropna()
        return float(((own["refit"] - own["estimate"]).abs() / own["standard_error"]).max())


def _refit_table(fit: MixedModelFit, refit: Array, standard_error: Array) -> pd.DataFrame:
    """The coefficients; standard errors of the fit are the plain ones, (XᵀV⁻¹X)⁻¹."""
    table = pd.DataFrame({"name": fit.fixed.names, "estimate": fit.estimates.beta})
    own = np.sqrt(np.diagonal(fit.covariance.plain))
    return table.assign(standard_error=own, refit=refit, refit_standard_error=standard_error)


def independent_refit(fit: MixedModelFit) -> Refit:
    """Repeat a fit by statsmodels: generalised least squares with the covariance found."""
    from statsmodels.regression.linear_model import GLS

    n, known = len(fit.response), fit.random.parts.known
    v = float(fit.variance_components.get("residual", 0.0)) * np.eye(n)
    v = v if known is None else v + known
    for grouping in fit.random.groupings:
        z = grouping.indicators()
        v = v + np.einsum("nle,ef,mlf->nm", z, grouping.spread(fit.estimates.theta), z)
    found = GLS(fit.response, fit.fixed.matrix, sigma=v).fit()
    error = np.sqrt(np.diagonal(found.normalized_cov_params))
    return Refit(table=_refit_table(fit, found.params, error))


_MOST_ROWS = 300  # that package keeps whole matrices of a model without independent groups


def refit_without_known(fit: MixedModelFit) -> Refit | None:
    """The same model without its known covariance, variances estimated anew by statsmodels.

    What the measurement adds then goes into the variances, and what runs share by their sieves
    counts as independent.  None where there is no known covariance, slopes are correlated, or
    there are too many rows.  The response is scaled, since statsmodels takes variances below about
    0.01 for zero.
    """
    groupings, x, n = fit.random.groupings, fit.fixed.matrix, len(fit.response)
    correlated = any(one.cross is not None for one in groupings)
    if fit.random.parts.known is None or correlated or not groupings or n > _MOST_ROWS:
        return None
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    left = fit.response - x @ np.linalg.lstsq(x, fit.response, rcond=None)[0]
    scale = max(float(np.sqrt(left @ left / max(n - x.shape[1], 1))), 1e-9)
    names, columns, matrices = [], [], []
    for one in groupings:
        z = one.indicators()
        names += [fit.random.names[place] for place in one.components]
        columns += [[list(one.levels)]] * z.shape[2]
        matrices += [[z[:, :, column]] for column in range(z.shape[2])]
    parts = VCSpec(names, columns, matrices)
    with warnings.catch_warnings():  # whether it converged is told
        warnings.simplefilter("ignore")
        model = MixedLM(fit.response / scale, x, groups=np.ones(n), exog_vc=parts)
        found = model.fit(reml=True, method=["bfgs", "powell"])
        errors = found.bse_fe * scale
    table = _refit_table(fit, found.fe_params * scale, errors)
    own = [*names, "residual"]
    below = pd.DataFrame(
        {
            "name": own,
            "estimate": [float(fit.variance_components.get(name, 0.0)) for name in own],
            "refit": np.append(found.vcomp, found.scale) * scale**2,
        }
    )
    whole = pd.concat([table, below], ignore_index=True)
    return Refit(table=whole, converged=bool(found.converged and np.isfinite(errors).all()))
