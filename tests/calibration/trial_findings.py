"""Whole trials through `compare` as a user gets it: error rates of every finding, and coverage.

Powders, sieving and weighing are those of `powders`, written apart from psdstats: one undersize
curve, moved along ln size by what milling, bench, drift, charge and run do.  So every size of a run
moves alike, and the truth is the powder's own.  Each trial is judged by `compare` with no option
but its default, D10, D50 and D90.

Columns, per cent of trials, each the worst of D10, D50 and D90 (a maximum of three rates):
falls, bound: a time called finer that is not; a bound above the truth.  stop: "less than 5 % left"
where more was, "still falling" where nothing was left, "coarser" where it is not.  factor: levels
called different that are not.  rate: a bench said to mill at another rate where none does (missing
where drift is planted).  holds: the 95 % interval of the change by the end.  family: all
simultaneous intervals against the first.  fallen, since: times shown (power).

    python tests/calibration/trial_findings.py --trials 200 --out tests/calibration/results

With `--first 200 --trials 100` the next hundred trials join the two hundred of the page.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from powders import WEIGHINGS, T, draw_bench, make_powders, runs_of, sieved_g, study_of
from sharing import add_sharing, shared

from psdstats.comparison import Comparison, compare
from psdstats.findings import Ending, Verdict
from psdstats.study import Study
from psdstats.study.settings import Declared

SEED = 20261207
QUANTITIES = ("D10", "D50", "D90")
M = -np.log(0.95)  # the default margin of the stop question


@dataclass(frozen=True, kw_only=True)
class Case:
    """One design: what is planted, in ln size."""

    name: str
    course: tuple[float, ...]  # ln size at each time against the first
    groups: int = 3
    replicates: int = 1
    stacks: str = "own"  # or "shared", "one differs"
    kind: str = "tolerance"  # or "certified"
    run: float = 0.02
    group: float = 0.03
    drift: float = 0.0  # standard deviation of a step
    declared: Declared | None = None  # what the user says of the drift
    charge: float = 0.0  # of charges sampled at all times; 0: a charge for each run
    second: tuple[float, ...] | None = None  # course at the other level of a further factor
    lost: float = 0.0  # share of runs that are missing
    family: str = "log-normal"

    @property
    def courses(self) -> dict[str, tuple[float, ...]]:
        """Course at each level of the further factor."""
        return {"": self.course} if self.second is None else {"5": self.course, "10": self.second}


FLAT3, FLAT4 = (0.0,) * 3, (0.0,) * 4
FALLS = (0.0, -0.3, -0.55, -0.75)
LEVEL = (0.0, -0.45, -0.7, -0.7)
EXACT = (0.0, -0.45, -0.7, -0.7 - M)

CASES = (
    Case(name="3 x 4 x 1, own stacks, nothing happens", course=FLAT4),
    Case(name="3 x 4 x 1, shared stack, level at the end", course=LEVEL, stacks="shared"),
    Case(name="4 x 4 x 2, own stacks, last step exactly 5 %", course=EXACT, groups=4, replicates=2),
    Case(name="2 x 3 x 2, one series differs, nothing happens", course=FLAT3, groups=2,
         replicates=2, stacks="one differs"),
    Case(name="2 x 4 x 2, own stacks, level at the end", course=LEVEL, groups=2, replicates=2),
    Case(name="2 x 4 x 2, own stacks, drift 1.5 % a step, falls", course=FALLS, groups=2,
         replicates=2, drift=0.015),
    Case(name="2 x 4 x 2, own stacks, drift 1.5 % a step, declared, falls", course=FALLS, groups=2,
         replicates=2, drift=0.015, declared=Declared(percent=1.5, df=np.inf)),
    Case(name="4 x 4 x 1, own stacks, drift 1.5 % a step, nothing happens", course=FLAT4, groups=4,
         drift=0.015),
    Case(name="4 x 4 x 1, own stacks, drift 1.5 % a step, falls", course=FALLS, groups=4,
         drift=0.015),
    Case(name="3 x 4 x 1 x 2 levels, no difference, level at the end", course=LEVEL, second=LEVEL),
    Case(name="3 x 4 x 1 x 2 levels, one flat", course=FLAT4, second=FALLS, kind="certified"),
    Case(name="1 x 4, 3 charges sampled at all times, level at the end", course=LEVEL, groups=1,
         replicates=3, charge=0.04),
    Case(name="4 x 4 x 2, a quarter lost, falls", course=FALLS, groups=4, replicates=2, lost=0.25),
    Case(name="1 x 6 single runs, falls", course=(0.0, -0.2, -0.38, -0.52, -0.62, -0.7), groups=1),
    Case(name="1 x 6 single runs, nothing happens", course=(0.0,) * 6, groups=1),
)  # fmt: skip


COLUMNS = (
    "falls", "bound", "stop", "factor", "rate", "holds", "family", "fallen", "since", "untold",
)  # fmt: skip
LOW = ("holds", "family", "fallen", "since")  # the worst is the lowest
UNKNOWN_DRIFT = "2 x 4 x 2, own stacks, drift 1.5 % a step, falls"
NOTES = (
    "Two benches that drift: two cannot show how far groups drift apart.  With no drift declared "
    "all intervals (holds, family) and what is claimed (falls, bound, stop) are those of the "
    "wider of two laws, without drift and with 1.5 % a step, and the answer says which drift would "
    "undo the change.  The same trials with the drift declared stand below.  All cases are drawn "
    "from the same seeds, so that "
    "their rates go together.",
)


def draw_trial(case: Case, seed: int) -> tuple[Study, dict[tuple[str, str], np.ndarray]]:
    """One trial of a case, and by quantity and level the mean ln size of its groups as they ran."""
    rng = np.random.default_rng([SEED, seed])
    curve = make_powders(case.family, 1, rng).curve[0]
    middle = float(np.interp(0.5, curve, T))
    weighing = replace(WEIGHINGS["20 g on a 0.01 g balance"], sample_g=60.0)
    runs, sieves = [], {}
    moves: dict[str, list[np.ndarray]] = {where: [] for where in case.courses}
    shared = draw_bench("all", "root 2", case.kind, 1, rng)
    for g in range(case.groups):
        stack = "one missing" if case.stacks == "one differs" and g == 0 else "root 2"
        bench = shared
        if case.stacks != "shared":
            bench = draw_bench(f"stack {g}", stack, case.kind, 1, rng)
        sieves |= bench.sieves(0)
        level, slope = rng.normal(0, case.group), rng.normal(0, case.drift)
        for where, course in case.courses.items():
            for r in range(case.replicates):
                charge = rng.normal(0, case.charge) if case.charge else 0.0
                steps = np.arange(len(course))
                moves[where].append(np.array(course) + level + slope * steps + charge)
                for t, size in enumerate(course):
                    if rng.uniform() < case.lost:
                        continue
                    move = size + level + slope * t + charge + rng.normal(0, case.run)
                    own = np.interp(T - move - np.log(220) + middle, T, curve)
                    mass = sieved_g(own[None], bench.true_um, weighing.sample_g, rng)
                    name = f"{g}-{where or 0}-{t}-{r}"
                    fields = {"group": f"bench {g}", "milling_time_min": float(10 * t)}
                    fields |= {"replicate": str(r), "charge": f"{name if not case.charge else r}"}
                    fields |= {"factors": {"ball_ratio": float(where)}} if where else {}
                    runs += runs_of(name, mass, bench, weighing, rng, **fields)
    place = dict(zip(QUANTITIES, np.interp((0.1, 0.5, 0.9), curve, T) - middle, strict=True))
    true = {
        (name, where): np.mean(own, axis=0) + at + np.log(220)
        for name, at in place.items()
        for where, own in moves.items()
    }
    return study_of(runs, sieves, [weighing]), true


def judge(case: Case, found: Comparison) -> list[dict[str, float]]:
    """Whether each finding on each size is false, and what was shown."""
    rows = []
    for one in found.results:
        row: dict[str, float] = {"quantity": one.quantity}  # type: ignore[dict-item]
        false = dict.fromkeys(("falls", "bound", "stop"), False)
        holds, shown, since = [], [], []
        for course in one.courses:
            true = np.array(case.courses[course.where])
            times = [int(float(t) / 10) for t in course.times]
            fall = true[times[0]] - true[times[1:]]
            is_shown, least = np.array(course.shown), np.nan_to_num(course.at_least, nan=-1.0)
            false["falls"] |= bool((is_shown & (fall <= 1e-9)).any())
            false["bound"] |= bool(((least > fall + 1e-9) & (least > 0)).any())
            false["stop"] |= _stop_is_false(course, true, times)
            numbers = course.fallen.numbers
            if np.isfinite(numbers.estimate):
                change = true[times[-1]] - true[times[0]]
                holds.append(numbers.lower <= change <= numbers.upper)
            shown.append(bool(is_shown[-1]))
            since.append(float(is_shown.mean()))
        row |= false
        row["holds"] = float(np.mean(holds)) if holds else np.nan
        row["fallen"], row["since"] = float(np.mean(shown)), float(np.mean(since))
        row["family"] = _family_holds(case, one.findings)
        row["factor"] = any(
            at.verdict is Verdict.CHANGED and _apart(case, at.subject.where) < 1e-9
            for factor in one.factors
            for at in (factor.control, *factor.at)
        )
        # benches differ in level; in rate only where drift is planted
        rate = any(
            bench.rate is not None and bench.rate.verdict is Verdict.CHANGED
            for bench in one.benches
        )
        row["rate"] = np.nan if case.drift else float(rate)
        row["untold"] = not one.courses
        rows.append(row)
    return rows


def _stop_is_false(course: object, true: np.ndarray, times: Sequence[int]) -> bool:
    stop = course.stop  # type: ignore[attr-defined]
    at = {str(10 * t): true[t] for t in times}
    end, before = at[stop.last], at[stop.before]
    if stop.ending is Ending.LITTLE_LEFT:
        return bool(at[stop.since] - end >= M - 1e-9)
    if stop.ending is Ending.STILL_FALLING:
        return bool(before - end <= 1e-9 or stop.gain_at_least > before - end + 1e-9)
    if stop.ending is Ending.COARSER_AGAIN:
        return any(at[t] >= end - 1e-9 for t in stop.coarser_after)
    return bool(stop.gain_at_most < before - end - 1e-9)


def _apart(case: Case, time: str) -> float:
    first, second = case.courses.values()
    return abs(first[int(float(time) / 10)] - second[int(float(time) / 10)])


def _family_holds(case: Case, findings: Sequence[object]) -> float:
    held = []
    for one in findings:
        subject, numbers = one.subject, one.numbers  # type: ignore[attr-defined]
        if subject.family.value != "against first" or not np.isfinite(numbers.estimate):
            continue
        true = case.courses[subject.where]
        change = true[int(float(subject.high) / 10)] - true[int(float(subject.low) / 10)]
        held.append(numbers.lower <= change <= numbers.upper)
    return float(all(held)) if held else np.nan


def one_trial(case: Case, seed: int) -> list[dict[str, float]]:
    study, _ = draw_trial(case, seed)
    found = compare(study, quantities=QUANTITIES, families=["against first"], drift=case.declared)
    return judge(case, found)


def rates(case: Case, found: Sequence[list[dict[str, float]]]) -> pd.DataFrame:
    """Rates of one case's trials, a row a size, in per cent."""
    table = pd.DataFrame([row for rows in found for row in rows])
    mean = 100 * table.drop(columns="quantity").astype(float).groupby(table["quantity"]).mean()
    return mean.reset_index().assign(case=case.name, trials=len(found))


