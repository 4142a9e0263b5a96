"""The response of a comparison: ln of a percentile or of span, with its joint covariance.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and level) is set aside, and said so.

What a comparison found: for each quantity a test, a table of effects and verdicts in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan, level_in_words
from psdstats.models.design_columns import level_text
from psdstats.models.mixed_model import MixedModelFit
from psdstats.uncertainty.propagation import Propagation

_LISTED = 4  # runs named before "and … more"
_MOST_SET_ASIDE = 0.5  # of the runs of a level (own rule, no source)


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """One quantity of all runs that can enter the comparison.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    frame : DataFrame
        The run table of the runs used, with the column ``ln_value``.
    covariance : ndarray, shape (n, n)
        Known covariance of ``ln_value`` from the measurement, as the propagation gives it.
    kept : ndarray of bool, shape (R,)
        Which runs of the study these are.
    set_aside : tuple of str
        Runs left out because their cell holds an open percentile.
    levels : tuple of str
        All levels of the factor, in order, as text.
    lost_column : str
        The column whose levels are lost where too many runs are open: the factor or ``at_each``.
    obstacles : mapping of str to str
        For each lost level of that column why it cannot be judged, as a clause.
    """

    quantity: str
    frame: pd.DataFrame
    covariance: NDArray[np.float64]
    kept: NDArray[np.bool_]
    set_aside: tuple[str, ...]
    levels: tuple[str, ...]
    lost_column: str
    obstacles: Mapping[str, str]

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was set aside and why, as a sentence; empty where nothing was."""
        count = len(self.set_aside)
        if count == 0:
            return ()
        runs = ", ".join(self.set_aside[:_LISTED])
        more = f" and {count - _LISTED} more" if count > _LISTED else ""
        return (
            f"{count} {'run' if count == 1 else 'runs'} set aside, because the sieves do not "
            f"bracket {self.quantity} in every run of their cell: {runs}{more}.",
        )


def build_response(
    runs: pd.DataFrame, propagation: Propagation, plan: ComparisonPlan, quantity: str
) -> Response:
    """Take one quantity out of a propagation, cell by cell."""
    value = propagation.value[:, propagation.quantities.index(quantity)]
    is_open = pd.Series(~np.isfinite(value), index=runs.index)
    in_open_cell = is_open.groupby([runs[name] for name in plan.cell], observed=True).transform(
        "any"
    )
    placed = plan.placed(runs)
    column, lost = _lost_levels(runs[placed], in_open_cell[placed].astype(bool), plan)
    stays = (in_open_cell == 0) & ~runs[column].isin(lost)
    kept = placed & stays.to_numpy(dtype=bool)
    frame = runs.loc[kept].assign(ln_value=np.log(value[kept])).reset_index(drop=True)
    return Response(
        quantity=quantity,
        frame=frame,
        covariance=propagation.covariance(quantity, log=True).to_numpy()[np.ix_(kept, kept)],
        kept=kept,
        set_aside=tuple(runs["run"][placed & ~kept]),
        levels=tuple(level_text(level) for level in sorted(runs[placed][plan.by].unique())),
        lost_column=column,
        obstacles={
            level_text(level): _obstacle(quantity, column, level, is_open[runs[column] == level])
            for level in lost
        },
    )


def _lost_levels(
    runs: pd.DataFrame, in_open_cell: pd.Series, plan: ComparisonPlan
) -> tuple[str, list[object]]:
    """Levels that lose more than half of their runs, and the column they belong to.

    With ``at_each`` a combination may be lost: then its level of the factor goes, or its level of
    ``at_each``, whichever leaves more runs.
    """
    columns = [plan.by] + ([] if plan.at_each is None else [plan.at_each])
    share = in_open_cell.groupby([runs[name] for name in columns], observed=True).mean()
    lost = share[share > _MOST_SET_ASIDE].index
    choices = {name: list(dict.fromkeys(lost.get_level_values(name))) for name in columns}
    best = min(columns, key=lambda name: np.count_nonzero(runs[name].isin(choices[name])))
    return best, choices[best]


def _obstacle(quantity: str, column: str, level: object, is_open: pd.Series) -> str:
    place = level_in_words(column, level_text(level))
    share = f"{np.count_nonzero(is_open)} of {len(is_open)} runs"
    return f"{quantity} at {place} is not bracketed by the sieves in {share}"


class Route(StrEnum):
    """What the comparison of one quantity rests on."""

    MIXED_MODEL = "mixed model"
    EACH_CONTRAST = "each contrast"
    MEASUREMENT_ONLY = "measurement only"
    NONE = "none"


@dataclass(frozen=True, kw_only=True)
class OverallTest:
    """Test that the factor changes nothing at all.

    Parameters
    ----------
    term : str
        The factor, or two factors for their interaction.
    f : float
        F; chi-square over its degrees of freedom where ``df_den`` is infinite.
    df_num, df_den : float
        Degrees of freedom; ``df_den`` is infinite by the measurement alone.
    p : float
        Upper tail.
    """

    term: str
    f: float
    df_num: float
    df_den: float
    p: float


