"""Headlines without each run and group, and their intervals by resampling."""

from dataclasses import replace

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats import compare, read_study
from psdstats.comparison import beside
from psdstats.comparison.beside import (
    Unit,
    conditions_without,
    headlines,
    left_out,
    resampled,
    without_runs,
)
from psdstats.comparison.response import drift_lines, same_level
from psdstats.uncertainty.bootstrap import BootstrapMethod, bootstrap_interval


@pytest.fixture(scope="module")
def study():
    return read_study(demo_study("four_benches"))


@pytest.fixture(scope="module")
def benches(study):
    return compare(study, quantities=("D10", "D50"), families=["against first"])


def test_headlines_are_the_changes_by_the_end(benches):
    found = [
        (one.subject.high, one.subject.low, one.subject.where) for one in headlines(benches["D50"])
    ]
    assert found == [("48", "0", "5"), ("48", "0", "10")]


def _by_least_squares(one, keep, where):
    """The change by the end on some rows."""
    return _fitted(one, keep, one.design.mean_row("48", where) - one.design.mean_row("0", where))


def _fitted(one, keep, row):
    """Generalised least squares on some rows, from scratch: known covariance, printed spread."""
    run, cell, drift = np.nan_to_num([one.spread.run, one.spread.cell, one.spread.drift]) ** 2
    of_cell = same_level(one.frame, ("group", "milling_time_min", "ball_ratio"))
    v = one.known + run * np.eye(len(keep)) + cell * of_cell
    lines = drift_lines(one.frame, one.plan, ("group",))
    v = (v + drift * lines @ lines.T)[np.ix_(keep, keep)]
    p, x = np.linalg.inv(v), one.design.x[keep]
    return row @ np.linalg.pinv(x.T @ p @ x) @ x.T @ p @ one.y[keep]


def test_without_a_run_or_group_is_a_new_fit_without_it(benches):
    one = benches.analysis["D50"]
    moves = {
        (each.column, each.name, each.where): each
        for each in left_out(benches)
        if each.quantity == "D50"
    }
    assert len(moves) == 2 * (4 + 80)
    for column, name in (("group", "Alder"), ("group", "Rowan"), ("run", "alder-5to1-48min-a")):
        keep = (one.frame[column] != name).to_numpy()
        for where in ("5", "10"):
            whole = _by_least_squares(one, np.ones_like(keep), where)
            rest = _by_least_squares(one, keep, where)
            found = moves[column, name, where]
            assert found.without - found.effect == pytest.approx(rest - whole, abs=1e-6)
    other = moves["run", "alder-5to1-48min-a", "10"]
    own = moves["run", "alder-5to1-48min-a", "5"]
    assert own.moved > other.moved


IN_DOUBT = ("cedar-5to1-6min-b", "birch-5to1-24min-a", "alder-10to1-12min-b")


def test_sizes_of_conditions_without_runs_are_those_of_the_other_runs(benches):
    """Each against least squares on the rows that are left, with the mean over the benches."""
    one = benches.analysis["D50"]
    found = conditions_without(benches, "D50", IN_DOUBT)
    conditions = [(each.high, each.where) for each in found]
    assert sorted(conditions) == [("12", "10"), ("24", "5"), ("6", "5")]
    every = np.ones(len(one.frame), dtype=bool)
    left = ~one.frame["run"].isin(IN_DOUBT).to_numpy()
    for each in found:
        row = one.design.mean_row(each.high, each.where)
        row[len(one.design.cells) :] = 1.0 / 4.0  # four benches
        whole, rest = (_fitted(one, keep, row) for keep in (every, left))
        assert each.effect == pytest.approx(whole, abs=1e-6)
        assert each.without == pytest.approx(rest, abs=1e-6)
        assert each.percent == pytest.approx(100.0 * np.expm1(rest - whole), abs=1e-4)
        in_cell = one.frame["milling_time_min"].eq(float(each.high))
        in_cell &= one.frame["ball_ratio"].eq(float(each.where))
        assert each.effect == pytest.approx(one.y[in_cell.to_numpy()].mean(), abs=0.02)
    assert conditions_without(benches, "D50", ["no such run"]) == ()