def worst(table: pd.DataFrame) -> pd.DataFrame:
    """A row a case: the worst of its sizes."""
    by_case = table.groupby("case", sort=False)
    return by_case[["trials", *COLUMNS]].max().assign(**by_case[list(LOW)].min()).reset_index()


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    add_sharing(parser)
    parser.add_argument("--only", type=int, help="number of one case, the others as they are")
    parser.add_argument("--first", type=int, default=0, help="trials of the page, to be continued")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args(arguments)
    cases = CASES if options.only is None else CASES[options.only : options.only + 1]
    tables = []
    for case in cases:
        seeds = range(options.first, options.first + options.trials)
        found = shared(options)(partial(one_trial, case), seeds)
        tables.append(rates(case, list(found)))
        told = worst(tables[-1]).round(1).to_string(header=len(tables) == 1)
        sys.stdout.write(told + "\n")
        sys.stdout.flush()
    if options.out is not None:
        write(pd.concat(tables), options.out, first=options.first)


def joined(kept: pd.DataFrame, table: pd.DataFrame, first: int) -> pd.DataFrame:
    """Rates of the trials of the page and of those after them, each by its trials."""
    at = ["case", "quantity"]
    earlier = table[at].merge(kept, on=at, how="left")
    if not (earlier["trials"] == first).all():
        raise SystemExit(f"--first {first}: the page holds another number of trials of these cases")
    rates, n = list(COLUMNS), table["trials"].to_numpy()[:, None]
    sums = first * earlier[rates].to_numpy(float) + n * table[rates].to_numpy(float)
    together = dict(zip(rates, (sums / (first + n)).T, strict=True))
    return table.assign(**together, trials=first + n[:, 0])


