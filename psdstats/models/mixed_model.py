"""A mixed model as a user states it: a frame, fixed terms, groupings, a known covariance.

y ~ N(Xβ, V), V = V_known + Σ θ_k G_k + σ²I.  Small designs are the point: tests are Kenward–Roger
by default and large-sample tests are not offered.  The model fitted is the model asked for; nothing
is selected automatically.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.design_checks import refuse_inseparable
from psdstats.models.design_columns import column
from psdstats.models.design_fixed import FixedDesign, TermSpec, build_fixed
from psdstats.models.design_random import RandomDesign, RandomSpec, build_random
from psdstats.models.engine import fit_batch
from psdstats.models.engine_criterion import Criterion
from psdstats.models.mixed_model_fit import MixedModelFit
from psdstats.models.mixed_model_tests import Boundary, choice

__all__ = ["MixedModel", "fit_many"]

Array = NDArray[np.float64]


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
