"""What more of something would buy, against the same trial with more of it."""

from dataclasses import replace

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats import compare, read_study
from psdstats.comparison.analysis import analyse
from psdstats.comparison.beside import Remedy, gains, headlines
from psdstats.comparison.response import drift_lines, same_level
from psdstats.uncertainty.budget import changed_studies
from psdstats.uncertainty.law import at_mean_curve, prepare


@pytest.fixture(scope="module")
def study():
    """The large demo (invented)."""
    return read_study(demo_study("four_benches"))


@pytest.fixture(scope="module")
def benches(study):
    return compare(study, quantities=("D50",), families=["against first"])


@pytest.fixture(scope="module")
def found(benches):
    return {one.remedy: one for one in gains(benches)}


def _variance(one, spread, known, rows):
    """Variance of headlines from scratch: known covariance, printed spread, least squares."""
    frame, plan, x = one.frame, one.plan, one.design.x
    run, cell, drift = np.nan_to_num([spread.run, spread.cell, spread.drift]) ** 2
    lines = drift_lines(frame, plan, ("group",))
    v = known + run * np.eye(len(frame)) + drift * lines @ lines.T
    v = v + cell * same_level(frame, ("group", "milling_time_min", "ball_ratio"))
    core = np.linalg.pinv(x.T @ np.linalg.inv(v) @ x)
    ends = np.array([one.design.mean_row(*high) - one.design.mean_row(*low) for high, low in rows])
    return np.diagonal(ends @ core @ ends.T)


ENDS = [(("48", where), ("0", where)) for where in ("5", "10")]


def _shorter(benches, then):
    """By how much the root mean square u shortens, from variances now and then."""
    one = benches.analysis["D50"]
    now = _variance(one, one.spread, one.response.known, ENDS)
    u2 = np.array([finding.numbers.u**2 for finding in headlines(benches["D50"])])
    return 100 * (1 - np.sqrt(np.sum(u2 * then / now) / np.sum(u2)))


def _doubled(study):
    """Every run twice: the same readings under another name."""
    again = [replace(run, name=f"{run.name}-again", replicate="x") for run in study.runs]
    return replace(study, runs=(*study.runs, *again))


def test_twice_the_runs_is_a_design_with_every_run_twice(study, benches, found):
    """The measurement and the design made anew, with the spread of the trial.

    Twice the runs also tell a little more of the curves between the sieves, which `gains` holds.
    """
    twice = analyse(_doubled(study), benches.plan, quantities=("D50",))["D50"]
    spread = benches.analysis["D50"].spread
    expected = _shorter(benches, _variance(twice, spread, twice.response.known, ENDS))
    assert expected > 1
    assert found[Remedy.TWICE_RUNS].shorter_percent == pytest.approx(expected, abs=1.0)


def _with_a_copy(study, group):
    """One more bench: the runs of another, on sieves and a balance of its own."""
    runs, sieves = [], dict(study.sieves)
    own = [run for run in study.runs if run.group == group]
    for run in own:
        readings = tuple(replace(one, sieve=f"{one.sieve} x") for one in run.readings)
        name = f"{run.name}-x"
        runs.append(replace(run, name=name, group="x", balance="x", readings=readings))
        for one in run.readings:
            if one.sieve in study.sieves:  # the pan is none
                key = f"{one.sieve} x"
                sieves[key] = replace(study.sieves[one.sieve], key=key)
    balance = replace(study.balances[own[0].balance], name="x")
    balances = {**study.balances, "x": balance}
    return replace(study, runs=(*study.runs, *runs), sieves=sieves, balances=balances)


def test_one_more_group_is_a_design_with_one_more(study, benches, found):
    """A copy of each bench in turn: on average, since nobody knows which bench it would be."""
    spread, shorter = benches.analysis["D50"].spread, []
    for group in ("Alder", "Birch", "Cedar", "Rowan"):
        one = analyse(_with_a_copy(study, group), benches.plan, quantities=("D50",))["D50"]
        shorter.append(_shorter(benches, _variance(one, spread, one.response.known, ENDS)))
    assert found[Remedy.ONE_MORE_GROUP].shorter_percent == pytest.approx(np.mean(shorter), abs=1.5)


@pytest.mark.parametrize(
    "remedy", [Remedy.CERTIFIED_SIEVES, Remedy.FINER_BALANCE, Remedy.TWICE_SAMPLE]
)
def test_a_change_of_the_measurement_is_a_study_so_changed(study, benches, found, remedy):
    """The curves between the sieves stay; sensitivities at the mean curves, not of each run."""
    sources = benches.analysis.measured().sources
    law = prepare(study, sources=sources)
    changed = prepare(changed_studies(study)[remedy.value], sources=sources, curves=law.curves)
    known = at_mean_curve(changed, benches.plan.factors)["D50"][0]
    one = benches.analysis["D50"]
    expected = _shorter(benches, _variance(one, one.spread, known, ENDS))
    assert found[remedy].shorter_percent == pytest.approx(expected, abs=1.5)


def test_the_remedy_that_helps_most_comes_first(benches):
    told = gains(benches)
    assert [one.u_then_percent for one in told] == sorted(one.u_then_percent for one in told)
    assert {one.remedy for one in told} >= {Remedy.TWICE_RUNS, Remedy.ONE_MORE_GROUP}
    u = [finding.numbers.u for finding in headlines(benches["D50"])]
    for one in told:
        assert one.u_now_percent == pytest.approx(100 * np.sqrt(np.mean(np.square(u))))
        assert one.u_then_percent <= one.u_now_percent * (1 + 1e-9)


def test_one_bench_has_no_more_groups_to_speak_of():
    single = compare(read_study(demo_study("one_bench")), quantities=("D50",))
    assert Remedy.ONE_MORE_GROUP not in {one.remedy for one in gains(single)}


def test_without_a_model_nothing_is_promised(benches, planted):
    rows = [{"milling_time_min": t} for t in (0.0, 0.0, 6.0, 6.0)]
    each = planted(rows, [5.0, 5.01, 4.8, 4.82], spread="each contrast")
    assert gains(each) == ()
