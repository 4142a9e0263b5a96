"""Power as planned against power as found when whole trials are simulated and analysed.

Two routes that share nothing with the plan's simulation but the question asked; both judge each
trial by itself as `compare` judges one by default: groups as fixed blocks, cells where there are
replicates, groups that drift apart along lines where three of them hold three times.

model      sizes ln D with random groups, lines and cells and a real change, one data set after
           another, each judged by the calibrated level with the known measurement covariance
weighings  whole trials from breakage to balance readings, sizes by interpolation, each judged
           likewise; the plan is made from variance components that least squares finds in the
           covariances over times of a separate set of such trials; benches differ in their milling
           rate in the last of them, so that they drift apart along curves that are no lines

"Less than the margin left" is asked of trials that fall evenly and are level in the last step.

    python tests/calibration/planning_power.py --out tests/calibration/results

writes planning_power.csv (every figure) and planning_power.md (with command, seed and date).
"""

import argparse
import operator
import time
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from sharing import add_sharing, shared

from psdstats.models.judged import Family, Question
from psdstats.models.level import LevelLaw
from psdstats.planning import Design, Variation, power
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.design import Breakage, Spread
from psdstats.simulate.trial import rule_sizes, simulate_net_masses
from psdstats.study import Balance

SEED, DATE = 20261129, "2026-11-29"
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)
STACK_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
FALLEN, LAST, FAMILY = "fallen by the end", "last against first", "each against first"
LEFT = "less than 5 % left"
MARGIN = 5.0
MODEL_CASES = (  # groups, times, replicates; change; question; standard deviations in per cent
    ((1, 5, 3), -9.0, FALLEN, {"run": 4}),
    ((2, 5, 3), -7.0, FALLEN, {"run": 3, "group": 4}),
    ((6, 4, 1), -7.0, FALLEN, {"run": 4, "group": 6}),
    ((4, 5, 2), -11.0, FALLEN, {"run": 3, "group": 5, "drift": 4}),
    (
        (4, 5, 2),
        -8.0,
        FALLEN,
        {"run": 3, "group": 5, "group_time": 1, "drift": 2, "measurement": 1.5, "sieves": 2},
    ),
    ((3, 4, 1), -8.0, FALLEN, {"run": 2, "group": 3, "measurement": 1}),
    ((4, 5, 2), -14.0, FAMILY, {"run": 3, "group": 5, "drift": 4, "measurement": 1}),
    ((3, 3, 3), -16.0, LAST, {"run": 2, "group_time": 4, "measurement": 1}),
    ((2, 4, 2), -30.0, LEFT, {"run": 2.5, "group": 4, "measurement": 1}),
    ((3, 4, 1), -30.0, LEFT, {"run": 2, "group": 4, "measurement": 1, "sieves": 2}),
    ((4, 4, 1), -30.0, LEFT, {"run": 2.5, "group": 4, "drift": 4, "measurement": 1}),
    ((4, 5, 2), -30.0, LEFT, {"run": 3, "group_time": 1.5, "drift": 3, "measurement": 1}),
)
WEIGHING_CASES = ((1, 3, 0.0), (3, 2, 0.0), (4, 2, 0.0), (4, 2, 0.4))


def labels(design):
    group, moment, _ = np.indices((design.groups, design.times, design.replicates))
    return group.ravel(), moment.ravel()


def shown(y, design, known=None, question=FALLEN):
    """Whether the default analysis shows the change, or that little was left."""
    group, moment = labels(design)
    same = (group[:, None] == group).astype(float)
    x = np.hstack([np.eye(design.times)[moment], np.eye(design.groups)[group]])
    parts = [np.eye(design.runs)]
    if design.groups >= 3 and design.times >= 3:
        order = moment - moment.mean()
        parts.insert(0, same * np.outer(order, order))
    if design.groups > 1 and design.replicates > 1:
        parts.insert(0, same * (moment[:, None] == moment))
    later = design.times - 1
    rows = np.zeros((later + 1, x.shape[1]))
    for k in range(later):
        rows[k, 0], rows[k, k + 1] = -1.0, 1.0
    rows[later, later - 1], rows[later, later] = 1.0, -1.0  # what the last step gained
    family = Family(members=tuple(range(later)), signs=(1,) * later)
    asked = Question(contrasts=rows, families=(family,))
    laws = [known]
    if design.groups == 2:  # too few to show a drift: what 1.5 % a step would undo is not claimed
        order = moment - moment.mean()
        drift = 0.015**2 * same * np.outer(order, order)
        laws.append(drift if known is None else known + drift)
    found = [LevelLaw(x, np.array(parts), one, asked, y).judge(y) for one in laws]
    if question == LEFT:
        margin = -np.log1p(-MARGIN / 100)
        return all(one.p_below(margin)[later] < 0.045 for one in found)
    last = later - 1
    if question == FAMILY:
        return found[0].family_p(family)[last] < 0.05
    if question == LAST:
        return 2 * min(found[0].p_below()[last], found[0].p_above()[last]) < 0.05
    return all(one.p_below()[last] < 0.04 for one in found)


