"""Answers on one invented trial, made by hand: one of each kind that words must tell."""

import math
from dataclasses import replace

from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.courses import OrderedRemark
from psdstats.comparison.plan import ComparisonPlan, Direction
from psdstats.findings import (
    BalanceAnswer,
    BenchAnswer,
    Contrast,
    Course,
    Ending,
    FactorAnswer,
    Finding,
    FindingKind,
    Numbers,
    Stop,
    Verdict,
)
from psdstats.models.verdicts import VerdictRemark

TIMES = ("0", "6", "12", "24", "48")
PLAN = ComparisonPlan(by="milling_time_min", at_each=("ball_ratio",), margin_percent=5.0)
ALONE = replace(PLAN, at_each=())
RISING = replace(PLAN, direction=Direction.RISING)
STRICT = replace(PLAN, one_family=True)
NAN, INF = math.nan, math.inf


def size(um, u_percent=1.5):
    return Numbers(estimate=math.log(um), u=u_percent / 100)


def below(um):
    return Numbers(lower=-INF, upper=math.log(um))


def ratio(middle, low, high, **more):
    return Numbers(estimate=math.log(middle), lower=math.log(low), upper=math.log(high), **more)


def finding(kind, verdict, numbers, *reasons, where="", high="48", low="0", margin=5.0):
    subject = Contrast(high=high, low=low, where=where, quantity="D50")
    return Finding(
        kind=kind,
        subject=subject,
        verdict=verdict,
        reasons=reasons,
        numbers=numbers,
        margin_percent=margin,
    )


def stop(ending, **more):
    return Stop(ending=ending, last="48", before="24", margin_percent=5.0, **more)


FED, MILLED, FALL = size(252.1), size(105.2), ratio(0.4173, 0.387, 0.445)


def course(
    quantity="D50",
    *,
    where="10",
    start=FED,
    end=MILLED,
    verdict=Verdict.CHANGED,
    numbers=FALL,
    reasons=(),
    shown=(True, True, True, True),
    at_least=(0.05, 0.3, 0.5, 0.8),
    since="6",
    ending=None,
):
    return Course(
        quantity=quantity,
        where=where,
        times=TIMES,
        start=start,
        end=end,
        fallen=finding(FindingKind.FALLEN, verdict, numbers, *reasons),
        shown=shown,
        at_least=at_least,
        since=since,
        stop=ending,
    )


LEFT = stop(Ending.LITTLE_LEFT, since="24", gain_at_most=0.031, stayed_within="24")
FALLING = stop(Ending.STILL_FALLING, gain_at_least=0.062, gain_at_most=0.14)
COARSER = stop(Ending.COARSER_AGAIN, coarser_after=("12", "24"))
OPEN = stop(Ending.CANNOT_BE_TOLD, gain_at_most=0.083)
OUT_OF_REACH = stop(
    Ending.CANNOT_BE_TOLD,
    gain_at_most=0.083,
    reasons=(OrderedRemark.OUT_OF_REACH(times_as_many=14.2),),
)
BEYOND = stop(
    Ending.CANNOT_BE_TOLD, reasons=(OrderedRemark.BEYOND_SIEVES(quantity="D10", times=("48",)),)
)
UNDONE = stop(Ending.CANNOT_BE_TOLD, reasons=(VerdictRemark.UNDONE_BY_DRIFT(percent=2.0),))
UNKNOWN = stop(Ending.CANNOT_BE_TOLD, reasons=(VerdictRemark.NO_ESTIMATE(),))
NONE_SHOWN = {"shown": (False,) * 4, "at_least": (NAN,) * 4, "since": None}

