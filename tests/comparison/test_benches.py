"""Planted trials on arrays: what each should say of its groups is written first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from psdstats.comparison.benches import BenchRuns, at_conditions, in_rate, on_average
from psdstats.findings import Rule

COURSE = np.log([420.0, 270.0, 180.0, 150.0])

RULE = Rule(level=0.95, margin_percent=None)


def trial(*, groups=3, replicates=2, times=4, sd=0.02, seed=5, planted=None, known=None, **options):
    """A trial that falls as planned; `planted` adds to ln size from group and time."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(groups), times * replicates)
    condition = np.tile(np.repeat(np.arange(times), replicates), groups)
    y = COURSE[:times][condition] + sd * rng.standard_normal(len(group))
    if planted is not None:
        y = y + planted(group, condition)
    return BenchRuns(
        y=y,
        known=np.zeros((len(y), len(y))) if known is None else known,
        group=group,
        condition=condition,
        order=np.arange(times, dtype=float),
        **options,
    )


def differing(found):
    """Group and condition of what is shown to differ."""
    return {(one.group, one.condition) for one in found if one.numbers.p_adjusted < 0.05}


def all_of(runs, **options):
    return [f(runs, Rule(**RULE | options)) for f in (at_conditions, in_rate, on_average)]


def test_benches_that_agree_are_not_said_to_differ_and_agree_within_a_margin():
    found = all_of(trial(groups=4, replicates=3, sd=0.01), margin_percent=5.0)
    assert [differing(one) for one in found] == [set(), set(), set()]
    assert all(one.numbers.equivalence_p < 0.05 for answers in found for one in answers)


def test_one_bench_off_at_one_time_is_named_there_and_not_hidden_in_the_average():
    """9.9 % at the last of four times: an average over times is 2.5 % and shows nothing."""
    off = np.log(1.099)
    runs = trial(planted=lambda g, c: off * ((g == 0) & (c == 3)), sd=0.02)
    conditions, _, average = all_of(runs)
    assert (0, 3) in differing(conditions)
    assert {condition for _, condition in differing(conditions)} == {3}
    assert not differing(average)
    (there,) = [one for one in conditions if (one.group, one.condition) == (0, 3)]
    assert there.numbers.lower < off < there.numbers.upper
    assert there.numbers.estimate > 3 * there.numbers.u


def test_benches_that_differ_in_rate_and_not_in_level():
    """Bench 0 falls by 12 % more over the trial, about the same middle."""
    more = np.log(0.88)
    runs = trial(planted=lambda g, c: more * (g == 0) * (c / 3 - 0.5))
    _, rate, average = all_of(runs)
    assert (0, None) in differing(rate)
    assert not differing(average)
    assert rate[0].numbers.lower < more < rate[0].numbers.upper


def test_benches_that_differ_in_level_and_not_in_rate():
    runs = trial(planted=lambda g, c: 0.08 * (g == 2))
    _, rate, average = all_of(runs)
    assert (2, None) in differing(average)
    assert not differing(rate)


def test_replicates_give_the_cell_means_model():
    """Estimate, u, df and p are those of least squares on cell means, adjusted by their law."""
    runs = trial(seed=2)
    frame = pd.DataFrame({"y": runs.y, "cell": 4 * runs.group + runs.condition + 10})
    fit = smf.ols("y ~ C(cell) - 1", frame).fit()
    for one in at_conditions(runs, RULE):
        row = np.zeros(12)
        row[4 * one.group + one.condition] = 1.0
        for other in set(range(3)) - {one.group}:
            row[4 * other + one.condition] = -0.5
        test = fit.t_test(row)
        assert one.numbers.estimate == pytest.approx(float(test.effect[0]))
        assert one.numbers.u == pytest.approx(float(np.squeeze(test.sd)))
        assert one.numbers.df == pytest.approx(12)
        assert one.numbers.p == pytest.approx(float(np.squeeze(test.pvalue)), rel=1e-6)
        assert one.numbers.p <= one.numbers.p_adjusted <= 12 * one.numbers.p + 1e-9


