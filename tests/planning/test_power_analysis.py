"""The planned analysis is that of `compare`: the same trials, one after another, by both.

Sizes are drawn and put into the place of a study's own, so that `compare` takes its default model
(groups that drift apart where they can, cells where there are replicates) from the run table.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from psdstats.comparison.compare import compare_sizes
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.spread import drift_slope, level_order
from psdstats.models.multiplicity import simultaneous
from psdstats.planning import Design, Variation
from psdstats.planning.power import last_of_family, simulate_design
from psdstats.planning.variation import covariance_parts
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.breakage import Breakage
from psdstats.simulate.trial_sizes import simulate_ln_sizes
from psdstats.study.records import Balance
from psdstats.uncertainty import propagate

TRIALS = 4
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


def drawn(design, variation, seed):
    """The trials that `simulate_design` draws with this seed, shape (TRIALS, runs)."""
    counts = {"groups": design.groups, "times": design.times, "replicates": design.replicates}
    stream = np.random.SeedSequence([seed, *counts.values()])
    ln_size = simulate_ln_sizes(variation.spread, **counts, trials=TRIALS, seed=stream)
    return ln_size.reshape(TRIALS, design.runs)


def compared(study, propagation, ln_size, known):
    """What `compare` makes of D50 with these sizes in the study's place."""
    value = propagation.value.copy()
    value[:, 1] = np.exp(5 + ln_size)
    plan = plan_comparison(study)
    given = dataclasses.replace(propagation, value=value)
    return compare_sizes(study, plan, given.value, {"D50": known}, measured=lambda: given).results[
        0
    ]


@pytest.mark.parametrize(
    ("groups", "times", "replicates"), [(4, 5, 2), (3, 3, 1), (2, 4, 2), (1, 4, 2)]
)
def test_limits_errors_and_degrees_of_freedom_are_those_of_compare(groups, times, replicates):
    design = Design(groups=groups, times=times, replicates=replicates)
    study = study_of(design)
    propagation = propagate(study, method="linear")
    known = covariance_parts(design, DRIFTING).known
    seed = 3
    family, joint = (
        simulate_design(design, DRIFTING, question=question, alpha=0.05, trials=TRIALS, seed=seed)
        for question in ("each against first", "any difference")
    )
    for number, ln_size in enumerate(drawn(design, DRIFTING, seed)):
        result = compared(study, propagation, ln_size, known)
        last = result.family("against first").iloc[-1]
        assert family.estimate[number, 0] == pytest.approx(np.log(last["ratio"]), abs=1e-9)
        assert family.df[number] == pytest.approx(last["df"], rel=1e-3)
        half = np.log(last["ratio_upper"] / last["ratio"])
        assert family.critical[number] * family.standard_error[number] == pytest.approx(
            half, rel=1e-3
        )
        test = result.tests[0]
        length = joint.root[number] @ joint.estimate[number]
        assert length @ length == pytest.approx(test.f, rel=1e-3)
        assert joint.df[number] == pytest.approx(test.df_den, rel=1e-3)


@pytest.mark.parametrize("groups", [2, 3, 4])
@pytest.mark.parametrize("times", [2, 3, 5])
def test_groups_are_given_lines_where_compare_gives_them(groups, times):
    design = Design(groups=groups, times=times, replicates=1)
    study = study_of(design)
    frame = study.runs_frame()
    plan = plan_comparison(study)
    frame = frame.assign(order=level_order(frame[plan.by]))
    assert design.group_lines == (drift_slope(frame, plan, order="order") is not None)


def test_limit_of_the_family_is_the_exact_one_between_its_nodes():
    """Covariances over the whole range of lines, odd degrees of freedom; `simultaneous` itself."""
    rng = np.random.default_rng(5)
    m, rows = 4, 40
    place = np.arange(1.0, m + 1)
    line = np.r_[0.0, np.exp(rng.uniform(-6, 6, rows - 1))]
    covariance = np.eye(m) + 1 + line[:, None, None] * np.outer(place, place)
    df = rng.uniform(2.5, 40, (rows, m))
    found = last_of_family(covariance, df, alpha=0.05)
    for row in range(0, rows, 8):
        error = np.sqrt(np.diag(covariance[row]))
        exact = simultaneous(
            np.zeros(m), covariance[row] / np.outer(error, error), df[row], kind="dunnett"
        )
        assert found[row] == pytest.approx(exact.critical[-1], rel=2e-4)
