"""Timeline: one of each resource, order of steps, and length against every other order."""

from __future__ import annotations

from datetime import datetime
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from psdstats.errors import PlanError
from psdstats.planning.bench import BenchTimes, timeline
from psdstats.planning.bench.schedule import (
    least_possible_min,
    mill_chain,
    shortest_schedule,
    sieve_chain,
)
from psdstats.words.planning import BENCH_CAUTIONS

MINUTES = st.sampled_from([0.0, 1.0, 2.0, 3.0, 5.0, 8.0, 12.5])
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
)
TIMES = st.lists(st.integers(0, 30), min_size=1, max_size=5, unique=True).map(sorted)


@settings(max_examples=150, deadline=None)
@given(times=TIMES, charges=st.integers(1, 3), bench=BENCHES, fresh=st.booleans())
def test_no_resource_is_in_two_places_at_once(times, charges, bench, fresh):
    plan = timeline(times, charges=charges, bench=bench, fresh_charge_each_time=fresh)
    for _, rows in plan.uses_frame().groupby(["day", "resource"]):
        busy = rows[rows["end_min"] > rows["start_min"]].sort_values("start_min")
        assert (busy["start_min"].to_numpy()[1:] >= busy["end_min"].to_numpy()[:-1] - 1e-9).all()


@settings(max_examples=100, deadline=None)
@given(times=TIMES, charges=st.integers(1, 3), bench=BENCHES, fresh=st.booleans())
def test_a_sample_is_taken_before_it_is_sieved_and_the_set_milling_time_is_kept(
    times, charges, bench, fresh
):
    frame = timeline(times, charges=charges, bench=bench, fresh_charge_each_time=fresh).to_frame()
    key = ["charge", "sample_time_min"]
    taken = frame[frame["step"] == "take sample"].set_index(key)["end_min"]
    loaded = frame[frame["step"] == "load the stack"].set_index(key)["start_min"]
    assert len(taken) == len(loaded) == charges * len(times)
    assert (loaded >= taken.reindex(loaded.index) - 1e-9).all()
    milled = frame[frame["step"] == "mill"]
    lengths = (milled["end_min"] - milled["start_min"]).groupby(milled["charge"]).sum()
    if lengths.size:
        assert lengths.to_numpy() == pytest.approx(sum(times) if fresh else times[-1])


def _chains(times, charges, bench):
    names = [str(number) for number in range(charges)]
    mill = [
        step
        for number, name in enumerate(names)
        for step in mill_chain(name, times, bench, first_sample=number * len(times))
    ]
    return mill, sieve_chain([(name, time) for name in names for time in times], bench)


def _shortest_by_trying_every_order(mill, sieves):
    """Walk step by step through every order of the attended steps, keeping no fronts."""
    made = {step.makes: number for number, step in enumerate(mill) if step.makes is not None}

    @cache
    def walk(a, b, free, ready_a, ready_b):
        if a < len(mill) and not mill[a].attended:
            return walk(a + 1, b, free, ready_a + mill[a].duration_min, ready_b)
        if b < len(sieves) and not sieves[b].attended:
            return walk(a, b + 1, free, ready_a, ready_b + sieves[b].duration_min)
        ends = []
        if a < len(mill):
            end = max(free, ready_a) + mill[a].duration_min
            ends.append(walk(a + 1, b, end, end, ready_b))
        if b < len(sieves) and (sieves[b].needs is None or made[sieves[b].needs] < a):
            end = max(free, ready_b) + sieves[b].duration_min
            ends.append(walk(a, b + 1, end, ready_a, end))
        return min(ends) if ends else max(free, ready_a, ready_b)

    return walk(0, 0, 0.0, 0.0, 0.0)


@settings(max_examples=80, deadline=None)
@given(
    times=st.lists(st.integers(0, 30), min_size=1, max_size=3, unique=True).map(sorted),
    charges=st.integers(1, 2),
    bench=BENCHES,
)
def test_no_order_of_the_steps_is_shorter(times, charges, bench):
    mill, sieves = _chains(times, charges, bench)
    length = max(one.end_min for one in shortest_schedule(mill, sieves))
    assert length == pytest.approx(_shortest_by_trying_every_order(mill, sieves))
    assert length >= least_possible_min(mill, sieves) - 1e-9


@settings(max_examples=80, deadline=None)
@given(times=TIMES, charges=st.integers(1, 3), bench=BENCHES)
def test_a_chain_of_steps_without_gaps_fills_the_whole_length(times, charges, bench):
    """The critical path: from the last end back to zero, each step starts when another ends."""
    placed = shortest_schedule(*_chains(times, charges, bench))
    point = max(one.end_min for one in placed)
    while point > 1e-9:
        starts = [
            one.start_min
            for one in placed
            if abs(one.end_min - point) < 1e-9 and one.start_min < point - 1e-9
        ]
        assert starts
        point = min(starts)


def test_without_hands_on_time_the_critical_path_is_reached():
    bench = BenchTimes(
        load_charge_min=0,
        sample_min=0,
        empty_mill_min=0,
        weigh_empty_min=0,
        load_stack_min=0,
        weigh_full_min=0,
        clean_sieves_min=0,
        shake_min=10,
    )
    # milling 6, 6, 12, 24 with 10 min of shaking each: only the last shaking adds to the milling
    assert timeline([0, 6, 12, 24, 48], bench=bench).days[0].length_min == 58


def test_charges_move_to_the_next_day_when_the_day_is_full():
    plan = timeline([0, 6, 12, 24, 48], charges=5, day_min=480, start=datetime(2026, 3, 2, 8))
    assert all(day.length_min <= 480 for day in plan.days)
    assert [name for day in plan.days for name in day.charges] == [
        f"charge {number}" for number in range(1, 6)
    ]
    assert plan.days[1].start == datetime(2026, 3, 3, 8)
    with pytest.raises(PlanError, match="more than the day of 60 min"):
        timeline([0, 6, 12, 24, 48], day_min=60)


@pytest.mark.parametrize("times", [[], [6, 0], [0, 0]])
def test_times_out_of_order_are_refused(times):
    with pytest.raises(PlanError, match="increasing minutes"):
        timeline(times)
    with pytest.raises(PlanError, match="a milling time is -1; give a number from 0"):
        timeline([-1, 5])


def test_cautions_travel_with_the_plan():
    assert any("never leave a running mill" in line for line in BENCH_CAUTIONS)


@pytest.mark.parametrize(("fresh", "words"), [(False, "sampled at all times"), (True, "a fresh")])
def test_the_plan_says_what_to_write_into_the_column_charge(fresh, words):
    told = timeline([0, 6], fresh_charge_each_time=fresh).summary()
    assert f"filling of the jar{'' if fresh else ' is ' + words}" in told
    assert words in told
    assert "column charge" in told
