"""What to do next, as it follows from what a comparison found: one remark a remedy."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

import numpy as np

from psdstats.findings import (
    BalanceAnswer,
    BenchAnswer,
    Course,
    Ending,
    FactorAnswer,
    Remark,
    RemarkKind,
    Verdict,
)

RUNS_EACH = 3
"""Runs at each of the last two times whose scatter shows that little was left: with three each a
level last step is shown within 5 % in 53 to 82 % of trials, with two each in 32 to 52 %."""


class AdviceRemark(RemarkKind):
    """What would tell what could not be told, and what a finding asks for."""

    REPEAT_LAST_TIMES = "repeat last two times"  # before, last, runs
    MORE_RUNS = "more runs at end"  # before, last
    MILL_LONGER = "mill longer"  # last
    FINER_SIEVE = "finer sieve"  # below_um
    COARSER_SIEVE = "coarser sieve"  # above_um
    KNOW_RUN_TO_RUN = "know run-to-run"
    KNOW_DRIFT = "know drift"
    LOOK_AT_GROUP = "look at a group"  # group
    LOOK_AT_START = "levels differ before milling"  # factor, time
    BETTER_BALANCE = "better balance"  # shorter_percent


def advise(
    courses: Sequence[Course],
    factors: Sequence[FactorAnswer] = (),
    benches: Sequence[BenchAnswer] = (),
    balance: BalanceAnswer | None = None,
    *,
    single_runs: bool = False,
    scatter_unknown: bool = False,
    drift_unknown: bool = False,
    open_um: tuple[float, float] | None = (nan, nan),
) -> tuple[Remark, ...]:
    """What the findings on one quantity ask for, the most telling first.

    Parameters
    ----------
    courses, factors, benches, balance : records
        What was found.
    single_runs : bool
        Whether there is one run a time, so that no replicates show the scatter of runs.
    scatter_unknown : bool
        Whether the scatter between runs was neither estimated nor declared.
    drift_unknown : bool
        Whether groups, or charges, may drift apart and there are too few of them to show it.
    open_um : (float, float) or None
        Finest size that a run lies below, and coarsest that one lies above, where it has no value;
        None where no sieve would tell.
    """
    stops = [one.stop for one in courses if one.stop is not None]
    found = [AdviceRemark.KNOW_RUN_TO_RUN()] if scatter_unknown else []
    for stop in (one for one in stops if one.ending is Ending.CANNOT_BE_TOLD):
        if single_runs:
            repeat = AdviceRemark.REPEAT_LAST_TIMES
            found.append(repeat(before=stop.before, last=stop.last, runs=RUNS_EACH))
        else:
            found.append(AdviceRemark.MORE_RUNS(before=stop.before, last=stop.last))
    # sizes beyond the sieves at either end of the trial, but span, whose sizes say it
    sized = [] if open_um is None else [one for one in courses if one.stop is not None]
    ends = [own for one in sized for own in (one.start, one.end) if np.isnan(own.estimate)]
    below_um, above_um = open_um or (nan, nan)
    if any(np.isfinite(own.upper) for own in ends):
        found.append(AdviceRemark.FINER_SIEVE(below_um=below_um))
    if any(np.isfinite(own.lower) and not np.isfinite(own.upper) for own in ends):
        found.append(AdviceRemark.COARSER_SIEVE(above_um=above_um))
    if drift_unknown:
        found.append(AdviceRemark.KNOW_DRIFT())
    falling = [one for one in stops if one.ending is Ending.STILL_FALLING]
    found += [AdviceRemark.MILL_LONGER(last=one.last) for one in falling]
    found += [AdviceRemark.LOOK_AT_GROUP(group=one.group) for one in benches if differs(one)]
    apart = [one for one in factors if one.control.verdict is Verdict.CHANGED]
    look = AdviceRemark.LOOK_AT_START
    found += [look(factor=one.factor, time=one.control.subject.where) for one in apart]
    if balance is not None and not balance.is_enough:
        found.append(AdviceRemark.BETTER_BALANCE(shorter_percent=balance.shorter_percent))
    return tuple(dict.fromkeys(found))


def differs(answer: BenchAnswer) -> bool:
    """Whether a group is shown to differ from the others anywhere."""
    summed = (one for one in (answer.rate, answer.average) if one is not None)
    return any(one.verdict is Verdict.CHANGED for one in (*answer.at, *summed))
