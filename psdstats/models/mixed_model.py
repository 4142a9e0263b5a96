"""A fitted mixed model: tests, contrasts, means and resampling on what `FittedModel` holds.

Numbers are in the unit of the response (variances in its square).

A mixed model as a user states it: a frame, fixed terms, groupings, a known covariance.

y ~ N(Xβ, V), V = V_known + Σ θ_k G_k + σ²I.  Small designs are the point: tests are Kenward–Roger
by default and large-sample tests are not offered.  The model fitted is the model asked for; nothing
is selected automatically.

One term tested in several responses, for example D10, D50, D90 and span of the same runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.bootstrap import (
    BootstrapTest,
    bootstrap_test,
    bootstrap_variances,
    profile_variances,
)
from psdstats.models.contrasts import ContrastResult, contrast_table
from psdstats.models.criterion import Criterion
from psdstats.models.design_columns import TermSpec, column, refuse_inseparable
from psdstats.models.design_fixed import FixedDesign, asked_contrasts, build_fixed, cell_means
from psdstats.models.design_random import RandomDesign, RandomSpec, build_random
from psdstats.models.engine import fit_batch
from psdstats.models.fitted import Boundary, FittedModel, Method, TermTest, choice
from psdstats.models.multiplicity import Adjustment, adjust_p
from psdstats.models.permutation import PermutationTest, permutation_test
from psdstats.student import critical_t


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


@dataclass(frozen=True, eq=False)
class MixedModel:
    """A linear mixed model with a known covariance part.

    Parameters
    ----------
    frame : DataFrame
        One row an observation, without gaps in the columns used.
    response : str
        Column of the response.
    fixed : sequence of str, Factor, Trend or tuple of them
        Terms of the fixed part beside the intercept.  Text, categorical and boolean columns are
        factors with treatment contrasts against their first level, numeric columns covariates; a
        tuple is an interaction.
    random : sequence of str, tuple of str, or RandomSlope
        Groupings with a random intercept (a tuple: the combination of its columns), and slopes.
    known_covariance : array_like or DataFrame, shape (n, n), or None
        Covariance of the measurements in the square of the response's unit: an array in the order
        of rows, or a DataFrame labelled like one column of the frame (say, "run") or its index.
    factors : sequence of str
        Numeric columns to read as factors.
    residual : bool, default=True
        Whether rows have an error of unknown variance; without it and without groupings the model
        is generalised least squares with the known covariance.
    boundary : {"zero", "drop", "free"}
        What happens to a variance whose estimate would be negative; see `Boundary`.

    Notes
    -----
    A known covariance is kept whole, up to 4,000 rows.  Without one a frame may have any length:
    beyond 64 rows it is fitted in the span of its fixed terms and groupings, which is exact; that
    span may have up to 4,000 directions.

    Examples
    --------
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "ln_d50": [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1],
    ...     "time": [0, 5, 10] * 3, "group": ["a"] * 3 + ["b"] * 3 + ["c"] * 3})
    >>> fit = MixedModel(
    ...     trial, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]).fit()
    >>> round(fit.test("time").p, 4), fit.test("time").df_den.__round__(6)
    (0.0026, 4.0)
    """

    frame: pd.DataFrame
    _: KW_ONLY
    response: str
    fixed: Sequence[TermSpec] = ()
    random: Sequence[RandomSpec] = ()
    known_covariance: ArrayLike | pd.DataFrame | None = None
    factors: Sequence[str] = ()
    residual: bool = True
    boundary: Boundary | str = Boundary.ZERO

    def fit(self, *, criterion: Criterion | str = Criterion.REML) -> MixedModelFit:
        """Fit the model.

        Parameters
        ----------
        criterion : {"reml", "ml"}
            Restricted or full maximum likelihood; tests are meant for the restricted one.

        Returns
        -------
        MixedModelFit

        Raises
        ------
        ModelError
            If columns are missing or have gaps, terms are aliased, an interaction has empty cells,
            or variances cannot be told apart; the message names what.
        """
        return fit_many(self, [self.response], criterion=criterion)[0]


def fit_many(
    model: MixedModel, responses: Sequence[str], *, criterion: Criterion | str = Criterion.REML
) -> list[MixedModelFit]:
    """Fit one design to several response columns, for example D10, D50, D90 and span.

    Parameters
    ----------
    model : MixedModel
        The design; its own response is not used.
    responses : sequence of str
        Columns of the frame.
    criterion : {"reml", "ml"}
        Likelihood.

    Returns
    -------
    list of MixedModelFit
        One a response.  A known covariance of shape (B, n, n) gives each response its own.

    Raises
    ------
    ModelError
        As in `MixedModel.fit`, or if known covariances and responses differ in number.
    """
    boundary = Boundary(choice(Boundary, model.boundary, "The boundary rule"))
    chosen = Criterion(choice(Criterion, criterion, "The criterion"))
    if not len(model.frame):
        raise ModelError("The frame has no rows, so there is nothing to fit.")
    y = np.stack([_response(model.frame, name) for name in responses])
    fixed = build_fixed(model.frame, model.fixed, model.factors)
    random = build_random(
        model.frame,
        model.random,
        residual=model.residual,
        known=model.known_covariance,
        design=fixed.matrix,
    )
    known = random.parts.known
    if known is not None and known.ndim == 3 and len(known) != len(y):
        raise ModelError(
            f"{len(known)} known covariances are given for {len(y)} responses; give one for each, "
            f"in their order, or a single one for all."
        )
    _refuse_design(fixed, random)
    free = boundary is Boundary.FREE
    batch = fit_batch(y, fixed.matrix, random.parts, criterion=chosen, free=free)
    return [
        MixedModelFit(
            model=replace(model, response=name),
            response=y[row],
            fixed=fixed,
            random=replace(random, parts=random.parts.rows(slice(row, row + 1))),
            batch=batch.row(row),
        )
        for row, name in enumerate(responses)
    ]


def _response(frame: pd.DataFrame, name: str) -> Array:
    series = column(frame, name)
    if not pd.api.types.is_numeric_dtype(series.dtype):
        raise ModelError(f"The response {name!r} holds {series.iloc[0]!r}, not numbers.")
    values = series.to_numpy(dtype=float)
    if not np.isfinite(values).all():
        raise ModelError(f"The response {name!r} holds values that are not finite numbers.")
    return values


def _refuse_design(fixed: FixedDesign, random: RandomDesign) -> None:
    n, p = fixed.matrix.shape
    if not len(random.names):
        return
    if n <= p:
        raise ModelError(
            f"The fixed part has {p} coefficients for {n} rows, so no variance can be estimated; "
            f"take terms out, add replicates, or use a known covariance with residual=False."
        )
    parts = random.parts
    x = fixed.matrix if parts.span is None else parts.span.coordinates(fixed.matrix.T).T
    complement = np.linalg.qr(x, mode="complete")[0][:, p:]
    inner = (complement.T @ parts.matrices @ complement).reshape(len(random.names), -1)
    if parts.outside is not None:
        inner = np.column_stack([inner, np.sqrt(parts.n_outside) * parts.outside])
    refuse_inseparable(inner, random.names)


def term_in_responses(
    fits: Sequence[MixedModelFit],
    term: TermSpec,
    *,
    method: Method | str = Method.KENWARD_ROGER,
    adjust: Adjustment | str = Adjustment.NONE,
) -> pd.DataFrame:
    """Test a term in every response."""
    if not fits:
        raise ModelError("No fits were given; fit at least one response.")
    tests = [fit.test(term, method=method) for fit in fits]
    table = pd.DataFrame(
        {
            "response": [fit.model.response for fit in fits],
            "term": [test.term for test in tests],
            "f": [test.f for test in tests],
            "df_num": [test.df_num for test in tests],
            "df_den": [test.df_den for test in tests],
            "p": [test.p for test in tests],
        }
    )
    table["p_adjusted"] = adjust_p(table["p"].to_numpy(), kind=adjust)
    table["status"] = [test.status for test in tests]
    return table
