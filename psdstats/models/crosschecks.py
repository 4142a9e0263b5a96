"""Classical analyses of a complete design, to set beside the mixed model.

Repeated-measures analysis of variance with the Greenhouse-Geisser correction, Friedman's rank
test, and the effect sizes that go with them (pingouin computes).  They need every group measured
at every level; replicates of a group at a level are averaged first, and that is said.  They know
nothing of measurement uncertainty: they are a check, and the mixed model gives the verdict.
The response may be in any unit; statistics are dimensionless.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.errors import ModelError


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossCheck:
    """Outcome of a classical analysis, or the reason there is none.

    Parameters
    ----------
    name : str
        Which analysis.
    sentence : str
        What was done, or why it is not available.
    table : pandas.DataFrame or None
        One row; None where the analysis is not available.
    """

    name: str
    sentence: str
    table: pd.DataFrame | None

    @property
    def available(self) -> bool:
        """Whether the design allowed the analysis."""
        return self.table is not None


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
    """
    name = "repeated-measures analysis of variance"
    cells, said = _complete_cells(frame, response=response, within=within, group=group)
    if cells is not None and cells["group"].nunique() < 3:
        cells, said = None, "the correction needs at least three groups."
    if cells is None:
        return CrossCheck(name=name, sentence=f"Not available: {said}", table=None)
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
    effect = found.iloc[0].rename(lambda label: str(label).replace("-", "_"))
    groups, levels = cells["group"].nunique(), cells["level"].nunique()
    testable = levels > 2 and groups >= levels
    table = pd.DataFrame(
        {
            "f": [float(effect["F"])],
            "df_num": [float(levels - 1)],
            "df_den": [float((levels - 1) * (groups - 1))],
            "p": [float(effect["p_unc"])],
            "epsilon": [float(effect["eps"]) if levels > 2 else 1.0],
            "p_corrected": [float(effect["p_GG_corr"]) if levels > 2 else float(effect["p_unc"])],
            "partial_eta_squared": [float(effect["np2"])],
            "sphericity_w": [float(effect["W_spher"]) if testable else np.nan],
            "sphericity_p": [float(effect["p_spher"]) if testable else np.nan],
        }
    )
    return CrossCheck(name=name, sentence=f"{said} Greenhouse-Geisser correction.", table=table)


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
    """
    name = "Friedman's rank test"
    cells, said = _complete_cells(frame, response=response, within=within, group=group)
    if cells is not None and cells["level"].nunique() < 3:
        cells, said = None, "the rank test needs at least three levels."
    if cells is None:
        return CrossCheck(name=name, sentence=f"Not available: {said}", table=None)
    import pingouin

    rows = []
    for method in ("chisq", "f"):
        found = pingouin.friedman(
            data=cells, dv="response", within="level", subject="group", method=method
        )
        rows.append(found.iloc[0].rename(lambda label: str(label).replace("-", "_")))
    chi_square, approximate = rows
    table = pd.DataFrame(
        {
            "q": [float(chi_square["Q"])],
            "df": [float(chi_square["ddof1"])],
            "p": [float(chi_square["p_unc"])],
            "kendall_w": [float(chi_square["W"])],
            "f": [float(approximate["F"])],
            "df_num": [float(approximate["ddof1"])],
            "df_den": [float(approximate["ddof2"])],
            "p_f": [float(approximate["p_unc"])],
        }
    )
    return CrossCheck(name=name, sentence=said, table=table)


def _complete_cells(
    frame: pd.DataFrame, *, response: str, within: str, group: str
) -> tuple[pd.DataFrame | None, str]:
    """One row a group and level, or None; and what was done, or what is missing, in words."""
    for column in (response, within, group):
        if column not in frame.columns:
            raise ModelError(
                f"There is no column {column!r}; the columns are {list(frame.columns)}."
            )
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
    if min(len(groups), len(levels)) < 2:
        return None, (
            f"it needs two or more groups and two or more levels; there are {len(groups)} of "
            f"{group} and {len(levels)} of {within}."
        )
    present = set(zip(cells["group"], cells["level"], strict=True))
    missing = [(g, level) for g in groups for level in levels if (g, level) not in present]
    if missing:
        return None, (
            f"the design is not complete: {len(missing)} of {len(groups) * len(levels)} "
            f"combinations have no value, the first being {group} {missing[0][0]} with {within} "
            f"{missing[0][1]}; the mixed model uses what there is."
        )
    averaged = " Replicates of a group at a level were averaged." if cells["size"].max() > 1 else ""
    said = f"{len(groups)} groups at {len(levels)} levels each.{averaged}"
    return cells.rename(columns={"mean": "response"}), said