def by_model(design, variation, change_percent, trials, rng, question):
    """Share of simulated data sets in which the change, or little left, is shown."""
    group, moment = labels(design)
    same = group[:, None] == group
    place = moment / (design.times - 1)
    own = np.eye(design.runs)
    known = variation.sieves_percent**2 * same + variation.measurement_percent**2 * own
    total = (
        known
        + variation.group_percent**2 * same
        + variation.group_time_percent**2 * same * (moment[:, None] == moment)
        + variation.drift_percent**2 * same * np.outer(place, place)
        + variation.run_percent**2 * own
    ) / 1e4
    measured = variation.measurement_percent or variation.sieves_percent
    root = np.linalg.cholesky(total)
    course = np.minimum(moment, design.times - 2) if question == LEFT else moment
    shift = np.log1p(change_percent / 100) * course / course.max()
    found = 0
    for _ in range(trials):
        y = shift + root @ rng.standard_normal(design.runs)
        found += shown(y, design, known / 1e4 if measured else None, question)
    return found / trials


def weighed(groups, replicates, rate_bench, trials, seed):
    """Ln D50 of whole trials (trials, runs) and the true change of ln D50."""
    balance = Balance(name="bench", resolution_g=0.01, repeatability_g=0.01, capacity_g=1000.0)
    benches = tuple(
        Bench(
            name=f"bench {number}",
            sieves=SieveSet(name=f"set {number}", apertures_um=STACK_UM),
            balance=balance,
        )
        for number in range(groups)
    )
    trial = TrialDesign(
        benches=benches,
        powder=Powder(breakage=Breakage(rate_per_min=0.004), density_g_per_cm3=2.7),
        times_min=TIMES_MIN,
        replicates=replicates,
        # one bench cannot tell its own drift from milling, so it gets none here
        spread=Spread(
            size_bench=0.03,
            size_bench_time=0.01 if groups > 1 else 0.0,
            size_run=0.02,
            rate_bench=rate_bench,
        ),
    )
    masses = simulate_net_masses(trial, trials=trials, seed=seed)
    return np.log(rule_sizes(masses.net_g, masses.aperture_um, rule="semilog")[:, :, 1])


def mean_change(ln_size, design):
    """Mean change of measured ln D50 from the first to the last time (interpolation included)."""
    y = ln_size.reshape(len(ln_size), design.groups, design.times, design.replicates)
    return (y[:, :, -1] - y[:, :, 0]).mean()


def components(ln_size, design):
    """Variances from mean squares and mean covariances over times of many trials.

    Between groups, cell means have the covariance a J + d p pᵀ + c I over the times, with p the
    place of each time from 0 to 1; a, d and c by least squares.
    """
    y = ln_size.reshape(len(ln_size), design.groups, design.times, design.replicates)
    cells = y.mean(axis=3)
    ms_run = ((y - cells[..., None]) ** 2).sum(axis=(1, 2, 3)).mean() / (
        design.groups * design.times * (design.replicates - 1)
    )
    if design.groups == 1:
        return {"run_percent": 100 * np.sqrt(ms_run)}
    rest = cells - cells.mean(axis=1, keepdims=True)
    between = np.einsum("bgs,bgt->st", rest, rest) / len(cells) / (design.groups - 1)
    place = np.linspace(0, 1, design.times)
    shapes = [np.ones_like(between), np.outer(place, place), np.eye(design.times)]
    basis = np.array([one.ravel() for one in shapes]).T
    group, drift, cell = np.linalg.lstsq(basis, between.ravel(), rcond=None)[0]
    found = {
        "run": ms_run,
        "group_time": cell - ms_run / design.replicates,
        "group": group,
        "drift": drift,
    }
    return {f"{name}_percent": 100 * np.sqrt(max(one, 0.0)) for name, one in found.items()}


