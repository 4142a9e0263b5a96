"""When to stop milling, which curve describes the sizes, loss above the sieves, powder taken out.

Times in min, sizes in µm, rates in 1/min.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from psdstats.columns import column_words, without_value
from psdstats.findings import Finding, Verdict
from psdstats.rate.answers import CurveChoice, OpenInterval
from psdstats.rate.curves import CurveName
from psdstats.rate.first_order import SAME_RATE_PERCENT, LossRates
from psdstats.rate.fit_rate import RateResult, RateSeries
from psdstats.rate.run_sizes import RateRemark, Withdrawal
from psdstats.words.numbers import PLAIN, Numerals, p_words
from psdstats.words.remarks import joined, sentence

NOTABLE_PERCENT = 10.0  # change of the ball-to-powder ratio


def rate_sentences(result: RateResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """When to stop, series by series, then the curves behind it, then powder taken."""
    lines: list[str] = []
    if result.target_um is not None:
        lines += [_of(one.label, _target(result, one, say)) for one in result.series]
    if result.margin_percent is not None:
        lines += [_of(one.label, _margin(result, one, say)) for one in result.series]
    for one in result.series:
        lines += [_of(one.label, text) for text in curve_sentences(one, say)]
    if result.withdrawals:
        name, worst = max(
            result.withdrawals.items(), key=lambda item: float(item[1].frame.change_percent.max())
        )
        lines.append(withdrawal_sentence(worst, say))
        if len(result.withdrawals) > 1:
            lines.append(f"That is charge {name}, the most affected of {len(result.withdrawals)}.")
    return tuple(dict.fromkeys(lines))


def _of(series: str, text: str) -> str:
    return f"{_upper(series)}: {text}" if series else text


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]


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


def reach(interval: OpenInterval, say: Numerals = PLAIN) -> str:
    """The interval of a time in a table, with the digits of the sentences."""
    low = minutes(interval.lower, say)
    return f"> {low}" if interval.upper_open else f"{low} to {minutes(interval.upper, say)}"


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


def _target(result: RateResult, one: RateSeries, say: Numerals) -> str:
    size = float(result.target_um or 0.0)
    if one.target is not None:
        return target_sentence(
            one.target,
            quantity=result.quantity,
            target_um=size,
            last_min=one.last_min,
            others=dict(list(one.targets.items())[1:]),
            say=say,
        )
    name, wanted = one.change(result.quantity).subject.quantity, f"{say(size)} µm"  # not shown
    if float(np.exp(one.fit.beta[0])) <= size:
        return f"{name} is below {wanted} before any milling, and no change is shown."
    return f"No change of {name} is shown, so no time to {wanted} can be given."


def target_sentence(
    interval: OpenInterval,
    *,
    quantity: str,
    target_um: float,
    last_min: float,
    others: Mapping[CurveName, OpenInterval] | None = None,
    say: Numerals = PLAIN,
) -> str:
    """When the target size is reached; `others` are the curves not ruled out."""
    size, sure = f"{say(target_um)} µm", f"{say(100 * interval.level)} %"
    if interval.value == 0.0 and interval.upper == 0.0:
        return f"{quantity} is below {size} before any milling."
    if interval.value is None:
        if interval.excluded:
            return f"{quantity} does not reach {size} on this curve, at {sure} confidence."
        return (
            f"The fitted {quantity} does not reach {size}; the data ({sure}) allow "
            f"{minutes(interval.lower, say)} min or longer, or never."
        )
    text = f"{quantity} reaches {size} after {_found(interval, say)}"
    return text + _beyond(interval, last_min, others or {}, say)


def _margin(result: RateResult, one: RateSeries, say: Numerals) -> str:
    margin = float(result.margin_percent or 0.0)
    no_limit = [fit.curve.name for fit in one.fits if fit.curve.name is not CurveName.LIMIT]
    names = " or ".join(curve_phrase(name) for name in no_limit)
    if one.margin is None:
        return (
            f"No time can be given after which less than {say(margin)} % is left to gain: "
            f"{names} has no limit."
        )
    return margin_sentence(
        one.margin,
        quantity=result.quantity,
        margin_percent=margin,
        last_min=one.last_min,
        without_limit=names,
        say=say,
    )


def margin_sentence(
    interval: OpenInterval,
    *,
    quantity: str,
    margin_percent: float,
    last_min: float,
    without_limit: str = "",
    say: Numerals = PLAIN,
) -> str:
    """After which time less than the margin is left; the curves left that have no limit."""
    what = f"less than {say(margin_percent)} % of the limit of {quantity} is left to gain"
    if interval.value is None:
        if interval.excluded:
            return f"There is no time after which {what}: the sizes show no limit."
        sure = f"{say(100 * interval.level)} %"
        earliest = f"after {minutes(interval.lower, say)} min at the earliest ({sure})"
        if without_limit:
            return f"{_upper(without_limit)} has no limit; if there is one, {what} {earliest}."
        return f"The fitted curve shows no limit yet; {what} {earliest}."
    if interval.value == 0.0 and interval.upper == 0.0:
        return f"Even before milling {what}."
    text = f"After {_found(interval, say)} {what}"
    if without_limit:
        text += f"; open above, since {without_limit} would have no limit"
    return text + _beyond(interval, last_min, {}, say)


def _found(interval: OpenInterval, say: Numerals) -> str:
    low, high = minutes(interval.lower, say), minutes(interval.upper, say)
    ends = f"{low} min or longer" if interval.upper_open else f"{low} to {high} min"
    return f"{minutes(interval.value or 0.0, say)} min ({ends}, {say(100 * interval.level)} %)"


def _beyond(
    interval: OpenInterval,
    last_min: float,
    others: Mapping[CurveName, OpenInterval],
    say: Numerals,
) -> str:
    if interval.value is None or interval.value <= last_min:
        return "."
    by_others = [
        f"{curve_phrase(name)} "
        + ("never gets there" if one.value is None else f"gives {minutes(one.value, say)} min")
        for name, one in others.items()
    ]
    curve = f"the form of the curve: {', '.join(by_others)}" if by_others else "the curve alone"
    last = minutes(last_min, say)
    return f"; that is beyond the last time measured ({last} min) and rests on {curve}."


def curve_sentences(one: RateSeries, say: Numerals = PLAIN) -> list[str]:
    """Which curve, and whether it describes the sizes."""
    return [choice_sentence(one.choice), check_sentence(one.check, say)]


def choice_sentence(choice: CurveChoice) -> str:
    """Which curve the data prefer, and which others are left."""
    best = curve_phrase(choice.best)
    if len(choice.candidates) == 1:
        return f"Only {best} was fitted."
    near = [curve_phrase(name) for name in choice.not_ruled_out[1:]]
    if not near:
        return f"{_upper(best)} fits best; no other curve is left."
    return (
        f"{_upper(best)} fits best; {joined(near)} {'is' if len(near) == 1 else 'are'} not ruled "
        f"out, and sizes and times hold for {'both' if len(near) == 1 else 'each'}."
    )


def check_sentence(check: Finding, say: Numerals = PLAIN) -> str:
    """Whether the sizes leave the curve."""
    curve, p = curve_phrase(CurveName(check.subject.high)), p_words(check.numbers.p, say)
    gap, where = 100 * float(np.expm1(check.numbers.estimate)), sentence(check.reasons[-1], say)
    if check.reasons[0].kind is RateRemark.NO_TIME_TO_SPARE:
        first = sentence(check.reasons[0], say)
        return f"{first} {curve} passes every mean, so its form cannot be checked."
    if check.verdict is Verdict.CANNOT_BE_TOLD:
        return f"Without repeats the misfit of {curve} cannot be told from run-to-run variation."
    if check.verdict is Verdict.CHANGED:
        largest = f"the mean is off by {say(gap, '+.2g')} % {where}"
        return f"{_upper(curve)} does not describe the sizes ({p}): {largest}."
    return f"A misfit of {curve} is not shown ({p})."


def loss_sentences(loss: LossRates, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Series by series: above which sieves one rate will not do, and its power of size."""
    lines = []
    for series, exponent in loss.exponents.items():
        found = zip(loss.findings, loss.frame["lower_per_min"], strict=True)
        own = [(one, lower) for one, lower in found if one.subject.where == series]
        lines += [_of(series, line) for line in _changes_of_rate(own, say)]
        numbers = (exponent.exponent, exponent.lower, exponent.upper)
        if any(lower > 0 for _, lower in own) and exponent.exponent is not None:
            power, low, high = (say(number, ".2f") for number in numbers if number is not None)
            basis = sentence(exponent.basis, say)
            text = f"The rate grows with size to the power {power} ({low} to {high}; {basis})."
            lines.append(_of(series, text))
    return tuple(dict.fromkeys(lines))