AT_THE_END = ("alder-5to1-48min-a", "alder-5to1-0min-b", "rowan-10to1-48min-a")


@pytest.mark.parametrize("runs", [IN_DOUBT, AT_THE_END])
def test_without_several_runs_is_a_study_without_them(study, benches, runs):
    """Against the trial read, measured and compared anew without them: its spread moves too."""
    left = replace(study, runs=tuple(run for run in study.runs if run.name not in runs))
    anew = compare(left, quantities=("D50",), families=["against first"])
    found = {each.where: each for each in without_runs(benches, runs) if each.quantity == "D50"}
    assert set(found) == {"5", "10"}
    for course in anew["D50"].courses:
        expected = course.fallen.numbers.estimate
        off = np.exp(found[course.where].without) - np.exp(expected)
        assert abs(100 * off) < 0.1  # points, as the page tells them
    one = benches.analysis["D50"]
    keep = ~one.frame["run"].isin(runs).to_numpy()
    for course in benches["D50"].courses:
        own = found[course.where]
        assert own.effect == course.fallen.numbers.estimate
        ends = [_by_least_squares(one, rows, course.where) for rows in (keep, keep | True)]
        assert own.without - own.effect == pytest.approx(ends[0] - ends[1], abs=1e-6)
        assert own.points == pytest.approx(100 * abs(np.exp(own.without) - np.exp(own.effect)))
    moved = max(one.points for one in found.values())
    assert moved < 0.1 if runs is IN_DOUBT else moved > 0.05


def test_without_all_runs_of_an_end_nothing_is_told(benches):
    names = benches.analysis["D50"].frame["run"]
    found = without_runs(benches, [name for name in names if "10to1-48min" in name])
    lost = {each.where: each.points for each in found if each.quantity == "D50"}
    assert lost["10"] == np.inf
    assert np.isfinite(lost["5"])


def test_runs_that_do_not_enter_move_nothing(benches):
    assert {each.points for each in without_runs(benches, ["no such run"])} == {0.0}


def test_the_largest_move_comes_first(benches):
    moves = [each.moved for each in left_out(benches)]
    assert moves == sorted(moves, reverse=True)


def test_an_effect_that_only_one_run_shows_has_no_value_without_it():
    single = compare(read_study(demo_study("one_bench")), quantities=("D50",))
    found = left_out(single)
    assert {each.column for each in found} == {"run"}
    times = {run.name: run.milling_time_min for run in single.analysis.study.runs}
    ends = {0.0, max(times.values())}
    for each in found:
        assert np.isnan(each.without) == (times[each.name] in ends)
        if times[each.name] not in ends:
            assert each.without == pytest.approx(each.effect)
    assert found[0].moved == np.inf


def with_more_groups(study):
    """The demo with two more benches, copies of Alder and Cedar with other sizes of charges."""
    more = [
        replace(run, name=f"{run.name}-x", group=f"{run.group} x")
        for run in study.runs
        if run.group in ("Alder", "Cedar")
    ]
    return replace(study, runs=(*study.runs, *more))


def test_six_groups_are_resampled(study):
    found = compare(with_more_groups(study), quantities=("D50",), families=["against first"])
    one = found.analysis["D50"]
    got = resampled(found)
    assert [(each.unit, each.units, each.where) for each in got] == [
        (Unit.GROUPS, 6, "5"),
        (Unit.GROUPS, 6, "10"),
    ]
    frame = one.frame[one.frame["ball_ratio"] == 5].groupby(["milling_time_min", "group"])
    means = frame["ln_value"].mean().unstack()
    differences = (means.loc[48] - means.loc[0]).to_numpy()
    assert got[0].effect == pytest.approx(differences.mean())
    assert got[0].lower < got[0].effect < got[0].upper
    numbers = found["D50"].courses[0].fallen.numbers
    assert (got[0].model_lower, got[0].model_upper) == (numbers.lower, numbers.upper)
    assert got == resampled(found)


