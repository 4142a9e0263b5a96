"""The fixed part of a model: X with treatment contrasts, and the weights of means and contrasts.

Coefficients are named ``(Intercept)``, ``Days``, ``sow[sow2]``, ``sow[sow2]:harvest[harv2]``,
``time^2``.  The first level of a factor is its reference.

Which contrasts and means a user asks for, as weights on the coefficients.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array
from psdstats.models.contrasts import (
    ContrastMatrix,
    contrast_matrix,
    interaction,
    polynomial_trend,
    within_each,
)
from psdstats.models.design_columns import (
    Factor,
    FactorColumn,
    NumericColumn,
    Single,
    TermSpec,
    Trend,
    refuse_aliased,
    refuse_empty_cells,
    resolve,
    term_items,
)

Variable = FactorColumn | NumericColumn


@dataclass(frozen=True)
class Coefficient:
    """What one column of X is: factor levels (by position) times parts of numeric curves."""

    name: str
    levels: tuple[tuple[str, int], ...] = ()
    parts: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class FixedTerm:
    """A term of the fixed part: its variables and the columns of X it owns."""

    variables: tuple[str, ...]
    columns: tuple[int, ...]

    @property
    def label(self) -> str:
        """Variables joined by a colon."""
        return ":".join(self.variables)


@dataclass(frozen=True, kw_only=True, eq=False)
class FixedDesign:
    """X and the meaning of its columns.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
        X.
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
    coefficients: tuple[Coefficient, ...]
    terms: tuple[FixedTerm, ...]
    factors: Mapping[str, FactorColumn]
    numerics: Mapping[str, NumericColumn]
    added: tuple[str, ...]

    @property
    def names(self) -> list[str]:
        """Coefficient names."""
        return [c.name for c in self.coefficients]

    def term(self, spec: TermSpec) -> FixedTerm:
        """The term a user means, whatever the order of its variables."""
        items = term_items(spec)
        if len(items) == 1 and isinstance(items[0], str) and ":" in items[0]:
            items = tuple(items[0].split(":"))
        wanted = {self.variable(item) for item in items}
        for term in self.terms:
            if set(term.variables) == wanted:
                return term
        known = ", ".join(term.label for term in self.terms) or "none"
        raise ModelError(f"The model has no term {spec!r}; its terms are {known}.")

    def variable(self, item: Single) -> str:
        """Label of a variable given by label, column or specification."""
        if isinstance(item, Factor):
            return item.column
        if isinstance(item, Trend):
            return item.label
        if item in self.factors or item in self.numerics:
            return item
        curves = [label for label in self.numerics if label.endswith(f"({item})")]
        return curves[0] if len(curves) == 1 else item

    def weights(self, over: Mapping[str, Array], numeric: Callable[[Coefficient], float]) -> Array:
        """Weights on the coefficients (p,) for a combination of cell means.

        Shapes: over (n_levels,).
        """
        equal = {k: np.full(len(f.levels), 1 / len(f.levels)) for k, f in self.factors.items()}
        use = {**equal, **over}
        total = {k: float(w.sum()) for k, w in use.items()}
        out = np.zeros(len(self.coefficients))
        for i, coefficient in enumerate(self.coefficients):
            inside = dict(coefficient.levels)
            value = numeric(coefficient)
            for k, w in use.items():
                value *= float(w[inside[k]]) if k in inside else total[k]
            out[i] = value
        return out

    def at_means(self, coefficient: Coefficient) -> float:
        """Numeric part of a column with every covariate at its mean."""
        value = 1.0
        for label, part in coefficient.parts:
            value *= float(self.numerics[label].at_mean[part])
        return value

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
            return self._only_term(term)
        inside = [v for v in term.variables if v in self.factors]
        parts = sorted({self.coefficients[c].parts for c in term.columns})
        rows = []
        steps = [range(1, len(self.factors[v].levels)) for v in inside]
        for part in parts:
            for chosen in product(*steps):
                over = {
                    v: _difference(len(self.factors[v].levels), level)
                    for v, level in zip(inside, chosen, strict=True)
                }
                rows.append(self.weights(over, lambda c, p=part: float(c.parts == p)))  # type: ignore[misc]
        return np.array(rows)

    def _only_term(self, term: FixedTerm) -> Array:
        """L of the only term: rows of the unit triangular factor of its centred cross-product."""
        columns = list(term.columns)
        centred = self.matrix[:, columns] - self.matrix[:, columns].mean(axis=0)
        factor = np.linalg.cholesky(centred.T @ centred)
        rows = np.zeros((len(columns), len(self.coefficients)))
        rows[:, columns] = (factor / np.diag(factor)).T
        return rows