def _changes_of_rate(own: Sequence[tuple[Finding, float]], say: Numerals) -> list[str]:
    """A sieve above which no loss is shown has no rate to speak of, unless its mass bends."""
    words = {
        Verdict.CHANGED: "The rate of loss above {} changed with time: one rate constant does not "
        "describe it.",
        Verdict.EQUIVALENT: "One rate of loss describes the mass above {}: it changes by less than "
        "{margin} % over the trial.",
        Verdict.NOT_SHOWN: "A change of the rate of loss above {} with time is not shown.",
        Verdict.CANNOT_BE_TOLD: "Whether the rate of loss above {} changes with time cannot be "
        "told from these runs.",
    }
    above: dict[Verdict, list[str]] = {}
    for one, lower in own:
        if lower > 0 or one.verdict is Verdict.CHANGED:
            above.setdefault(one.verdict, []).append(one.subject.high)
    return [
        words.get(verdict, f"The rate of loss above {{}} with time: {verdict}.").format(
            ", ".join(above[verdict]) + " µm", margin=say(SAME_RATE_PERCENT)
        )
        for verdict in Verdict
        if verdict in above
    ]


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
            "curve over to an undisturbed charge; take smaller samples or a fresh charge a time."
        )
    return f"{words}, less than {NOTABLE_PERCENT:.0f} %, which is usually of no account."


