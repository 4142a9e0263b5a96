"""Plans in words: uncertainty, stack, mill charge, bench day, and what can hurt.

Changes and uncertainties in per cent, masses in g, sizes in µm, times in min.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from datetime import timedelta
from math import isinf, isnan

import numpy as np
import pandas as pd

from psdstats.comparison.plan import SpreadRule
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT
from psdstats.planning.bench.charge import MillCharge
from psdstats.planning.bench.timeline import Day, Timeline
from psdstats.planning.designs import Design, PowerQuestion
from psdstats.planning.planned_samples import FoundSize, LawCheck, PlannedWeighing
from psdstats.planning.power import PowerResult, Smallest
from psdstats.planning.precision_plan import PrecisionLaw, PrecisionPlan
from psdstats.planning.stack_choice import RARELY_OPEN, StackChoice, StackTrial
from psdstats.sieves.standards import practice_rule
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import alike, cautions, fill, joined, phrases, plural, sentence, told_of

ERRORS_ALLOWED = 3.0  # Monte Carlo standard errors; cases share stacks, so they are about one test
HELD = 1.96  # standard uncertainties within which a 95 % interval holds

MILL_CAUTIONS = cautions("drives", "dust", "noise", "breathing", "filling", "codes")
BENCH_CAUTIONS = cautions("sampling", "dust", "noise", "breathing", "breaks", "codes")


def weighing_words(weighing: PlannedWeighing, say: Numerals = PLAIN) -> str:
    """Balance, particles and sieves that a plan assumes."""
    sieves = (
        f"sieves anywhere within the tolerance of {weighing.standard}"
        if weighing.certified_u_percent is None
        else f"apertures certified to {say(weighing.certified_u_percent)} % (standard uncertainty)"
    )
    intervals = "interval" if weighing.repeatability_d == 1 else "intervals"
    rule = "" if weighing.rule is None else f", evaluated by the {weighing.rule} rule"
    return (
        f"balance of {say(weighing.resolution_g)} g resolution and a repeatability of "
        f"{say(weighing.repeatability_d)} scale {intervals}, "
        f"particles of {say(weighing.density_g_per_cm3)} g/cm³, {sieves}{rule}"
    )


@told_of.register
def precision_sentences(plan: PrecisionPlan, say: Numerals = PLAIN) -> tuple[str, ...]:
    """By the simulation, then by the law, and whether the two agree."""
    name, wanted, frame = plan.quantity, f"{say(plan.wanted_percent)} %", plan.to_frame()
    lines = [_change(plan, say)]
    for column, what in (("enough", name), ("enough_for_change", f"this change of {name}")):
        reached = [
            f"{say(own['resolution_g'].iloc[0])} g resolution from {say(least)} g"
            for _, own in frame.groupby("resolution_g", sort=False)
            if (least := _least(own, column)) is not None
        ]
        by = f"with {', '.join(reached)}" if reached else "by none of these balances and samples"
        lines.append(f"In simulated samples, u({what}) of {wanted} is reached {by}.")
    lines.append(
        f"Simulated: {plan.trials} stacks, two samples of each powder on each, for every "
        f"resolution and sample mass (seed {plan.seed}), with particles of "
        f"{say(plan.weighing.density_g_per_cm3)} g/cm³."
    )
    needs = plan.needs_frame()
    finest = min(plan.resolution_g)
    for what, change, column in (
        (name, False, "least_sample_g"),
        (f"this change of {name}", True, "least_sample_for_change_g"),
    ):
        of = plan.law(finest, change=change)
        lines.append(_floor(what, of, plan, say))
        if of.room(plan.wanted_percent) > 0:
            lines += [
                _need(what, wanted, say(d), least, say)
                for d, least in zip(plan.resolution_g, needs[column], strict=True)
            ]
    rule = practice_rule("least_sample")
    last = f"Whatever the figures say, {say(rule.value)} g is the {rule.says} ({rule.source})."
    return (*lines, *simulation_sentences(plan, say), last)


def _change(plan: PrecisionPlan, say: Numerals) -> str:
    """What change is planned for, and by what the sizes are."""
    before, after = plan.sizes_um
    why = "" if plan.change_stated else "; no other was stated"
    by = (
        "the powder's own sizes, by the law of its curve between the sieves"
        if plan.weighing.rule is None
        else f"sizes by the {plan.weighing.rule} rule, not those of the powder"
    )
    return (
        f"Planned for {plan.quantity} of {say(before, '.4g')} µm, and for its change to "
        f"{say(after, '.4g')} µm ({say(100 * (after / before - 1), '+.3g')} %{why}); meant are "
        f"{by}."
    )


def _floor(what: str, law: PrecisionLaw, plan: PrecisionPlan, say: Numerals) -> str:
    """What of u no better balance and no larger sample can remove."""
    apertures = f"apertures {say(100 * np.sqrt(law.sieves), '.2g')} %"
    between = f", between the sieves {say(100 * np.sqrt(law.between), '.2g')} %"
    parts = apertures + (between if plan.weighing.rule is None else "")
    certified = plan.weighing.certified_u_percent is not None
    remedy = "a closer series" if certified else "certified sieves or a closer series"
    beyond = (
        f"; {say(plan.wanted_percent)} % is beyond these sieves"
        if law.room(plan.wanted_percent) <= 0
        else ""
    )
    return (
        f"No better balance and no larger sample brings u({what}) below "
        f"{say(law.floor_percent, '.3g')} % ({parts}){beyond}: {remedy} would."
    )


def _least(cells: pd.DataFrame, column: str) -> float | None:
    """Smallest sample that is enough, as all larger ones are; None where the largest is not."""
    least = None
    for row in cells.sort_values("sample_g", ascending=False).to_dict("records"):
        if not row[column]:
            break
        least = float(row["sample_g"])
    return least


def _need(what: str, wanted: str, resolution: str, sample_g: float, say: Numerals) -> str:
    if isinf(sample_g):
        return f"With {resolution} g resolution no sample gives u of {what} below {wanted}."
    least = say(sample_g, ".0f" if sample_g >= 1000 else ".3g")
    return (
        f"With {resolution} g resolution u of {what} of {wanted} needs a sample of at least "
        f"{least} g."
    )


def simulation_sentences(plan: PrecisionPlan, say: Numerals = PLAIN) -> list[str]:
    """Whether the law is borne out, by the simulation and by itself, and what stays open."""
    quantity, frame = plan.quantity, plan.to_frame()
    lines = [
        _law_against_simulation(frame, start, what, say)
        for start, what in (("u", f"u({quantity})"), ("u_change", f"u(this change of {quantity})"))
    ]
    lines += _checked(plan.check, f"{quantity} of the powder", say)
    worst = max(frame.to_dict("records"), key=lambda cell: float(cell["share_open"]))
    if worst["share_open"] > 0:
        lines.append(
            f"The sieves leave {quantity} open in up to {say(100 * worst['share_open'], '.3g')} % "
            f"of samples ({_cell(worst, say)}); u is that of the others."
        )
    return lines


def _checked(check: LawCheck | None, what: str, say: Numerals) -> list[str]:
    """What the law makes of samples given to it."""
    if check is None or check.miss is None:
        return []
    change = check.change_miss
    of_change = "" if change is None else f", the change by {say(change, '.2f')}"
    warning = (
        "; above 1.96, so intervals would not hold it: choose a closer series"
        if max(check.miss, change or 0.0) > HELD
        else ""
    )
    return [
        f"The law of the curve itself was given {check.samples} of these samples: it misses {what} "
        f"by {say(check.miss, '.2f')} of the planned u (root mean square){of_change}{warning}."
    ]


def _law_against_simulation(frame: pd.DataFrame, start: str, what: str, say: Numerals) -> str:
    columns = [f"{start}{middle}_percent" for middle in ("", "_error", "_law")]
    cells = frame.dropna(subset=columns).to_dict("records")
    if not cells:
        return f"Too few simulated samples bracket it to tell {what}."
    figures = [tuple(float(cell[name]) for name in columns) for cell in cells]
    apart = [
        (max(law / found, found / law), number)
        for number, (found, error, law) in enumerate(figures)
        if abs(found - law) > ERRORS_ALLOWED * error
    ]
    if apart:
        worst = max(apart)[1]
        found, error, law = figures[worst]
        return (
            f"The simulation does not bear the linear law out for {what} in {len(apart)} of "
            f"{len(cells)} cases: with {_cell(cells[worst], say)} the law gives {say(law, '.3g')} "
            f"%, the simulation {say(found, '.3g')} % (standard error {say(error, '.1g')}); go by "
            "the simulation, and take the samples above as a first guess."
        )
    furthest = say(100 * max(abs(found / law - 1) for found, _, law in figures), ".2g")
    largest = say(100 * max(error / law for _, error, law in figures), ".2g")
    shared = ", much of it shared, since all cases use the same stacks" if len(figures) > 1 else ""
    return (
        f"The simulation agrees with the linear law for {what} within {furthest} % of it; the "
        f"Monte Carlo error is up to {largest} %{shared}."
    )


def _cell(cell: Mapping[Hashable, float], say: Numerals) -> str:
    return f"{say(cell['resolution_g'])} g resolution and {say(cell['sample_g'])} g"


@told_of.register
def stack_sentences(choice: StackChoice, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What the stack is, the rules it breaks, and what the simulation found."""
    names = ", ".join(say(aperture) for aperture in choice.aperture_um)
    return (
        f"Stack from the top: {names} µm and the pan; the fullest class holds "
        f"{say(100 * float(choice.share.max()), '.0f')} % of a sample.",
        f"Put {say(choice.sample_g)} g on it; up to {say(choice.largest_sample_g, '.3g')} g would "
        "overload no sieve.",
        *(sentence(one, say) for one in choice.remarks),
        *trial_sentences(choice.trial, say, offered=True),
    )


