"""The random part of a model: groupings and slopes as covariance matrices G_k, and V_known.

A known covariance, in the square of the response's unit, is checked and put in the order of its
rows.  Where it comes from is not known here.

Components are named after their grouping: ``group``; ``batch:cask`` for a combination of columns;
``Subject[Days]`` for a slope and ``Subject[(Intercept), Days]`` for its covariance with the
intercept; ``residual`` comes last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import signed
from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.frozen import Array, Indices
from psdstats.models.design_columns import RandomSlope, column, factor_column
from psdstats.models.engine import BatchFit, CovarianceParts, Span


def known_covariance(
    known: ArrayLike | pd.DataFrame | SharedErrors | None, frame: pd.DataFrame
) -> Covariance | None:
    """V_known in the order of the rows of a frame.

    Shapes: known (n, n).

    Examples
    --------
    >>> frame = pd.DataFrame({"run": ["b", "a"]})
    >>> labels = pd.Index(["a", "b"], name="run")
    >>> known_covariance(pd.DataFrame(np.diag([1.0, 2.0]), labels, labels), frame)
    array([[2., 0.],
           [0., 1.]])
    """
    if known is None or isinstance(known, SharedErrors):
        return known
    if isinstance(known, pd.DataFrame):
        known = _in_order(known, frame)
    matrix, n = np.asarray(known, dtype=float), len(frame)
    if matrix.shape != (n, n):
        raise ModelError(
            f"The known covariance has shape {matrix.shape}, but the frame has {n} rows; give one "
            f"row and one column for each of them, in their order."
        )
    if not np.isfinite(matrix).all():
        raise ModelError("The known covariance holds values that are not finite numbers.")
    size = float(np.abs(matrix).max(initial=0.0))
    if not np.allclose(matrix, matrix.T, rtol=0, atol=1e-9 * size):
        raise ModelError("The known covariance is not symmetric; check the order of its rows.")
    even: Array = 0.5 * (matrix + matrix.T)
    smallest = float(np.linalg.eigvalsh(even)[0])
    if smallest < -1e-8 * size:
        raise ModelError(
            f"The known covariance has the negative eigenvalue {signed(smallest, '.3g')}, so it is "
            f"no covariance; check how it was made."
        )
    return even


def _in_order(known: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows and columns of a labelled covariance in the order of the frame."""
    named = known.index.name is not None and known.index.name in frame.columns
    wanted = pd.Index(frame[known.index.name]) if named else frame.index
    if not named and not (len(known) == len(wanted) and known.index.isin(wanted).all()):
        return known
    twice = known.index[known.index.duplicated()]
    if len(twice):
        raise ModelError(f"The known covariance has the label {twice[0]!r} twice; name each once.")
    for side, labels in (("row", known.index), ("column", known.columns)):
        missing = wanted[~wanted.isin(labels)]
        if len(missing):
            raise ModelError(
                f"The known covariance has no {side} {missing[0]!r}, which the frame has; give one "
                f"for each of its rows, or an array in their order."
            )
    ordered: pd.DataFrame = known.loc[wanted, wanted]
    return ordered


_MOST_ROWS = 4000
"""Largest side of the covariance matrices: rows, or directions of the span of a long frame."""

_SHORT = 16
"""Frames of up to so many rows are cheaper whole than by their span."""

_MOST_DENSE = 100_000_000
"""Numbers in the dense columns a basis of the span is made from: 0.8 GB."""

RandomSpec = str | tuple[str, ...] | RandomSlope


