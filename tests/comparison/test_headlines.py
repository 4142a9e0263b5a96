"""The answer in plain words: what it says in each kind of outcome."""

import numpy as np
import pytest

TIMES = (0.0, 6.0, 24.0, 48.0)


def _headlines(planted, means, *, scatter=0.01, levels=TIMES, name="milling_time_min", **options):
    noise = np.tile([-scatter, 0.0, scatter], len(levels))
    rows = [{name: level} for level in levels for _ in range(3)]
    return planted(rows, np.repeat(means, 3) + noise, by=name, **options).headlines


def test_change_that_stops_names_the_last_step(planted):
    """Means fall by 0.2 at 6 and 24 min, then stay: ratio exp(-0.4) = 0.670 in the end."""
    test, change, step = _headlines(planted, [5.4, 5.2, 5.0, 5.0])
    assert test.startswith("Milling time changed D50 (F(3, 8.0) = ")
    assert change.startswith("D50 at 48 min against 0 min: changed, ratio 0.670")
    assert step.startswith(
        "D50: the last step shown to change it is from 6 to 24 min (−18.1 %); in later steps no "
        "change was shown, where a change of "
    )


def test_change_that_goes_on_says_so(planted):
    *_, step = _headlines(planted, [5.4, 5.2, 5.0, 4.8])
    assert step == (
        "D50: the last step shown to change it is from 24 to 48 min (−18.1 %); it had not stopped "
        "changing at the end of the trial."
    )


def test_no_change_at_all(planted):
    test, change, step = _headlines(planted, [5.0, 5.0, 5.0, 5.0])
    assert test.startswith("Milling time was not shown to change D50 (F(3, 8.0) = ")
    assert change.startswith("D50 at 48 min against 0 min: not shown, ratio 1.000")
    assert step == "D50: no single step was shown to change it."


def test_level_of_the_test_is_the_level_asked_for(planted):
    """F(3, 8) is about 5: p is between 0.01 and 0.05."""
    means = 5.0 + np.array([0.0, 0.02, 0.0, 0.02])
    usual, *_ = _headlines(planted, means, scatter=0.018)
    strict, *_ = _headlines(planted, means, scatter=0.018, level=0.999)
    assert "was not shown" in strict
    assert ("changed" in usual) == (float(usual.split("p = ")[1].rstrip(").")) < 0.05)


def test_later_steps_that_cannot_be_judged(planted):
    means = np.array([5.4, 5.2, 5.0, np.nan])
    _, last, step = _headlines(planted, means)
    assert last.endswith("D50 at 48 min is not bracketed by the sieves in 3 of 3 runs.")
    assert step.endswith("(−18.1 %); later steps cannot be judged.")


def test_a_few_pairs_are_told_one_by_one(planted):
    test, *pairs = _headlines(
        planted, [5.0, 5.2, 5.2], levels=("Alder", "Birch", "Cedar"), name="group"
    )
    assert test.startswith("Group changed D50")
    assert [pair.partition(":")[0] for pair in pairs] == [
        "D50 at group Birch against group Alder",
        "D50 at group Cedar against group Alder",
        "D50 at group Cedar against group Birch",
    ]


def test_many_pairs_are_counted_and_the_changed_ones_told(planted):
    _, count, *changed = _headlines(
        planted, [5.0, 5.2, 5.2, 5.2], levels=("Alder", "Birch", "Cedar", "Rowan"), name="group"
    )
    assert count == "D50: of 6 pairs, 3 changed, 3 not shown."
    assert len(changed) == 3
    assert all("against group Alder: changed" in sentence for sentence in changed)


@pytest.mark.parametrize(("gap", "says"), [(0.3, "differ by more"), (0.0, "were not shown to")])
def test_single_runs_are_said_to_rest_on_the_measurement(planted, gap, says):
    rows = [{"milling_time_min": time} for time in (0.0, 24.0)]
    first, *_ = planted(rows, [5.0 + gap, 5.0], 1e-4 * np.eye(2)).headlines
    assert first.startswith(f"D50: the single runs at the levels of milling time {says}")
    assert "chi-square(1) = " in first
