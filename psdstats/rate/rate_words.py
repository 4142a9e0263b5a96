"""Sentences on when to stop milling; times in min, sizes in µm."""

from __future__ import annotations

import numpy as np

from psdstats.rate.profile import OpenInterval

__all__ = ["margin_sentence", "minutes", "target_sentence"]


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
    interval: OpenInterval, *, quantity: str, target_um: float, last_min: float
) -> str:
    """When the target size is reached, in words."""
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
    return text + _beyond(interval, last_min)


def margin_sentence(
    interval: OpenInterval, *, quantity: str, margin_percent: float, last_min: float
) -> str:
    """After which time less than the margin is left to gain, in words."""
    what = f"less than {margin_percent:g} % of the limit of {quantity} is left to gain"
    sure = f"{100 * interval.level:g} %"
    if interval.value is None:
        if interval.excluded:
            return f"There is no time after which {what}: the sizes show no limit."
        return (
            f"The fitted curve shows no limit yet; at the earliest after "
            f"{minutes(interval.lower)} ({sure}) {what}."
        )
    if interval.value == 0.0 and interval.upper == 0.0:
        return f"Even before milling {what}."
    text = f"After {minutes(interval.value)} ({_range(interval)}, {sure}) {what}"
    return text + _beyond(interval, last_min)


def _range(interval: OpenInterval) -> str:
    if interval.upper_open:
        return f"{minutes(interval.lower)} or longer"
    return f"{minutes(interval.lower).removesuffix(' min')} to {minutes(interval.upper)}"


def _beyond(interval: OpenInterval, last_min: float) -> str:
    if interval.value is not None and interval.value > last_min:
        return (
            f"; that is beyond the last time measured ({minutes(last_min)}) and rests on the curve "
            "alone."
        )
    return "."
