"""The planned analysis is that of `compare`: the same trials, one after another, by both.

Sizes are drawn and put into the place of a study's own, so that the analysis takes its default
model (groups as blocks that drift apart where they can, cells where there are replicates) from the
run table.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from psdstats.comparison.analysis import analyse_sizes
from psdstats.comparison.answers import answer
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.response import level_order
from psdstats.comparison.spread import drift_slope
from psdstats.findings import Ending
from psdstats.planning import Design, Variation
from psdstats.planning.designs import analysis_of, draw_ln_sizes, simulate_design
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage
from psdstats.study.records import Balance
from psdstats.uncertainty import propagate

TRIALS = 6
NEAR = 0.004  # of ln size: the plan takes its law from an ordinary trial, not from each
STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
DRIFTING = Variation(
    run_percent=3,
    group_percent=5,
    group_time_percent=1,
    drift_percent=5,
    measurement_percent=1,
    sieves_percent=2,
)


def study_of(design):
    benches = tuple(
        Bench(
            name=f"bench {number}",
            sieves=SieveSet(name=f"set {number}", apertures_um=STACK),
            balance=Balance(name="balance", resolution_g=0.01),
        )
        for number in range(design.groups)
    )
    trial = TrialDesign(
        benches=benches,
        powder=Powder(breakage=Breakage(rate_per_min=0.01)),
        times_min=tuple(6.0 * number for number in range(design.times)),
        replicates=design.replicates,
    )
    return simulate_study(trial, seed=1).study


def course_of(study, plan, ln_size, known):
    """The answers on D50 over time with these sizes in the study's place."""
    value = np.full((len(ln_size), 4), 100.0)
    value[:, 1] = np.exp(5 + ln_size)
    analysis = analyse_sizes(
        study, plan, value, {"D50": known}, measured=lambda: propagate(study, method="linear")
    )
    return answer(analysis["D50"], ["against first"]).courses[0]


@pytest.mark.parametrize(
    ("groups", "times", "replicates"), [(4, 5, 2), (3, 4, 1), (2, 4, 2), (1, 4, 2)]
)
def test_trials_one_by_one_are_answered_as_planned(groups, times, replicates):
    """Fallen by the end of an even fall, and little left after a level last step."""
    design = Design(groups=groups, times=times, replicates=replicates)
    study = study_of(design)
    plan = dataclasses.replace(plan_comparison(study), margin_percent=12.0)
    known = analysis_of(design, DRIFTING).known
    planned = simulate_design(
        DRIFTING, design, question="fallen by the end", alpha=0.05, trials=TRIALS, seed=3
    )
    moment = np.indices((groups, times, replicates))[1].ravel()
    margin = -np.log(0.88)
    for number, ln_size in enumerate(draw_ln_sizes(DRIFTING, design, trials=TRIALS, seed=3)):
        for fall in (0.0, 0.12, 0.3):
            shift = fall * np.minimum(moment, times - 2) / (times - 2)
            course = course_of(study, plan, ln_size - shift, known)
            room = fall - planned.change.noise[number] - planned.change.reach[number]
            left = margin - planned.step.noise[number] - planned.step.reach[number]
            if abs(room) > NEAR:
                assert course.shown[-1] == (room > 0)
            if abs(left) > NEAR and not course.stop.coarser_after:
                assert (course.stop.ending is Ending.LITTLE_LEFT) == (left > 0)


@pytest.mark.parametrize("groups", [2, 3, 4])
@pytest.mark.parametrize("times", [2, 3, 5])
def test_groups_are_given_lines_where_compare_gives_them(groups, times):
    design = Design(groups=groups, times=times, replicates=1)
    study = study_of(design)
    frame = study.runs_frame()
    plan = plan_comparison(study)
    frame = frame.assign(order=level_order(frame[plan.by]))
    assert design.allows_drift("drifting") == (drift_slope(frame, plan, order="order") is not None)
