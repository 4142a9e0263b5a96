"""Other packages' analyses, to set beside the mixed model: common tests and an independent refit.

Common tests of a complete design (pingouin computes): repeated-measures analysis of variance with
the Greenhouse-Geisser correction, and Friedman's rank test.  They need every group measured at
every level; replicates of a group at a level are averaged first.  They know nothing of measurement
uncertainty: they are a check, and the mixed model gives the verdict.

The refit (statsmodels computes) shares no code with the fit it is set beside.  The response may be
in any unit; statistics are dimensionless.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.models.design_columns import need_columns
from psdstats.models.likelihood import Criterion
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
    test = CommonTest.REPEATED_MEASURES
    cells, remarks = _complete_cells(frame, response=response, within=within, group=group)
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
    effect = _first_row(found)
    groups, levels = cells["group"].nunique(), cells["level"].nunique()
    testable = levels > 2 and groups >= levels
    row = {
        "f": effect["F"],
        "df_num": levels - 1,
        "df_den": (levels - 1) * (groups - 1),
        "p": effect["p_unc"],
        "epsilon": effect["eps"] if levels > 2 else 1.0,
        "p_corrected": effect["p_GG_corr"] if levels > 2 else effect["p_unc"],
        "partial_eta_squared": effect["np2"],
        "sphericity_w": effect["W_spher"] if testable else np.nan,
        "sphericity_p": effect["p_spher"] if testable else np.nan,
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
    test = CommonTest.FRIEDMAN
    cells, remarks = _complete_cells(frame, response=response, within=within, group=group)
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
    frame: pd.DataFrame, *, response: str, within: str, group: str
) -> tuple[pd.DataFrame | None, tuple[Remark, ...]]:
    """One row a group and level, or None; and what was done, or what is missing."""
    need_columns(frame, (response, within, group))
    if not pd.api.types.is_numeric_dtype(frame[response]):
        raise ModelError(f"The column {response!r} is not numeric; give the response as numbers.")
    rows = pd.DataFrame(
        {
            "group": frame[group].astype(str),
            "level": frame[within].astype(str),
            "response": frame[response].astype(float),
        }
    ).dropna()
    cells = rows.groupby(["group", "level"], as_index=False)["response"].agg(["mean", "size"])
    groups, levels = rows["group"].unique(), rows["level"].unique()
    counts = {"groups": len(groups), "levels": len(levels)}
    if min(counts.values()) < 2:
        return None, (CheckRemark.TOO_FEW(**counts, group=group, within=within),)
    present = set(zip(cells["group"], cells["level"], strict=True))
    missing = [(g, level) for g in groups for level in levels if (g, level) not in present]
    if missing:
        named = dict(zip(frame[within].astype(str), frame[within], strict=True))
        return None, (
            CheckRemark.INCOMPLETE(
                missing=len(missing),
                cells=len(groups) * len(levels),
                group=group,
                first_group=missing[0][0],
                within=within,
                first_level=named[missing[0][1]],
            ),
        )
    averaged = (CheckRemark.AVERAGED(),) if cells["size"].max() > 1 else ()
    return cells.rename(columns={"mean": "response"}), (CheckRemark.CELLS(**counts), *averaged)


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


class RefitRoute(StrEnum):
    """How a fit was repeated."""

    MIXED_MODEL = "mixed model"  # variances estimated anew
    WITHOUT_KNOWN = "without the known covariance"  # the same, of a model that lacks it
    LEAST_SQUARES = "generalised least squares"  # at the variances found


@dataclass(frozen=True, kw_only=True, eq=False)
class Refit:
    """The estimates of a fit beside those of another package.

    Parameters
    ----------
    route : RefitRoute
        A mixed model where that package has the same one (random intercepts of one grouping, no
        known covariance), else generalised least squares with the covariance found; or the mixed
        model without the known covariance, which that package cannot take.
    table : DataFrame
        One row a coefficient, then one a variance estimated anew: name, estimate, refit,
        standard_error, refit_standard_error (NaN for variances).
    converged : bool, default=True
        Whether the other package found a maximum.
    """

    route: RefitRoute
    table: pd.DataFrame
    converged: bool = True

    @property
    def largest_difference(self) -> float:
        """Largest difference of a coefficient, as a share of its standard error."""
        own = self.table.dropna()
        return float(((own["refit"] - own["estimate"]).abs() / own["standard_error"]).max())


def independent_refit(fit: MixedModelFit) -> Refit:
    """Repeat a fit by statsmodels.

    Notes
    -----
    Standard errors are the plain ones, (XᵀV⁻¹X)⁻¹.  The response is scaled for statsmodels, which
    takes variances below about 0.01 for zero.
    """
    y, x, n = fit.response, fit.fixed.matrix, len(fit.response)
    variances, parts = fit.variance_components, fit.random.parts
    groupings = fit.random.groupings
    table = pd.DataFrame(
        {
            "name": fit.fixed.names,
            "estimate": fit.estimates.beta,
            "standard_error": np.sqrt(np.diagonal(fit.covariance.plain)),
        }
    )
    plain = len(variances) == 2 and "residual" in variances.index and variances.min() > 0.0
    if plain and parts.known is None and len(groupings) == 1:
        from statsmodels.regression.mixed_linear_model import MixedLM

        scale = float(np.sqrt(variances["residual"]))
        reml = fit.estimates.criterion is Criterion.REML
        model = MixedLM(y / scale, x, groups=groupings[0].codes)
        with warnings.catch_warnings():  # whether it converged is told
            warnings.simplefilter("ignore")
            found = model.fit(reml=reml, method=["bfgs"], gtol=1e-8)
        table["refit"], table["refit_standard_error"] = found.fe_params, found.bse_fe
        table[["refit", "refit_standard_error"]] *= scale
        anew = np.array([found.cov_re[0, 0], found.scale]) * scale**2
        below = pd.DataFrame({"name": variances.index, "estimate": variances, "refit": anew})
        whole = pd.concat([table, below], ignore_index=True)
        return Refit(route=RefitRoute.MIXED_MODEL, table=whole, converged=bool(found.converged))
    from statsmodels.regression.linear_model import GLS

    v = float(variances.get("residual", 0.0)) * np.eye(n)
    v = v if parts.known is None else v + parts.known
    for grouping in groupings:
        z = grouping.indicators()
        v = v + np.einsum("nle,ef,mlf->nm", z, grouping.spread(fit.estimates.theta), z)
    found = GLS(y, x, sigma=v).fit()
    table["refit"] = found.params
    table["refit_standard_error"] = np.sqrt(np.diagonal(found.normalized_cov_params))
    return Refit(route=RefitRoute.LEAST_SQUARES, table=table)


_MOST_ROWS = 300  # that package keeps whole matrices of a model without independent groups


def refit_without_known(fit: MixedModelFit) -> Refit | None:
    """The same model without its known covariance, variances estimated anew by statsmodels.

    What the measurement adds then goes into the variances, and what runs share by their sieves
    counts as independent.  None where there is no known covariance, slopes are correlated, or
    there are too many rows.
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
    table = pd.DataFrame(
        {
            "name": fit.fixed.names,
            "estimate": fit.estimates.beta,
            "standard_error": np.sqrt(np.diagonal(fit.covariance.plain)),
            "refit": found.fe_params * scale,
            "refit_standard_error": found.bse_fe * scale,
        }
    )
    own = [*names, "residual"]
    below = pd.DataFrame(
        {
            "name": own,
            "estimate": [float(fit.variance_components.get(name, 0.0)) for name in own],
            "refit": np.append(found.vcomp, found.scale) * scale**2,
        }
    )
    return Refit(
        route=RefitRoute.WITHOUT_KNOWN,
        table=pd.concat([table, below], ignore_index=True),
        converged=bool(found.converged),
    )
