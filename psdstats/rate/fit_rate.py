"""Size against milling time: which curve, how fast, when to stop.

ln of a percentile against milling time in min; the joint measurement covariance of the runs is a
known part of the model, group and run-to-run variation are estimated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.rate.curve_check import check_fit
from psdstats.rate.curve_choice import choose_curve
from psdstats.rate.curve_fit import fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.profile import OpenInterval
from psdstats.rate.rate_series import RateSeries, parameter_intervals
from psdstats.rate.rate_words import margin_sentence, target_sentence
from psdstats.rate.stopping import time_to_margin, time_to_target
from psdstats.rate.study_sizes import LevelSizes, sizes_by_level, without_run_to_run
from psdstats.rate.withdrawal import Withdrawal, withdrawal
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation

__all__ = ["RateResult", "fit_rate"]


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

    def curve_frame(self, *, points: int = 101) -> pd.DataFrame:
        """Fitted sizes at even times with pointwise intervals: series, milling_time_min, …."""
        return pd.concat(
            [one.curve_frame(points=points, level=self.level) for one in self.series],
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
        """The answer in words, series by series; notes are kept apart."""
        lines: list[str] = []
        for one in self.series:
            prefix = f"{one.label}: " if one.label else ""
            last = float(one.fit.data.time_min.max())
            found = [one.choice.sentence, one.check.sentence]
            if one.target is not None and self.target_um is not None:
                found.append(
                    target_sentence(
                        one.target,
                        quantity=self.quantity,
                        target_um=self.target_um,
                        last_min=last,
                    )
                )
            if self.margin_percent is not None:
                found.append(self._margin_words(one, last))
            lines += [prefix + text for text in found]
        if self.withdrawals:
            worst = max(
                self.withdrawals.values(), key=lambda one: float(one.frame["change_percent"].max())
            )
            lines.append(worst.sentence)
        return tuple(lines)

    def _margin_words(self, one: RateSeries, last: float) -> str:
        margin = self.margin_percent or 0.0
        if one.margin is None:
            return (
                f"No time can be given after which less than {margin:g} % is left to gain: "
                f"{one.fit.curve.phrase} has no limit."
            )
        return margin_sentence(
            one.margin, quantity=self.quantity, margin_percent=margin, last_min=last
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
        Curve to use; None takes the one the information criterion prefers.
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
        Powder and balls charged, for the effect of withdrawn samples.
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
    return RateResult(
        quantity=quantity,
        series=series,
        target_um=target_um,
        margin_percent=margin_percent,
        level=level,
        withdrawals=_withdrawals(study, powder_g, balls_g),
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
    fit = fit_curve(CURVES[choice.best], part.data, random_rate=random_rate)
    target = margin = None
    if target_um is not None and fit.curve.size > 1:
        target = time_to_target(fit, target_um).interval(level=level)
    if margin_percent is not None and fit.curve.name is CurveName.LIMIT:
        margin = time_to_margin(fit, margin_percent).interval(level=level)
    return RateSeries(
        sizes=part,
        choice=choice,
        fit=fit,
        check=check_fit(fit),
        parameters=parameter_intervals(fit, level=level),
        target=target,
        margin=margin,
    )


def _withdrawals(
    study: Study, powder_g: float | None, balls_g: float | None
) -> dict[str, Withdrawal]:
    """One charge for each combination of group, replicate and factors, sampled in turn."""
    if powder_g is None and balls_g is None:
        return {}
    if powder_g is None or balls_g is None:
        raise ModelError("State both powder_g and balls_g, the charge of one jar.")
    taken = [run.total_g if run.sample_mass_g is None else run.sample_mass_g for run in study.runs]
    frame = study.runs_frame().assign(taken_g=taken)
    factors = sorted({name for run in study.runs for name in run.factors})
    keys = [
        name
        for name in ("group", "replicate", *factors)
        if frame[name].notna().all() and (name == "group" or len(frame[name].unique()) > 1)
    ]
    charges = {}
    for values, part in frame.groupby(keys, sort=True):
        name = ", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in values)
        charges[name] = withdrawal(
            part["milling_time_min"], part["taken_g"], powder_g=powder_g, balls_g=balls_g
        )
    return charges


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