def _open_cells(say: Numerals, quantity: str, cells: tuple[tuple[str, float], ...]) -> str:
    where = ", ".join(f"{group} at {say(time)} min" for group, time in cells)
    return (
        f"The sieves do not bracket {quantity} in {where}: as in the comparison, those runs are "
        "left out."
    )


def _too_few_above(say: Numerals, series: str, aperture_um: tuple[float, ...]) -> str:
    sieves = ", ".join(say(one) for one in aperture_um)
    text = f"too few runs hold a weighable mass above {sieves} µm for a rate."
    return _upper(f"{series}: {text}" if series else text)


REMARKS = {
    RateRemark.NO_CHARGE: lambda _: (
        "The charge of a jar is not stated. If one charge was sampled at several times, each "
        "sample raised the ball-to-powder ratio of what followed; state the charge to see by how "
        "much."
    ),
    RateRemark.WITHOUT_LEVEL: lambda _, runs, column: without_value(runs, column),
    RateRemark.OTHER_FACTOR: lambda _, column: (
        f"{_upper(column_words(column))} differs between runs and is not in the rate model."
    ),
    RateRemark.TAIL: lambda _, quantity, rule: (
        f"{quantity} lies where the undersize curve bends between two sieves, which the rule "
        f"{rule} does not follow: in simulated trials 95 % intervals of D10 held the truth in 83 "
        "to 97 %, with the rule logprobit in 91 to 99 %."
    ),
    RateRemark.OPEN_CELLS: _open_cells,
    RateRemark.ONE_RUN_A_TIME: lambda _: (
        "Each time has one run, so run-to-run variation is judged by the distance of the runs from "
        "smooth courses; 95 % intervals held the truth in 93 to 98 % of simulated trials."
    ),
    RateRemark.FEW_GROUPS: lambda _, groups: (
        "One group cannot show how groups differ: sizes and times are those of this group, and "
        "another may lie elsewhere."
        if groups == 1
        else "Two groups cannot show how far groups drift apart with milling: intervals of sizes "
        "and times hold for the mean of these two as they ran; three groups would show it."
    ),
    RateRemark.LARGEST_GAP: lambda say, time_min: f"at {say(time_min)} min",
    RateRemark.NO_TIME_TO_SPARE: lambda _, times, parameters: (
        f"With {times} times for {parameters} parameters"
    ),
    RateRemark.LITTLE_SEEN: lambda say, percent: (
        f"the runs show neither a change nor that it is below {say(percent)} %"
    ),
    RateRemark.RATES_OF_ONE_GROUP: lambda _: (
        "Rates of loss are those of one group: how far groups differ in rate is not in their "
        "intervals."
    ),
    RateRemark.EMPTY_RUN: lambda _, run: f"Run {run} holds no powder and is left out.",
    RateRemark.TOO_FEW_ABOVE: _too_few_above,
    RateRemark.NO_REPEATS: lambda _: (
        "no time has more than one run, so a misfit cannot be told from the scatter of runs"
    ),
    RateRemark.TOO_FEW_TIMES: lambda _: "too few times hold a weighable mass to see a bend",
    RateRemark.FEW_SIEVES: lambda _: "fewer than three sieves have a rate",
    RateRemark.ABOUT_THE_LINE: lambda _: "scatter about the line only",
    RateRemark.BETWEEN_GROUPS: lambda _, groups: f"from the spread between {groups} groups",
}