def test_four_groups_are_too_few_so_replicates_are_resampled(benches):
    """Against the standard error that the pooled scatter of pairs gives."""
    one = benches.analysis["D50"]
    got = [each for each in resampled(benches) if each.quantity == "D50"]
    assert [(each.unit, each.units) for each in got] == [(Unit.REPLICATES, 40)] * 2
    pairs = one.frame.groupby(["group", "milling_time_min", "ball_ratio"])["ln_value"]
    pooled = np.sqrt(pairs.var(ddof=1).mean())
    u = pooled * np.sqrt(1 / 8 + 1 / 8)  # means of eight runs at either end
    for each in got:
        assert each.upper - each.lower == pytest.approx(2 * 1.96 * u, rel=0.06)
        assert each.effect == each.model


def test_three_groups_without_replicates_leave_the_readings(study):
    three = replace(
        study,
        runs=tuple(r for r in study.runs if r.group != "Rowan" and r.replicate == "a"),
    )
    found = compare(three, quantities=("D50",), families=["against first"])
    one = found.analysis["D50"]
    got = resampled(found)
    assert {each.unit for each in got} == {Unit.READINGS}
    row = one.design.mean_row("48", "5") - one.design.mean_row("0", "5")
    weights = row @ np.linalg.pinv(one.design.x)
    u = np.sqrt(weights @ one.known @ weights)
    assert got[0].upper - got[0].lower == pytest.approx(2 * 1.959964 * u, rel=1e-6)
    # the readings alone say less than runs and groups do
    assert got[0].upper - got[0].lower < got[0].model_upper - got[0].model_lower


def test_runs_of_one_group_are_resampled_where_nothing_binds_them(study):
    """Eight runs a time, all of one bench, every run a charge of its own."""
    alder = [
        replace(run, group="Alder")
        for run in study.runs
        if run.group in ("Alder", "Cedar") and run.milling_time_min in (0, 6)
    ]
    many = tuple(
        replace(run, factors={}, name=f"{run.name}-x", replicate=str(k), charge=f"c{k}")
        for k, run in enumerate(alder)
    )
    assert len(many) == 16
    found = compare(replace(study, runs=many, compare={}), quantities=("D50",))
    (each,) = resampled(found)
    assert (each.unit, each.units) == (Unit.RUNS, 8)
    assert each.lower < each.effect < each.upper


def test_charges_sampled_again_and_again_are_the_units(study):
    alder = [
        replace(run, group="Alder")
        for run in study.runs
        if run.group in ("Alder", "Cedar") and run.milling_time_min in (0, 6)
    ]
    zero = [run for run in alder if run.milling_time_min == 0]
    six = [run for run in alder if run.milling_time_min == 6]
    many = tuple(
        replace(run, factors={}, replicate=str(k), charge=f"c{k}")
        for part in (zero, six)
        for k, run in enumerate(part)
    )
    (each,) = resampled(compare(replace(study, runs=many, compare={}), quantities=("D50",)))
    assert (each.unit, each.units) == (Unit.CHARGES, 8)


@pytest.mark.parametrize("units", [6, 8])
def test_studentised_interval_covers_from_six_units_on(units):
    rng, hits, trials = np.random.default_rng(units), 0, 400
    for k in range(trials):
        sample = rng.standard_normal(units)
        low, high = bootstrap_interval(
            [sample],
            method=BootstrapMethod.STUDENTISED,
            resamples=999,
            generator=np.random.default_rng(k),
        )
        hits += low <= 0.0 <= high
    assert hits / trials >= 0.92  # binomial error 1.1 points
    assert units >= beside.FEWEST_UNITS
