"""The answer in plain words: what it says in each kind of outcome."""

import numpy as np
import pytest
from scipy import stats

from psdstats.findings import Ending
from psdstats.words.comparison import headlines

TIMES = (0.0, 6.0, 24.0, 48.0)


def _headlines(planted, means, *, scatter=0.01, levels=TIMES, name="milling_time_min", **options):
    noise = np.tile([-scatter, 0.0, scatter], len(levels))
    rows = [{name: level} for level in levels for _ in range(3)]
    return headlines(planted(rows, np.repeat(means, 3) + noise, by=name, **options))


def test_change_that_stops_is_told_first_and_says_enough(planted):
    """Means fall by 0.2 at 6 and 24 min, then stay: ratio exp(-0.4) = 0.670 in the end."""
    fallen, since, stop = _headlines(planted, [5.4, 5.2, 5.0, 5.0])
    assert fallen.startswith("By 48 min D50 fell from 221.4 to 148.41 µm, by 33 % (at least ")
    assert since == "D50 is finer than at 0 min from 6 min on."
    assert stop.startswith("Less than 5 % of D50 was left to gain from 24 min to the end of the ")


def test_change_that_goes_on_says_so_and_what_to_do(planted):
    *_, stop, advice = _headlines(planted, [5.4, 5.2, 5.0, 4.8])
    assert stop.startswith("D50 was still falling at the end: the last step (24 to 48 min)")
    assert "mill longer than 48 min" in advice


def test_no_change_at_all(planted):
    fallen, stop, test = _headlines(planted, [5.0, 5.0, 5.0, 5.0])
    assert fallen.startswith("D50 is not shown to have fallen by 48 min: ")
    assert stop.startswith("Less than 5 % of D50 was left to gain from 0 min to the end of the ")
    assert test.startswith("All levels of milling time at once: D50 is not shown to change (p ")


def test_change_spread_over_the_steps(planted):
    """Steps of 0.02, standard error 0.01 sqrt(2/3) = 0.0082: t = 2.4 for a step, 7.3 in all."""
    fallen, *_ = _headlines(planted, [5.06, 5.04, 5.02, 5.0])
    assert fallen.startswith("By 48 min D50 fell from 157.6 to 148.41 µm, by 5.8 % (at least ")


def test_the_test_of_all_levels_says_on_which_it_rests(planted):
    *_, test = _headlines(planted, [5.0, 5.0, 5.0, np.nan])
    head = "All levels of milling time within the sieves (0, 6 and 24 min) at once: "
    assert test.startswith(f"{head}D50 is not shown to change (p ")


def test_one_level_of_many_that_the_overall_test_misses(planted):
    """One of nine levels is 0.0265 below the others: t = 0.0265/0.00816 = 3.2, beyond the two-sided
    Dunnett 5 % value of about 2.9 (8 comparisons, 18 degrees of freedom; from memory), while F is
    3 · 0.0265² · (8/9) / 8 / 0.01² = 2.34, short of 2.51.
    """
    levels = tuple(float(6 * k) for k in range(9))
    means = [5.0, 5.0, 5.0, 5.0, 4.9735, 5.0, 5.0, 5.0, 5.0]
    *_, test = _headlines(planted, means, levels=levels)
    assert f"D50 is not shown to change (p = {stats.f.sf(2.34, 8, 18):.2g})" in test
    assert test.endswith("this test spreads over levels that changed little and misses what single "
                         "ones do.")  # fmt: skip


def test_overall_difference_that_no_level_shows(planted):
    """The first level lies between the others, so these differ among themselves alone."""
    _, _, test = _headlines(planted, [5.0, 5.015, 4.985, 5.015])
    assert "D50 changed (p = " in test
    assert test.endswith("cannot say which levels differ, and no single one is shown to.")


def test_coarser_at_the_end_than_before(planted):
    """24 min lies 0.030 below the end: t = 0.030/0.00816 = 3.7 with 8 degrees of freedom."""
    _, stop, *_ = _headlines(planted, [5.0, 5.015, 4.985, 5.015])
    assert stop.startswith("D50 got coarser again: ")
    assert "than at 24 min" in stop


def test_without_a_first_size_the_course_starts_at_the_next(planted):
    fallen, since, *_ = _headlines(planted, [np.nan, 5.2, 5.0, 4.8])
    assert fallen.startswith("By 48 min D50 fell from 181.3 to 121.51 µm, by ")
    assert since == "D50 is finer than at 6 min from 24 min on."


def test_without_a_last_size_the_course_ends_before(planted):
    fallen, *_ = _headlines(planted, [5.4, 5.2, 5.0, np.nan])
    assert fallen.startswith("By 24 min D50 fell from 221.4 to 148.4 µm, by ")


def test_level_of_the_test_is_the_level_asked_for(planted):
    """Two of four levels 0.05 higher, t = 3.4 with 8 degrees of freedom: F is between the 5 % and
    the 0.1 % value of scipy.
    """
    means = 5.0 + np.array([0.0, 0.05, 0.0, 0.05])
    *_, usual = _headlines(planted, means, scatter=0.018)
    *_, strict = _headlines(planted, means, scatter=0.018, level=0.999)
    f = 3 * 0.025**2 * 4 / 3 / 0.018**2
    assert stats.f.isf(0.05, 3, 8) < f < stats.f.isf(0.001, 3, 8)
    assert "D50 changed" in usual
    assert "is not shown to change" in strict


def test_a_few_pairs_are_told_one_by_one(planted):
    *pairs, test = _headlines(
        planted, [5.0, 5.2, 5.2], levels=("Alder", "Birch", "Cedar"), name="group"
    )
    assert test.startswith("All levels of group at once: D50 differs")
    starts = (
        "D50 of group Birch is 22.1 % higher than that of group Alder",
        "D50 of group Cedar is 22.1 % higher than that of group Alder",
        "D50 of group Cedar is not shown to differ from that of group Birch",
    )
    assert all(map(str.startswith, pairs, starts))


def test_many_pairs_are_counted_and_the_changed_ones_told(planted):
    count, *changed, _ = _headlines(
        planted, [5.0, 5.2, 5.2, 5.2], levels=("Alder", "Birch", "Cedar", "Rowan"), name="group"
    )
    assert count == "Of 6 pairs in D50, 3 changed and 3 are not shown to differ."
    assert len(changed) == 3
    assert all("% higher than that of group Alder" in sentence for sentence in changed)


@pytest.mark.parametrize("gap", [0.3, 0.0])
def test_single_runs_are_said_to_rest_on_the_measurement(planted, gap):
    rows = [{"milling_time_min": time} for time in (0.0, 24.0)]
    found = planted(rows, [5.0 + gap, 5.0], 1e-4 * np.eye(2))
    last = headlines(found)[-1]
    assert ("Run-to-run variation was not estimated" in found.summary()) == bool(gap)
    assert "Repeat runs of one kind, or declare how far they differ" in found.summary()
    assert ("D50 is not shown to change by more than measured (p " in last) == (gap == 0.0)
    # what two runs alike may well differ by (5 %) is allowed for
    stop = found["D50"].courses[0].stop
    assert stop.ending is (Ending.STILL_FALLING if gap else Ending.CANNOT_BE_TOLD)
    if gap:
        assert stop.gain_at_least < gap - stats.norm.ppf(0.95) * np.sqrt(2e-4)
