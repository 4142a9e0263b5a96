"""What a planned trial would show, in words: the change, that little was left, the smallest trial.

Changes, margins and chances in per cent.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import numpy as np

from psdstats.comparison.plan import SpreadRule
from psdstats.planning.design_power import PowerQuestion
from psdstats.planning.power import PowerResult, Smallest
from psdstats.planning.variation import Design
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import plural, sentence

POWER_HEADING = "What would it show?"
POWER_FIGURE = (
    "Chance of showing a change against its size, with the 95 % interval of the simulation; "
    "dashed: the power aimed at, and the change asked."
)
POWER_CURVES = "Power against the true change, with its Monte Carlo standard error and interval."
LEFT_FIGURE = (
    "Chance of showing that less than a margin was left to gain where the last step is level, with "
    "the 95 % interval of the simulation; dashed: the power aimed at, and the margin asked."
)
LEFT_CURVES = (
    "Power to show that less than a margin was left after a level last step, with its Monte Carlo "
    "standard error and interval."
)


def power_caption(result: PowerResult, say: Numerals = PLAIN) -> str:
    """Of the table of the designs."""
    left = (
        ""
        if result.margin_percent is None
        else " and, where the last step is level, that less than "
        f"{say(result.margin_percent)} % was left"
    )
    return (
        f"Power to show a change of {say(result.change_percent, '+g')} % "
        f"({power_question(result)}){left}; level {say(result.alpha)}."
    )


def power_sentences(result: PowerResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The smallest design that is enough, what each shows, and what it rests on."""
    return (*power_answer(result, say), *power_notes(result, say))


def power_answer(
    result: PowerResult, say: Numerals = PLAIN, *, most: int | None = None
) -> tuple[str, ...]:
    """The smallest design that is enough, and what each shows; more than ``most`` have a table."""
    lines = [] if result.smallest is None else _smallest(result, result.smallest, say)
    rows = zip(result.designs, result.to_frame().to_dict("records"), strict=True)
    if most is None or len(result.designs) <= most or not lines:
        lines += [_shown(result, one.design, row, say) for one, row in rows]
    if result.missed:
        errs = ", ".join(_design(one.design) for one in result.missed)
        lines.append(
            f"{errs}: this analysis does not allow for all that is assumed to differ between "
            "groups, so it would err more often than its level says; do not go by its chances."
        )
    return tuple(lines)