COURSES = {
    "fell, since the first time after the start": course(ending=FALLING),
    "fell, shown at the end alone": course(
        where="",
        end=size(243.0),
        numbers=ratio(0.964, 0.937, 0.992),
        shown=(False, False, False, True),
        at_least=(NAN, NAN, NAN, 0.0123),
        since="48",
        ending=FALLING,
    ),
    "fell below the finest sieve": course(
        "D10",
        start=size(150.4),
        end=below(53),
        numbers=Numbers(lower=-INF, upper=-1.03, p_adjusted=1e-6),
        at_least=(NAN, NAN, 0.6, 1.03),
        since="12",
        ending=UNKNOWN,
    ),
    "fell, by a scatter that was not estimated": course(
        where="",
        reasons=(VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=30.0),),
        ending=OPEN,
    ),
    "finer in between, not at the end": course(
        end=size(247.0),
        verdict=Verdict.NOT_SHOWN,
        numbers=ratio(0.98, 0.951, 1.01),
        shown=(False, True, True, False),
        at_least=(NAN, 0.031, 0.044, NAN),
        since=None,
        ending=COARSER,
    ),
    "not shown to have fallen": course(
        end=size(247.0),
        verdict=Verdict.NOT_SHOWN,
        numbers=ratio(0.98, 0.951, 1.01),
        ending=OPEN,
        **NONE_SHOWN,
    ),
    "the same within the margin": course(
        end=size(251.0),
        verdict=Verdict.EQUIVALENT,
        numbers=ratio(
            0.996,
            0.981,
            1.011,
            equivalence_lower=math.log(0.983),
            equivalence_upper=math.log(1.009),
        ),
        ending=LEFT,
        **NONE_SHOWN,
    ),
    "rose": course(
        end=size(271.0),
        verdict=Verdict.CHANGED,
        numbers=ratio(1.075, 1.03, 1.121),
        ending=COARSER,
        **NONE_SHOWN,
    ),
    "cannot be told": course(
        verdict=Verdict.CANNOT_BE_TOLD,
        end=size(246.0),
        numbers=ratio(0.976, 0.95, 0.999),
        reasons=(VerdictRemark.UNDONE(percent=1.2),),
        ending=UNKNOWN,
        **NONE_SHOWN,
    ),
    "cannot be told, no size": course(
        verdict=Verdict.CANNOT_BE_TOLD,
        start=Numbers(),
        end=Numbers(),
        numbers=Numbers(),
        reasons=(VerdictRemark.NO_ESTIMATE(),),
        ending=UNKNOWN,
        **NONE_SHOWN,
    ),
    "span changed": course(
        "span", start=size(1.05), end=size(1.28), numbers=ratio(1.22, 1.12, 1.29), since=None
    ),
    "span between two bounds": course(
        "span",
        start=size(1.05),
        end=Numbers(lower=math.log(1.28), upper=math.log(1.35)),
        numbers=Numbers(lower=math.log(1.19), upper=math.log(1.3)),
        since=None,
    ),
    "span not shown to have changed": course(
        "span",
        start=size(1.05),
        end=size(1.09),
        verdict=Verdict.NOT_SHOWN,
        numbers=ratio(1.038, 0.97, 1.11),
        **NONE_SHOWN,
    ),
}
LESS = course(
    where="5",
    end=size(127.8),
    numbers=ratio(0.509, 0.48, 0.54),
    at_least=(0.05, 0.2, 0.4, 0.592),
    ending=replace(FALLING, gain_at_least=0.21),
)
AT_BOTH = [LESS, COURSES["fell, since the first time after the start"]]
BOTH_SIZES = [*(replace(one, quantity="D90") for one in AT_BOTH), *AT_BOTH]
BELOW_AT_BOTH = [
    replace(COURSES["fell below the finest sieve"], where=where, since=since)
    for where, since in (("5", "24"), ("10", "12"))
]
SPANS = [replace(COURSES["span between two bounds"], where=where) for where in ("5", "10")]
WITHSTOOD = [
    course(ending=FALLING, reasons=(VerdictRemark.DRIFT_UNKNOWN(percent=percent),))
    for percent in (14.2, 5.3)
]
RISEN = course(start=size(105.2), end=size(252.1), numbers=ratio(2.396, 2.25, 2.58), ending=FALLING)
STOPS = {
    "little left": LEFT,
    "still falling": FALLING,
    "coarser again": COARSER,
    "cannot be told, with a limit": OPEN,
    "cannot be told, with what it would take": OUT_OF_REACH,
    "cannot be told, for a reason": UNKNOWN,
}