def _difference(n_levels: int, level: int) -> Array:
    weights = np.zeros(n_levels)
    weights[0], weights[level] = -1.0, 1.0
    return weights


def build_fixed(
    frame: pd.DataFrame, fixed: Sequence[TermSpec], factors: Sequence[str] = ()
) -> FixedDesign:
    """X for a list of terms, with an intercept."""
    variables, sets = _variables(frame, fixed, frozenset(factors))
    wanted, added = _with_margins(sets)
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
        terms.append(FixedTerm(labels, tuple(range(first, first + len(owned)))))
    matrix = np.hstack(blocks)
    refuse_aliased(matrix, [c.name for c in coefficients])
    return FixedDesign(
        matrix=matrix,
        coefficients=tuple(coefficients),
        terms=tuple(terms),
        factors=factor_map,
        numerics=numeric_map,
        added=added,
    )


def _variables(
    frame: pd.DataFrame, fixed: Sequence[TermSpec], factors: frozenset[str]
) -> tuple[dict[str, Variable], list[tuple[str, ...]]]:
    """Variables by label, and each term as a tuple of labels."""
    declared: dict[str, Single] = {}
    for spec in fixed:
        for item in term_items(spec):
            if not isinstance(item, str):
                declared.setdefault(item.column, item)
    variables: dict[str, Variable] = {}
    sets: list[tuple[str, ...]] = []
    for spec in fixed:
        labels = []
        for item in term_items(spec):
            meant = declared.get(item, item) if isinstance(item, str) else item
            variable = resolve(frame, meant, factors)
            variables.setdefault(variable.label, variable)
            labels.append(variable.label)
        sets.append(tuple(labels))
    return variables, sets


def _with_margins(
    sets: Sequence[tuple[str, ...]],
) -> tuple[list[tuple[str, ...]], tuple[str, ...]]:
    """Terms by order, each once, with the lower terms that interactions contain."""
    given = [frozenset(labels) for labels in sets]
    wanted: dict[frozenset[str], tuple[str, ...]] = {}
    for labels in sets:
        for size in range(1, len(labels) + 1):
            for chosen in combinations(labels, size):
                wanted.setdefault(frozenset(chosen), chosen)
    added = tuple(":".join(v) for k, v in wanted.items() if k not in given)
    return sorted(wanted.values(), key=len), added


def _term_columns(variables: Sequence[Variable], n_rows: int) -> tuple[Array, list[Coefficient]]:
    values, coefficients = np.ones((n_rows, 1)), [Coefficient("")]
    for variable in variables:
        columns, single = _single_columns(variable)
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


def _single_columns(variable: Variable) -> tuple[Array, list[Coefficient]]:
    if isinstance(variable, NumericColumn):
        return variable.basis, [
            Coefficient(part, (), ((variable.label, j),)) for j, part in enumerate(variable.parts)
        ]
    positions = range(1, len(variable.levels))
    columns = np.stack([(variable.codes == j).astype(float) for j in positions], axis=1)
    return columns, [
        Coefficient(f"{variable.label}[{variable.levels[j]}]", ((variable.label, j),))
        for j in positions
    ]


def _labels(fixed: FixedDesign, term: TermSpec) -> tuple[str, ...]:
    labels = tuple(fixed.variable(item) for item in term_items(term))
    for label in labels:
        if label not in fixed.factors and label not in fixed.numerics:
            known = ", ".join([*fixed.factors, *fixed.numerics]) or "none"
            raise ModelError(
                f"The fixed part has no variable {label!r}; its variables are {known}."
            )
    return labels


def _factor(fixed: FixedDesign, label: str) -> FactorColumn:
    if label not in fixed.factors:
        known = ", ".join(fixed.factors) or "none"
        raise ModelError(f"{label!r} is no factor of the fixed part; its factors are {known}.")
    return fixed.factors[label]


