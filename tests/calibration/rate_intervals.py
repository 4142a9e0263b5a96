"""How often the 95 % intervals of the rate models hold the truth, and how the check behaves.

Sizes are simulated on ln D: a true curve, groups with levels and rates of their own, run-to-run
variation and a known measurement covariance (own part and a part shared by a group's sieves).
The answer of each setting is whether the profile interval contains the true value.

    python tests/calibration/rate_intervals.py --out tests/calibration/results

writes rate_intervals.csv (every figure) and rate_intervals.md (with command, seed and date).
"""

import argparse
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from rate_runs import run_sizes
from sharing import add_sharing, shared

from psdstats.rate.answers import check_fit, limit_size, parameter, time_to_margin, time_to_target
from psdstats.rate.curves import CURVES, CurveName, fit_curve

SEED, DATE = 20261125, "2026-11-30"
FEW, MANY = (0, 6, 12, 24, 48), (0, 3, 6, 12, 24, 36, 48, 72)
TARGET_UM, MARGIN_PERCENT = 130.0, 10.0


@dataclass(frozen=True)
class Setting:
    """True spreads are standard deviations of ln D (rate: of ln k)."""

    name: str
    curve: str = "approach to a limit"
    shape: float = 0.35
    rate: float = 0.06
    groups: int = 1
    replicates: int = 1
    times: tuple = FEW
    level_sd: float = 0.0
    rate_sd: float = 0.0
    run_sd: float = 0.03
    own_sd: float = 0.005
    shared_sd: float = 0.01


SETTINGS = (
    Setting("one bench, one run a time"),
    Setting("the same, measurement as large as run to run", run_sd=0.01, own_sd=0.01),
    Setting("one bench, 8 times", times=MANY),
    Setting("one bench, 3 replicates", replicates=3),
    Setting("4 benches, 2 replicates", groups=4, replicates=2, level_sd=0.04),
    Setting("the same, rates differ", groups=4, replicates=2, level_sd=0.04, rate_sd=0.1),
    Setting("8 benches, rates differ", groups=8, level_sd=0.04, rate_sd=0.1),
    Setting("4 benches, limit far off", groups=4, replicates=2, rate=0.02, level_sd=0.04,
            rate_sd=0.1),
    Setting("power law, 3 replicates", curve="power law", shape=1.5, replicates=3),
    Setting("power law, 4 benches", curve="power law", shape=1.5, groups=4, replicates=2,
            level_sd=0.04, rate_sd=0.1),
    Setting("constant rate, 4 benches", curve="constant rate", shape=0.0, rate=0.02, groups=4,
            replicates=2, level_sd=0.04, rate_sd=0.1),
    Setting("2 benches, 2 replicates", groups=2, replicates=2, level_sd=0.04),
    Setting("2 benches, 2 replicates, no difference between them", groups=2, replicates=2),
)  # fmt: skip


def simulate(setting, rng):
    """One set of sizes."""
    curve = CURVES[CurveName(setting.curve)]
    times = np.tile(np.repeat(np.array(setting.times, dtype=float), setting.replicates),
                    setting.groups)  # fmt: skip
    group = np.repeat(np.arange(setting.groups), len(setting.times) * setting.replicates)
    same = (group[:, None] == group).astype(float)
    known = setting.shared_sd**2 * same + setting.own_sd**2 * np.eye(len(times))
    ln_size = np.empty(len(times))
    for one in range(setting.groups):
        beta = true_beta(setting)[: curve.size]
        beta[1] += setting.rate_sd * rng.standard_normal()
        ln_size[group == one] = curve.log_size(times[group == one], beta)
    ln_size += setting.level_sd * rng.standard_normal(setting.groups)[group]
    ln_size += setting.run_sd * rng.standard_normal(len(times))
    ln_size += np.linalg.cholesky(known) @ rng.standard_normal(len(times))
    return run_sizes(times, np.exp(ln_size), group=group, known_covariance=known)


def true_beta(setting):
    """The true (ln D0, ln k, s)."""
    return np.array([np.log(250.0), np.log(setting.rate), setting.shape])


