"""What sampling takes out of the jar, and what that does to the ball-to-powder ratio.

Masses in g, times in min.  Each sample leaves less powder under the same balls, so later intervals
are milled at a higher ball-to-powder ratio; rates found at late times hold for that ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import BALL_RATIO, TIME, column_words
from psdstats.errors import ModelError
from psdstats.study.records import Study

NOTABLE = 0.10


@dataclass(frozen=True, kw_only=True, eq=False)
class Withdrawal:
    """Powder left in one jar after each sample.

    Parameters
    ----------
    frame : DataFrame
        milling_time_min, withdrawn_g (in all), left_g, ball_to_powder after the sample,
        change_percent of that ratio against the start.
    sentence : str
        The finding in words.
    """

    frame: pd.DataFrame
    sentence: str


def withdrawal(
    time_min: ArrayLike, sample_g: ArrayLike, *, powder_g: float, balls_g: float
) -> Withdrawal:
    """Powder left and ball-to-powder ratio of one charge sampled in turn.

    Parameters
    ----------
    time_min : array_like, shape (n,)
        Milling times of the samples.
    sample_g : array_like, shape (n,)
        Mass taken at each time.
    powder_g, balls_g : float
        Powder and balls charged at the start.

    Returns
    -------
    Withdrawal

    Raises
    ------
    ModelError
        If a mass is not positive or the samples exceed the charge.

    Examples
    --------
    >>> withdrawal([0, 10], [20, 20], powder_g=200, balls_g=2000).frame["ball_to_powder"].round(2)
    0    11.11
    1    12.50
    Name: ball_to_powder, dtype: float64
    """
    time = np.asarray(time_min, dtype=float).ravel()
    order = np.argsort(time, kind="stable")
    taken = np.asarray(sample_g, dtype=float).ravel()[order]
    if not (powder_g > 0 and balls_g > 0 and (taken >= 0).all()):
        raise ModelError(
            f"The charge is {powder_g:g} g of powder and {balls_g:g} g of balls with samples of "
            f"{taken.min():g} to {taken.max():g} g; give positive masses."
        )
    total = np.cumsum(taken)
    if total[-1] >= powder_g:
        raise ModelError(
            f"The samples add up to {total[-1]:g} g of a charge of {powder_g:g} g; check the "
            "charge, or state that every time had a charge of its own."
        )
    left = powder_g - total
    ratio = balls_g / left
    start = balls_g / powder_g
    frame = pd.DataFrame(
        {
            TIME: time[order],
            "withdrawn_g": total,
            "left_g": left,
            "ball_to_powder": ratio,
            "change_percent": 100 * (ratio / start - 1),
        }
    )
    return Withdrawal(frame=frame, sentence=_sentence(frame, start))


def withdrawals(
    study: Study, *, powder_g: float | None, balls_g: float | None
) -> dict[str, Withdrawal]:
    """One charge for each combination of group, replicate and factors, sampled in turn."""
    if powder_g is None and balls_g is None:
        return {}
    taken = [run.total_g if run.sample_mass_g is None else run.sample_mass_g for run in study.runs]
    frame = study.runs_frame().assign(taken_g=taken)
    if powder_g is None or (balls_g is None and not _has_ratio(frame)):
        raise ModelError(
            "The charge of one jar needs its powder and its balls: state powder_g and balls_g "
            "(--powder-g and --balls-g). The powder is enough where every run has a "
            f"{BALL_RATIO}{_without_ratio(frame)}."
        )
    _refuse_one_mass_for_several_ratios(frame, balls_g)
    factors = sorted({name for run in study.runs for name in run.factors})
    keys = [
        name
        for name in ("group", "replicate", *factors)
        if frame[name].notna().all() and (name == "group" or len(frame[name].unique()) > 1)
    ]
    charges = {}
    for values, part in frame.groupby(keys, sort=True):
        name = ", ".join(
            _words(key) + (f"{one:g}" if isinstance(one, float) else str(one))
            for key, one in zip(keys, values, strict=True)
        )
        balls = powder_g * float(part[BALL_RATIO].iloc[0]) if balls_g is None else balls_g
        charges[name] = withdrawal(part[TIME], part["taken_g"], powder_g=powder_g, balls_g=balls)
    return charges


def _words(column: str) -> str:
    """What stands before a level: the column's name, which group and replicate do without."""
    return "" if column in ("group", "replicate") else column_words(column) + " "


def _has_ratio(frame: pd.DataFrame) -> bool:
    return BALL_RATIO in frame and bool(
        pd.to_numeric(frame[BALL_RATIO], errors="coerce").notna().all()
    )


def _without_ratio(frame: pd.DataFrame) -> str:
    """How many runs have no ball ratio, as a clause; nothing where no run has one."""
    if BALL_RATIO not in frame:
        return ""
    lost = frame.loc[frame[BALL_RATIO].isna(), "run"].tolist()
    return f"; {len(lost)} of {len(frame)} have none, the first being {lost[0]}" if lost else ""


def _refuse_one_mass_for_several_ratios(frame: pd.DataFrame, balls_g: float | None) -> None:
    if balls_g is None or not _has_ratio(frame) or frame[BALL_RATIO].nunique() < 2:
        return
    found = ", ".join(f"{float(one):g}" for one in sorted(frame[BALL_RATIO].unique()))
    raise ModelError(
        f"One mass of balls ({balls_g:g} g) is stated for runs of ball ratio {found}; leave it "
        "out, and the balls of each charge follow from its ratio."
    )


def _sentence(frame: pd.DataFrame, start: float) -> str:
    """Words on the last interval milled, the one before the last sample."""
    before_last = frame.iloc[-2] if len(frame) > 1 else frame.iloc[-1]
    ratio, change = float(before_last["ball_to_powder"]), float(before_last["change_percent"])
    words = (
        f"Sampling raised the ball-to-powder ratio from {start:.3g} to {ratio:.3g} in the last "
        f"interval (+{change:.2g} %)"
    )
    if change > 100 * NOTABLE:
        return (
            f"{words}: late sizes belong to a faster mill than early ones, so do not carry the "
            "curve over to an undisturbed charge; take smaller samples or a fresh charge a time."
        )
    return f"{words}, less than {100 * NOTABLE:.0f} %, which is usually of no account."