def by_weighings(groups, replicates, rate_bench, trials, seed):
    """Design, components, change in per cent and share of whole trials that show it."""
    design = Design(groups=groups, times=len(TIMES_MIN), replicates=replicates)
    pilot = weighed(groups, replicates, rate_bench, 2000, seed + 1)
    variation = Variation(**components(pilot, design), source="pilot trials")
    ln_size = weighed(groups, replicates, rate_bench, trials, seed + 2)
    change = mean_change(pilot, design)
    found = sum(shown(y, design) for y in ln_size)
    return design, variation, 100 * np.expm1(change), found / trials


def row(route, design, variation, change_percent, found, trials, seed, question=FALLEN):
    plan = (
        power(
            variation,
            groups=design.groups,
            times=design.times,
            replicates=design.replicates,
            change_percent=change_percent,
            margin_percent=MARGIN,
            question=FALLEN if question == LEFT else question,
            trials=20_000,
            seed=seed,
        )
        .to_frame()
        .iloc[0]
    )
    name = "power_left" if question == LEFT else "power"
    planned, planned_error = plan[name], plan[f"{name}_error"]
    error = np.sqrt(found * (1 - found) / trials + planned_error**2)
    return {
        "route": route,
        "question": question,
        "groups": design.groups,
        "times": design.times,
        "replicates": design.replicates,
        "run_percent": variation.run_percent,
        "group_percent": variation.group_percent,
        "group_time_percent": variation.group_time_percent,
        "drift_percent": variation.drift_percent,
        "measurement_percent": variation.measurement_percent,
        "change_percent": change_percent,
        "planned": planned,
        "found": found,
        "error_of_difference": error,
        "difference_in_errors": (planned - found) / error,
    }  # fmt: skip


def model_row(number, counts, change, question, spread, trials, seed):
    design = Design(**dict(zip(("groups", "times", "replicates"), counts, strict=True)))
    variation = Variation(**{f"{name}_percent": sd for name, sd in spread.items()})
    rng = np.random.default_rng([seed, number])
    found = by_model(design, variation, change, trials, rng, question)
    return row("model", design, variation, change, found, trials, seed, question)


def weighing_row(groups, replicates, rate_bench, trials, seed):
    found = by_weighings(groups, replicates, rate_bench, trials, seed)
    route = "weighings, rates differ" if rate_bench else "weighings"
    return row(route, *found, trials, seed)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    add_sharing(parser)
    options = parser.parse_args()
    began, trials, seed = time.perf_counter(), options.trials, options.seed
    tasks = [
        *(
            partial(model_row, number, *case, trials, seed)
            for number, case in enumerate(MODEL_CASES)
        ),
        *(partial(weighing_row, *case, trials, seed) for case in WEIGHING_CASES),
    ]
    rows = list(shared(options)(operator.call, tasks))
    frame = pd.DataFrame(rows)
    options.out.mkdir(parents=True, exist_ok=True)
    frame.to_csv(options.out / "planning_power.csv", index=False)
    lines = [
        "# Power as planned and as found",
        "",
        f"`python tests/calibration/planning_power.py --out tests/calibration/results "
        f"--trials {trials} --seed {seed}`",
        f"Date {DATE}; {trials} simulated trials a row, 20 000 for the plan; "
        f"{time.perf_counter() - began:.0f} s.  Level 5 %.",
        "",
        "Each trial is judged by itself as `compare` judges one by default.  Drift: standard",
        "deviation of the groups' lines at the last time, per cent.  Rows of weighings hold the "
        "plan",
        "against trials that are not made as it assumes.",
        "",
        "| route | question | groups × times × replicates | drift % | change % | planned | found | "
        "error of the difference |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {one['route']} | {one['question']} | "
        f"{one['groups']} × {one['times']} × {one['replicates']} | {one['drift_percent']:.1f} | "
        f"{one['change_percent']:.1f} | {one['planned']:.3f} | {one['found']:.3f} | "
        f"{one['error_of_difference']:.3f} |"
        for one in rows
    ]
    largest = frame["difference_in_errors"].abs().max()
    lines += ["", f"Largest difference: {largest:.1f} Monte Carlo errors."]
    (options.out / "planning_power.md").write_text("\n".join([*lines, ""]))


if __name__ == "__main__":
    main()
