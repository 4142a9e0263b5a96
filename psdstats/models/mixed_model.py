"""A mixed model as a user states it, and the fit that all tests and contrasts hang on.

y ~ N(Xβ, V), V = V_known + Σ θ_k G_k + σ²I.  Small designs are the point: tests are Kenward–Roger
by default and large-sample tests are not offered.  The model fitted is the model asked for; nothing
is selected automatically.  Numbers are in the unit of the response (variances in its square).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.covariance import SharedErrors
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastResult, contrast_table
from psdstats.models.design_columns import (
    FixedDesign,
    TermSpec,
    asked_contrasts,
    build_fixed,
    cell_means,
    column,
)
from psdstats.models.design_random import Effects, RandomDesign, RandomSpec, build_random
from psdstats.models.engine import BatchFit, fit_batch
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    Inference,
    TermTest,
    adjusted_covariance,
    kenward_roger,
    satterthwaite,
    satterthwaite_df,
    single_df,
)
from psdstats.models.likelihood import Choice, Criterion
from psdstats.present import Shown
from psdstats.student import critical_t, two_sided_p

# rows beyond the fixed effects up to which tests miss their level: three variances or more, and
# two with a known covariance
_FEW_WITH_CELLS, _FEW_WITH_KNOWN = 20, 8

_TINY = 1e-10  # share of the largest below which a variance, or an eigenvalue of V, is as good as 0


class Boundary(Choice):
    """What happens to a variance whose estimate would be negative.

    ZERO stops at zero and keeps its uncertainty in Kenward-Roger tests; DROP stops at zero and
    tests as if the component were not there; FREE lets it go below zero while V stays positive
    definite, which gives the exact F in balanced designs.
    """

    ZERO = "zero"
    DROP = "drop"
    FREE = "free"


class FitRemark(RemarkKind):
    """What is not as it should be in a fit, and designs whose tests miss their level.

    Of the latter tells tests/calibration/results/mixed_models.md: complete designs without a known
    covariance are exact, incomplete ones with several components and few rows reject too rarely,
    small designs with a known covariance too often.  No cure that was tried helps in all of them
    (tests/calibration/results/bootstrap_level.md).
    """

    NOTHING_ESTIMATED = "nothing estimated"
    AT_ZERO = "at zero"  # component
    BELOW_ZERO = "below zero"  # component
    FULL_CORRELATION = "full correlation"  # first, second, sign
    NEARLY_SINGULAR = "nearly singular"
    NOT_CONVERGED = "not converged"
    INCOMPLETE = "incomplete"  # rows, variances
    TWO_GROUPS = "two groups"  # rows, variances
    FEW_CELLS = "few cells"  # rows, variances
    FEW_RUNS = "few runs"  # rows, variances


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MixedModelFit(Shown):
    """One response fitted, and what can be asked of the fit.

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
    estimates : BatchFit
        Variance parameters, coefficients, likelihood and information, of one response.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import MixedModel
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
    >>> fit.variance_components.round(3)
    component
    group       0.00
    residual    0.01
    Name: variance, dtype: float64
    """

    model: MixedModel
    response: Array
    fixed: FixedDesign
    random: RandomDesign
    estimates: BatchFit

    @cached_property
    def whole(self) -> MixedModelFit:
        """The same with its covariance as a matrix over all rows, as resampling asks for it."""
        known = self.model.known_covariance
        if not isinstance(known, SharedErrors):
            return self
        return replace(self.model, known_covariance=np.asarray(known)).fit()

    @property
    def reml_log_likelihood(self) -> float:
        """Restricted log likelihood; the full one after a fit by it."""
        return float(self.estimates.log_likelihood)

    @cached_property
    def variance_components(self) -> pd.Series:
        """Variances (and covariances of slopes) by component; exactly 0 at the boundary."""
        index = pd.Index(self.random.names, name="component")
        return pd.Series(self.estimates.theta.copy(), index=index, name="variance")

    @cached_property
    def effects(self) -> Effects:
        """Predicted random effects and fitted values."""
        return self.random.predict(self.response, self.fixed.matrix, self.estimates)

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

    @property
    def status(self) -> tuple[Remark, ...]:
        """What is at the boundary or went wrong; empty where all is as it should be."""
        fit, names = self.estimates, self.random.names
        if not names:
            return (FitRemark.NOTHING_ESTIMATED(),)
        said: list[Remark] = []
        parts, theta, edge = fit.parts, fit.theta, fit.on_edge
        inside_blocks = {i for block in parts.blocks for i in block}
        for k, name in enumerate(names):
            if edge[k] and parts.is_variance[k] and k not in inside_blocks:
                said.append(FitRemark.AT_ZERO(component=name))
            elif fit.free and parts.is_variance[k] and theta[k] < 0:
                said.append(FitRemark.BELOW_ZERO(component=name))
        for first, second, cross in parts.blocks:
            zero = [names[k] for k in (first, second) if theta[k] <= 1e-12 * theta.max()]
            if edge[cross] and zero:
                said += [FitRemark.AT_ZERO(component=name) for name in zero]
            elif edge[cross]:
                sign = int(np.sign(theta[cross]))
                said.append(
                    FitRemark.FULL_CORRELATION(first=names[first], second=names[second], sign=sign)
                )
        # a known covariance of low rank may be left almost alone, the residual being nearly zero
        tiny = bool((parts.is_variance & (theta < _TINY * theta.max())).any())
        if parts.known is not None and tiny:
            values = np.linalg.eigvalsh(parts.covariance(theta))
            if values[0] < _TINY * values[-1]:
                said.append(FitRemark.NEARLY_SINGULAR())
        if not fit.converged:
            said.append(FitRemark.NOT_CONVERGED())
        return tuple(said)

    @property
    def cautions(self) -> tuple[Remark, ...]:
        """What to allow for when the tests are read."""
        parts, rows, q = self.random.parts, len(self.response), len(self.random.names)
        beside = rows - len(self.fixed.names)
        few_cells = q > 2 and beside <= _FEW_WITH_CELLS
        kind = None
        if parts.known is None:
            if q > 2 and beside < _FEW_WITH_CELLS and not self._has_strata:
                kind = FitRemark.INCOMPLETE
        elif few_cells and np.linalg.matrix_rank(parts.matrices[0]) <= 2:
            kind = FitRemark.TWO_GROUPS
        elif few_cells:
            kind = FitRemark.FEW_CELLS
        elif q and beside < _FEW_WITH_KNOWN:
            kind = FitRemark.FEW_RUNS
        return () if kind is None else (kind(rows=rows, variances=q),)

    @property
    def _has_strata(self) -> bool:
        """Whether all covariance matrices share their eigenvectors, as in balanced designs."""
        x = self.estimates.design
        inner = np.linalg.qr(x, mode="complete")[0][:, x.shape[1] :]
        parts = inner.T @ self.estimates.parts.matrices @ inner
        products = parts[:, None] @ parts
        return bool(np.abs(products - products.mT).max() < _TINY * np.abs(products).max())

    @cached_property
    def covariance(self) -> AdjustedCovariance:
        """Covariances of the coefficients, plain and adjusted, with what all tests share."""
        drop = Boundary(self.model.boundary) is Boundary.DROP
        return adjusted_covariance(self.estimates, drop_edges=drop)

    def _used(self, rows: Array, method: Inference | str) -> tuple[Array, Array]:
        """Covariance of the coefficients, and degrees of freedom of single contrasts (m, p)."""
        if Inference(method) is Inference.SATTERTHWAITE:
            return self.covariance.plain, satterthwaite_df(self.estimates, self.covariance, rows)
        return self.covariance.adjusted, single_df(self.covariance, rows)

    def _estimated(self, rows: Array, method: Inference | str, level: float) -> dict[str, Array]:
        """Single contrasts (m, p) with standard errors, degrees of freedom and intervals."""
        covariance, df = self._used(rows, method)
        estimate = rows @ self.estimates.beta
        error = np.sqrt(((rows @ covariance) * rows).sum(axis=1))
        half = critical_t(1.0 - level, df) * error
        ends = {"lower": estimate - half, "upper": estimate + half}
        return {"estimate": estimate, "standard_error": error, "df": df, **ends}

    def to_frame(
        self, *, method: Inference | str = Inference.KENWARD_ROGER, level: float = 0.95
    ) -> pd.DataFrame:
        """Coefficients with standard errors, t, p and intervals.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite"}
            Standard errors of t and intervals, and degrees of freedom.
        level : float, default=0.95
            Confidence level of each interval by itself.

        Returns
        -------
        DataFrame
            One row a coefficient: estimate, standard_error, standard_error_adjusted, df, t, p,
            lower, upper.

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> fit.to_frame()["estimate"].round(3).to_dict()
        {'(Intercept)': 5.9, 'time[5]': -0.4, 'time[9]': -0.7}
        """
        found = self._estimated(np.eye(len(self.fixed.names)), method, level)
        t = found["estimate"] / found["standard_error"]
        return pd.DataFrame(
            {
                "estimate": found["estimate"],
                "standard_error": np.sqrt(np.diagonal(self.covariance.plain)),
                "standard_error_adjusted": np.sqrt(np.diagonal(self.covariance.adjusted)),
                "df": found["df"],
                "t": t,
                "p": two_sided_p(t, found["df"]),
                "lower": found["lower"],
                "upper": found["upper"],
            },
            index=pd.Index(self.fixed.names, name="coefficient"),
        )

    def test(self, term: TermSpec, method: Inference | str = Inference.KENWARD_ROGER) -> TermTest:
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

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> round(fit.test("time").p, 4)
        0.0026
        """
        label = self.fixed.term(term).label
        return self.test_matrix(self.fixed.hypothesis(term), method=method, term=label)

    def test_matrix(
        self,
        contrast: ArrayLike,
        *,
        method: Inference | str = Inference.KENWARD_ROGER,
        term: str = "contrast matrix",
    ) -> TermTest:
        """F test of Lβ = 0.

        Parameters
        ----------
        contrast : array_like, shape (l, p) or (p,)
            L, of full row rank, one column a coefficient in the order of ``fixed.names``.
        method : {"kenward-roger", "satterthwaite"}
            How the denominator degrees of freedom are found.
        term : str
            What the result is called.

        Returns
        -------
        TermTest

        Raises
        ------
        ModelError
            If L has the wrong width or rows that repeat each other.

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> round(fit.test_matrix([[0, 1, 0], [0, 0, 1]]).p, 4)
        0.0026
        """
        rows = np.atleast_2d(np.asarray(contrast, dtype=float))
        if rows.shape[1] != len(self.fixed.names) or np.linalg.matrix_rank(rows) < len(rows):
            raise ModelError(
                f"The contrast matrix has shape {rows.shape} and rank "
                f"{np.linalg.matrix_rank(rows)}; it needs {len(self.fixed.names)} columns, one a "
                f"coefficient, and rows that do not repeat each other."
            )
        is_first = Inference(method) is Inference.KENWARD_ROGER
        found = (kenward_roger if is_first else satterthwaite)(
            self.estimates, self.covariance, rows
        )
        return replace(found, term=term)

    def marginal_means(
        self,
        term: TermSpec,
        *,
        by: str | None = None,
        method: Inference | str = Inference.KENWARD_ROGER,
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

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> fit.marginal_means("time").iloc[:, :2].round(2)
          time  estimate
        0    0       5.9
        1    5       5.5
        2    9       5.2
        """
        factors = (*self.fixed.variables(term), *([] if by is None else [by]))
        cells, weights = cell_means(self.fixed, factors)
        return cells.assign(**self._estimated(weights, method, level))

    def contrasts(
        self,
        term: TermSpec,
        *,
        kind: str = "all pairs",
        adjust: str = "default",
        by: str | None = None,
        level: float = 0.95,
        method: Inference | str = Inference.KENWARD_ROGER,
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

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> [one.label for one in fit.contrasts("time", kind="against first").contrasts]
        ['5 - 0', '9 - 0']
        """
        asked = asked_contrasts(self.fixed, term, kind=kind, by=by, degree=degree)
        return contrast_table(
            asked,
            self.estimates.beta,
            *self._used(asked.weights, method),
            adjust=adjust,
            level=level,
        )


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
    A known covariance is kept whole, up to 4,000 rows.  Without one a frame of more than 16 rows is
    fitted in the span of its fixed terms and groupings, which is exact; that span may have up to
    4,000 directions, and rows times columns (coefficients and levels) may be up to 100 million.

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
    known_covariance: ArrayLike | pd.DataFrame | SharedErrors | None = None
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

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> MixedModel(trial, response="ln_D50", fixed=["time"]).fit().variance_components.round(3)
        component
        residual    0.01
        Name: variance, dtype: float64
        """
        if not len(self.frame):
            raise ModelError("The frame has no rows, so there is nothing to fit.")
        series, known = column(self.frame, self.response), self.known_covariance
        if not pd.api.types.is_numeric_dtype(series.dtype):
            raise ModelError(
                f"The response {self.response!r} holds {series.iloc[0]!r}, not numbers."
            )
        y = series.to_numpy(dtype=float)
        if not np.isfinite(y).all():
            raise ModelError(
                f"The response {self.response!r} holds values that are not finite numbers."
            )
        rule = Criterion(criterion)
        if isinstance(known, SharedErrors) and rule is Criterion.ML:
            known = np.asarray(known)
        fixed = build_fixed(self.frame, self.fixed, self.factors)
        random = build_random(
            self.frame, self.random, residual=self.residual, known=known, design=fixed.matrix
        )
        random.refuse_inseparable(fixed.matrix)
        batch = fit_batch(
            y[None],
            fixed.matrix,
            random.parts,
            criterion=rule,
            free=Boundary(self.boundary) is Boundary.FREE,
        )
        return MixedModelFit(
            model=self, response=y, fixed=fixed, random=random, estimates=batch.row(0)
        )
