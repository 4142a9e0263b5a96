"""Tests and tables of fixed effects for one fit: methods by name, results with their words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.engine import BatchFit
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    kenward_roger,
    single_df,
)
from psdstats.models.satterthwaite import satterthwaite, satterthwaite_df
from psdstats.models.student import critical_t, two_sided_p

__all__ = ["Boundary", "Inference", "Method", "TermTest", "choice"]

Array = NDArray[np.float64]


class Method(StrEnum):
    """How degrees of freedom are found; a large-sample test is not among the choices."""

    KENWARD_ROGER = "kenward-roger"
    SATTERTHWAITE = "satterthwaite"


class Boundary(StrEnum):
    """What happens to a variance whose estimate would be negative.

    ZERO stops at zero and keeps its uncertainty in Kenward-Roger tests; DROP stops at zero and
    tests as if the component were not there; FREE lets it go below zero while V stays positive
    definite, which gives the exact F in balanced designs.
    """

    ZERO = "zero"
    DROP = "drop"
    FREE = "free"


def choice(kind: type[StrEnum], value: str, what: str) -> str:
    """Turn a string into one of the choices of an enum.

    Raises
    ------
    ModelError
        Naming the choices.
    """
    try:
        return kind(value)
    except ValueError as error:
        allowed = ", ".join(repr(str(k)) for k in kind)
        raise ModelError(f"{what} {value!r} is not one of {allowed}.") from error


@dataclass(frozen=True, kw_only=True)
class TermTest:
    """F test of a term or of a contrast matrix.

    Parameters
    ----------
    term : str
        What was tested.
    method : Method
        How the degrees of freedom were found.
    f, df_num, df_den, p : float
        Statistic (scaling included), degrees of freedom, upper tail.
    scaling : float
        Factor in ``f`` that the method put there (1 for one contrast).
    status : str
        State of the fit behind the test.
    """

    term: str
    method: Method
    f: float
    df_num: int
    df_den: float
    p: float
    scaling: float
    status: str

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([{k: getattr(self, k) for k in self.__dataclass_fields__}])


@dataclass(frozen=True, kw_only=True, eq=False)
class Inference:
    """A batch of fits with what every test of them shares."""

    fit: BatchFit
    covariance: AdjustedCovariance

    @classmethod
    def of(cls, fit: BatchFit, *, drop_edges: bool = False) -> Inference:
        """Prepare tests."""
        return cls(fit=fit, covariance=adjusted_covariance(fit, drop_edges=drop_edges))

    def test(
        self, contrast: ArrayLike, method: Method, *, term: str, status: str, at: ArrayLike = 0.0
    ) -> TermTest:
        """F test for the first response of the batch."""
        run = kenward_roger if method is Method.KENWARD_ROGER else satterthwaite
        found = run(self.fit, self.covariance, contrast, at=at)
        return TermTest(
            term=term,
            method=method,
            f=float(found.f[0]),
            df_num=found.df_num,
            df_den=float(found.df_den[0]),
            p=float(found.p[0]),
            scaling=float(found.scaling[0]),
            status=status,
        )

    def beta_covariance(self, method: Method, row: int = 0) -> Array:
        """Covariance of the coefficients that goes with a method."""
        plain = method is Method.SATTERTHWAITE
        covariance: Array = (self.covariance.plain if plain else self.covariance.adjusted)[row]
        return covariance

    def single_df(self, contrasts: ArrayLike, method: Method, row: int = 0) -> Array:
        """Degrees of freedom of single contrasts (m, p)."""
        if method is Method.SATTERTHWAITE:
            df = satterthwaite_df(self.fit, self.covariance, contrasts)[1]
        else:
            df = single_df(self.covariance, contrasts)
        chosen: Array = df[row]
        return chosen

    def coefficient_table(
        self, names: list[str], method: Method, level: float, row: int = 0
    ) -> pd.DataFrame:
        """Estimates with standard errors, t, p and intervals, by coefficient."""
        estimate = self.fit.beta[row]
        plain = np.sqrt(np.diagonal(self.covariance.plain[row]))
        adjusted = np.sqrt(np.diagonal(self.covariance.adjusted[row]))
        used = plain if method is Method.SATTERTHWAITE else adjusted
        df = self.single_df(np.eye(len(estimate)), method, row)
        t = estimate / used
        half = critical_t(1.0 - level, df) * used
        return pd.DataFrame(
            {
                "estimate": estimate,
                "standard_error": plain,
                "standard_error_adjusted": adjusted,
                "df": df,
                "t": t,
                "p": two_sided_p(t, df),
                "lower": estimate - half,
                "upper": estimate + half,
            },
            index=pd.Index(names, name="coefficient"),
        )