def trial_sentences(
    trial: StackTrial, say: Numerals = PLAIN, *, offered: bool = False
) -> tuple[str, ...]:
    """What was tried on the stack, which all the sieves offered were chosen for or not."""
    half = say(practice_rule("dominant_percent").value)
    lines = [
        f"Tried on {trial.trials} simulated stacks, two samples of {say(trial.sample_g)} g on each "
        f"(seed {trial.seed}): {weighing_words(trial.weighing, say)}."
    ]
    for one in trial.powders:
        told = [
            f"{size.quantity} {_told(size.u_percent, say)}{_between(size, trial, say)}"
            for size in one.sizes
        ]
        lines.append(f"Standard uncertainty for {one.powder!r}: {', '.join(told)}.")
        lines += [_open(one.powder, size, say, offered) for size in one.sizes if size.share_open]
        if one.changes:
            since = trial.powders[0].powder
            u = [
                f"{size.quantity} {_told(change, say)}"
                for size, (change, _) in zip(one.sizes, one.changes, strict=True)
            ]
            lines.append(f"Of the change from {since!r} to {one.powder!r}: {', '.join(u)}.")
        for share, what in (
            (one.share_overloaded, "overload a sieve"),
            (one.share_over_half, f"put more than {half} % into one class"),
        ):
            if share > 0:
                lines.append(f"{say(100 * share, '.3g')} % of samples of {one.powder!r} {what}.")
    return (*lines, *_checked(trial.check, "sizes of the powders", say))