def questions(fit, setting):
    """Each property with its true value."""
    beta = true_beta(setting)
    k, s = setting.rate, setting.shape
    asked = {"rate": (parameter(fit, "ln_rate"), beta[1])}
    fall = np.log(TARGET_UM / 250.0)
    if setting.curve == "approach to a limit":
        target = -np.log((np.exp(fall) - s) / (1 - s)) / k
        margin = np.log((1 - s) / (s * MARGIN_PERCENT / 100)) / k
        asked["limit"] = (limit_size(fit), beta[0] + np.log(s))
        asked["time to margin"] = (time_to_margin(fit, MARGIN_PERCENT), margin)
    elif setting.curve == "power law":
        target = (np.exp(-s * fall) - 1) / (s * k)
        asked["shape"] = (parameter(fit, "power_shape"), s)
    else:
        target = -fall / k
    asked["time to target"] = (time_to_target(fit, TARGET_UM), target)
    return asked


def judge(setting, trials, seed):
    """Coverage of every question of one setting, and the size of the residual check."""
    rng = np.random.default_rng([seed, SETTINGS.index(setting)])
    held, alarms, checks = {}, 0, 0
    for _ in range(trials):
        data = simulate(setting, rng)
        fit = fit_curve(CURVES[CurveName(setting.curve)], data)
        for name, (prop, truth) in questions(fit, setting).items():
            held.setdefault(name, []).append(prop.excess(np.array([truth]), level=0.95)[0] <= 0)
        check = check_fit(fit)
        if not np.isnan(check.numbers.p):
            checks += 1
            alarms += check.numbers.p < 0.05
    rows = [
        {"quantity": name, "percent": 100 * np.mean(flags), "trials": len(flags)}
        for name, flags in held.items()
    ]
    if checks:
        rows.append({"quantity": "residual check below 5 %", "percent": 100 * alarms / checks,
                     "trials": checks})  # fmt: skip
    for row in rows:
        share = row["percent"] / 100
        row["error"] = 100 * np.sqrt(share * (1 - share) / row["trials"])
        row.update(asdict(setting))
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=SEED)
    add_sharing(parser)
    options = parser.parse_args()
    judged = partial(judge, trials=options.trials, seed=options.seed)
    frame = pd.DataFrame([row for rows in shared(options)(judged, SETTINGS) for row in rows])
    options.out.mkdir(parents=True, exist_ok=True)
    frame.to_csv(options.out / "rate_intervals.csv", index=False)
    lines = [
        "# Coverage of the intervals of the rate models",
        "",
        f"`python tests/calibration/rate_intervals.py --out tests/calibration/results "
        f"--trials {options.trials} --seed {options.seed}`",
        f"Date {DATE}; {options.trials} simulated trials a setting.  "
        "Nominal: 95 % coverage, 5 % alarms.",
        "",
        "| setting | what | per cent | Monte Carlo error |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {name} | {what} | {percent:.1f} | {error:.1f} |"
        for name, what, percent, error in zip(
            frame["name"], frame["quantity"], frame["percent"], frame["error"], strict=True
        )
    ]
    (options.out / "rate_intervals.md").write_text("\n".join([*lines, "", *NOTES, ""]))


NOTES = (
    "Outside 94 to 96 % (beyond Monte Carlo error), and why:",
    "",
    "- One bench with one run a time, rate and time to margin (93.2 to 93.8 %): five runs less "
    "three parameters leave two degrees of freedom for the run-to-run variance. It cannot be "
    "estimated below zero, and where it is found to be zero the interval rests on the measurement "
    "alone and is too narrow. The result carries a note that says so.",
    "- Two benches: their difference is seen once. A variance between them that is found to be "
    "zero keeps its uncertainty (taken as a known zero, the time to target was held in 89 %); the "
    "price is a wide interval where the two are truly alike (99.8 %).",
    "- Rate let free though the benches are equal (97 %): a variance cannot be negative, so one "
    "that is truly zero is overestimated on average and the intervals are a little wide.",
    "- Four benches whose rates differ, limit (93.5 %), and time to target at constant rate "
    "(96.9 %): three degrees of freedom between benches, split between level and rate. Telling "
    "the estimated part of the variance apart with those three, as is done with one bench, was "
    "tried and is too wide (96 to 97.5 %).",
    "- The residual check is an F test of the curve made linear at its solution; where the curve "
    "bends most (power law, three replicates) it is a little too ready (6.3 %).",
)

if __name__ == "__main__":
    main()
