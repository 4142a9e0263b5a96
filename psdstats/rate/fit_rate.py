"""Size against milling time: which curve, how fast, when to stop.

ln of a percentile against milling time in min; the joint measurement covariance of the runs is a
known part of the model, group and run-to-run variation are estimated.
"""

from __future__ import annotations

from collections.abc import Sequence

from psdstats.errors import ModelError
from psdstats.rate.curve_check import check_fit
from psdstats.rate.curve_choice import choose_curve
from psdstats.rate.curve_fit import fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.rate_result import RateResult
from psdstats.rate.rate_series import RateSeries, parameter_intervals
from psdstats.rate.stopping import time_to_margin, time_to_target
from psdstats.rate.study_sizes import LevelSizes, sizes_by_level, without_run_to_run
from psdstats.rate.withdrawal import Withdrawal, withdrawal
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation

__all__ = ["fit_rate"]


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