@dataclass(frozen=True, kw_only=True, eq=False)
class Grouping:
    """One grouping: its levels, the level of each row, and what varies between them.

    ``columns`` holds what is multiplied with the level indicators: ones for an intercept, the
    covariate for a slope.  ``components`` are positions of their variances, ``cross`` that of the
    covariance, if there is one.
    """

    label: str
    levels: tuple[str, ...]
    codes: Indices
    columns: Array
    column_names: tuple[str, ...]
    components: tuple[int, ...]
    cross: int | None

    def indicators(self, span: Span | None = None) -> Array:
        """Z, shape (n, n_levels, effects); QᵀZ, shape (m, n_levels, effects), with a span."""
        size = len(self.levels)
        if span is None:
            return np.eye(size)[self.codes][:, :, None] * self.columns[:, None, :]
        return np.stack([span.of_levels(self.codes, size, v) for v in self.columns.T], axis=2)

    def covariances(self, span: Span | None = None) -> dict[int, Array]:
        """The G_k of its variances, and of its covariance, by their place in θ."""
        z = self.indicators(span)
        found = {k: z[:, :, i] @ z[:, :, i].T for i, k in enumerate(self.components)}
        if self.cross is not None:
            both = z[:, :, 0] @ z[:, :, 1].T
            found[self.cross] = both + both.T
        return found

    def spread(self, theta: Array) -> Array:
        """Covariance of the effects of one level, shape (effects, effects), from all θ (q,)."""
        spread = np.diag(theta[list(self.components)])
        if self.cross is not None:
            spread[0, 1] = spread[1, 0] = theta[self.cross]
        return spread


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


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomDesign:
    """Groupings, component names and the covariance matrices of the random part."""

    groupings: tuple[Grouping, ...]
    names: tuple[str, ...]
    parts: CovarianceParts

    def predict(self, y: Array, design: Array, fit: BatchFit) -> Effects:
        """Predict the random effects of one response (n,) with X (n, p).

        Notes
        -----
        b = ΛZᵀV⁻¹(y - Xβ); the standard error is that of b minus the true effect, with β estimated
        and the variances taken as known.
        """
        x, precision, span = fit.design, fit.precision, fit.parts.span
        marginal = design @ fit.beta
        left = y - marginal
        weighted = precision @ (left if span is None else span.coordinates(left[None])[0])
        projection = precision - precision @ x @ fit.beta_covariance @ x.T @ precision
        fitted = marginal.copy()
        tables = []
        for grouping in self.groupings:
            spread = grouping.spread(fit.theta)
            z = grouping.indicators(span)
            size, levels, effects = z.shape
            mixed = (z @ spread).reshape(size, levels * effects)
            estimate = mixed.T @ weighted
            fitted += (grouping.columns * estimate.reshape(levels, effects)[grouping.codes]).sum(1)
            unknown = np.tile(np.diag(spread), levels) - ((projection @ mixed) * mixed).sum(axis=0)
            columns = {
                "grouping": grouping.label,
                "level": np.repeat(grouping.levels, effects),
                "effect": np.tile(grouping.column_names, levels),
                "estimate": estimate,
                "standard_error": np.sqrt(np.maximum(unknown, 0.0)),
            }
            tables.append(pd.DataFrame(columns))
        names = ["grouping", "level", "effect", "estimate", "standard_error"]
        table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=names)
        return Effects(table=table, fitted=fitted, marginal=marginal)

    def refuse_inseparable(self, design: Array) -> None:
        """Raise if a variance has no information of its own beside X (n, p) and the others."""
        (n, p), names, parts = design.shape, self.names, self.parts
        if not names:
            return
        if n <= p:
            raise ModelError(
                f"The fixed part has {p} coefficients for {n} rows, so no variance can be "
                f"estimated; take terms out, add replicates, or use a known covariance with "
                f"residual=False."
            )
        flat, rounding = _freed_of(design, parts)
        size = np.sqrt((flat**2).sum(axis=1))
        for name, one in zip(names, size, strict=True):
            if one <= 1e-9:
                raise ModelError(
                    f"The variance of {name!r} cannot be estimated because the fixed effects take "
                    f"up all differences between its levels; make it fixed or random, not both."
                )
        scaled = flat / size[:, None]
        for k in range(1, len(names)):
            weights, *_ = np.linalg.lstsq(scaled[:k].T, scaled[k], rcond=None)
            left = scaled[k] - weights @ scaled[:k]
            if np.sqrt((left**2).sum()) <= rounding:
                mates = [names[j] for j in range(k) if abs(weights[j]) > 1e-6]
                raise ModelError(
                    f"The variances of {names[k]!r} and {' and '.join(repr(m) for m in mates)} "
                    f"cannot be told apart in this design; replicates are missing, or one of them "
                    f"must go."
                )