def _one(size: int, position: int) -> Array:
    weights = np.zeros(size)
    weights[position] = 1.0
    return weights


def _mean_weights(fixed: FixedDesign, factors: tuple[FactorColumn, ...]) -> Array:
    """Weights of the cell means of some factors, the last factor varying fastest."""
    cells = product(*(range(len(f.levels)) for f in factors))
    return np.array(
        [
            fixed.weights(
                {f.label: _one(len(f.levels), j) for f, j in zip(factors, cell, strict=True)},
                fixed.at_means,
            )
            for cell in cells
        ]
    )


def cell_means(
    fixed: FixedDesign, term: TermSpec, by: str | None = None
) -> tuple[pd.DataFrame, Array]:
    """Cells of one or several factors, and the weights (cells, p) of their means."""
    labels = _labels(fixed, term) + (() if by is None else (by,))
    factors = tuple(_factor(fixed, label) for label in labels)
    cells = list(product(*(f.levels for f in factors)))
    return pd.DataFrame(cells, columns=list(labels)), _mean_weights(fixed, factors)


def asked_contrasts(
    fixed: FixedDesign, term: TermSpec, *, kind: str, by: str | None = None, degree: int = 1
) -> ContrastMatrix:
    """Contrasts of a term as weights on the coefficients (m, p)."""
    labels = _labels(fixed, term)
    if len(labels) == 2 and kind == ContrastKind.INTERACTION:
        first, second = (_factor(fixed, label) for label in labels)
        matrix = interaction(
            contrast_matrix(first.levels, ContrastKind.AGAINST_FIRST),
            contrast_matrix(second.levels, ContrastKind.AGAINST_FIRST),
        )
        return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (first, second)))
    if len(labels) == 2:
        cells, means = cell_means(fixed, term)
        matrix = contrast_matrix([" ".join(cell) for cell in cells.to_numpy()], kind)
        return replace(matrix, weights=matrix.weights @ means)
    if len(labels) > 2:
        raise ModelError(f"Contrasts take one factor or two, not {len(labels)}; use 'by'.")
    if labels[0] in fixed.numerics:
        return _slopes(fixed, labels[0], by)
    factor = _factor(fixed, labels[0])
    matrix = _factor_matrix(factor, kind, degree)
    if by is None:
        return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (factor,)))
    other = _factor(fixed, by)
    matrix = within_each(matrix, other.levels)
    return replace(matrix, weights=matrix.weights @ _mean_weights(fixed, (other, factor)))


def _factor_matrix(factor: FactorColumn, kind: str, degree: int) -> ContrastMatrix:
    if kind != ContrastKind.TREND:
        return contrast_matrix(factor.levels, kind)
    if factor.scores is None:
        raise ModelError(
            f"A trend over {factor.label!r} needs numeric levels; they are "
            f"{', '.join(factor.levels)}."
        )
    return polynomial_trend(factor.scores, degree=degree)


def _slopes(fixed: FixedDesign, label: str, by: str | None) -> ContrastMatrix:
    """Coefficients of a trend, overall or at each level of a factor."""
    numeric = fixed.numerics[label]
    levels: list[tuple[str, dict[str, Array]]] = [("", {})]
    if by is not None:
        other = _factor(fixed, by)
        levels = [(name, {by: _one(len(other.levels), j)}) for j, name in enumerate(other.levels)]
    rows, slopes = [], []
    for where, over in levels:
        for part, name in enumerate(numeric.parts):
            rows.append(fixed.weights(over, lambda c, j=part: _slope_value(fixed, c, label, j)))  # type: ignore[misc]
            slopes.append(Contrast(high=name, where=where, family=ContrastKind.TREND))
    return ContrastMatrix(weights=np.array(rows), contrasts=tuple(slopes))


def _slope_value(fixed: FixedDesign, coefficient: Coefficient, label: str, part: int) -> float:
    """What multiplies one coefficient of a trend; other covariates at their mean."""
    inside = dict(coefficient.parts)
    if inside.pop(label, None) != part:
        return 0.0
    value = 1.0
    for other, position in inside.items():
        value *= float(fixed.numerics[other].at_mean[position])
    return value