def write(table: pd.DataFrame, out: Path, *, first: int = 0) -> None:
    """The rates of each size, and the page; cases that were not run now stay as they are."""
    out.mkdir(parents=True, exist_ok=True)
    file, names = out / "trial_findings.csv", [case.name for case in CASES]
    kept = pd.read_csv(file) if file.exists() else table[:0]
    table = joined(kept, table.reset_index(drop=True), first) if first else table
    kept = kept[~kept["case"].isin(table["case"]) & kept["case"].isin(names)]
    table = pd.concat([kept, table]) if len(kept) else table
    table = table.sort_values("case", key=lambda one: one.map(names.index), kind="stable")
    table.to_csv(file, index=False, float_format="%.6g")
    shown, fewest = worst(table).round(1), int(table["trials"].min())
    known = table[table["case"] != UNKNOWN_DRIFT]
    trials = int(known.groupby("case")["trials"].first().sum())
    pooled = known[list(COLUMNS)].mean()
    lines = [
        "# Error rates of the findings on whole trials, and coverage",
        "",
        (__doc__ or "").split("\n\n    python")[0].strip(),
        "",
        f"`python tests/calibration/trial_findings.py --trials {fewest}`, continued case by case "
        f"by `--only K --first N`, seed {SEED}, {date.today()}, with the law of the curve between "
        f"sieves as wide as powders show it (since 2026-12-01).  "
        f"Monte Carlo error at 5 %, {fewest} trials: {_error(fewest):.1f}.",
        "",
        f"Over all {trials} trials of the other cases than '{UNKNOWN_DRIFT}', mean of the sizes: "
        + ", ".join(f"{name} {pooled[name]:.1f}" for name in COLUMNS[:7])
        + f" (Monte Carlo error {_error(trials):.1f} if they were apart).",
        "",
        *NOTES,
        "",
        "| " + " | ".join(shown.columns) + " |",
        "|" + "---|" * len(shown.columns),
        *("| " + " | ".join(map(_cell, row)) + " |" for row in shown.to_numpy().tolist()),
        "",
    ]
    (out / "trial_findings.md").write_text("\n".join(lines), encoding="utf-8")


def _error(trials: int) -> float:
    """Monte Carlo error of a rate of 5 per cent."""
    return float(100 * (0.05 * 0.95 / trials) ** 0.5)


def _cell(value: object) -> str:
    return "" if isinstance(value, float) and np.isnan(value) else str(value)


if __name__ == "__main__":
    main()
