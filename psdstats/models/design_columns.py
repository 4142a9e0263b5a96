"""The fixed part of a model: what a user writes, columns as variables, X, and weights of contrasts.

A term is a column, or several for their interaction; numeric columns enter as straight lines unless
the model names them among its factors.  `RandomSlope` says that a slope varies between groups.

Levels are ordered as a Categorical orders them, numbers ascending, text sorted; the first is the
reference.  Levels without rows are left out.  Coefficients are named ``(Intercept)``, ``Days``,
``sow[sow2]``, ``sow[sow2]:harvest[harv2]``.  Designs that cannot be fitted are refused: empty
cells, aliased terms.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations, product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import RUN
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastMatrix, contrast_matrix, within_each


@dataclass(frozen=True)
class RandomSlope:
    """A slope in a numeric column that varies between groups beside an intercept that does too.

    Parameters
    ----------
    group : str or tuple of str
        Grouping column, or columns whose combination is the grouping.
    by : str
        Numeric column of the slope.

    Examples
    --------
    >>> RandomSlope("group", "milling_time_min")
    RandomSlope(group='group', by='milling_time_min')
    """

    group: str | tuple[str, ...]
    by: str


TermSpec = str | tuple[str, ...]


def term_items(spec: TermSpec) -> tuple[str, ...]:
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
    codes: NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class NumericColumn:
    """A numeric column, which enters as a straight line."""

    label: str
    values: Array


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
    return FactorColumn(
        label=name,
        levels=tuple(level_text(v) for v in levels),
        codes=np.asarray(codes, dtype=np.intp).reshape(-1),
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


@dataclass(frozen=True)
class Coefficient:
    """What one column of X is: factor levels (by position) times numeric columns."""

    name: str
    levels: tuple[tuple[str, int], ...] = ()
    numerics: tuple[str, ...] = ()


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
        Numeric columns by label.
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
        wanted = set(items[0].split(":") if len(items) == 1 else items)
        for term in self.terms:
            if set(term.variables) == wanted:
                return term
        known = ", ".join(term.label for term in self.terms) or "none"
        raise ModelError(f"The model has no term {spec!r}; its terms are {known}.")

    def factor(self, label: str) -> FactorColumn:
        """A factor by its label."""
        if label not in self.factors:
            known = ", ".join(self.factors) or "none"
            raise ModelError(f"{label!r} is no factor of the fixed part; its factors are {known}.")
        return self.factors[label]

    def weights(
        self, over: Mapping[str, Array], *, slope: Sequence[str] = (), at_zero: bool = False
    ) -> Array:
        """Weights on the coefficients (p,) for a combination of cell means, or of slopes in them.

        Other factors are averaged over equally, other numeric columns held at their mean (or at
        zero).  ``over`` has weights of levels (n_levels,) by factor, ``slope`` the numeric columns
        whose coefficient is meant.
        """
        equal = {k: np.full(len(f.levels), 1 / len(f.levels)) for k, f in self.factors.items()}
        use = {**equal, **over}
        out = np.zeros(len(self.coefficients))
        for i, coefficient in enumerate(self.coefficients):
            rest = set(coefficient.numerics) - set(slope)
            if len(coefficient.numerics) != len(rest) + len(slope) or (at_zero and rest):
                continue
            value, inside = 1.0, dict(coefficient.levels)
            for label in (one for one in coefficient.numerics if one in rest):
                value *= float(self.numerics[label].values.mean())
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
        slope = self.coefficients[term.columns[0]].numerics
        return np.array(
            [
                self.weights(
                    {f.label: row for f, row in zip(inside, chosen, strict=True)},
                    slope=slope,
                    at_zero=True,
                )
                for chosen in product(*steps)
            ]
        )


def build_fixed(
    frame: pd.DataFrame, fixed: Sequence[TermSpec], factors: Sequence[str] = ()
) -> FixedDesign:
    """X for a list of terms, with an intercept."""
    sets = [term_items(spec) for spec in fixed]
    variables = {name: _variable(frame, name, factors) for name in chain.from_iterable(sets)}
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


def _variable(frame: pd.DataFrame, name: str, factors: Sequence[str]) -> Variable:
    """A column as a factor where it is named one or holds no numbers, else as numbers."""
    series = column(frame, name)
    is_number = pd.api.types.is_numeric_dtype(series.dtype)
    if name in factors or not is_number or pd.api.types.is_bool_dtype(series.dtype):
        return factor_column(frame, name)
    return NumericColumn(label=name, values=series.to_numpy(dtype=float))


def _term_columns(variables: Sequence[Variable], n_rows: int) -> tuple[Array, list[Coefficient]]:
    values, coefficients = np.ones((n_rows, 1)), [Coefficient("")]
    for one in variables:
        if isinstance(one, NumericColumn):
            columns, single = one.values[:, None], [Coefficient(one.label, (), (one.label,))]
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
                f"{a.name}:{b.name}" if a.name else b.name,
                a.levels + b.levels,
                a.numerics + b.numerics,
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
    fixed: FixedDesign, term: TermSpec, *, kind: str, by: str | None = None
) -> ContrastMatrix:
    """Contrasts of a term as weights on the coefficients (m, p)."""
    labels = term_items(term)
    if len(labels) > 2:
        raise ModelError(f"Contrasts take one factor or two, not {len(labels)}; use 'by'.")
    cells = product(*(fixed.factor(label).levels for label in labels))
    matrix = contrast_matrix([" ".join(cell) for cell in cells], kind)
    if len(labels) == 1 and by is not None:
        labels = (by, *labels)
        matrix = within_each(matrix, fixed.factor(by).levels)
    return replace(matrix, weights=matrix.weights @ cell_means(fixed, labels)[1])