def _told(u_percent: float, say: Numerals) -> str:
    return "not told" if isnan(u_percent) else f"{say(u_percent, '.2g')} %"


def _between(size: FoundSize, trial: StackTrial, say: Numerals) -> str:
    if trial.weighing.rule is not None or isnan(size.u_percent):
        return ""
    return f" ({say(size.between_percent, '.2g')} % between the sieves)"


def _open(powder: str, size: FoundSize, say: Numerals, offered: bool) -> str:
    """How often a size is open, and the sieve that would help, if it is worth one."""
    end = {"D10": "finer", "D90": "coarser"}.get(size.quantity)
    remedy = f": offer a {end} sieve, for there was none to choose from"
    remedy = "" if end is None else remedy if offered else f": add a {end} sieve"
    told = f"{size.quantity} of {powder!r} stays open in {say(100 * size.share_open, '.3g')} %"
    return f"{told} of samples{remedy if size.share_open > RARELY_OPEN else ''}."


@told_of.register
def _charge_summary(charge: MillCharge, say: Numerals = PLAIN) -> tuple[str, ...]:
    return (*charge_sentences(charge, say), *MILL_CAUTIONS)


@told_of.register
def _timeline_summary(plan: Timeline, say: Numerals = PLAIN) -> tuple[str, ...]:
    return (*timeline_sentences(plan, say), *BENCH_CAUTIONS)


