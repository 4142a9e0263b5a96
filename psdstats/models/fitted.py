"""Tests and tables of fixed effects for one fit: methods by name, results with their words.

Predicted random effects, fitted values and residuals of one fit.

What a fitted mixed model holds: estimates, predictions, residuals, and its state in words.

Numbers are in the unit of the response (variances in its square).  Tests are in `mixed_model_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.design_fixed import FixedDesign
from psdstats.models.design_random import Grouping, RandomDesign
from psdstats.models.engine import BatchFit
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    kenward_roger,
    satterthwaite,
    satterthwaite_df,
    single_df,
)
from psdstats.models.mixed_model_words import design_cautions, fit_sentence, fit_status
from psdstats.student import critical_t, two_sided_p

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModel


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
    """Turn a string into one of the choices of an enum."""
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


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedModel:
    """One response fitted.

    Parameters
    ----------
    model : MixedModel
        What was asked.
    response : ndarray, shape (n,)
        Its values.
    fixed : FixedDesign
        X and its meaning.
    random : RandomDesign
        Groupings and their covariance matrices.
    batch : BatchFit
        A batch of one.
    """

    model: MixedModel
    response: Array
    fixed: FixedDesign
    random: RandomDesign
    batch: BatchFit

    @cached_property
    def inference(self) -> Inference:
        """What all tests of this fit share."""
        drop = Boundary(self.model.boundary) is Boundary.DROP
        return Inference.of(self.batch, drop_edges=drop)

    @property
    def status(self) -> str:
        """State of the fit in words: "converged", or what is at the boundary or went wrong."""
        return fit_status(self.batch, self.random)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to allow for when the tests are read, as sentences; see `design_cautions`."""
        return design_cautions(self.batch)

    @property
    def sentence(self) -> str:
        """The model actually fitted, as a sentence."""
        return fit_sentence(self.model.response, self.fixed, self.random, self.batch, self.status)

    @property
    def reml_log_likelihood(self) -> float:
        """Restricted log likelihood; the full one after a fit by it."""
        return float(self.batch.log_likelihood[0])

    @cached_property
    def variance_components(self) -> pd.Series:
        """Variances (and covariances of slopes) by component; exactly 0 at the boundary."""
        index = pd.Index(self.random.names, name="component")
        return pd.Series(self.batch.theta[0].copy(), index=index, name="variance")

    @cached_property
    def effects(self) -> Effects:
        """Predicted random effects and fitted values."""
        return predict_effects(self.response, self.fixed.matrix, self.batch, self.random)

    @property
    def random_effects(self) -> pd.DataFrame:
        """Best linear unbiased predictions: grouping, level, effect, estimate, standard_error."""
        return self.effects.table

    @property
    def fitted(self) -> Array:
        """Fixed effects plus predicted random effects, shape (n,)."""
        return self.effects.fitted

    @property
    def residuals(self) -> Array:
        """Response minus `fitted`, shape (n,)."""
        return self.response - self.fitted

    @cached_property
    def fixed_effects(self) -> pd.DataFrame:
        """Coefficients with Kenward–Roger inference at 95 %; see `coefficients`."""
        return self.coefficients()

    def coefficients(
        self, *, method: Method | str = Method.KENWARD_ROGER, level: float = 0.95
    ) -> pd.DataFrame:
        """Coefficients by name."""
        chosen = Method(choice(Method, method, "The method"))
        return self.inference.coefficient_table(self.fixed.names, chosen, level)