LOWER = ratio(0.821, 0.798, 0.846)
NEAR = ratio(0.979, 0.95, 1.009)
SAME = ratio(0.996, 0.975, 1.018)


def factor(at, control=(Verdict.NOT_SHOWN, SAME), *, since=None, one_course=None):
    def at_time(verdict, numbers, where, *reasons):
        return finding(
            FindingKind.FACTOR, verdict, numbers, *reasons, where=where, high="10", low="5"
        )

    return FactorAnswer(
        quantity="D50",
        factor="ball_ratio",
        high="10",
        low="5",
        control=at_time(*control, "0"),
        at=tuple(at_time(one[0], one[1], where, *one[2:]) for where, one in at.items()),
        since=since,
        is_one_course=one_course,
    )


CHANGED, NOT_SHOWN = (Verdict.CHANGED, LOWER), (Verdict.NOT_SHOWN, NEAR)
FACTORS = {
    "matters from a time on": factor({"6": NOT_SHOWN, "24": CHANGED, "48": CHANGED}, since="24"),
    "matters at the end": factor({"24": NOT_SHOWN, "48": CHANGED}, since="48"),
    "matters at some times": factor({"24": CHANGED, "48": NOT_SHOWN}),
    "not shown to matter": factor({"24": NOT_SHOWN, "48": NOT_SHOWN}),
    "makes no difference, one course": factor(
        {"24": (Verdict.EQUIVALENT, SAME), "48": (Verdict.EQUIVALENT, SAME)}, one_course=True
    ),
    "cannot be told": factor(
        {"48": (Verdict.CANNOT_BE_TOLD, Numbers(), VerdictRemark.NO_ESTIMATE())}
    ),
    "no time in common": factor({}),
    "differs before milling": factor(
        {"48": CHANGED}, (Verdict.CHANGED, ratio(1.06, 1.02, 1.102)), since="48"
    ),
}

SEVERAL_SIZES = [
    replace(FACTORS["matters from a time on"], quantity=name) for name in ("D50", "D90")
] + [replace(factor({"6": CHANGED, "24": CHANGED}, since="24"), quantity="D10")]
FINDINGS = {
    "changed": finding(FindingKind.LEVELS, Verdict.CHANGED, replace(LOWER, p_adjusted=4e-4)),
    "changed, by a bound": finding(
        FindingKind.LEVELS, Verdict.CHANGED, Numbers(lower=-INF, upper=-0.8867)
    ),
    "changed, between two bounds": finding(
        FindingKind.LEVELS, Verdict.CHANGED, Numbers(lower=0.15, upper=0.61, p_adjusted=0.049)
    ),
    "changed, nothing else known": finding(FindingKind.LEVELS, Verdict.CHANGED, Numbers()),
    "changed, within the margin": replace(
        finding(FindingKind.LEVELS, Verdict.CHANGED, replace(NEAR, upper=-0.01, p_adjusted=0.01)),
        within_margin=True,
    ),
    "the same within the margin": finding(
        FindingKind.LEVELS, Verdict.EQUIVALENT, replace(SAME, equivalence_p=0.003)
    ),
    "not shown": finding(FindingKind.LEVELS, NOT_SHOWN[0], replace(NEAR, p_adjusted=0.21)),
    "not shown, no number": finding(FindingKind.LEVELS, NOT_SHOWN[0], Numbers()),
    "cannot be told, with a number": finding(
        FindingKind.LEVELS, Verdict.CANNOT_BE_TOLD, NEAR, VerdictRemark.MARGIN_TOO_SMALL()
    ),
    "cannot be told": finding(
        FindingKind.LEVELS, Verdict.CANNOT_BE_TOLD, Numbers(), VerdictRemark.NO_ESTIMATE()
    ),
    "one level against all others": replace(
        finding(FindingKind.LEVELS, Verdict.CHANGED, replace(LOWER, p_adjusted=0.002)),
        subject=Contrast(high="Alder against the others", low="", quantity="D50"),
    ),
    "cannot be told, no reason": finding(FindingKind.LEVELS, Verdict.CANNOT_BE_TOLD, Numbers()),
}

