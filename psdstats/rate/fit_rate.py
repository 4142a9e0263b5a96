"""One series of sizes against time with its curve, and what the curve says.

Times in min, sizes in µm, rates in 1/min.

Result of fitting rate curves to a study: frames for tables and figures, and sentences.

Times in min, sizes in µm, rates in 1/min.

Size against milling time: which curve, how fast, when to stop.

ln of a percentile against milling time in min; the joint measurement covariance of the runs is a
known part of the model, group and run-to-run variation are estimated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.errors import ModelError
from psdstats.rate.curve_choice import (
    CurveChoice,
    FitCheck,
    band,
    check_fit,
    choose_curve,
    hull,
    margin_over,
    targets_over,
)
from psdstats.rate.curve_fit import CurveFit, fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.profile import OpenInterval, limit_size, parameter
from psdstats.rate.rate_words import margin_sentence, target_sentence, unmoved_sentence
from psdstats.rate.run_sizes import LevelSizes, sizes_by_level, without_run_to_run
from psdstats.rate.withdrawal import Withdrawal, withdrawals
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation


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
                TIME: time,
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


@dataclass(frozen=True, kw_only=True, eq=False)
class RateResult:
    """Curves of size against time and what they say.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    series : tuple of RateSeries
        One a level of the factor asked for, or one in all.
    target_um, margin_percent : float or None
        As asked.
    level : float
        Confidence level of all intervals.
    withdrawals : dict of str to Withdrawal
        By charge, where the charge was stated.
    notes : tuple of str
        Assumptions and what was left out.
    """

    quantity: str
    series: tuple[RateSeries, ...]
    target_um: float | None
    margin_percent: float | None
    level: float
    withdrawals: dict[str, Withdrawal]
    notes: tuple[str, ...]

    def parameters_frame(self) -> pd.DataFrame:
        """Parameters and spreads of every series."""
        return pd.concat([one.parameters_frame() for one in self.series], ignore_index=True)

    def choice_frame(self) -> pd.DataFrame:
        """Comparison of the curves, series by series."""
        return pd.concat(
            [one.choice.to_frame().assign(series=one.label) for one in self.series],
            ignore_index=True,
        )

    def stopping_frame(self) -> pd.DataFrame:
        """One row a series and question: time in min, its interval, open ends, extrapolated."""
        rows = []
        for one in self.series:
            last = float(one.fit.data.time_min.max())
            for question, unit, asked, found in (
                ("time to target", "µm", self.target_um, one.target),
                ("time to margin", "%", self.margin_percent, one.margin),
            ):
                if found is not None:
                    rows.append(_stopping_row(one.label, question, unit, asked, found, last))
        return pd.DataFrame(rows, columns=_STOPPING_COLUMNS)

    def curve_frame(self, *, points: int = 101, until_min: float | None = None) -> pd.DataFrame:
        """Fitted sizes at even times with pointwise intervals: series, milling_time_min, ….

        Parameters
        ----------
        points : int, default=101
            Times of each series.
        until_min : float, optional
            Last time; the last one measured if left out.
        """
        return pd.concat(
            [
                one.curve_frame(points=points, level=self.level, until_min=until_min)
                for one in self.series
            ],
            ignore_index=True,
        )

    def points_frame(self) -> pd.DataFrame:
        """The sizes fitted, one row a run, with the fitted size and the residual in per cent."""
        pieces = []
        for one in self.series:
            fitted = one.fit.log_size(one.fit.data.time_min)
            residual = 100 * np.expm1(one.fit.data.ln_size - fitted)
            frame = one.sizes.frame.assign(
                series=one.label, fitted_um=np.exp(fitted), residual_percent=residual
            )
            pieces.append(frame)
        return pd.concat(pieces, ignore_index=True)

    def withdrawal_frame(self) -> pd.DataFrame:
        """Powder left and ball-to-powder ratio, charge by charge; empty without a stated charge."""
        pieces = [one.frame.assign(charge=name) for name, one in self.withdrawals.items()]
        return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()

    def sentences(self) -> tuple[str, ...]:
        """The answer in words, series by series: when to stop, then the curve behind it."""
        lines: list[str] = []
        for one in self.series:
            prefix = f"{one.label}: " if one.label else ""
            last = float(one.fit.data.time_min.max())
            found = []
            if one.target is not None and self.target_um is not None:
                found.append(
                    target_sentence(
                        one.target,
                        quantity=self.quantity,
                        target_um=self.target_um,
                        last_min=last,
                        others=dict(list(one.targets.items())[1:]),
                    )
                )
            elif self.target_um is not None:
                below = float(np.exp(one.fit.beta[0])) <= self.target_um
                found.append(unmoved_sentence(self.quantity, self.target_um, below=below))
            if self.margin_percent is not None:
                found.append(self._margin_words(one, last))
            found += [one.choice.sentence, one.check.sentence]
            lines += [prefix + text for text in found]
        if self.withdrawals:
            raised = {
                name: float(one.frame["change_percent"].max())
                for name, one in self.withdrawals.items()
            }
            name = max(raised, key=lambda one: raised[one])
            lines.append(self.withdrawals[name].sentence)
            if len(self.withdrawals) > 1:
                lines.append(
                    f"That is charge {name}, the most affected of {len(self.withdrawals)}."
                )
        return tuple(lines)

    def _margin_words(self, one: RateSeries, last: float) -> str:
        margin = self.margin_percent or 0.0
        no_limit = [fit.curve.phrase for fit in one.fits if fit.curve.name is not CurveName.LIMIT]
        names = " or ".join(no_limit)
        if one.margin is None:
            return (
                f"No time can be given after which less than {margin:g} % is left to gain: "
                f"{names} has no limit."
            )
        return margin_sentence(
            one.margin,
            quantity=self.quantity,
            margin_percent=margin,
            last_min=last,
            without_limit=names,
        )


_STOPPING_COLUMNS = [
    "series",
    "question",
    "asked",
    "asked_unit",
    "time_min",
    "lower_min",
    "upper_min",
    "lower_open",
    "upper_open",
    "excluded",
    "beyond_last_time",
    "df",
]


def _stopping_row(
    label: str, question: str, unit: str, asked: float | None, found: OpenInterval, last: float
) -> dict[str, object]:
    return {
        "series": label,
        "question": question,
        "asked": asked,
        "asked_unit": unit,
        "time_min": found.value,
        "lower_min": found.lower,
        "upper_min": float("inf") if found.upper_open else found.upper,
        "lower_open": found.lower_open,
        "upper_open": found.upper_open,
        "excluded": found.excluded,
        "beyond_last_time": found.value is None or found.value > last,
        "df": found.df,
    }


NO_CHARGE = (
    "The charge of a jar is not stated. If one charge was sampled at several times, each sample "
    "raised the ball-to-powder ratio of what followed; state the charge to see by how much."
)


def fit_rate(
    study: Study,
    *,
    quantity: str = "D50",
    by: str | None = None,
    curve: CurveName | str | None = None,
    curves: Sequence[CurveName | str] = tuple(CurveName),
    target_um: float | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
    random_rate: bool | None = None,
    powder_g: float | None = None,
    balls_g: float | None = None,
    propagation: Propagation | None = None,
    seed: int = 0,
) -> RateResult:
    """Fit curves of size against milling time to a study.

    Parameters
    ----------
    study : Study
        The trial.
    quantity : {"D10", "D50", "D90"}
        Which size.
    by : str or None
        Column of the run table whose levels get a curve each, for example "ball_ratio".
    curve : str or None
        Curve to use; None takes the one the information criterion prefers, with intervals that
        hold for every curve the criterion does not rule out.
    curves : sequence of str
        Curves compared.
    target_um : float or None
        Size to reach, µm.
    margin_percent : float or None
        How little of the limit size may be left to gain, per cent; for the approach to a limit.
    level : float, default=0.95
        Confidence level.
    random_rate : bool or None
        Whether groups may differ in rate; None: with three groups or more.
    powder_g, balls_g : float or None
        Powder and balls charged, for the effect of withdrawn samples; the balls follow from the
        column ball_ratio where there is one.
    propagation : Propagation or None
        Joint uncertainty of this study without the run-to-run source; made here otherwise.
    seed : int, default=0
        Seed of the propagation made here.

    Returns
    -------
    RateResult

    Raises
    ------
    ModelError
        If a column, quantity or curve is unknown, or the runs are too few.
    """
    if not 0 < level < 1:
        raise ModelError(f"The confidence level is {level}; give a number between 0 and 1.")
    if propagation is None:
        propagation = without_run_to_run(study, seed)
    parts = sizes_by_level(study, propagation, quantity=quantity, by=by)
    series = tuple(
        _series(part, curve, curves, target_um, margin_percent, level, random_rate)
        for part in parts
    )
    notes = dict.fromkeys(note for part in parts for note in part.notes)
    if powder_g is None:
        notes[NO_CHARGE] = None
    return RateResult(
        quantity=quantity,
        series=series,
        target_um=target_um,
        margin_percent=margin_percent,
        level=level,
        withdrawals=withdrawals(study, powder_g=powder_g, balls_g=balls_g),
        notes=tuple(notes),
    )


def _series(
    part: LevelSizes,
    curve: CurveName | str | None,
    curves: Sequence[CurveName | str],
    target_um: float | None,
    margin_percent: float | None,
    level: float,
    random_rate: bool | None,
) -> RateSeries:
    choice = choose_curve(part.data, curves if curve is None else (curve,), random_rate=random_rate)
    fits = tuple(
        fit_curve(CURVES[name], part.data, random_rate=random_rate) for name in choice.not_ruled_out
    )
    return RateSeries(
        sizes=part,
        choice=choice,
        fits=fits,
        check=check_fit(fits[0]),
        parameters=parameter_intervals(fits[0], level=level),
        targets={} if target_um is None else targets_over(fits, target_um, level=level),
        margin=None if margin_percent is None else margin_over(fits, margin_percent, level=level),
    )
