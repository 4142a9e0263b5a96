"""One series of sizes against time with its curve, and what the curve says.

Times in min, sizes in µm, rates in 1/min.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from psdstats.rate.curve_check import FitCheck
from psdstats.rate.curve_choice import CurveChoice
from psdstats.rate.curve_fit import CurveFit
from psdstats.rate.curves import CurveName
from psdstats.rate.profile import OpenInterval
from psdstats.rate.several_curves import band, hull
from psdstats.rate.stopping import limit_size, parameter
from psdstats.rate.study_sizes import LevelSizes

__all__ = ["RateSeries", "parameter_intervals"]


@dataclass(frozen=True, kw_only=True, eq=False)
class RateSeries:
    """Size against time at one level of a factor.

    Parameters
    ----------
    sizes : LevelSizes
        The sizes.
    choice : CurveChoice
        Comparison of the curves.
    fits : tuple of CurveFit
        The curve used, then the others that are not ruled out.
    check : FitCheck
        Whether it describes the sizes.
    parameters : dict of str to OpenInterval
        What the curve says of itself, by name and unit.
    targets : dict of CurveName to OpenInterval
        Time to the target size by every curve not ruled out; empty where not asked or not possible.
    margin : OpenInterval or None
        Time to within the margin of the limit, where asked and possible.
    """

    sizes: LevelSizes
    choice: CurveChoice
    fits: tuple[CurveFit, ...]
    check: FitCheck
    parameters: dict[tuple[str, str], OpenInterval]
    targets: dict[CurveName, OpenInterval]
    margin: OpenInterval | None

    @property
    def fit(self) -> CurveFit:
        """The curve used."""
        return self.fits[0]

    @property
    def target(self) -> OpenInterval | None:
        """Time to the target size, over every curve not ruled out."""
        return hull(self.targets) if self.targets else None

    @property
    def label(self) -> str:
        """The level, or empty."""
        return self.sizes.label

    def parameters_frame(self) -> pd.DataFrame:
        """One row a parameter: value, interval, whether its ends are open; then the spreads."""
        rows = [
            {
                "series": self.label,
                "parameter": name,
                "unit": unit,
                "value": one.value,
                "lower": one.lower,
                "upper": one.upper,
                "lower_open": one.lower_open,
                "upper_open": one.upper_open,
                "df": one.df,
            }
            for (name, unit), one in self.parameters.items()
        ]
        names = {"level": "between groups", "rate": "between groups in rate", "run": "run to run"}
        rows += [
            {
                "series": self.label,
                "parameter": f"standard deviation {names[term]}",
                "unit": "%",
                "value": 100 * float(np.sqrt(variance)),
            }
            for term, variance in self.fit.variance.items()
        ]
        return pd.DataFrame(rows)

    def curve_frame(
        self, *, points: int, level: float, until_min: float | None = None
    ) -> pd.DataFrame:
        """Fitted size at even times with the pointwise band of all curves, for a figure."""
        last = float(self.fit.data.time_min.max())
        time = np.linspace(0, last if until_min is None else until_min, points)
        lower, upper = band(self.fits, time, level=level)
        return pd.DataFrame(
            {
                "series": self.label,
                "milling_time_min": time,
                "size_um": np.exp(self.fit.log_size(time)),
                "lower_um": np.exp(lower),
                "upper_um": np.exp(upper),
            }
        )


def parameter_intervals(fit: CurveFit, *, level: float) -> dict[tuple[str, str], OpenInterval]:
    """Start size, rate and shape of a curve with profile intervals, by name and unit."""
    found = {("start size", "µm"): _exp(parameter(fit, "ln_start").interval(level=level))}
    if fit.curve.size > 1:
        rate = _exp(parameter(fit, "ln_rate").interval(level=level))
        found[("rate constant", "1/min")] = rate
    if fit.curve.name is CurveName.LIMIT:
        found[("limit size", "µm")] = _exp(limit_size(fit).interval(level=level))
    if fit.curve.name is CurveName.POWER:
        found[("power shape (0 Kick, 0.5 Bond, 1 Rittinger)", "1")] = parameter(
            fit, "power_shape"
        ).interval(level=level)
    return found


def _exp(interval: OpenInterval) -> OpenInterval:
    """The same on the scale of the size; an open lower end is zero, an open upper one infinite."""
    return replace(
        interval,
        value=None if interval.value is None else float(np.exp(interval.value)),
        lower=0.0 if interval.lower_open else float(np.exp(interval.lower)),
        upper=float("inf") if interval.upper_open else float(np.exp(interval.upper)),
    )
