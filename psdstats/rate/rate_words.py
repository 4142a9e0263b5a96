"""Sentences on when to stop milling; times in min, sizes in µm."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.profile import OpenInterval


def minutes(value: float) -> str:
    """A time in min to three significant digits.

    Examples
    --------
    >>> minutes(26.7134), minutes(5.0), minutes(1234.5)
    ('26.7 min', '5 min', '1230 min')
    """
    if value == 0:
        return "0 min"
    digits = max(0, 2 - int(np.floor(np.log10(abs(value)))))
    rounded = round(value, 2 - int(np.floor(np.log10(abs(value)))))
    text = f"{rounded:.{digits}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} min"


def target_sentence(
    interval: OpenInterval,
    *,
    quantity: str,
    target_um: float,
    last_min: float,
    others: Mapping[CurveName, OpenInterval] | None = None,
) -> str:
    """When the target size is reached, in words; `others` are the curves not ruled out."""
    size, sure = f"{target_um:g} µm", f"{100 * interval.level:g} %"
    if interval.value == 0.0 and interval.upper == 0.0:
        return f"{quantity} is below {size} before any milling."
    if interval.value is None:
        if interval.excluded:
            return f"{quantity} does not reach {size} on this curve, at {sure} confidence."
        return (
            f"The fitted {quantity} does not reach {size}; the data ({sure}) allow "
            f"{minutes(interval.lower)} or longer, or never."
        )
    text = f"{quantity} reaches {size} after {minutes(interval.value)} ({_range(interval)}, {sure})"
    return text + _beyond(interval, last_min, others or {})


def unmoved_sentence(quantity: str, target_um: float, *, below: bool) -> str:
    """The target where the size does not change: `below` says whether it starts there already.

    Examples
    --------
    >>> unmoved_sentence("D50", 100.0, below=False)
    'No change of D50 is shown, so no time to 100 µm can be given.'
    """
    if below:
        return f"{quantity} is below {target_um:g} µm before any milling, and no change is shown."
    return f"No change of {quantity} is shown, so no time to {target_um:g} µm can be given."


def margin_sentence(
    interval: OpenInterval,
    *,
    quantity: str,
    margin_percent: float,
    last_min: float,
    without_limit: str = "",
) -> str:
    """After which time less than the margin is left to gain, in words.

    `without_limit` names the curves not ruled out that have no limit.
    """
    what = f"less than {margin_percent:g} % of the limit of {quantity} is left to gain"
    sure = f"{100 * interval.level:g} %"
    if interval.value is None:
        if interval.excluded:
            return f"There is no time after which {what}: the sizes show no limit."
        earliest = f"after {minutes(interval.lower)} at the earliest ({sure})"
        if without_limit:
            return (
                f"{_upper(without_limit)} has no limit, so no last time can be given; should there "
                f"be one, {what} {earliest}."
            )
        return f"The fitted curve shows no limit yet; {what} {earliest}."
    if interval.value == 0.0 and interval.upper == 0.0:
        return f"Even before milling {what}."
    text = f"After {minutes(interval.value)} ({_range(interval)}, {sure}) {what}"
    if without_limit:
        text += f"; open above, since {without_limit} would have no limit"
    return text + _beyond(interval, last_min, {})


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]


def _range(interval: OpenInterval) -> str:
    if interval.upper_open:
        return f"{minutes(interval.lower)} or longer"
    return f"{minutes(interval.lower).removesuffix(' min')} to {minutes(interval.upper)}"


def _beyond(
    interval: OpenInterval, last_min: float, others: Mapping[CurveName, OpenInterval]
) -> str:
    if interval.value is None or interval.value <= last_min:
        return "."
    by_others = [
        f"{CURVES[name].phrase} "
        + ("never gets there" if one.value is None else f"gives {minutes(one.value)}")
        for name, one in others.items()
    ]
    form = f"the form of the curve: {', '.join(by_others)}"
    curve = form if by_others else "the curve alone"
    return f"; that is beyond the last time measured ({minutes(last_min)}) and rests on {curve}."
