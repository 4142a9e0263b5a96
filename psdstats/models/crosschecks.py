"""Other packages' analyses, to set beside the mixed model: common tests and independent refits.

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
from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array
from psdstats.models.design_columns import need_columns
from psdstats.models.mixed_model import MixedModelFit


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
    cells, remarks = _complete_cells(frame, response, names)
    if cells is not None and cells["group"].nunique() < 3:
        cells, remarks = None, (CheckRemark.FEWER_THAN_THREE_GROUPS(),)
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
    cells, remarks = _complete_cells(frame, response, names)
    if cells is not None and cells["level"].nunique() < 3:
        cells, remarks = None, (CheckRemark.FEWER_THAN_THREE_LEVELS(),)
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


def _first_row(found: pd.DataFrame) -> pd.Series:
    """The first row; releases of pingouin write "p-unc" or "p_unc"."""
    return found.rename(columns=lambda name: str(name).replace("-", "_")).iloc[0]


def _complete_cells(
    frame: pd.DataFrame, response: str, names: Mapping[str, str]
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
    return pd.DataFrame(
        {
            "name": fit.fixed.names,
            "estimate": fit.estimates.beta,
            "standard_error": np.sqrt(np.diagonal(fit.covariance.plain)),
            "refit": refit,
            "refit_standard_error": standard_error,
        }
    )


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
    table = _refit_table(fit, found.fe_params * scale, found.bse_fe * scale)
    own = [*names, "residual"]
    below = pd.DataFrame(
        {
            "name": own,
            "estimate": [float(fit.variance_components.get(name, 0.0)) for name in own],
            "refit": np.append(found.vcomp, found.scale) * scale**2,
        }
    )
    whole = pd.concat([table, below], ignore_index=True)
    return Refit(table=whole, converged=bool(found.converged))
