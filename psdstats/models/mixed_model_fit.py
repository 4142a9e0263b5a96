"""A fitted mixed model: tests, contrasts, means and resampling on what `FittedModel` holds.

Numbers are in the unit of the response (variances in its square).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.models.bootstrap import BootstrapTest, bootstrap_test, bootstrap_variances
from psdstats.models.contrasts import ContrastResult, contrast_table
from psdstats.models.design_fixed import TermSpec
from psdstats.models.design_means import asked_contrasts, cell_means
from psdstats.models.mixed_model_state import FittedModel
from psdstats.models.mixed_model_tests import Method, TermTest, choice
from psdstats.models.permutation import PermutationTest, permutation_test
from psdstats.models.profile import profile_variances
from psdstats.models.student import critical_t

__all__ = ["MixedModelFit"]


class MixedModelFit(FittedModel):
    """One response fitted, and what can be asked of the fit.

    Parameters
    ----------
    model, response, fixed, random, batch
        As in `FittedModel`.
    """

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