def charge_sentences(charge: MillCharge, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The charge, what is unusual about it last."""
    balls = ", ".join(
        f"{n} balls of {say(ball.diameter_mm)} mm ({say(n * ball.one_ball_g, '.1f')} g)"
        for n, ball in zip(charge.count, charge.balls, strict=True)
    )
    rollers = (
        []
        if charge.roller_rpm is None
        else [f"The rollers then turn at {say(charge.roller_rpm, '.1f')} rpm if nothing slips."]
    )
    return (
        f"Charge {balls}: {say(charge.ball_g, '.1f')} g of balls, "
        f"{say(100 * charge.ball_fill, '.1f')} % of the jar.",
        f"Charge {say(charge.powder_g, '.1f')} g of powder: {say(charge.ball_to_powder, '.2f')} g "
        "of balls to 1 g of powder.",
        f"Turn the jar at {say(charge.speed_rpm, '.1f')} rpm, "
        f"{say(100 * charge.speed_fraction, '.0f')} % of the critical speed of "
        f"{say(min(charge.critical_rpm), '.1f')} rpm (smallest ball).",
        *rollers,
        *(sentence(one, say) for one in charge.remarks),
    )


ONE_CHARGE = phrases("planning")["one charge"]
FRESH_CHARGES = phrases("planning")["fresh charges"]


def timeline_sentences(plan: Timeline, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Of every day length, hands-on time and saving, how short it could be, and how late."""
    days = enumerate(plan.days, start=1)
    lines = [line for n, day in days for line in _day(n, day, plan.day_min, say)]
    return (*lines, FRESH_CHARGES if plan.fresh_charges else ONE_CHARGE)


def _day(number: int, day: Day, day_min: float | None, say: Numerals) -> list[str]:
    attended = sum(one.step.duration_min for one in day.placed if one.step.attended)
    in_turn = sum(one.step.duration_min for one in day.placed)
    shortest = (
        "; the longest chain of steps allows no less."
        if day.length_min <= day.least_min + 1e-6
        else f" (the longest single chain takes {_hours(day.least_min)}; the person cannot be in "
        "two places)."
    )
    lines = [
        f"Day {number}: {plural(len(day.charges), 'charge')} ({', '.join(day.charges)}), "
        f"{_hours(day.length_min)} from {day.start:%H:%M}, of which {_hours(attended)} hands on; "
        f"one step after another would take {_hours(in_turn)}.",
        f"No order of these steps with these charges in turn is shorter{shortest}",
    ]
    found = day.variation
    if found.spread_percent > 0:
        late = day.start + timedelta(minutes=found.late_end_min)
        planned = day.start + timedelta(minutes=day.length_min)
        over = ""
        if day_min is not None:
            share = say(100 * found.share_over(day_min), ".2g")
            over = f"; {share} % of days are longer than {_hours(day_min)}"
        lines.append(
            f"If the hands-on steps vary by {say(found.spread_percent)} % (standard deviation), "
            f"day {number} ends by {late:%H:%M} on 9 of 10 days (planned {planned:%H:%M}){over}; "
            f"simulated on {found.days} days, seed {found.seed}."
        )
    return lines


def _hours(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"


PRECISION_HEADING = "Which balance, which sample?"
STACK_HEADING = "Which sieves?"
CHARGE_HEADING = "What fills the jar?"
TIMELINE_HEADING = "When is what done?"


def timeline_caption(drawn: int, days: int) -> str:
    """Below the bars of the first days drawn."""
    cut = f"; the first {drawn} of {days} days" if days > drawn else ""
    return fill(phrases("planning")["timeline"], cut=cut)


POWER_HEADING = "What would it show?"


def left_words(result: PowerResult, say: Numerals = PLAIN) -> str:
    """What else the table of the designs shows; empty without a margin."""
    if result.margin_percent is None:
        return ""
    margin = say(result.margin_percent)
    return f" and, where the last step is level, that less than {margin} % was left"


@told_of.register
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
    for own in alike(result.left_out.items(), lambda one: one[1]):
        counts = joined([_counts(*one) for one, _ in own])
        lines.append(f"{counts} cannot be planned: {own[0][1]}")
    return tuple(lines)


def drift_notes(result: PowerResult, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Under the table of designs: why more replicates of two groups may show less."""
    unknown = any(one.design.leaves_drift_unknown(result.spread) for one in result.designs)
    if result.question != PowerQuestion.FALLEN or not unknown:
        return ()
    return (fill(phrases("planning")["two groups"], say, allowed=PLAUSIBLE_DRIFT_PERCENT),)


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


_ANALYSED = phrases("analysed")


def power_question(result: PowerResult) -> str:
    """How the change is to be shown."""
    way = "finer" if result.change_percent < 0 else "coarser"
    return {
        PowerQuestion.FALLEN: f"{way} by the end, one-sided, first of the ordered answers",
        PowerQuestion.FAMILY: "last time within all against the first, two-sided",
        PowerQuestion.LAST: "last time against the first alone, two-sided",
    }[PowerQuestion(result.question)]


def _design(plan: Design) -> str:
    return f"{_counts(plan.groups, plan.times, plan.replicates)} ({plan.runs} runs)"


def _counts(groups: int, times: int, replicates: int) -> str:
    """How many of each a design has."""
    counted = ((groups, "group"), (times, "time"), (replicates, "replicate"))
    return " × ".join(plural(*one) for one in counted)


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
    error = 100 * row[f"{name}_error"]
    if not error:
        return f"{'every' if row[name] else 'no'} simulated trial"
    return f"{say.per_cent(row[name])} of trials (standard error {say(error, '.1f')})"


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