def test_a_single_run_is_judged_by_what_is_left_without_its_cell():
    """Additive least squares with an indicator of the cell: its residual, one df less."""
    runs = trial(replicates=1, seed=4)
    frame = pd.DataFrame({"y": runs.y, "g": runs.group, "c": runs.condition})
    for one in at_conditions(runs, RULE):
        frame["own"] = (frame["g"] == one.group) & (frame["c"] == one.condition)
        rest = smf.ols("y ~ C(g) + C(c) + own", frame).fit()
        assert one.numbers.df == pytest.approx(rest.df_resid)
        u = np.sqrt(rest.mse_resid * 1.5)
        assert one.numbers.u == pytest.approx(u)
        p = 2 * stats.t.sf(abs(one.numbers.estimate) / u, rest.df_resid)
        assert one.numbers.p == pytest.approx(p, rel=1e-6)
        assert one.numbers.p_adjusted == pytest.approx(min(12 * p, 1.0), rel=1e-6)


def test_the_line_of_a_group_is_that_of_least_squares_on_cell_means():
    runs = trial(seed=6)
    frame = pd.DataFrame({"y": runs.y, "g": runs.group, "c": runs.condition})
    means = frame.groupby(["g", "c"], as_index=False).mean()
    means["s1"], means["s2"] = ((means["g"] == one) * means["c"] for one in (1, 2))
    fit = smf.ols("y ~ C(c) + C(g) + s1 + s2", means).fit()
    test = fit.t_test("-1.5 * s1 - 1.5 * s2 = 0")
    first = in_rate(runs, RULE)[0].numbers
    assert first.estimate == pytest.approx(float(test.effect[0]))
    assert first.u == pytest.approx(float(np.squeeze(test.sd)))
    assert first.df == pytest.approx(fit.df_resid)


def test_two_benches_have_one_difference_a_condition():
    found = at_conditions(trial(groups=2), RULE)
    assert [(one.group, one.condition) for one in found] == [(0, 0), (0, 1), (0, 2), (0, 3)]
    assert len(on_average(trial(groups=2), RULE)) == 1


def test_one_bench_has_no_answer():
    assert all_of(trial(groups=1)) == [(), (), ()]


def test_single_runs_of_two_benches_and_two_times_are_judged_by_the_measurement_and_say_so():
    known = 0.01**2 * np.eye(4)
    runs = trial(groups=2, times=2, replicates=1, known=known)
    for one in at_conditions(runs, RULE):
        assert one.undone_by_percent is not None
        # c² (u² + 2 s²) = d² with c u half the interval
        half = one.numbers.upper - one.numbers.estimate
        critical = half / one.numbers.u
        room = (one.numbers.estimate / critical) ** 2 - one.numbers.u**2
        assert one.undone_by_percent == pytest.approx(100 * np.sqrt(max(room, 0) / 2))


def test_a_declared_spread_is_used_with_its_degrees_of_freedom():
    runs = trial(replicates=1, stated=(0.02**2, 10.0))
    one = at_conditions(runs, RULE)[0].numbers
    assert one.df == pytest.approx(10)
    assert one.u == pytest.approx(0.02 * np.sqrt(1.5))


def test_joint_interval_p_and_margin_agree_each_with_its_own_interval():
    runs = trial(planted=lambda g, c: 0.03 * (g == 1), seed=9)
    for answers in all_of(runs, margin_percent=5.0):
        for one in answers:
            n = one.numbers
            assert (n.p_adjusted < 0.05) == (n.lower > 0 or n.upper < 0)
            assert n.lower < n.equivalence_lower < n.equivalence_upper < n.upper
            inside = max(abs(n.equivalence_lower), abs(n.equivalence_upper)) < np.log(1.05)
            assert (n.equivalence_p < 0.05) == inside


def test_a_missing_cell_leaves_the_others_comparable():
    runs = trial()
    keep = ~((runs.group == 2) & (runs.condition == 1))
    some = replace(runs, y=runs.y[keep], known=runs.known[np.ix_(keep, keep)],
                   group=runs.group[keep], condition=runs.condition[keep])  # fmt: skip
    subjects = {(one.group, one.condition) for one in at_conditions(some, RULE)}
    assert (2, 1) not in subjects
    assert {(0, 1), (1, 1)} < subjects
    assert len(in_rate(some, RULE)) == 3


@pytest.mark.parametrize("replicates", [1, 2])
def test_no_true_difference_is_called_one_in_five_per_cent_of_families(replicates):
    """200 trials; the full table is in tests/calibration/bench_findings.py."""
    wrong = np.zeros(3)
    for seed in range(200):
        runs = trial(replicates=replicates, seed=seed)
        wrong += [bool(differing(one)) for one in all_of(runs)]
    assert (wrong / 200 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)).all()