def power_notes(result: PowerResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What was assumed to vary, and how the planned trial would be analysed."""
    v = result.variation
    parts = (
        ("run to run", v.run_percent),
        ("groups", v.group_percent),
        ("groups at each time anew", v.group_time_percent),
        ("groups drifting apart by the last time", v.drift_percent),
        ("measurement", v.measurement_percent),
        ("sieves of a group", v.sieves_percent),
    )
    spread = ", ".join(f"{name} {say(value, '.2g')} %" for name, value in parts)
    source = "; measurement: ".join(sentence(one, say) for one in v.source)
    return (
        f"Assumed ({source}): {spread}; question: {power_question(result)}, level "
        f"{say(result.alpha)}; {result.trials} simulated trials per design, seed {result.seed}.",
        _ANALYSED[SpreadRule(result.spread)],
    )


_ANALYSED = {
    SpreadRule.DRIFTING: "Analysed as a comparison of milling times is by default, groups being "
    "fixed blocks: three groups or more that do three times or more may drift apart along lines of "
    "their own, which takes power even where they do not; of two groups only that is claimed which "
    "a plausible drift would not undo.",
    SpreadRule.POOLED: "Analysed with one spread for all times (pooled), groups being fixed "
    "blocks: that they do not drift apart is taken for granted, not found.",
}


def trials_note(result: PowerResult) -> str:
    """How many trials a design was given, and from which seed."""
    return f"{result.trials} simulated trials per design, seed {result.seed}."


def power_question(result: PowerResult) -> str:
    """How the change is to be shown."""
    way = "finer" if result.change_percent < 0 else "coarser"
    return {
        PowerQuestion.FALLEN: f"{way} by the end, one-sided, first of the ordered answers",
        PowerQuestion.FAMILY: "last time within all against the first, two-sided",
        PowerQuestion.LAST: "last time against the first alone, two-sided",
    }[PowerQuestion(result.question)]


def _design(plan: Design) -> str:
    return (
        f"{plural(plan.groups, 'group')} × {plan.times} times × "
        f"{plural(plan.replicates, 'replicate')} ({plan.runs} runs)"
    )


def _shown(result: PowerResult, plan: Design, row: Mapping[Hashable, float], say: Numerals) -> str:
    """What one design shows of the change, and of little being left."""
    wanted = say(100 * result.wanted_power, ".0f")
    way = "decrease" if result.change_percent < 0 else "increase"
    least = row[f"detectable_{way}_percent"]
    smallest = (
        f"the smallest {way} shown in {wanted} % of trials is {say(least, '.2g')} %."
        if least < _FAR
        else f"no {way} would be shown with {wanted} % certainty."
    )
    change = (
        f"{_design(plan)}: a change of {say(result.change_percent, '+g')} % would be shown in "
        f"{_chance(row, 'power', say)}, which is {'' if row['enough'] else 'not '}enough; "
        f"{smallest}"
    )
    return change if result.margin_percent is None else f"{change} {_left(result, row, say)}"


def _left(result: PowerResult, row: Mapping[Hashable, float], say: Numerals) -> str:
    wanted, least = say(100 * result.wanted_power, ".0f"), row["smallest_margin_percent"]
    reached = (
        f"with a margin of {say(least, '.2g')} % it would be in {wanted} %."
        if least < _FAR
        else f"with no margin would it be in {wanted} %."
    )
    return (
        f"That less than {say(row['margin_percent'])} % was left after a level last step would be "
        f"shown in {_chance(row, 'power_left', say)}, which is "
        f"{'' if row['enough_left'] else 'not '}enough; {reached}"
    )


_FAR = 99.9  # per cent; nothing beyond it is a plan


def _chance(row: Mapping[Hashable, float], name: str, say: Numerals) -> str:
    return (
        f"{say.per_cent(row[name])} of trials "
        f"(standard error {say(100 * row[f'{name}_error'], '.1f')})"
    )


def _smallest(result: PowerResult, found: Smallest, say: Numerals) -> list[str]:
    """The smallest designs that are enough, or that there is none."""
    most = f"{plural(found.most_groups, 'group')} and {plural(found.most_replicates, 'replicate')}"
    change = f"a change of {say(result.change_percent, '+g')} %"
    wanted = f"in {say(100 * result.wanted_power, '.0f')} % of trials"
    if found.change is None:
        allowed = ", and whose analysis allows for all that varies," if result.missed else ""
        return [f"No trial up to {most}{allowed} would show {change} {wanted}."]
    apart = abs(float(np.log1p(result.change_percent / 100)))
    shown = say.per_cent(float(found.change.change.power_at(apart)[0]))
    lines = [
        f"The smallest trial that is enough for {change}: {_design(found.change.design)}, which "
        f"shows it in {shown} of trials{_beyond(found, found.change.design)}."
    ]
    if result.margin_percent is None:
        return lines
    margin = f"that less than {say(result.margin_percent)} % was left after a level last step"
    if found.both is None:
        lines.append(f"No trial up to {most} would show besides {margin} {wanted}.")
    elif found.both.design == found.change.design:
        lines.append(f"It is enough to show {margin}, too.")
    else:
        lines.append(
            f"The smallest that shows {margin} as well: {_design(found.both.design)}"
            f"{_beyond(found, found.both.design)}."
        )
    return lines


def _beyond(found: Smallest, plan: Design) -> str:
    """That more groups are needed than were asked for."""
    most = found.asked_groups[1]
    if plan.groups <= most:
        return ""
    return (
        f"; with {plural(most, 'group')} no number of replicates up to {found.most_replicates} is "
        "enough"
    )
