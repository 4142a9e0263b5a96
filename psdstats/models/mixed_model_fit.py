"""A fitted mixed model: estimates, tests, contrasts, predictions and the words that go with them.

Numbers are in the unit of the response (variances in its square).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.bootstrap import BootstrapTest, bootstrap_test, bootstrap_variances
from psdstats.models.contrasts import ContrastResult, contrast_table
from psdstats.models.design_fixed import FixedDesign, TermSpec
from psdstats.models.design_means import asked_contrasts, cell_means
from psdstats.models.design_random import RandomDesign
from psdstats.models.engine import BatchFit
from psdstats.models.mixed_model_effects import Effects, predict_effects
from psdstats.models.mixed_model_tests import Boundary, Inference, Method, TermTest, choice
from psdstats.models.mixed_model_words import design_cautions, fit_sentence, fit_status
from psdstats.models.permutation import PermutationTest, permutation_test
from psdstats.models.profile import profile_variances
from psdstats.models.student import critical_t

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModel

__all__ = ["MixedModelFit"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedModelFit:
    """One response fitted.

    Parameters
    ----------
    model : MixedModel
        What was asked.
    response : ndarray, shape (n,)
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
    def fixed_effects(self) -> pd.DataFrame:
        """Coefficients with Kenward–Roger inference at 95 %; see `coefficients`."""
        return self.coefficients()

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

    def coefficients(
        self, *, method: Method | str = Method.KENWARD_ROGER, level: float = 0.95
    ) -> pd.DataFrame:
        """Coefficients by name.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite"}
            Degrees of freedom, and which standard error t and the interval use.
        level : float, default=0.95
            Confidence level.

        Returns
        -------
        DataFrame
            Columns estimate, standard_error (generalised least squares), standard_error_adjusted
            (Kenward–Roger), df, t, p, lower, upper.
        """
        chosen = Method(choice(Method, method, "The method"))
        return self.inference.coefficient_table(self.fixed.names, chosen, level)

    def test(self, term: TermSpec, method: Method | str = Method.KENWARD_ROGER) -> TermTest:
        """F test of a term of the fixed part.

        Parameters
        ----------
        term : str or tuple of str
            A term of the model; a tuple is an interaction.
        method : {"kenward-roger", "satterthwaite"}
            How the denominator degrees of freedom are found.

        Returns
        -------
        TermTest

        Raises
        ------
        ModelError
            If the model has no such term.

        Notes
        -----
        The hypothesis is that equally weighted cell means of the term's factors do not differ
        (averaged over factors the term interacts with).
        """
        label = self.fixed.term(term).label
        return self.test_matrix(self.fixed.hypothesis(term), method=method, term=label)

    def test_matrix(
        self,
        contrast: ArrayLike,
        *,
        method: Method | str = Method.KENWARD_ROGER,
        at: ArrayLike = 0.0,
        term: str = "contrast matrix",
    ) -> TermTest:
        """F test of Lβ = h.

        Parameters
        ----------
        contrast : array_like, shape (l, p) or (p,)
            L, of full row rank, one column a coefficient in the order of ``fixed.names``.
        method : {"kenward-roger", "satterthwaite"}
            How the denominator degrees of freedom are found.
        at : array_like, shape (l,) or scalar, default=0
            h.
        term : str
            What the result is called.

        Returns
        -------
        TermTest

        Raises
        ------
        ModelError
            If L has the wrong width or rows that repeat each other.
        """
        rows = np.atleast_2d(np.asarray(contrast, dtype=float))
        if rows.shape[1] != len(self.fixed.names) or np.linalg.matrix_rank(rows) < len(rows):
            raise ModelError(
                f"The contrast matrix has shape {rows.shape} and rank "
                f"{np.linalg.matrix_rank(rows)}; it needs {len(self.fixed.names)} columns, one a "
                f"coefficient, and rows that do not repeat each other."
            )
        chosen = Method(choice(Method, method, "The method"))
        return self.inference.test(rows, chosen, term=term, status=self.status, at=at)

    def marginal_means(
        self,
        term: TermSpec,
        *,
        by: str | None = None,
        method: Method | str = Method.KENWARD_ROGER,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Means of a factor's levels (or of cells), equally weighted over the other factors.

        Parameters
        ----------
        term : str
            The factor.
        by : str or None
            A second factor: means of the cells of both.
        method : {"kenward-roger", "satterthwaite"}
            Standard errors and degrees of freedom.
        level : float, default=0.95
            Confidence level of each interval by itself.

        Returns
        -------
        DataFrame
            A column for each factor, then estimate, standard_error, df, lower, upper, in the unit
            of the response.  Covariates are held at their mean.

        Raises
        ------
        ModelError
            If a term is unknown or no factor.
        """
        chosen = Method(choice(Method, method, "The method"))
        cells, weights = cell_means(self.fixed, term, by)
        covariance = self.inference.beta_covariance(chosen)
        estimate = weights @ self.batch.beta[0]
        error = np.sqrt(((weights @ covariance) * weights).sum(axis=1))
        df = self.inference.single_df(weights, chosen)
        half = critical_t(1.0 - level, df) * error
        numbers = {"estimate": estimate, "standard_error": error, "df": df}
        return cells.assign(**numbers, lower=estimate - half, upper=estimate + half)

    def contrasts(
        self,
        term: TermSpec,
        *,
        kind: str = "all pairs",
        adjust: str = "default",
        by: str | None = None,
        level: float = 0.95,
        method: Method | str = Method.KENWARD_ROGER,
        degree: int = 1,
    ) -> ContrastResult:
        """Compare the levels of a factor, as one family.

        Parameters
        ----------
        term : str, or tuple of two str for kind "interaction"
            Factor whose levels are compared, or a trend, whose slopes are given.
        kind : {"all pairs", "against first", "successive", "trend", "interaction"}
            Which differences.  "trend" needs a factor with numeric levels, or a covariate;
            "interaction" takes differences of differences, each factor against its first level.
        adjust : {"default", "dunnett", "tukey", "mvt", "holm", "bonferroni", "none"}
            Family-wise adjustment; "default" is Dunnett, Tukey or the multivariate t by kind.
        by : str or None
            Compare within each level of this factor; all levels together are one family.
        level : float, default=0.95
            Confidence level.
        method : {"kenward-roger", "satterthwaite"}
            Standard errors and degrees of freedom.
        degree : int, default=1
            Highest power for kind "trend" of a factor.

        Returns
        -------
        ContrastResult
            Differences in the unit of the response, with intervals of the family.

        Raises
        ------
        ModelError
            If the term or kind is unknown or does not fit the factor.
        """
        chosen = Method(choice(Method, method, "The method"))
        asked = asked_contrasts(self.fixed, term, kind=kind, by=by, degree=degree)
        return contrast_table(
            asked.weights,
            self.batch.beta[0],
            self.inference.beta_covariance(chosen),
            self.inference.single_df(asked.weights, chosen),
            labels=asked.labels,
            high=asked.high,
            low=asked.low,
            kind=asked.kind,
            adjust=adjust,
            level=level,
        )

    def bootstrap_test(
        self,
        term: TermSpec,
        draws: int = 1000,
        seed: int | np.random.Generator = 0,
        *,
        stop_after: int | None = None,
    ) -> BootstrapTest:
        """Likelihood ratio test of a term with a parametric bootstrap.

        Parameters
        ----------
        term : str or tuple of str
            A term of the model.
        draws : int, default=1000
            Simulated data sets.
        seed : int or Generator, default=0
            Source of randomness.
        stop_after : int or None
            Stop once so many draws are as extreme as the data; None draws all.

        Returns
        -------
        BootstrapTest

        Raises
        ------
        ModelError
            If the model has no such term, or no draws are asked for.
        """
        return bootstrap_test(self, term, draws=draws, seed=seed, stop_after=stop_after)

    def permutation_test(
        self, term: TermSpec, draws: int = 1999, seed: int | np.random.Generator = 0
    ) -> PermutationTest:
        """Permutation of exchangeable rows within groups, where the design has them.

        Parameters
        ----------
        term : str or tuple of str
            A term of the model.
        draws : int, default=1999
            Random rearrangements, where all are too many.
        seed : int or Generator, default=0
            Source of randomness.

        Returns
        -------
        PermutationTest

        Raises
        ------
        ModelError
            If no rows are exchangeable under the hypothesis.
        """
        return permutation_test(self, term, draws=draws, seed=seed)

    def variance_intervals(
        self,
        method: str = "profile",
        *,
        level: float = 0.95,
        draws: int = 1000,
        seed: int | np.random.Generator = 0,
    ) -> pd.DataFrame:
        """Intervals of the variance components.

        Parameters
        ----------
        method : {"profile", "bootstrap"}
            Profile restricted likelihood, or percentiles of a parametric bootstrap.
        level : float, default=0.95
            Confidence level.
        draws, seed
            For the bootstrap.

        Returns
        -------
        DataFrame
            Columns estimate, lower, upper by component.

        Raises
        ------
        ModelError
            If there is no such method.
        """
        if method == "profile":
            return profile_variances(self, level=level)
        if method == "bootstrap":
            return bootstrap_variances(self, level=level, draws=draws, seed=seed)
        raise ModelError(f"The method {method!r} is not one of 'profile', 'bootstrap'.")
