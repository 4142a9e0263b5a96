"""Groups that drift apart from level to level, and a check of what the model leaves out.

Benches that mill at different rates agree at 0 min and drift apart.  A model with one variance for
all levels judges late times too surely: in simulated trials its 95 % intervals hold the truth in
83 % (tests/calibration/results/time_effect.md).  So groups are given a line of their own in the
order of the levels (a random slope, zero at the first level); where it is estimated at zero it is
dropped, and costs little.

What remains is checked, on the natural logarithm of the size: with u = P y, the residuals of the
fitted model weighted by its covariance (P of restricted maximum likelihood),

- widening: the slope of u² in the order of the levels, over the sum of u²;
- drift, where the groups have no lines in the model: the sum over groups of (Σ order · u)².

Each is compared with what the model makes of it in trials drawn from it (parametric bootstrap), and
the smaller p counts as often as there are figures.  The check finds about half of the trials whose
scatter grows as much as simulated there; that it is silent proves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan
from psdstats.frozen import Array
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.wording import word_p

_DRAWS = 999
_SEED = 0
_FEWEST = 3  # levels, and groups that hold as many of them (own rule, no source)


def level_order(column: pd.Series) -> pd.Series | None:
    """Place of each run's level among the levels, from 0; None unless levels are numbers."""
    levels = sorted(column.unique().tolist())
    if not all(isinstance(one, (int, float)) for one in levels):
        return None
    return column.map({level: float(place) for place, level in enumerate(levels)})


def drift_slope(frame: pd.DataFrame, plan: ComparisonPlan, *, order: str) -> RandomSlope | None:
    """The line of each group in the order of the levels, where the runs can show one."""
    grouping = plan.crossing
    if grouping is None or order not in frame:
        return None
    columns = [grouping] if isinstance(grouping, str) else list(grouping)
    held = frame.groupby(columns, observed=True)[plan.by].nunique()
    if int((held >= _FEWEST).sum()) < _FEWEST:
        return None
    return RandomSlope(grouping, order, correlated=False)


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """What the check found.

    Parameters
    ----------
    p : float
        Of the model's spread.
    first, last : str
        First and last level in words.
    first_percent, last_percent : float
        Standard deviation of the runs about the fixed part at these levels, per cent of the size.
    """

    p: float
    first: str
    last: str
    first_percent: float
    last_percent: float

    @property
    def sentence(self) -> str:
        """The caution in words."""
        return (
            "The scatter changes with the level in a way the model does not hold "
            f"({word_p(self.p)}): runs lie {self.first_percent:.2g} % about their mean at "
            f"{self.first} and {self.last_percent:.2g} % at {self.last} (standard deviations). "
            "Intervals may be too narrow where it is larger; the spread "
            '"each contrast" judges each contrast by its own differences.'
        )


def find_misfit(fit: MixedModelFit, plan: ComparisonPlan) -> Misfit | None:
    """Check the spread of a fitted comparison over a factor with numeric levels."""
    frame = fit.model.frame
    place = level_order(frame[plan.by])
    if place is None or place.max() < _FEWEST - 1:
        return None
    order = place.to_numpy(dtype=float)
    v = fit.random.parts.covariance(fit.estimates.theta)
    size, vectors = np.linalg.eigh(v)
    noise = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(order)))
    drawn = (noise * np.sqrt(np.maximum(size, 0.0))) @ vectors.T
    weighted = np.vstack([fit.response[None], drawn]) @ _projector(v, fit.fixed.matrix)
    p = [_p_value(one) for one in _figures(weighted, frame, plan, order, fit)]
    plain = fit.response - fit.fixed.matrix @ fit.estimates.beta
    levels = sorted(frame[plan.by].unique())
    return Misfit(
        p=min(1.0, len(p) * min(p)),
        first=plan.place(level_text(levels[0])),
        last=plan.place(level_text(levels[-1])),
        first_percent=_sd_percent(plain[order == 0]),
        last_percent=_sd_percent(plain[order == order.max()]),
    )


def _figures(
    weighted: Array, frame: pd.DataFrame, plan: ComparisonPlan, order: Array, fit: MixedModelFit
) -> list[Array]:
    """Each figure of the trial (first) and of the drawn trials."""
    squares = weighted**2
    slope = squares @ (order - order.mean()) / squares.sum(axis=1)
    figures = [np.abs(slope - slope[1:].mean())]
    has_lines = any(isinstance(one, RandomSlope) for one in fit.model.random)
    if plan.crossing is not None and not has_lines:
        columns = [plan.crossing] if isinstance(plan.crossing, str) else list(plan.crossing)
        number = frame.groupby(columns, sort=False).ngroup().to_numpy()
        lines = (number[:, None] == np.arange(number.max() + 1)) * order[:, None]
        figures.append(((weighted @ lines) ** 2).sum(axis=1))
    return figures


def _projector(v: Array, design: Array) -> Array:
    """P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹."""
    inverse = np.linalg.inv(v)
    weighted = inverse @ design
    return np.asarray(
        inverse - weighted @ np.linalg.pinv(design.T @ weighted, hermitian=True) @ weighted.T
    )


def _p_value(figure: Array) -> float:
    """Share of figures at least as large as the first, itself included."""
    return float(np.mean(figure >= figure[0]))


def _sd_percent(residual: Array) -> float:
    return 100.0 * float(np.sqrt((residual**2).sum() / max(len(residual) - 1, 1)))
