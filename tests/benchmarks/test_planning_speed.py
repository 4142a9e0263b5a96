"""Speed of planning, as ratios within one run; the absolute target is printed by the script.

    python tests/benchmarks/planning_speed.py

prints the seconds for 2,000 simulated trials of 4 × 5 × 2 runs (target: under 10 s on two cores).
"""

from __future__ import annotations

import statistics
import time

import pandas as pd

from psdstats.models import MixedModel, RandomSlope
from psdstats.planning import Variation, power

VARIATION = Variation(
    run_percent=3, group_percent=5, group_time_percent=2, drift_percent=3, measurement_percent=1
)


def median_seconds(action, repeats=5):
    spent = []
    for _ in range(repeats):
        began = time.perf_counter()
        action()
        spent.append(time.perf_counter() - began)
    return statistics.median(spent)


def test_two_thousand_trials_cost_less_than_two_hundred_single_fits():
    frame = pd.DataFrame(
        [
            {"y": 5.0 + 0.01 * ((7 * g + 3 * t + 5 * r) % 11), "group": f"g{g}", "time": f"t{t}",
             "order": float(t)}
            for g in range(4)
            for t in range(5)
            for r in range(2)
        ]
    )  # fmt: skip
    lines = RandomSlope("group", "order", correlated=False)
    model = MixedModel(
        frame, response="y", fixed=["time"], random=[lines, ("group", "time")], boundary="drop"
    )
    planned = median_seconds(
        lambda: power(VARIATION, groups=4, times=5, replicates=2, trials=2000).to_frame()
    )
    single = median_seconds(lambda: [model.fit().test("time") for _ in range(10)]) / 10
    assert planned < 200 * single


def test_a_whole_power_curve_costs_little_more_than_one_power():
    result = power(VARIATION, groups=4, times=5, replicates=2, trials=2000)
    one = median_seconds(lambda: power(VARIATION, groups=4, times=5, replicates=2, trials=2000))
    curve = median_seconds(result.curve_frame)
    assert curve < 2 * one