@dataclass(frozen=True, kw_only=True, eq=False)
class QuantityComparison:
    """One quantity compared.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    route : Route
        What it rests on.
    model : str
        The model actually fitted, as a sentence.
    tests : tuple of OverallTest
        Of the factor, and of its interaction where one was fitted.
    effects : DataFrame
        One row a contrast: family, contrast, high, low, ratio with simultaneous limits, change in
        per cent, df, p, p_adjusted, detectable_decrease_percent, equivalence_p, verdict, sentence.
    means : DataFrame
        One row a level of the factor (within each level of ``at_each``): columns of the factors,
        then value, lower, upper: size in µm (span without unit) with its own interval.
    fit : MixedModelFit or None
        The fitted model; None for the other routes.
    notes : tuple of str
        Runs set aside, variances at zero, and what else a reader must know.
    """

    quantity: str
    route: Route
    model: str
    tests: tuple[OverallTest, ...]
    effects: pd.DataFrame
    means: pd.DataFrame
    fit: MixedModelFit | None
    notes: tuple[str, ...]

    def family(self, name: str) -> pd.DataFrame:
        """The effects of one family, one row a contrast.

        Parameters
        ----------
        name : str
            "against first", "successive" or "all pairs"; a family not asked for has no rows.

        Returns
        -------
        DataFrame
            Columns of ``effects``.
        """
        return self.effects[self.effects["family"] == name].reset_index(drop=True)


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """A factor compared over all quantities asked for.

    The contrasts lead: they say which levels differ and by how much, and each family holds its
    level by itself.  The test of all levels at once stands beside them; the headlines say in one
    sentence why both are right where they part.

    Parameters
    ----------
    plan : ComparisonPlan
        What was compared with what.
    level : float
        Confidence level of the intervals; family-wise over the contrasts of a family.
    across_quantities : bool
        Whether the level also holds over the quantities together (Bonferroni).
    results : tuple of QuantityComparison
        One a quantity.
    headlines : tuple of str
        The answer in plain words.
    notes : tuple of str
        Choices made and warnings that hold for all quantities.
    """

    plan: ComparisonPlan
    level: float
    across_quantities: bool
    results: tuple[QuantityComparison, ...]
    headlines: tuple[str, ...]
    notes: tuple[str, ...]

    def __getitem__(self, quantity: str) -> QuantityComparison:
        for result in self.results:
            if result.quantity == quantity:
                return result
        known = ", ".join(result.quantity for result in self.results)
        raise KeyError(f"{quantity!r} was not compared; choose one of {known}.")

    def to_frame(self, family: str | None = None) -> pd.DataFrame:
        """All effects of all quantities, one row a contrast.

        Parameters
        ----------
        family : str, optional
            Keep one family only: "against first", "successive" or "all pairs".
        """
        frames = [
            result.effects.assign(quantity=result.quantity, route=result.route.value)
            for result in self.results
        ]
        whole = pd.concat(frames, ignore_index=True)
        front = ["quantity", "family", "contrast"]
        whole = whole[front + [name for name in whole.columns if name not in front]]
        return whole if family is None else whole[whole["family"] == family].reset_index(drop=True)

    def means_frame(self) -> pd.DataFrame:
        """Sizes at each level, every quantity: quantity, factor columns, value, lower, upper."""
        frames = [result.means.assign(quantity=result.quantity) for result in self.results]
        whole = pd.concat(frames, ignore_index=True)
        return whole[["quantity", *(name for name in whole.columns if name != "quantity")]]

    def tests_frame(self) -> pd.DataFrame:
        """One row a test: quantity, term, f, df_num, df_den, p, route."""
        return pd.DataFrame(
            [
                {
                    "quantity": result.quantity,
                    "term": test.term,
                    "f": test.f,
                    "df_num": test.df_num,
                    "df_den": test.df_den,
                    "p": test.p,
                    "route": result.route.value,
                }
                for result in self.results
                for test in result.tests
            ],
            columns=["quantity", "term", "f", "df_num", "df_den", "p", "route"],
        )

    def variance_frame(self) -> pd.DataFrame:
        """One row a variance component of each fitted model, as a relative SD in per cent.

        The SD is missing where the estimate of the variance is below zero.
        """
        rows = [
            {
                "quantity": result.quantity,
                "component": str(name),
                "variance": float(value),
                "sd_percent": 100.0 * float(value) ** 0.5 if value >= 0.0 else float("nan"),
            }
            for result in self.results
            if result.fit is not None
            for name, value in result.fit.variance_components.items()
        ]
        return pd.DataFrame(rows, columns=["quantity", "component", "variance", "sd_percent"])

    def summary(self) -> str:
        """The headlines, one a line, then the notes."""
        return "\n".join([*self.headlines, *(f"Note: {note}" for note in self.all_notes())])

    def all_notes(self) -> Sequence[str]:
        """Notes of the comparison and of each quantity, each once."""
        own = [f"{result.quantity}: {note}" for result in self.results for note in result.notes]
        return tuple(dict.fromkeys([*self.notes, *own]))


def as_sizes(means: pd.DataFrame) -> pd.DataFrame:
    """Means of logarithms as sizes, their factors as text."""
    numbers = {"value": "estimate", "lower": "lower", "upper": "upper"}
    beside = ("estimate", "standard_error", "df", "lower", "upper")
    factors = means[[name for name in means.columns if name not in beside]].map(level_text)
    with np.errstate(over="ignore"):  # next to no degrees of freedom: no upper limit
        return factors.assign(**{name: np.exp(means[source]) for name, source in numbers.items()})
