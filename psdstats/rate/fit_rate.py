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
from psdstats.rate.several_curves import margin_over, targets_over
from psdstats.rate.study_sizes import LevelSizes, sizes_by_level, without_run_to_run
from psdstats.rate.withdrawal import withdrawals
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation

__all__ = ["fit_rate"]

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
