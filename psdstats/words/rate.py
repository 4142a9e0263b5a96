"""When to stop milling, which curve describes the sizes, loss above the sieves, powder taken out.

Times in min, sizes in µm, rates in 1/min.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from psdstats.columns import GROUP, TIME
from psdstats.findings import Ending, Finding, Verdict
from psdstats.rate.answers import CurveChoice, OpenInterval
from psdstats.rate.curves import CurveName
from psdstats.rate.first_order import SAME_RATE_PERCENT, LossRates
from psdstats.rate.fit_rate import RateResult, RateSeries
from psdstats.rate.run_sizes import RateRemark, Withdrawal
from psdstats.words.courses import little_left
from psdstats.words.numbers import PLAIN, Numerals, decimals_for, p_words
from psdstats.words.remarks import alike, capital, fill, joined, phrases, sentence, told_of

_MOST_SIEVES = 6  # named one by one
NOTABLE_PERCENT = 10.0  # change of the ball-to-powder ratio


def when_sentences(result: RateResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Time to the target and to the margin: one sentence each for all levels."""
    found, last = [], max(one.last_min for one in result.series)
    if result.target_um is not None:
        found.append(target_told(result, say))
    if result.margin_percent is not None:
        found.append(
            margin_sentence(
                {one.label: one.margin for one in result.series},
                quantity=result.quantity,
                margin_percent=result.margin_percent,
                last_min=last if result.target_um is None else np.inf,  # said once
                say=say,
            )
        )
    return (*found, *_off_curve(result, say))


def _off_curve(result: RateResult, say: Numerals) -> list[str]:
    """Levels whose sizes the curve does not describe, and what they say without one."""
    off = [one for one in result.series if one.check.verdict is Verdict.CHANGED]
    doubt = ", so a time read from it may be off by more than its interval says"
    told = [check_sentence(one.check, say, _at([one.label]), doubt) for one in off]
    told += [
        f"By the sizes at the times sampled, without a curve{_at([one.label])}, "
        f"{little_left(one.stop, [result.quantity], say)}."
        for one in off
        if one.stop is not None and one.stop.ending is Ending.LITTLE_LEFT
    ]
    return told if result.stopping else []


def target_told(result: RateResult, say: Numerals = PLAIN) -> str:
    """When the target size is reached, level by level; empty without a target."""
    if result.target_um is None:
        return ""
    return target_sentence(
        {one.label: _target(result, one) for one in result.series},
        quantity=result.quantity,
        target_um=result.target_um,
        last_min=max(one.last_min for one in result.series),
        say=say,
    )


