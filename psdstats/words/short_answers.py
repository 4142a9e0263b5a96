"""The short answers of page one in words.

When to stop, do the groups agree, are stated limits kept, how sure, what would help, what to act
on: each from records, each what the large sentence and the table do not say already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np

from psdstats.columns import TIME
from psdstats.comparison.analysis import Spread, SpreadBasis
from psdstats.comparison.answers import AdviceRemark, differs
from psdstats.comparison.benches import farthest
from psdstats.comparison.beside import Gain, LeftOut, Remedy
from psdstats.comparison.plan import ComparisonPlan, Direction, PlanRemark
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.findings import BenchAnswer, Course, Ending, Remark, RemarkKind, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.rate.fit_rate import RateResult
from psdstats.study.flags import Flag
from psdstats.uncertainty.budget import Budget, combined_percent, typical_run
from psdstats.uncertainty.conformity import LimitResult
from psdstats.words.budget import kept, source_phrase
from psdstats.words.courses import NOT_ESTIMATED, WHAT_LATER, difference_of, gain_share, way_of
from psdstats.words.groups import conditions
from psdstats.words.numbers import LEAST_TOLD, PLAIN, Numerals
from psdstats.words.rate import target_told
from psdstats.words.remarks import alike, capital, joined, phrases, place, plural, sentence
from psdstats.words.sheet import SEVERAL_LEVELS, Told, at_words, levels_words, main_result
from psdstats.words.study import LEAST_POINTS, size_moved

WHEN, AGREE, SURE, HELP, ACT = (
    "When to stop?",
    "Do the groups agree?",
    "How sure?",
    "What would help?",
    "Act on",
)
"""The questions of page one."""

_FEW_FLAGS, _MOST = 3, 0.5
_STEPS = 2  # from which on the last one is a fact of its own
_WORTH_PERCENT = 1.0  # of an interval: less is not worth naming


def keeps_to_limits(results: Sequence[LimitResult], say: Numerals = PLAIN) -> Told | None:
    """How many conditions keep to the limits that are stated, and which."""
    if not results:
        return None
    (strong, *rest), *others = [kept(one, say) for one in results]
    return Told(strong, " ".join([*rest, *chain(*others)]))


def when_to_stop(
    comparison: Comparison, rate: RateResult | None, say: Numerals = PLAIN
) -> Told | None:
    """Whether the end was reached, what the last step gained, when the target is reached."""
    main, plan = main_result(comparison), comparison.plan
    asked = [one for one in main.courses if one.stop is not None]
    endings = {one.stop.ending for one in asked if one.stop is not None}
    is_coarser = Ending.COARSER_AGAIN in endings and plan.direction is not Direction.RISING
    if not asked:
        return None
    lead = "Not at one time for all levels."
    if len(endings) == 1:
        lead = _ended(asked, say)
    elif len(asked) <= SEVERAL_LEVELS:
        each = (_ended([one], say, at_words(one, plan, say, k)) for k, one in enumerate(asked))
        lead = " ".join(each)
    told = [
        _last_step(main.courses, plan, say),
        *_why_untold(main.courses, say),
        CLUMPS if is_coarser else "",
        _others_falling(comparison, main) if endings == {Ending.LITTLE_LEFT} else "",
        WHAT_LATER if endings == {Ending.LITTLE_LEFT} else "",
        "" if rate is None else target_told(rate, say),
    ]
    return Told(lead, " ".join(one for one in told if one))


def _ended(courses: Sequence[Course], say: Numerals, at: str = "") -> str:
    """The answer of levels that ended alike, and at which."""
    stops = [one.stop for one in courses if one.stop is not None]
    last = place(TIME, stops[0].last, say)
    match stops[0].ending:
        case Ending.STILL_FALLING:
            return f"Not within {last}{at}; mill longer."
        case Ending.LITTLE_LEFT:
            since = dict.fromkeys(one.since or one.before for one in stops)
            if set(since) == {courses[0].times[0]}:
                return f"Milling gained less than {say(stops[0].margin_percent)} %{at}."
            if not any(any(one.shown) for one in courses):
                return f"No gain by milling is shown{at}."
            return f"At {joined([place(TIME, one, say) for one in since])}{at}."
        case Ending.COARSER_AGAIN:
            after = [time for one in stops for time in one.coarser_after]
            return f"No later than {place(TIME, max(after, key=float), say)}{at}."
        case Ending.CANNOT_BE_TOLD:
            return f"Cannot be told{at}."


def _others_falling(comparison: Comparison, main: QuantityComparison) -> str:
    """Other sizes that were still falling at the end."""
    names = [
        one.quantity
        for one in comparison.results
        if one is not main
        and any(c.stop is not None and c.stop.ending is Ending.STILL_FALLING for c in one.courses)
    ]
    were = "were" if len(names) > 1 else "was"
    return f"{joined(names)} {were} still falling." if names else ""


CLUMPS = "Look whether the fines clump or cake."


def _last_step(courses: Sequence[Course], plan: ComparisonPlan, say: Numerals) -> str:
    """What the last step gained at least, where it was still falling."""
    gained = [
        (one, one.stop)
        for one in courses
        if one.stop is not None and one.stop.ending is Ending.STILL_FALLING
    ]
    if not gained or len(courses[0].times) < _STEPS + 1:  # one step is the whole change
        return ""
    shares = [gain_share(stop.gain_at_least, plan) for _, stop in gained]
    told = [say.at_least(one) for one in shares]
    parts = [
        f"{one}{at_words(own[0], plan, say, k)}"
        for k, (one, own) in enumerate(zip(told, gained, strict=True))
    ]
    if len(gained) > SEVERAL_LEVELS:
        parts = [f"{say.at_least(min(shares))} at every level"]
    elif len({*told}) < len(told) == len(courses):
        parts = [f"{told[0]} at both {levels_words(plan)}"]
    least = f" by at least {joined(parts)}" if min(shares) >= LEAST_TOLD else ""
    name, stop = courses[0].quantity, gained[0][1]
    since = place(TIME, stop.before, say)
    return f"From {since} on {name} {way_of(plan).went}{least}."


def _why_untold(courses: Sequence[Course], say: Numerals) -> Iterator[str]:
    reasons = (
        one
        for course in courses
        if course.stop is not None and course.stop.ending is Ending.CANNOT_BE_TOLD
        for one in course.stop.reasons
    )
    for one in dict.fromkeys(reasons):
        yield f"{capital(sentence(one, say))}."


def benches_agree(comparison: Comparison, say: Numerals = PLAIN) -> Told | None:
    """Whether the groups agree, where they differ first; None where there is one group."""
    result = main_result(comparison)
    if not result.benches:
        return None
    differing = sorted(filter(differs, result.benches), key=farthest, reverse=True)
    apart = [one for one in differing if not one.beside]
    also = _also_apart(comparison, result)
    if apart:
        others = [capital(_where_apart(one, say)) for one in apart[1:]]
        for own in alike([one for one in differing if one.beside], lambda one: one.beside):
            who = f"{joined([one.group for one in own])} {'are' if own[1:] else 'is'}"
            others.append(f"Without {own[0].beside}, {who} not shown to differ")
        told = [_rate_words(apart[0]), *(f"{one}." for one in others), also]
        return Told(f"No: {_where_apart(apart[0], say)}.", " ".join(one for one in told if one))
    findings = [one for bench in result.benches for one in bench.at]
    verdicts = {one.verdict for one in findings}
    name = result.quantity
    if verdicts == {Verdict.EQUIVALENT}:
        margin = say(findings[0].margin_percent or 0.0)
        return Told(f"Yes, within ±{margin} % of {name} at every condition.", also)
    if verdicts == {Verdict.CANNOT_BE_TOLD}:
        nested = [one for one in comparison.plan.remarks if one.kind is PlanRemark.NESTED]
        reasons = dict.fromkeys(sentence(why, say) for one in findings for why in one.reasons)
        told = [*(f"{capital(one)}." for one in reasons), *(sentence(one, say) for one in nested)]
        return Told("Cannot be told.", " ".join(filter(None, [*told, also])))
    ends = [abs(end) for one in findings for end in (one.numbers.lower, one.numbers.upper)]
    known = [one for one in ends if np.isfinite(one)]
    most = say.at_most(float(np.expm1(max(known)))) if known else ""
    rest = f"One may yet be {most} off at one condition." if most else ""
    return Told(f"No difference of {name} is shown.", " ".join(filter(None, [rest, also])))


def _where_apart(answer: BenchAnswer, say: Numerals) -> str:
    """Where one bench differs the most: "at 48 min, ball ratio 10, Alder is 9.6 % higher …"."""
    others = answer.at[0].subject.low if answer.at and answer.at[0].subject.low else "the others"
    changed = [one for one in conditions(answer, say) if one[1].verdict is Verdict.CHANGED]
    changed.sort(key=lambda one: -abs(one[1].numbers.estimate))
    if changed:
        where, one = changed[0]
        also = plural(len(changed) - 1, "more condition")
        more = f"; they differ at {also}" if changed[1:] else ""
        said = difference_of(one, say, f"on {others}")
        return f"at {where}, {answer.quantity} on {answer.group} is {said}{more}"
    if answer.rate is not None and answer.rate.verdict is Verdict.CHANGED:
        said = difference_of(answer.rate, say, f"on {others}")
        return f"the last over the first {answer.quantity} on {answer.group} is {said}"
    said = difference_of(answer.average, say, f"on {others}") if answer.average else ""
    return f"on average {answer.quantity} on {answer.group} is {said}"


def _rate_words(answer: BenchAnswer) -> str:
    """How a bench mills, where that was shown beside a difference at some condition."""
    rate = answer.rate
    if rate is None or rate.verdict is not Verdict.CHANGED:
        return ""
    if not any(one.verdict is Verdict.CHANGED for one in answer.at):
        return ""
    return f"It mills {'more slowly' if rate.numbers.estimate > 0 else 'faster'}."


def _also_apart(comparison: Comparison, main: QuantityComparison) -> str:
    """Benches that differ in another size alone."""
    known = {bench.group for bench in main.benches if differs(bench)}
    found: dict[str, list[str]] = {}
    for one in comparison.results:
        if one is main or one.quantity == "span":
            continue
        for name in (own.group for own in one.benches if differs(own) and not own.beside):
            if name not in known:
                found.setdefault(name, []).append(one.quantity)
    told = [f"{name} differs in {joined(sizes)}" for name, sizes in found.items()]
    return f"{joined(told)}." if told else ""


def how_sure(
    result: QuantityComparison | None,
    spread: Spread | None,
    budget: Budget | None,
    say: Numerals = PLAIN,
    remarks: Sequence[Remark] = (),
) -> Told:
    """Run-to-run variation, u of a size, and which part is the sieves and which the balance.

    Then what nobody estimated, and of `remarks` how the runs were taken.
    """
    quantity = "D50" if result is None else result.quantity
    strong = "" if spread is None else _spread_words(spread, quantity, say)
    taken = (sentence(one, say) for one in remarks if one.kind is PlanRemark.OWN_CHARGES)
    told = " ".join(filter(None, [_unknown(result, say) if result is not None else "", *taken]))
    if budget is None:
        return Told(strong, told)
    rows = typical_run(budget)
    own = rows[rows["quantity"] == quantity]
    if own.empty:
        return Told(strong, told)
    shares = own.groupby("source", sort=False)["share"].sum()
    balance = float(own.loc[own["balance_limited"], "share"].sum())
    largest = str(shares.idxmax())
    u = say.significant(float(combined_percent(own)[quantity]), 2)
    most = say.per_cent(float(shares.max()), decimals=1)
    said = (
        f"One {quantity} has a standard uncertainty of {u} "
        f"%{_with_certified(budget, quantity, say)}: {most} of its variance from "
        f"{source_phrase(largest)}, {say.per_cent(balance, decimals=1)} from the balance."
    )
    return Told(strong, f"{said} {told}".strip())


def _with_certified(budget: Budget, quantity: str, say: Numerals) -> str:
    """What certified sieves make of the uncertainty of one size, where that is less."""
    frame = budget.changes_frame()
    own = frame[
        (frame["scope"] == "run")
        & (frame["quantity"] == quantity)
        & (frame["change"] == Remedy.CERTIFIED_SIEVES.value)
    ]
    if own.empty:
        return ""
    now, then = (float(own[name].iloc[0]) for name in ("u_now_percent", "u_then_percent"))
    return f" ({say.significant(then, 2)} % with certified sieves)" if then < 0.95 * now else ""


UNKNOWN = "How far runs alike differ is not known."


def _spread_words(spread: Spread, quantity: str, say: Numerals) -> str:
    if spread.basis is SpreadBasis.NONE:
        return UNKNOWN
    if not spread.run > 0.0:
        return f"Runs alike differ in {quantity} by no more than the measurement explains."
    sd = say.significant(100.0 * spread.run, 2)
    match spread.basis:
        case SpreadBasis.SMOOTH_COURSES:
            return f"Single runs lie within {sd} % (SD) of a smooth course of {quantity}."
        case SpreadBasis.DECLARED:
            return f"Runs alike differ by {sd} % (SD), as declared."
        case _:
            return f"Runs alike differ by {sd} % (SD)."


def _unknown(result: QuantityComparison, say: Numerals) -> str:
    """What nobody estimated, and how much of it would undo the change that is undone first."""
    told = [
        one
        for course in result.courses
        if course.verdict is Verdict.CHANGED
        for one in course.fallen.reasons
        if one.kind in NOT_ESTIMATED
    ]
    if not told:
        return ""
    first = min(told, key=lambda one: float(str(one["percent"])))
    if first.kind is VerdictRemark.RUN_TO_RUN_UNKNOWN:
        sd = say.significant(float(str(first["percent"])), 2)
        return f"An SD of {sd} % between runs would undo the change."
    return f"{capital(sentence(first, say))}."


_REMEDIES = phrases("short_answers remedies")
"""What a remedy is called where its own name would not do."""
_ADVICE: tuple[RemarkKind, ...] = (
    AdviceRemark.KNOW_RUN_TO_RUN,
    AdviceRemark.KNOW_DRIFT,
    AdviceRemark.REPEAT_LAST_TIMES,
    AdviceRemark.MORE_RUNS,
)
_SIEVES: tuple[RemarkKind, ...] = (AdviceRemark.FINER_SIEVE, AdviceRemark.COARSER_SIEVE)


def what_would_help(
    comparison: Comparison | None,
    found: Sequence[Gain],
    budget: Budget | None,
    say: Numerals = PLAIN,
) -> Told | None:
    """What more of something would buy, the most first, and what would tell what was not told."""
    told = [] if comparison is None else list(_advised(comparison, say))
    if budget is not None:
        told = [*_closer_sieves(budget, "D50" if not found else found[0].quantity), *told]
    if not found:
        return Told("", " ".join(told)) if told else None
    is_course = comparison is not None and bool(main_result(comparison).courses)
    what = f"the interval of the {'change' if is_course else 'difference'}"
    worth = [one for one in found if one.shorter_percent >= _WORTH_PERCENT]
    spare = [_remedy(one) for one in found if one not in worth]
    least = f"{joined(spare, 'or')} by under {say(_WORTH_PERCENT)} %" if spare else ""
    if not worth:
        return Told("", " ".join([f"{capital(what)} would shorten with {least}.", *told]))
    best, by = capital(_remedy(worth[0])), _per_cent(worth[0], say)
    parts = [f"{_remedy(one)} by {_per_cent(one, say)}" for one in worth[1:]]
    parts += [least] if least else []
    more = f"{', '.join(parts)}." if parts else ""
    strong = f"{best} would shorten {what} by {by}{',' if more else '.'}"
    return Told(strong, " ".join(one for one in (more, *told) if one))


def _closer_sieves(budget: Budget, quantity: str) -> Iterator[str]:
    """Sieves closer together, where most of the uncertainty is what lies between them."""
    rows = typical_run(budget)
    own = rows[(rows["quantity"] == quantity) & (rows["source"] == "between_sieves")]
    if float(own["share"].sum()) > _MOST:
        yield f"Sieves closer together would tell one {quantity} better."


def _remedy(gain: Gain) -> str:
    return _REMEDIES.get(gain.remedy, gain.remedy.value)


def _per_cent(gain: Gain, say: Numerals) -> str:
    return say.per_cent(gain.shorter_percent / 100.0)


def _advised(comparison: Comparison, say: Numerals) -> Iterator[str]:
    """What the findings ask for: of the quantity that leads, and sieves of all quantities."""
    main = main_result(comparison)
    for remark in main.advice:
        if remark.kind in _ADVICE:
            yield f"{capital(sentence(remark, say))}."
    sieves = [
        (remark, one.quantity)
        for one in comparison.results
        for remark in one.advice
        if remark.kind in _SIEVES
    ]
    for own in alike(sieves, lambda one: one[0]):
        ((end, um),) = own[0][0].data
        where, side = ("below", "<") if end == "below_um" else ("above", ">")
        sieve = f"{where} {say.bound(float(str(um)), side)} µm"
        yield f"A sieve {sieve} gives {joined([name for _, name in own])} a value."


def act_on(
    flags: Sequence[Flag] | None,
    moved: Sequence[LeftOut],
    start: Sequence[Remark] = (),
    say: Numerals = PLAIN,
    sizes: Sequence[LeftOut] = (),
) -> Told | None:
    """Readings to look at again, and how far the changes move without their runs.

    Parameters
    ----------
    flags : sequence of Flag or None
        What throws doubt on a reading; None where no reading is known, as of values in hand.
    moved : sequence of LeftOut
        Changes of the quantity that leads without all these runs together.
    start : sequence of Remark
        Levels that differ before any milling.
    say : Numerals
        Writes the numbers.
    sizes : sequence of LeftOut
        Sizes at the times of runs of wrong time, without these runs.
    """
    groups = [str(one["group"]) for one in start if one.kind is AdviceRemark.LOOK_AT_GROUP]
    rest = [one for one in start if one.kind is not AdviceRemark.LOOK_AT_GROUP]
    first = [f"{capital(sentence(one, say))}." for one in rest]
    first += [f"Look at {joined(groups)}: speed, balls, charge."] if groups else []
    if not flags:
        if flags is None and not first:
            return None
        return Told("" if first else "Nothing: no reading is in doubt.", " ".join(first))
    of_runs = [one for one in flags if one.spot.run]
    common = [f"{capital(one.common)}." for one in flags if one not in of_runs]
    same = alike(of_runs, lambda one: one.check)
    told = "; ".join(part for own in same for part in _flags_words(own, say))
    runs = len({one.spot.run for one in of_runs})
    size = [
        f"{one.quantity} at {place(TIME, one.high, say)} moves by {size_moved(one, say)}."
        for one in sorted(sizes, key=lambda one: -one.moved)[:1]
    ]
    parts = [*common, f"{told}." if told else "", without_words(runs, moved, say), *size, *first]
    return Told("", " ".join(filter(None, parts)))


def _flags_words(own: Sequence[Flag], say: Numerals) -> Iterator[str]:
    if len(own) <= _FEW_FLAGS:
        for one in own:
            where = ", ".join(filter(None, (one.spot.run, one.spot.sieve)))
            yield f"{where}: {doubt_words(one, say)}"
        return
    worst = max(own, key=lambda one: abs(one.value or 0.0))
    runs = len({one.spot.run for one in own})
    yield (f"{plural(runs, 'run')} alike, such as {worst.spot.run}: {doubt_words(worst, say)}")


def doubt_words(flag: Flag, say: Numerals = PLAIN) -> str:
    """What is wrong with a reading, in a few words with its value."""
    value, limit = flag.value or 0.0, flag.limit
    bound = "" if limit is None else f"{say(abs(limit), '.4g')} {flag.unit}"
    match flag.check if flag.spot.run else "":
        case "finer_than_resolution":
            return f"{say(value, '.10g')} g on a {bound} balance"
        case "mass_balance":
            share = say.fixed(abs(value), 1)
            return f"{share} % {'lost' if value < 0 else 'gained'}"
        case "wrong_time" if limit is not None:
            return f"like {say(value, 'g')} min, not {say(limit, 'g')} min"
        case "tare_drift":
            way = "high" if value > 0 else "low"
            return f"tare {say(abs(value), '.3g')} g too {way}"
        case "swapped_sieves":
            return "tare of another sieve"
        case "overload" | "over_capacity":
            return f"{say(value, '.4g')} g where {bound} is the most"
        case "missing_sieve":
            return "weighing missing"
        case "end_point":
            return f"the second shaking still moved {say(abs(value), '.3g')} g"
    return flag.common or flag.says


def without_words(runs: int, moved: Sequence[LeftOut], say: Numerals = PLAIN) -> str:
    """How far the changes move without the runs in doubt; empty where there is no change."""
    if not moved:
        return ""
    which = "this run" if runs == 1 else f"these {runs} runs"
    name = moved[0].quantity
    most = max(one.points for one in moved)
    changes = f"the change of {name}" if len(moved) == 1 else f"the changes of {name}"
    if np.isinf(most):
        return f"Without {which} {changes} could not be told."
    if most < LEAST_POINTS:
        verb = "moves" if len(moved) == 1 else "move"
        return f"Without {which} {changes} {verb} by less than {say(LEAST_POINTS)} points."
    moves = "moves by" if len(moved) == 1 else "move by at most"
    points = say.fixed(float(np.ceil(10.0 * most)) / 10.0, 1)
    return f"Without {which} {changes} {moves} {points} points."