HEADING = "How fast does it grind?"
OPEN_TIMES = (
    "An interval with > is open: the data do not bound the time. It holds for every curve not "
    "ruled out. A time beyond those measured is extrapolated: it rests on the form of the curve "
    "alone."
)
IF_RIGHT = "The intervals hold if this curve is the right one."
POWER_SHAPES = "Power shape: 0 is the law of Kick, one half that of Bond, 1 that of Rittinger."
NONE_SHOWN = (
    "Standard deviations of the comparison, from all levels together: between runs, of groups at "
    "one condition, and of groups that drift apart, a step of the milling times. A curve that does "
    "not fit cannot widen them."
)
CRITERION = (
    "The criterion weighs how far the means of the times lie from a curve, in the spread of the "
    "trial, against its parameters: the smaller the better. A curve within 4 of the best is not "
    "ruled out. p: of no misfit; a curve with a small p is not chosen."
)
RELATED = "The rates of the sieves come from the same runs, so their errors are related."
LOSS_CAPTION = "Rate of loss of the mass above each sieve, and whether it changes with time."
CHARGES_CAPTION = (
    "Powder left in the jar after each sample, and what that does to the ball-to-powder ratio."
)


def drawing_caption(
    result: RateResult, one: RateSeries, *, beyond: bool, say: Numerals = PLAIN
) -> str:
    """Below the figure of one series; `beyond`: it goes past the times measured."""
    return (
        f"{result.quantity} against milling time{f' ({one.label})' if one.label else ''}: "
        f"{curve_phrase(one.fit.curve.name)} with its {say(100 * result.level)} % band"
        f"{', which holds for every curve not ruled out' if len(one.fits) > 1 else ''}; one mark a "
        f"run{'; dashed: beyond the times measured' if beyond else ''}."
    )


def loss_drawing_caption(loss: LossRates, say: Numerals = PLAIN) -> str:
    """Below the figure of the loss above the sieves."""
    return (
        f"Rate of loss of the mass above each sieve, with {say(100 * loss.level)} % intervals; "
        "line: power of size. Empty marks: the rate changed with time."
    )