def lead_sentences(result: RateResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """How far the times to a target or margin can be trusted; else which curve there is."""
    found = [one for *_, one in result.stopping]
    beyond = [one for one in found if not one.never and _is_beyond(one, result)]
    if not found:
        return curve_sentences(result, say)[:1]
    last_min = max(one.last_min for one in result.series)
    last = minutes(last_min, say)
    if not beyond:
        within = f"Every time below lies within the times milled (up to {last} min)."
        return (within, *_off_curve(result, say))
    is_open = any(one.value is None and one.lower <= last_min for one in beyond)
    lies = "lies, or may lie," if is_open else "lies"
    some = "Every time" if len(beyond) == len(found) else "A time marked as extrapolated"
    return (
        f"{some} below {lies} beyond the last one milled ({last} min) and rests on the form of the "
        "curve, which no run can check there.",
        *_off_curve(result, say),
    )


def _is_beyond(interval: OpenInterval, result: RateResult) -> bool:
    last = max(one.last_min for one in result.series)
    return interval.value is None or interval.value > last


def withdrawal_sentences(result: RateResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What sampling did to the charge that it changed most."""
    if not result.withdrawals:
        return ()
    name, worst = max(
        result.withdrawals.items(), key=lambda item: float(item[1].frame.change_percent.max())
    )
    told = withdrawal_sentence(worst, say)
    if len(result.withdrawals) == 1:
        return (told,)
    return told, f"That is charge {name}, the most affected of {len(result.withdrawals)}."


def _at(series: Sequence[str]) -> str:
    """At which levels, behind a clause; empty where there is only one series."""
    named = [one for one in series if one]
    return f" at {joined(named)}" if named else ""


def minutes(value: float, say: Numerals = PLAIN) -> str:
    """A time in min to three significant digits, without its unit.

    Examples
    --------
    >>> minutes(26.7134), minutes(5.0), minutes(1234.5), minutes(999.9)
    ('26.7', '5', '1230', '1000')
    """
    if value == 0:
        return "0"
    rounded = round(value, 2 - int(np.floor(np.log10(abs(value)))))
    return say(rounded, ".0f" if abs(rounded) >= 1000 else ".3g")


def time_words(interval: OpenInterval, say: Numerals = PLAIN, *, unit: str = "") -> str:
    """A time with its interval, in the digits that the interval allows.

    Examples
    --------
    >>> known = {"df": 9.0, "level": 0.95}
    >>> time_words(OpenInterval(value=91.3, lower=82.9, upper=4800.0, upper_open=True, **known))
    '91 (83 or longer)'
    >>> time_words(OpenInterval(value=3.42, lower=3.13, upper=3.81, **known), unit=" min")
    '3.4 min (3.1 to 3.8)'
    """
    if interval.never:
        return "never"
    if interval.value == interval.upper == 0.0:
        return f"0{unit}"
    time, ends = time_parts(interval, say)
    if time:
        return f"{time}{unit} ({ends})"
    return f"{_earliest(interval, say)}{unit} or longer" if interval.upper_open else ends + unit


def time_parts(interval: OpenInterval, say: Numerals = PLAIN) -> tuple[str, str]:
    """Time, empty where the curve gives none, and interval, both in its digits."""
    value, lower, upper = interval.value, interval.lower, interval.upper
    spread = (upper - lower) / 4
    if interval.upper_open:
        spread = (lower / 10 if value is None else value - lower) / 2
    places = decimals_for(spread, digits=1) if spread > 0 else 0
    low, high = (say.fixed(end, places) for end in (lower, upper))
    ends = f"{low} or longer" if interval.upper_open else f"{low} to {high}"
    return "" if value is None else say.fixed(value, places), ends


def of_groups(result: RateResult) -> str:
    """Whose curve it is, where there are several groups."""
    several = len({group for one in result.series for group in one.sizes.frame[GROUP]}) > 1
    return " for the mean of the groups as they ran" if several else ""


def wanted(quantity: str, asked: float, unit: str, say: Numerals = PLAIN) -> str:
    """What was asked for in a table: a size, or how little is left to gain."""
    if unit == "%":
        return f"less than {say(asked)} % left to gain"
    return f"{quantity} at {say(asked)} {unit}"


def curve_phrase(name: CurveName) -> str:
    """A curve in the middle of a sentence."""
    if name is CurveName.NO_CHANGE:
        return "a size that does not change"
    return f"{'an' if name is CurveName.LIMIT else 'a'} {name!s}"


def _target(result: RateResult, one: RateSeries) -> OpenInterval | None:
    """Time to the target; none where no change is shown, 0 where it is below it as it is."""
    if one.target is None and float(np.exp(one.fit.beta[0])) <= (result.target_um or 0.0):
        return OpenInterval(value=0.0, lower=0.0, upper=0.0, df=np.inf, level=result.level)
    return one.target


def target_sentence(
    found: Mapping[str, OpenInterval | None],
    *,
    quantity: str,
    target_um: float,
    last_min: float,
    say: Numerals = PLAIN,
) -> str:
    """When the target size is reached, by level; None where no change is shown."""
    size, parts = f"{say(target_um)} µm", list[str]()
    known = {name: one for name, one in found.items() if one is not None}
    there = [name for name, one in known.items() if one.value == one.upper == 0.0]
    times = {
        name: one for name, one in known.items() if one.value is not None and name not in there
    }
    if times:
        told = joined([_after(name, one, say) for name, one in times.items()])
        parts.append(f"{quantity} reaches {size} {told}{_extrapolated(times, last_min, say)}")
    if there:
        parts.append(f"{quantity} is below {size} before any milling{_at(there)}")
    never = [name for name, one in known.items() if one.never]
    if never:
        parts.append(f"{quantity} does not reach {size} on any curve that is left{_at(never)}")
    for name, one in known.items():
        if one.value is None and not one.excluded:
            parts.append(
                f"the fitted {quantity} does not reach {size}{_at([name])}; the data allow "
                f"{minutes(one.lower, say)} min or longer, or never"
            )
    still = [name for name in found if name not in known]
    if still:
        why = f"no change of {quantity} is shown{_at(still)}"
        parts.append(f"{why}, so no time to {size} can be given")
    return " ".join(f"{capital(part)}." for part in parts)


def margin_sentence(
    found: Mapping[str, OpenInterval | None],
    *,
    quantity: str,
    margin_percent: float,
    last_min: float,
    say: Numerals = PLAIN,
) -> str:
    """After which time less than the margin is left, by level; None where no curve has a limit."""
    margin, parts = f"{say(margin_percent)} %", list[str]()
    left = f"less than {margin} of the limit of {quantity} is left to gain"
    known = {name: one for name, one in found.items() if one is not None}
    times = {name: one for name, one in known.items() if one.value is not None}
    if times:
        told = joined([_after(name, one, say) for name, one in times.items()])
        parts.append(f"{left} {told}{_extrapolated(times, last_min, say)}")
    never = [name for name, one in known.items() if one.never]
    if never:
        parts.append(f"the sizes show no limit{_at(never)}, so there is no time after which {left}")
    untold = {n: one for n, one in known.items() if one.value is None and not one.excluded}
    open_ones = {name: one for name, one in untold.items() if one.lower > 0}
    if open_ones:
        several = len(open_ones) > 1
        starts = joined(
            [
                f"{_earliest(one, say)} min{_at([name]) if several else ''}"
                for name, one in open_ones.items()
            ]
        )
        parts.append(
            f"the best curve never levels off{_at(list(open_ones))}; if {quantity} does, the last "
            f"{margin} is not reached before {starts}"
        )
    nothing = [name for name in untold if name not in open_ones]
    if nothing:
        parts.append(f"the data do not bound the time after which {left}{_at(nothing)}")
    without = [name for name in found if name not in known]
    if without:
        parts.append(
            f"no time can be given after which less than {margin} is left to gain{_at(without)}: "
            "no curve that is left levels off"
        )
    return " ".join(f"{capital(part)}." for part in parts)


def _earliest(interval: OpenInterval, say: Numerals) -> str:
    """The lower end of an open interval, in its digits."""
    places = decimals_for(interval.lower / 20, digits=1) if interval.lower > 0 else 0
    return say.fixed(interval.lower, places)


def _after(series: str, interval: OpenInterval, say: Numerals) -> str:
    time, ends = time_parts(interval, say)
    return f"after {time} min{_at([series])} ({ends})"


def _extrapolated(times: Mapping[str, OpenInterval], last_min: float, say: Numerals) -> str:
    """That times lie beyond those measured, and which where some do not."""
    beyond = [name for name, one in times.items() if (one.value or 0.0) > last_min]
    if not beyond:
        return ""
    where = "" if len(beyond) == len(times) else f"{_at(beyond)},"
    return f";{where} beyond the trial ({minutes(last_min, say)} min), by the curve alone"


def curve_sentences(result: RateResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Which curves are left at which levels, and where one does not describe the sizes."""
    lines = [
        choice_sentence(own[0].choice, _at([one.label for one in own]))
        for own in alike(result.series, lambda one: frozenset(one.choice.not_ruled_out))
    ]
    told = (
        (Verdict.CANNOT_BE_TOLD,) if result.stopping else (Verdict.CHANGED, Verdict.CANNOT_BE_TOLD)
    )
    lines += [
        check_sentence(one.check, say, _at([one.label]))
        for one in result.series
        if one.check.verdict in told
    ]
    return tuple(dict.fromkeys(lines))


def choice_sentence(choice: CurveChoice, where: str = "") -> str:
    """Which curves are left, at a level of the further factors."""
    best = curve_phrase(choice.best)
    if len(choice.candidates) == 1:
        return f"Only {best} was fitted{where}."
    left = [name for name in CurveName if name in choice.not_ruled_out]
    if len(left) == 1:
        return f"{capital(best)} fits best{where}; no other curve is left."
    names = capital(joined([curve_phrase(name) for name in left]))
    each = "both" if len(left) == 2 else "each"
    return f"{names} are not ruled out{where}: sizes and times cover {each}."


def check_sentence(
    check: Finding, say: Numerals = PLAIN, where: str = "", therefore: str = ""
) -> str:
    """Whether the sizes leave the curve, at a level of the further factors; and what follows."""
    curve, p = curve_phrase(CurveName(check.subject.high)), p_words(check.numbers.p, say)
    gap, place = 100 * float(np.expm1(check.numbers.estimate)), sentence(check.reasons[-1], say)
    if check.reasons[0].kind is RateRemark.NO_TIME_TO_SPARE:
        first = sentence(check.reasons[0], say)
        return f"{first} {curve} passes every mean{where}, so its form cannot be checked."
    if check.verdict is Verdict.CANNOT_BE_TOLD:
        return (
            f"Without repeats the misfit of {curve}{where} cannot be told from run-to-run "
            "variation."
        )
    if check.verdict is Verdict.CHANGED:
        largest = f"the mean is off by {say(gap, '+.2g')} % {place}"
        return f"{capital(curve)} does not describe the sizes{where} ({p}): {largest}{therefore}."
    return f"A misfit of {curve}{where} is not shown ({p})."


@told_of.register
def loss_sentences(loss: LossRates, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Above which sieves one rate will not do, and how the rate grows with size, at all levels."""
    above: dict[Verdict, dict[str, list[str]]] = {}
    seen = set[str]()
    for one, lower in zip(loss.findings, loss.frame["lower_per_min"], strict=True):
        series = one.subject.where
        # a sieve above which no loss is shown has no rate to speak of, unless its mass bends
        if lower > 0 or one.verdict is Verdict.CHANGED:
            above.setdefault(one.verdict, {}).setdefault(series, []).append(one.subject.high)
        seen |= {series} if lower > 0 else set()
    lines = [
        _LOSS[verdict].format(_sieves(above[verdict], say), margin=say(SAME_RATE_PERCENT))
        for verdict in Verdict
        if verdict in above
    ]
    powers: dict[str, list[str]] = {}
    for series, found in loss.exponents.items():
        if series in seen and found.exponent is not None:
            numbers = (found.exponent, found.lower, found.upper)
            power, low, high = (say(number, ".2f") for number in numbers if number is not None)
            told = f"{power}{_at([series])} ({low} to {high})"
            powers.setdefault(sentence(found.basis, say), []).append(told)
    lines += [
        f"The rate grows with size to the power {joined(told)}; {basis}."
        for basis, told in powers.items()
    ]
    return tuple(lines)


_LOSS = phrases("loss")


def _sieves(above: Mapping[str, Sequence[str]], say: Numerals) -> str:
    """Above which sieves at which levels; of many their number and range."""
    told = []
    for series, sieves in above.items():
        names = f"{joined(sieves)} µm"
        if len(sieves) > _MOST_SIEVES:
            ends = sorted(map(float, sieves))
            names = f"{len(sieves)} sieves from {say(ends[0])} to {say(ends[-1])} µm"
        told.append(f"above {names}{_at([series])}")
    return joined(told)


def withdrawal_sentence(one: Withdrawal, say: Numerals = PLAIN) -> str:
    """What sampling did to the ratio by the last interval milled, before the last sample."""
    before_last = one.frame.iloc[-2:].iloc[0]
    ratio, change = float(before_last["ball_to_powder"]), float(before_last["change_percent"])
    words = (
        f"Sampling raised the ball-to-powder ratio from {say(one.start_ratio, '.3g')} to "
        f"{say(ratio, '.3g')} in the last interval (+{say(change, '.2g')} %)"
    )
    if change > NOTABLE_PERCENT:
        return (
            f"{words}: late sizes belong to a faster mill than early ones, so do not carry the "
            "curve over to an undisturbed charge; take smaller samples, or a fresh charge for each "
            "time."
        )
    return f"{words}, less than {NOTABLE_PERCENT:.0f} %, which is usually of no account."


HEADING = "How fast does it grind?"
BEHIND = "Rate: curves compared, and loss above each sieve"
POWER_SHAPES = "Power shape: 0 is the law of Kick, one half that of Bond, 1 that of Rittinger."


def drawing_caption(result: RateResult, *, beyond: bool, say: Numerals = PLAIN) -> str:
    """Below the figure of all levels; `beyond`: curves go past the times measured."""
    name = result.quantity
    if result.target_um is None:
        asked = f"How does {name} fall with milling time?"
    else:
        asked = f"When does {name} reach {say(result.target_um)} µm?"
    each = " at each level" if len(result.series) > 1 else ""
    groups = set(result.points_frame()["group"])
    mean = " for the mean of the groups" if len(groups) > 1 else ""
    told = (
        f"{asked} The best curve{each}{mean}, with the {say(100 * result.level)} % band over every "
        "curve not ruled out; one dot per run"
    )
    told += "; dashed: beyond the times measured" if beyond else ""
    if result.target_um is not None:
        told += "; bar: interval of the time to the target"
    return f"{told}."


def drawing_alternative(
    curve: pd.DataFrame, reached: Mapping[str, OpenInterval], name: str, say: Numerals = PLAIN
) -> str:
    """Where every curve of the figure begins and ends, and when it reaches the target."""
    lines = []
    for series, own in curve.groupby("series", sort=False):
        ends = (
            f"{say(row['size_um'], '.3g')} µm at {minutes(row[TIME], say)} min"
            for _, row in own.iloc[[0, -1]].iterrows()
        )
        told = f"{name}{_at([str(series)])}: {' to '.join(ends)}"
        if str(series) in reached:
            told += f"; target after {time_words(reached[str(series)], say, unit=' min')}"
        lines.append(f"{told}.")
    return " ".join(lines)


def loss_drawing_caption(loss: LossRates, say: Numerals = PLAIN) -> str:
    """Below the figure of the loss above the sieves."""
    return fill(_LOSS["figure"], say, level=100 * loss.level)