def _freed_of(design: Array, parts: CovarianceParts) -> tuple[Array, float]:
    """Rows with the inner products of the G_k freed of X (n, p), and what rounding leaves of one.

    With columns the products are ‖Z_jᵀMZ_k‖², M being what X leaves.
    """
    if parts.columns is not None:
        q_x = np.linalg.qr(design)[0]
        z = [(one, one.T @ q_x) for one in parts.columns]
        inner = np.empty((len(z) + 1,) * 2)
        inner[-1, -1] = len(design) - design.shape[1]
        for j, (one, own) in enumerate(z):
            inner[j, -1] = inner[-1, j] = one.power(2).sum() - np.square(own).sum()
            for k, (other, theirs) in enumerate(z):
                inner[j, k] = np.square((one.T @ other).toarray() - own @ theirs.T).sum()
        value, vector = np.linalg.eigh(inner)
        return np.asarray(vector * np.sqrt(np.maximum(value, 0.0))), 1e-6
    span = parts.span
    x = design if span is None else span.coordinates(design.T).T
    complement = np.linalg.qr(x, mode="complete")[0][:, design.shape[1] :]
    flat = (complement.T @ parts.matrices @ complement).reshape(len(parts.matrices), -1)
    if span is not None:  # where the residual, which is last, is alone
        flat = np.column_stack([flat, np.sqrt(span.n_outside) * np.eye(len(flat))[-1]])
    return flat, 1e-8


def build_random(
    frame: pd.DataFrame,
    random: Sequence[RandomSpec],
    *,
    residual: bool = True,
    known: ArrayLike | pd.DataFrame | SharedErrors | None = None,
    design: Array | None = None,
) -> RandomDesign:
    """Covariance matrices for a list of groupings and slopes.

    Shapes: known (n, n), design (n, p).
    """
    groupings: list[Grouping] = []
    names: list[str] = []
    for columns, slopes in _gather(random).items():
        grouping, own = _grouping(frame, columns, slopes, len(names))
        groupings.append(grouping)
        names += own
    if residual:
        names.append("residual")
    crossed = [(*one.components, one.cross) for one in groupings if one.cross is not None]
    if isinstance(known, SharedErrors) and residual and not crossed:
        z = [own for one in groupings for own in np.moveaxis(one.indicators(), 2, 0)]
        parts = CovarianceParts.of(z, known)
        return RandomDesign(groupings=tuple(groupings), names=tuple(names), parts=parts)
    span = None
    if design is not None and residual and known is None and len(frame) > _SHORT:
        span = _span(design, groupings)
    elif len(frame) > _MOST_ROWS:
        raise ModelError(
            f"The frame has {len(frame)} rows, but with a known covariance, or without a residual "
            f"variance, matrices are kept whole and only up to {_MOST_ROWS} rows; fit means of "
            f"replicates instead."
        )
    size = len(frame) if span is None else span.basis.shape[1]
    matrices = {len(names) - 1: np.eye(size)} if residual else {}
    for one in groupings:
        matrices |= one.covariances(span)
    parts = CovarianceParts(
        matrices=np.array([matrices[k] for k in range(len(names))]).reshape(-1, size, size),
        is_variance=~np.isin(np.arange(len(names)), [cross for *_, cross in crossed]),
        blocks=tuple((first, second, cross) for first, second, cross in crossed),
        known=None if known is None else np.asarray(known_covariance(known, frame)),
        span=span,
    )
    return RandomDesign(groupings=tuple(groupings), names=tuple(names), parts=parts)


