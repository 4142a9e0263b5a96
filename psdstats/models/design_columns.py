"""The fixed part of a model: what a user writes, columns as variables, X, and weights of contrasts.

Plain column names are enough for most models; `Factor`, `Trend` and `RandomSlope` say what a name
cannot: that a numeric column is to be read as a factor, in which form a size follows time, that a
slope varies between groups.

Levels are ordered as a Categorical orders them, numbers ascending, text sorted; the first is the
reference.  Levels without rows are left out.  Coefficients are named ``(Intercept)``, ``Days``,
``sow[sow2]``, ``sow[sow2]:harvest[harv2]``, ``time^2``.  Designs that cannot be fitted are refused:
empty cells, aliased terms.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations, product

import numpy as np
import pandas as pd

from psdstats.columns import RUN, signed
from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array, Indices
from psdstats.models.contrasts import (
    ContrastMatrix,
    contrast_matrix,
    interaction,
    polynomial_trend,
    within_each,
)


class TrendForm(StrEnum):
    """Form in which a numeric column enters the fixed effects."""

    LINEAR = "linear"
    SQRT = "sqrt"
    LOG1P = "log1p"
    QUADRATIC = "quadratic"
    CUBIC = "cubic"


_DEGREES = {TrendForm.LINEAR: 1, TrendForm.QUADRATIC: 2, TrendForm.CUBIC: 3}


@dataclass(frozen=True)
class Factor:
    """A column whose values are levels, whatever its type; numeric levels in ascending order.

    Parameters
    ----------
    column : str
        Column name.

    Examples
    --------
    >>> Factor("milling_time_min")
    Factor(column='milling_time_min')
    """

    column: str


@dataclass(frozen=True)
class Trend:
    """A numeric column that enters as a curve.

    Parameters
    ----------
    column : str
        Column name, for example ``"milling_time_min"``.
    form : {"linear", "sqrt", "log1p", "quadratic", "cubic"}, default="linear"
        x, √x, ln(1 + x), or a polynomial of degree 2 or 3 with one coefficient a degree.

    Examples
    --------
    >>> Trend("milling_time_min", form="log1p").label
    'log1p(milling_time_min)'
    """

    column: str
    form: TrendForm | str = TrendForm.LINEAR

    @property
    def label(self) -> str:
        """Name of the term in tables."""
        form = TrendForm(self.form)
        return self.column if form is TrendForm.LINEAR else f"{form}({self.column})"


@dataclass(frozen=True)
class RandomSlope:
    """A slope in a numeric column that varies between groups, with an intercept that does too.

    Parameters
    ----------
    group : str or tuple of str
        Grouping column, or columns whose combination is the grouping.
    by : str
        Numeric column of the slope.
    correlated : bool, default=True
        Estimate the covariance of intercept and slope; False holds it at zero.

    Examples
    --------
    >>> RandomSlope("group", "milling_time_min", correlated=False)
    RandomSlope(group='group', by='milling_time_min', correlated=False)
    """

    group: str | tuple[str, ...]
    by: str
    correlated: bool = True


Single = str | Factor | Trend
TermSpec = Single | tuple[Single, ...]


def term_items(spec: TermSpec) -> tuple[Single, ...]:
    """Variables of a term: one, or those of an interaction, a tuple (or a list, as TOML has them).

    Examples
    --------
    >>> term_items(("milling_time_min", "ball_ratio")), term_items("ball_ratio")
    (('milling_time_min', 'ball_ratio'), ('ball_ratio',))
    """
    return tuple(spec) if isinstance(spec, tuple | list) else (spec,)


@dataclass(frozen=True, kw_only=True, eq=False)
class FactorColumn:
    """A factor: its levels in order, as text, and the level of each row."""

    label: str
    levels: tuple[str, ...]
    codes: Indices
    scores: tuple[float, ...] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class NumericColumn:
    """A numeric curve: ``basis`` (n, k) for its k coefficients, and its row at the mean."""

    label: str
    column: str
    parts: tuple[str, ...]
    basis: Array
    at_mean: Array


def level_text(level: object) -> str:
    """Level as it is written in coefficient names: 5.0 becomes '5', text stays as it is."""
    if isinstance(level, (int, float, np.number)) and not isinstance(level, (bool, np.bool_)):
        return format(float(level), ".12g")
    return str(level)


def need_columns(frame: pd.DataFrame, names: Iterable[str], *, table: str = "table") -> None:
    """Refuse a table that lacks one of the columns named; the names of runs are no choice."""
    for name in names:
        if name not in frame.columns:
            known = ", ".join(str(one) for one in frame.columns if one != RUN)
            raise ModelError(f"The {table} has no column {name!r}. Name one of: {known}.")


def column(frame: pd.DataFrame, name: str) -> pd.Series:
    """One column without gaps."""
    need_columns(frame, [name])
    series = frame[name]
    gaps = np.flatnonzero(series.isna().to_numpy())
    if len(gaps):
        rows = ", ".join(str(frame.index[i]) for i in gaps[:5])
        raise ModelError(
            f"Column {name!r} has no value in {len(gaps)} rows (first: {rows}); leave those rows "
            f"out before fitting."
        )
    return series


def factor_column(frame: pd.DataFrame, name: str) -> FactorColumn:
    """Read a column as a factor."""
    series = column(frame, name)
    if isinstance(series.dtype, pd.CategoricalDtype):
        present = series.cat.remove_unused_categories()
        levels, codes = list(present.cat.categories), present.cat.codes.to_numpy()
    else:
        values = series.to_numpy()
        unique, codes = np.unique(
            values if pd.api.types.is_numeric_dtype(series.dtype) else values.astype(str),
            return_inverse=True,
        )
        levels = list(unique)
    numeric = all(isinstance(v, (int, float, np.number)) for v in levels)
    return FactorColumn(
        label=name,
        levels=tuple(level_text(v) for v in levels),
        codes=np.asarray(codes, dtype=np.intp).reshape(-1),
        scores=tuple(float(v) for v in levels) if numeric else None,
    )


def numeric_column(frame: pd.DataFrame, name: str, form: TrendForm | str) -> NumericColumn:
    """Read a column as a curve."""
    series = column(frame, name)
    if not pd.api.types.is_numeric_dtype(series.dtype):
        raise ModelError(
            f"Column {name!r} holds {series.iloc[0]!r}, not numbers; a trend needs numbers."
        )
    x = series.to_numpy(dtype=float)
    try:
        form = TrendForm(form)
    except ValueError as error:
        allowed = ", ".join(TrendForm)
        raise ModelError(f"Trend form {form!r} of {name!r} is not one of {allowed}.") from error
    if form not in _DEGREES and x.min() < 0:
        raise ModelError(
            f"Column {name!r} has the value {signed(x.min())}, of which {form} is not taken; use "
            f"form linear or quadratic."
        )
    label, x = Trend(name, form).label, np.append(x, x.mean())
    if form in _DEGREES:
        powers = range(1, _DEGREES[form] + 1)
        basis = np.stack([x**k for k in powers], axis=1)
        parts = tuple(name if k == 1 else f"{name}^{k}" for k in powers)
    else:
        basis = (np.sqrt(x) if form is TrendForm.SQRT else np.log1p(x))[:, None]
        parts = (label,)
    return NumericColumn(
        label=label, column=name, parts=parts, basis=basis[:-1], at_mean=basis[-1].copy()
    )


_RANK_TOLERANCE = 1e-9


def refuse_empty_cells(factors: Sequence[FactorColumn]) -> None:
    """Raise if a combination of the levels of these factors has no row."""
    if len(factors) < 2:
        return
    seen = set(zip(*(f.codes.tolist() for f in factors), strict=True))
    empty = [
        " and ".join(f"{f.label} = {f.levels[j]}" for f, j in zip(factors, cell, strict=True))
        for cell in product(*(range(len(f.levels)) for f in factors))
        if cell not in seen
    ]
    if empty:
        more = "" if len(empty) <= 3 else f" and {len(empty) - 3} more"
        raise ModelError(
            f"The interaction {':'.join(f.label for f in factors)} has no row with "
            f"{'; nor with '.join(empty[:3])}{more}; leave the interaction out, or the levels that "
            f"are not crossed."
        )


def refuse_aliased(matrix: Array, names: Sequence[str]) -> None:
    """Raise if a column of X is a combination of the columns before it."""
    size = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / np.where(size > 0, size, 1.0)
    if np.linalg.matrix_rank(scaled, tol=_RANK_TOLERANCE) == matrix.shape[1]:
        return
    kept: list[int] = []
    aliased: list[str] = []
    for j, name in enumerate(names):
        if np.linalg.matrix_rank(scaled[:, [*kept, j]], tol=_RANK_TOLERANCE) > len(kept):
            kept.append(j)
        else:
            aliased.append(name)
    raise ModelError(
        f"The coefficients {', '.join(aliased)} cannot be told from the terms before them (the "
        f"rows do not cross the levels); leave one of the terms out."
    )


Variable = FactorColumn | NumericColumn
Parts = tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Coefficient:
    """What one column of X is: factor levels (by position) times parts of numeric curves."""

    name: str
    levels: tuple[tuple[str, int], ...] = ()
    parts: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class FixedTerm:
    """A term of the fixed part: its variables (joined by a colon) and the columns of X it owns."""

    label: str
    variables: tuple[str, ...]
    columns: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class FixedDesign:
    """X and the meaning of its columns.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
        X.
    names : list of str, length p
        Names of the coefficients.
    coefficients : tuple of Coefficient
        One a column.
    terms : tuple of FixedTerm
        In the order of X, intercept left out.
    factors : mapping of str to FactorColumn
        Factors by label.
    numerics : mapping of str to NumericColumn
        Numeric curves by label.
    added : tuple of str
        Terms put in because an interaction needs them.
    """

    matrix: Array
    names: list[str]
    coefficients: tuple[Coefficient, ...]
    terms: tuple[FixedTerm, ...]
    factors: Mapping[str, FactorColumn]
    numerics: Mapping[str, NumericColumn]
    added: tuple[str, ...]

    def term(self, spec: TermSpec) -> FixedTerm:
        """The term a user means, whatever the order of its variables."""
        items = term_items(spec)
        if len(items) == 1 and isinstance(items[0], str) and ":" in items[0]:
            items = tuple(items[0].split(":"))
        wanted = set(self.variables(items))
        for term in self.terms:
            if set(term.variables) == wanted:
                return term
        known = ", ".join(term.label for term in self.terms) or "none"
        raise ModelError(f"The model has no term {spec!r}; its terms are {known}.")

    def variables(self, spec: TermSpec) -> tuple[str, ...]:
        """Labels of variables given by label, column or specification; unknown names stay."""
        labels = []
        for item in term_items(spec):
            label = item.column if isinstance(item, Factor) else item
            label = label.label if isinstance(label, Trend) else label
            if label not in self.factors and label not in self.numerics:
                curves = [curve for curve, one in self.numerics.items() if one.column == label]
                label = curves[0] if len(curves) == 1 else label
            labels.append(label)
        return tuple(labels)

    def factor(self, label: str) -> FactorColumn:
        """A factor by its label."""
        if label not in self.factors:
            known = ", ".join(self.factors) or "none"
            raise ModelError(f"{label!r} is no factor of the fixed part; its factors are {known}.")
        return self.factors[label]

    def weights(
        self, over: Mapping[str, Array], *, slope: Parts = (), at_zero: bool = False
    ) -> Array:
        """Weights on the coefficients (p,) for a combination of cell means, or of slopes in them.

        Other factors are averaged over equally, other covariates held at their mean (or at zero).
        ``over`` has weights of levels (n_levels,) by factor, ``slope`` the parts of numeric curves
        whose coefficient is meant.
        """
        equal = {k: np.full(len(f.levels), 1 / len(f.levels)) for k, f in self.factors.items()}
        use = {**equal, **over}
        out = np.zeros(len(self.coefficients))
        for i, coefficient in enumerate(self.coefficients):
            rest = set(coefficient.parts) - set(slope)
            if len(coefficient.parts) != len(rest) + len(slope) or (at_zero and rest):
                continue
            value, inside = 1.0, dict(coefficient.levels)
            for label, part in coefficient.parts:
                if (label, part) in rest:
                    value *= float(self.numerics[label].at_mean[part])
            for k, w in use.items():
                value *= float(w[inside[k]]) if k in inside else float(w.sum())
            out[i] = value
        return out

    def hypothesis(self, spec: TermSpec) -> Array:
        """Contrast matrix L (l, p) of a term.

        Notes
        -----
        Differences between equally weighted cell means of the term's factors, averaged over the
        other factors; a term without other terms containing it is just its own coefficients.
        Covariates that are not part of the term count at zero, so centre them where an interaction
        with them is in the model.  The rows of L matter to Satterthwaite's degrees of freedom only;
        where the model has one term they are orthogonal in the design, as in R's tables.
        """
        term = self.term(spec)
        if len(self.terms) == 1:
            # rows of the unit triangular factor of its centred cross-product
            columns = list(term.columns)
            centred = self.matrix[:, columns] - self.matrix[:, columns].mean(axis=0)
            factor = np.linalg.cholesky(centred.T @ centred)
            rows = np.zeros((len(columns), len(self.coefficients)))
            rows[:, columns] = (factor / np.diag(factor)).T
            return rows
        inside = [self.factors[v] for v in term.variables if v in self.factors]
        steps = [np.eye(len(f.levels))[1:] - np.eye(len(f.levels))[0] for f in inside]
        parts = sorted({self.coefficients[c].parts for c in term.columns})
        return np.array(
            [
                self.weights(
                    {f.label: row for f, row in zip(inside, chosen, strict=True)},
                    slope=part,
                    at_zero=True,
                )
                for part in parts
                for chosen in product(*steps)
            ]
        )


def build_fixed(
    frame: pd.DataFrame, fixed: Sequence[TermSpec], factors: Sequence[str] = ()
) -> FixedDesign:
    """X for a list of terms, with an intercept."""
    variables, sets = _variables(frame, fixed, frozenset(factors))
    margins: dict[frozenset[str], tuple[str, ...]] = {}  # with the lower terms of interactions
    for labels in sets:
        for size in range(1, len(labels) + 1):
            for chosen in combinations(labels, size):
                margins.setdefault(frozenset(chosen), chosen)
    wanted, given = sorted(margins.values(), key=len), [frozenset(labels) for labels in sets]
    factor_map = {k: v for k, v in variables.items() if isinstance(v, FactorColumn)}
    numeric_map = {k: v for k, v in variables.items() if isinstance(v, NumericColumn)}
    for single in factor_map.values():
        if len(single.levels) < 2:
            raise ModelError(
                f"Factor {single.label!r} has one level only ({single.levels[0]}), so it has no "
                f"effect to estimate; leave it out."
            )
    blocks, coefficients, terms = [np.ones((len(frame), 1))], [Coefficient("(Intercept)")], []
    for labels in wanted:
        refuse_empty_cells([factor_map[v] for v in labels if v in factor_map])
        values, owned = _term_columns([variables[v] for v in labels], len(frame))
        first = len(coefficients)
        blocks.append(values)
        coefficients.extend(owned)
        columns = tuple(range(first, first + len(owned)))
        terms.append(FixedTerm(":".join(labels), labels, columns))
    matrix, names = np.hstack(blocks), [one.name for one in coefficients]
    refuse_aliased(matrix, names)
    return FixedDesign(
        matrix=matrix,
        names=names,
        coefficients=tuple(coefficients),
        terms=tuple(terms),
        factors=factor_map,
        numerics=numeric_map,
        added=tuple(":".join(v) for k, v in margins.items() if k not in given),
    )


def _variables(
    frame: pd.DataFrame, fixed: Sequence[TermSpec], factors: frozenset[str]
) -> tuple[dict[str, Variable], list[tuple[str, ...]]]:
    """Variables by label, and each term as a tuple of labels.

    A plain column is read as it is declared in another term, else by its type.
    """
    items = [item for spec in fixed for item in term_items(spec)]
    declared = {one.column: one for one in reversed(items) if not isinstance(one, str)}
    labels: dict[Single, str] = {}
    variables: dict[str, Variable] = {}
    for item in dict.fromkeys(items):
        meant = declared.get(item, item) if isinstance(item, str) else item
        name = meant if isinstance(meant, str) else meant.column
        is_factor = isinstance(meant, Factor) or (isinstance(meant, str) and name in factors)
        if isinstance(meant, str) and not is_factor:  # text, categorical and boolean columns are
            kind = column(frame, name).dtype
            is_factor = pd.api.types.is_bool_dtype(kind) or not pd.api.types.is_numeric_dtype(kind)
        if is_factor:
            variable: Variable = factor_column(frame, name)
        else:
            form = meant.form if isinstance(meant, Trend) else TrendForm.LINEAR
            variable = numeric_column(frame, name, form)
        labels[item] = variable.label
        variables.setdefault(variable.label, variable)
    return variables, [tuple(labels[item] for item in term_items(spec)) for spec in fixed]


def _term_columns(variables: Sequence[Variable], n_rows: int) -> tuple[Array, list[Coefficient]]:
    values, coefficients = np.ones((n_rows, 1)), [Coefficient("")]
    for one in variables:
        if isinstance(one, NumericColumn):
            columns, label = one.basis, one.label
            single = [Coefficient(part, (), ((label, j),)) for j, part in enumerate(one.parts)]
        else:
            columns = np.eye(len(one.levels))[one.codes, 1:]
            single = [
                Coefficient(f"{one.label}[{level}]", ((one.label, j),))
                for j, level in enumerate(one.levels)
                if j
            ]
        # the last variable runs slowest, as is usual for interaction coefficients
        values = np.hstack([values * columns[:, [j]] for j in range(len(single))])
        coefficients = [
            Coefficient(
                f"{a.name}:{b.name}" if a.name else b.name, a.levels + b.levels, a.parts + b.parts
            )
            for b in single
            for a in coefficients
        ]
    return values, coefficients


def cell_means(fixed: FixedDesign, labels: Sequence[str]) -> tuple[pd.DataFrame, Array]:
    """Cells of factors, the last varying fastest, and the weights (cells, p) of their means."""
    factors = [fixed.factor(label) for label in labels]
    cells = list(product(*(f.levels for f in factors)))
    chosen = product(*(np.eye(len(f.levels)) for f in factors))
    weights = [fixed.weights(dict(zip(labels, rows, strict=True))) for rows in chosen]
    return pd.DataFrame(cells, columns=list(labels)), np.array(weights)


def asked_contrasts(
    fixed: FixedDesign, term: TermSpec, *, kind: str, by: str | None = None, degree: int = 1
) -> ContrastMatrix:
    """Contrasts of a term as weights on the coefficients (m, p)."""
    labels = fixed.variables(term)
    if len(labels) > 2:
        raise ModelError(f"Contrasts take one factor or two, not {len(labels)}; use 'by'.")
    if labels[0] in fixed.numerics and len(labels) == 1:
        return _slopes(fixed, labels[0], by)
    factors = [fixed.factor(label) for label in labels]
    if len(labels) == 2 and kind == ContrastKind.INTERACTION:
        first, second = (
            contrast_matrix(factor.levels, ContrastKind.AGAINST_FIRST) for factor in factors
        )
        matrix = interaction(first, second)
    elif len(labels) == 2:
        cells = product(*(factor.levels for factor in factors))
        matrix = contrast_matrix([" ".join(cell) for cell in cells], kind)
    elif kind != ContrastKind.TREND:
        matrix = contrast_matrix(factors[0].levels, kind)
    elif factors[0].scores is None:
        raise ModelError(
            f"A trend over {factors[0].label!r} needs numeric levels; they are "
            f"{', '.join(factors[0].levels)}."
        )
    else:
        matrix = polynomial_trend(factors[0].scores, degree=degree)
    if len(labels) == 1 and by is not None:
        labels = (by, *labels)
        matrix = within_each(matrix, fixed.factor(by).levels)
    return replace(matrix, weights=matrix.weights @ cell_means(fixed, labels)[1])


def _slopes(fixed: FixedDesign, label: str, by: str | None) -> ContrastMatrix:
    """Coefficients of a trend, overall or at each level of a factor."""
    levels: list[tuple[str, dict[str, Array]]] = [("", {})]
    if by is not None:
        names = fixed.factor(by).levels
        levels = [(name, {by: row}) for name, row in zip(names, np.eye(len(names)), strict=True)]
    rows, slopes = [], []
    for where, over in levels:
        for part, name in enumerate(fixed.numerics[label].parts):
            rows.append(fixed.weights(over, slope=((label, part),)))
            slopes.append(Contrast(high=name, where=where, family=ContrastKind.TREND))
    return ContrastMatrix(weights=np.array(rows), contrasts=tuple(slopes))
