"""The answer in plain words: what it says in each kind of outcome."""

import numpy as np
import pytest

from psdstats.words.comparison import headlines

TIMES = (0.0, 6.0, 24.0, 48.0)


def _headlines(planted, means, *, scatter=0.01, levels=TIMES, name="milling_time_min", **options):
    noise = np.tile([-scatter, 0.0, scatter], len(levels))
    rows = [{name: level} for level in levels for _ in range(3)]
    return headlines(planted(rows, np.repeat(means, 3) + noise, by=name, **options))


def test_change_that_stops_names_the_last_step(planted):
    """Means fall by 0.2 at 6 and 24 min, then stay: ratio exp(-0.4) = 0.670 in the end."""
    test, change, step = _headlines(planted, [5.4, 5.2, 5.0, 5.0])
    assert test.startswith("Milling time changed D50 (F(3, 8.0) = ")
    assert change.startswith("D50 at 48 min against 0 min: changed, ratio 0.670")
    assert step.startswith(
        "D50: the last step shown to change it is from 6 to 24 min (−18.1 %); in later steps no "
        "change was shown, where a decrease of "
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


def test_change_spread_over_the_steps(planted):
    """Steps of 0.02, standard error 0.01 sqrt(2/3) = 0.0082: t = 2.4 for a step, 7.3 in all."""
    *_, step = _headlines(planted, [5.06, 5.04, 5.02, 5.0])
    assert step == (
        "D50: no single step was shown to change it; the change is spread over several."
    )


def test_one_level_of_many_that_the_overall_test_misses(planted):
    """One of nine levels is 0.0265 below the others: t = 0.0265/0.00816 = 3.2, beyond the two-sided
    Dunnett 5 % value of about 2.9 (8 comparisons, 18 degrees of freedom; from memory), while F is
    3 · 0.0265² · (8/9) / 8 / 0.01² = 2.34, short of 2.51.
    """
    levels = tuple(float(6 * k) for k in range(9))
    means = [5.0, 5.0, 5.0, 5.0, 4.9735, 5.0, 5.0, 5.0, 5.0]
    first, changed, last, *_ = _headlines(planted, means, levels=levels)
    assert first.startswith(
        "D50 changed at 24 min against 0 min, although the test of all levels at once did not show "
        "it (F(8, 18.0) = "
    )
    assert first.endswith(
        "): that test spreads over levels that changed little, so the single verdicts lead, which "
        "already allow for having looked at several."
    )
    assert changed.startswith("D50 at 24 min against 0 min: changed, ratio 0.974")
    assert last.startswith("D50 at 48 min against 0 min: not shown, ratio 1.000")


def test_overall_difference_that_no_level_shows(planted):
    """The first level lies between the others, so these differ among themselves alone."""
    first, *_ = _headlines(planted, [5.0, 5.015, 4.985, 5.015])
    assert first.startswith("Milling time changed D50 (F(3, 8.0) = ")
    assert first.endswith(
        "): the levels are not all alike, but no level is shown to differ from the first; the "
        "single verdicts lead, since this test cannot say which levels differ."
    )


def test_overall_difference_where_the_first_level_has_no_size(planted):
    first, *_ = _headlines(planted, [np.nan, 5.2, 5.0, 4.8])
    assert "the levels are not all alike, but none can be compared with the first" in first


def test_step_that_changed_where_no_level_differs_from_the_first(planted):
    *_, step = _headlines(planted, [5.0, 5.019, 4.981, 5.0])
    assert step.startswith(
        "D50: the last step shown to change it is from 6 to 24 min (−3.7 %), although no level is "
        "shown to differ from the first, which leads; in later steps"
    )


def test_level_of_the_test_is_the_level_asked_for(planted):
    """F(3, 8) is about 5: p is between 0.01 and 0.05."""
    means = 5.0 + np.array([0.0, 0.02, 0.0, 0.02])
    usual, *_ = _headlines(planted, means, scatter=0.018)
    strict, *_ = _headlines(planted, means, scatter=0.018, level=0.999)
    assert "was not shown" in strict
    assert ("changed" in usual) == (float(usual.split("p = ")[1].rstrip(").")) < 0.05)


def test_later_steps_that_cannot_be_judged(planted):
    means = np.array([5.4, 5.2, 5.0, np.nan])
    _, seen, last, step = _headlines(planted, means)
    assert seen.startswith("D50 at 24 min against 0 min: changed, ratio 0.670")
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
    first, *_ = headlines(planted(rows, [5.0 + gap, 5.0], 1e-4 * np.eye(2)))
    assert first.startswith(f"D50: the single runs at the levels of milling time {says}")
    assert "chi-square(1) = " in first