def _span(design: Array, groupings: Sequence[Grouping]) -> Span | None:
    """The span of a long frame; None where the matrices of its rows are as small."""
    n, widths = len(design), [len(one.levels) * one.columns.shape[1] for one in groupings]
    width = design.shape[1] + sum(widths)
    if width >= n and n <= _MOST_ROWS:
        return None
    size, span = max(widths, default=0), None
    if size <= _MOST_ROWS and width * n > _MOST_DENSE:
        raise ModelError(
            f"The fixed terms and the levels of the groupings are {width} columns of {n} rows, but "
            f"only {_MOST_DENSE} of their numbers are held; fit means of replicates or take a "
            "grouping out."
        )
    if size <= _MOST_ROWS:
        z = [one.indicators().reshape(n, -1) for one in groupings]
        span = Span.of(np.hstack([design, *z]))
        size = span.basis.shape[1]
    if span is None or size > _MOST_ROWS:
        raise ModelError(
            f"The fixed terms and the levels of the groupings span {size} directions over {n} "
            f"rows, but covariance matrices are kept up to {_MOST_ROWS}; fit means of replicates "
            f"or take a grouping out."
        )
    return span


def _gather(random: Sequence[RandomSpec]) -> dict[tuple[str, ...], list[RandomSlope]]:
    """Slopes of each grouping, in the order in which groupings were named."""
    found: dict[tuple[str, ...], list[RandomSlope]] = {}
    for spec in random:
        group = spec.group if isinstance(spec, RandomSlope) else spec
        own = found.setdefault((group,) if isinstance(group, str) else tuple(group), [])
        if isinstance(spec, RandomSlope):
            own.append(spec)
    for columns, own in found.items():
        if len(own) > 1 and any(s.correlated for s in own):
            raise ModelError(
                f"Grouping {':'.join(columns)!r} has several slopes of which one is correlated; "
                f"use correlated=False for all of them."
            )
    return found


def _grouping(
    frame: pd.DataFrame, columns: tuple[str, ...], slopes: Sequence[RandomSlope], place: int
) -> tuple[Grouping, list[str]]:
    """One grouping with its slopes, and the names of its components, the first at ``place``."""
    label = ":".join(columns)
    factors = [factor_column(frame, name) for name in columns]
    cells = np.stack([f.codes for f in factors], axis=1)
    unique, codes = np.unique(cells, axis=0, return_inverse=True)
    levels = tuple(
        ":".join(f.levels[j] for f, j in zip(factors, cell, strict=True)) for cell in unique
    )
    if len(levels) < 2:
        raise ModelError(
            f"The random grouping {label!r} has one level only ({levels[0]}), so its variance "
            f"cannot be estimated; leave it out."
        )
    names, values = [label], [np.ones(len(frame))]
    for slope in slopes:
        series = column(frame, slope.by)
        if not pd.api.types.is_numeric_dtype(series.dtype):
            raise ModelError(
                f"The random slope needs numbers but column {slope.by!r} holds "
                f"{series.iloc[0]!r}; for a factor use the combination of grouping and factor as a "
                f"grouping of its own."
            )
        names.append(f"{label}[{slope.by}]")
        values.append(series.to_numpy(dtype=float))
    components = tuple(range(place, place + len(names)))
    cross = None
    if slopes and slopes[0].correlated:
        names.append(f"{label}[(Intercept), {slopes[0].by}]")
        cross = components[-1] + 1
    grouping = Grouping(
        label=label,
        levels=levels,
        codes=codes.reshape(-1).astype(np.intp),
        columns=np.stack(values, axis=1),
        column_names=("(Intercept)", *(s.by for s in slopes)),
        components=components,
        cross=cross,
    )
    return grouping, names
