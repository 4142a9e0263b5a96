"""What a comparison found: for each quantity a test, a table of effects and verdicts in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan
from psdstats.models import MixedModelFit
from psdstats.models.design_columns import level_text

__all__ = ["Comparison", "OverallTest", "QuantityComparison", "Route", "as_sizes"]


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
    """Means of logarithms as sizes, their factors as text.

    Parameters
    ----------
    means : DataFrame
        Columns of the factors, then estimate, lower, upper (and standard_error, df) of ln size.

    Returns
    -------
    DataFrame
        Columns of the factors, then value, lower, upper in µm (span without unit).
    """
    numbers = {"value": "estimate", "lower": "lower", "upper": "upper"}
    beside = ("estimate", "standard_error", "df", "lower", "upper")
    factors = means[[name for name in means.columns if name not in beside]].map(level_text)
    with np.errstate(over="ignore"):  # next to no degrees of freedom: no upper limit
        return factors.assign(**{name: np.exp(means[source]) for name, source in numbers.items()})