MANY_PAIRS = [
    FACTORS["matters from a time on"],
    FACTORS["matters at the end"],
    FACTORS["not shown to matter"],
    FACTORS["differs before milling"],
]
NO_PAIRS = [FACTORS["not shown to matter"]] * 4
TOGETHER = replace(PLAN, at_each=("ball_ratio", "medium"))
JOINED = replace(
    FACTORS["matters from a time on"],
    factor="ball_ratio and medium",
    high="10, wet",
    low="5, wet",
)


def bench(group, *at, rate=None, average=None):
    def told(kind, verdict, numbers, *reasons, where="", low=""):
        high = "48" if low else group
        return finding(kind, verdict, numbers, *reasons, where=where, high=high, low=low)

    return BenchAnswer(
        quantity="D50",
        group=group,
        at=tuple(told(FindingKind.GROUP, *one[1:], where=", ".join(one[0])) for one in at),
        conditions=tuple(
            (("milling_time_min", one[0][0]), ("ball_ratio", one[0][1])) for one in at
        ),
        rate=rate and told(FindingKind.BENCH_RATE, *rate, low="0"),
        average=average and told(FindingKind.GROUP, *average),
    )


HIGHER = ratio(1.099, 1.051, 1.149)
_LAST, _FIRST = ("48", "10"), ("0", "10")
ALDER = bench(
    "Alder",
    (_FIRST, Verdict.NOT_SHOWN, NEAR),
    (_LAST, Verdict.CHANGED, HIGHER),
    rate=(Verdict.CHANGED, ratio(1.081, 1.032, 1.133)),
)
AVERAGE = bench(
    "Rowan", (_LAST, Verdict.NOT_SHOWN, NEAR), average=(Verdict.CHANGED, ratio(0.96, 0.94, 0.98))
)


def agreeing(group):
    return bench(group, (_FIRST, Verdict.EQUIVALENT, SAME), (_LAST, Verdict.EQUIVALENT, SAME))


def unclear(group):
    return bench(group, (_FIRST, Verdict.EQUIVALENT, SAME), (_LAST, Verdict.NOT_SHOWN, NEAR))


LOST = bench("Birch", (_LAST, Verdict.CANNOT_BE_TOLD, Numbers(), VerdictRemark.NO_ESTIMATE()))
BENCHES = {
    "one differs, at a condition and in rate": (ALDER, agreeing("Birch"), unclear("Cedar")),
    "one differs beside another alone": (
        ALDER,
        replace(AVERAGE, beside="Alder"),
        unclear("Cedar"),
    ),
    "one differs on average alone": (AVERAGE, unclear("Birch"), unclear("Cedar")),
    "all agree": (agreeing("Alder"), agreeing("Birch")),
    "none is shown to differ": (unclear("Alder"), unclear("Birch")),
    "one cannot be told": (agreeing("Alder"), agreeing("Cedar"), LOST),
}

BENCH_SIZES = [
    replace(one, quantity=name)
    for name in ("D50", "D90")
    for one in BENCHES["one differs, at a condition and in rate"]
]

ENOUGH = BalanceAnswer(quantity="D50", shorter_percent=0.3, is_enough=True)
POOR = BalanceAnswer(quantity="D10", shorter_percent=12.4, is_enough=False)
BALANCES = {"good enough": (ENOUGH,), "not for one": (POOR, ENOUGH), "for none": (POOR,)}

ADVICE = (
    AdviceRemark.REPEAT_LAST_TIMES(before="24", last="48", runs=3),
    AdviceRemark.MORE_RUNS(before="24", last="48"),
    AdviceRemark.MILL_LONGER(last="48"),
    AdviceRemark.FINER_SIEVE(below_um=45.0),
    AdviceRemark.COARSER_SIEVE(above_um=1000.0),
    AdviceRemark.KNOW_RUN_TO_RUN(),
    AdviceRemark.KNOW_DRIFT(),
    AdviceRemark.LOOK_AT_GROUP(group="Alder"),
    AdviceRemark.LOOK_AT_START(factor="ball_ratio", time="0"),
    AdviceRemark.BETTER_BALANCE(shorter_percent=12.4),
)
