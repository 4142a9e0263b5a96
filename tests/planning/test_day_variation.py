"""Days whose steps vary: the plan itself without spread, one step against scipy, seeds, words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from psdstats.errors import PlanError
from psdstats.planning.bench import BenchTimes, timeline
from psdstats.planning.bench.timeline import vary_day
from psdstats.words.planning import timeline_sentences

MINUTES = st.sampled_from([0.0, 1.0, 3.0, 5.0, 12.5])
BENCHES = st.builds(
    BenchTimes,
    load_charge_min=MINUTES,
    sample_min=MINUTES,
    empty_mill_min=MINUTES,
    weigh_empty_min=MINUTES,
    load_stack_min=MINUTES,
    shake_min=MINUTES,
    weigh_full_min=MINUTES,
    clean_sieves_min=MINUTES,
    tares_once=st.booleans(),
    spread_percent=st.just(0.0),
)
TIMES = st.lists(st.integers(0, 30), min_size=1, max_size=4, unique=True).map(sorted)


@settings(max_examples=100, deadline=None)
@given(times=TIMES, charges=st.integers(1, 3), bench=BENCHES, fresh=st.booleans())
def test_without_spread_every_day_is_the_plan(times, charges, bench, fresh):
    plan = timeline(
        times, charges=charges, bench=bench, fresh_charge_each_time=fresh, simulated_days=100
    )
    for day in plan.days:
        planned = [one.end_min for one in day.placed]
        assert day.variation.step_end_min == pytest.approx(np.tile(planned, (100, 1)))
    assert plan.to_frame()["late_end_min"].to_numpy() == pytest.approx(
        plan.to_frame()["end_min"].to_numpy()
    )
    assert not any("9 of 10" in line for line in timeline_sentences(plan))


def test_one_varying_step_ends_as_the_lognormal_says():
    """Only loading takes time, 60 min ± 20 %: the day's end is that step's own law."""
    bench = BenchTimes(
        load_charge_min=60,
        sample_min=0,
        empty_mill_min=0,
        weigh_empty_min=0,
        load_stack_min=0,
        shake_min=0,
        weigh_full_min=0,
        clean_sieves_min=0,
        spread_percent=20,
    )
    day = timeline([0], bench=bench, simulated_days=20_000).days[0]
    law = stats.lognorm(np.sqrt(np.log(1.04)), scale=60 / np.sqrt(1.04))
    assert law.mean() == pytest.approx(60.0)
    assert stats.kstest(day.variation.end_min, law.cdf).pvalue > 0.001
    expected = law.ppf(0.9)
    # standard error of a quantile: √(p q/n) over the density there
    error = np.sqrt(0.09 / 20_000) / law.pdf(expected)
    assert day.variation.late_end_min == pytest.approx(expected, abs=4 * error)
    assert day.variation.share_over(expected) == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / 20_000))


def test_hands_on_steps_in_a_row_add_their_variances():
    """One sample, no machine: eight steps one after another, normal to a good approximation."""
    bench = BenchTimes(shake_min=0, spread_percent=15)
    day = timeline([0], bench=bench, simulated_days=20_000).days[0]
    minutes = np.array([one.step.duration_min for one in day.placed if one.step.attended])
    assert day.variation.end_min.mean() == pytest.approx(minutes.sum(), rel=2e-3)
    sd = 0.15 * np.sqrt((minutes**2).sum())
    assert day.variation.end_min.std() == pytest.approx(sd, rel=0.03)
    assert day.variation.late_end_min == pytest.approx(minutes.sum() + 1.2816 * sd, rel=5e-3)


def test_machines_keep_their_time_and_samples_their_order():
    plan = timeline([0, 6, 12, 24], charges=2, simulated_days=200)
    day = plan.days[0]
    ends = day.variation.step_end_min
    steps = [one.step for one in day.placed]
    number = {(s.what, s.charge, s.sample_time_min): k for k, s in enumerate(steps)}
    for step in steps:
        if step.what == "shake":
            loaded = ends[:, number["load the stack", step.charge, step.sample_time_min]]
            shaken = ends[:, number["shake", step.charge, step.sample_time_min]]
            taken = ends[:, number["take sample", step.charge, step.sample_time_min]]
            assert shaken - loaded == pytest.approx(np.full(200, step.duration_min))
            assert (loaded >= taken).all()


def test_a_seed_gives_one_plan_and_days_differ():
    first, again, other = (
        timeline([0, 6], charges=4, day_min=150, simulated_days=100, seed=seed)
        for seed in (1, 1, 2)
    )
    assert first.to_frame().equals(again.to_frame())
    assert not first.to_frame().equals(other.to_frame())
    one, two = (day.variation.end_min for day in first.days[:2])
    assert not np.allclose(one, two)


def test_lateness_is_told_with_the_working_day():
    text = " ".join(timeline_sentences(timeline([0, 6, 12, 24, 48], day_min=210, seed=5)))
    assert "ends by " in text
    assert "on 9 of 10 days (planned 11:55)" in text
    assert "% of days are longer than 3 h 30 min" in text
    assert "seed 5" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"simulated_days": 10}, "simulated days is 10"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_refusals_name_the_value(options, words):
    with pytest.raises(PlanError, match=words):
        timeline([0, 6], **options)
    with pytest.raises(PlanError, match="the spread of the steps is -1;"):
        vary_day(timeline([0]).days[0].placed, spread_percent=-1, days=100, seed=0)
    with pytest.raises(PlanError, match="spread_percent is -5; give a number"):
        BenchTimes(spread_percent=-5)
