"""What sampling takes out of the jar, and what that does to the ball-to-powder ratio.

Masses in g, times in min.  Each sample leaves less powder under the same balls, so later intervals
are milled at a higher ball-to-powder ratio; rates found at late times hold for that ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError

__all__ = ["Withdrawal", "withdrawal"]

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
            "milling_time_min": time[order],
            "withdrawn_g": total,
            "left_g": left,
            "ball_to_powder": ratio,
            "change_percent": 100 * (ratio / start - 1),
        }
    )
    return Withdrawal(frame=frame, sentence=_sentence(frame, start))


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
