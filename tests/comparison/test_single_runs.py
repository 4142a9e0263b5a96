"""One run a time: the spread about smooth courses, and what a plausible variation would undo."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize_scalar

from psdstats.comparison.courses import OrderedRemark, of_single_runs, read_courses, with_undoing
from psdstats.comparison.ordered import ordered_question, stop_flags
from psdstats.comparison.spread import smooth_spread
from psdstats.findings import Ending, Verdict
from psdstats.models.judged import StudentJudged
from psdstats.models.verdicts import VerdictRemark

TIMES = np.array([0.0, 5.0, 10.0, 20.0, 40.0, 80.0])


def asked(times=TIMES):
    names = [f"{t:g}" for t in times]
    return ordered_question(
        [(one, "") for one in names], lambda t, _: np.eye(len(names))[names.index(t)]
    )


def judged(y, sd, df, question):
    """Raw contrasts of single runs with one spread: y (..., n), sd (...)."""
    rows = question.question.contrasts
    norm = np.sqrt((rows**2).sum(axis=1))
    return StudentJudged(
        estimate=y @ rows.T,
        se=np.multiply.outer(np.asarray(sd), norm),
        df=df,
        correlation=rows @ rows.T / np.outer(norm, norm),
    )


def course_of(y, sd, df, times=TIMES, **options):
    question = asked(times)
    ((course,), _) = read_courses(judged(y, sd, df, question), question, **options)
    return course


# ------------------------------------------------------------------ spread


def test_the_mean_of_the_two_smallest_residuals():
    """Against least squares of its own: polynomials, and the rate sought between grid points."""
    y = np.array([6.0, 5.8, 5.75, 5.5, 5.42, 5.31])
    scales = (np.sqrt(TIMES), np.log1p(TIMES / 5.0))
    sums = [((y - np.polyval(np.polyfit(z, y, 2), z)) ** 2).sum() for z in scales]

    def approach(log_rate):
        z = np.exp(-np.exp(log_rate) * TIMES)
        return ((y - np.polyval(np.polyfit(z, y, 1), z)) ** 2).sum()

    sums.append(minimize_scalar(approach, bounds=(-6.0, -0.7), method="bounded").fun)
    expected = np.sqrt(np.mean(np.sort(sums)[:2]) / 3)
    sd, df = smooth_spread([TIMES], [y])
    assert df == 3.0
    assert sd == pytest.approx(expected, rel=2e-3)


def test_smooth_courses_leave_little():
    assert smooth_spread([TIMES], [np.full(6, 5.9)])[0] < 1e-12
    for fall in (0.1 * np.sqrt(TIMES), 0.3 * np.log1p(TIMES / 5.0), 1 - np.exp(-0.05 * TIMES)):
        assert smooth_spread([TIMES], [6.0 - fall])[0] < 0.04 * fall[-1]


def test_courses_are_pooled_by_their_degrees_of_freedom():
    rng = np.random.default_rng(1)
    y, short = rng.normal(0.0, 0.03, 6), rng.normal(0.0, 0.03, 4)
    (one, f), (two, g) = smooth_spread([TIMES], [y]), smooth_spread([TIMES[:4]], [short])
    both, df = smooth_spread([TIMES, TIMES[:4]], [y, short])
    assert df == f + g == 4.0
    assert both**2 == pytest.approx((3 * one**2 + two**2) / 4)
    assert smooth_spread([TIMES, TIMES[:3]], [y, short[:3]]) == (one, f)


def test_fewer_than_four_times_say_nothing():
    assert smooth_spread([TIMES[:3]], [np.array([6.0, 5.8, 5.7])]) is None
    assert smooth_spread([], []) is None


def test_the_spread_does_not_depend_on_the_unit_of_time_or_size():
    y = np.array([6.0, 5.8, 5.75, 5.5, 5.42, 5.31])
    sd, _ = smooth_spread([TIMES], [y])
    assert smooth_spread([60 * TIMES], [3 * y + 1])[0] == pytest.approx(3 * sd)


@pytest.mark.parametrize("bend", ["flat", "breakage", "level"])
def test_errors_of_single_runs_are_rare(bend):
    """400 benches a course: a bound of the fall too high, or "little left" where 5 % was."""
    course = {
        "flat": np.zeros(6),
        "breakage": np.log(150 + 270 * np.exp(-0.06 * TIMES)),
        "level": np.array([0.0, -0.4, -0.7, -0.75, -0.75, -0.75 + np.log(0.95)]),
    }[bend]
    rng, question, sets = np.random.default_rng(2), asked(), 400
    y = course + rng.normal(0.0, 0.025, (sets, 6))
    sd = np.array([smooth_spread([TIMES], [one])[0] for one in y])
    (rows,) = question.courses
    law = judged(y, sd, 3.0, question)
    bound = -rows.change.some([-1]).upper(law, 0.05)[:, 0]
    assert (bound > course[0] - course[-1] + 1e-12).mean() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / sets)
    if bend == "level":
        (stop,) = stop_flags(law, question, 5.0, 0.05, 0.01)
        assert stop.little[:, -1].mean() < 0.05
    if bend == "breakage":
        assert (bound > 0.7).mean() > 0.9  # of 1.03


# ------------------------------------------------------------------ what single runs can say


def test_four_times_say_fallen_by_the_end_alone():
    times = TIMES[:4]
    course = course_of(np.array([0.0, -2.0, -3.0, -3.001]), 0.02, 1.0, times, margin_percent=60)
    assert course.shown == (True, True, True)
    assert course.stop.ending is Ending.LITTLE_LEFT
    told = of_single_runs(course, 4)
    assert told.shown == (False, False, True)
    assert told.since == "20"
    assert told.at_least[-1] == course.at_least[-1]
    assert np.isnan(told.at_least[:-1]).all()
    assert told.stop.ending is Ending.CANNOT_BE_TOLD
    assert told.stop.reasons == (OrderedRemark.FEW_SINGLE_RUNS(runs=4),)
    assert (told.stop.since, told.stop.stayed_within) == (None, None)
    flat = of_single_runs(course_of(np.zeros(4), 0.02, 1.0, times), 4)
    assert (flat.since, flat.shown) == (None, (False, False, False))


def test_more_times_say_what_would_tell():
    falls = of_single_runs(course_of(-np.arange(6.0), 0.02, 3.0), 6)
    assert falls.stop.ending is Ending.STILL_FALLING
    assert falls.stop.reasons == ()
    level = course_of(np.array([0.0, -0.4, -0.7, -0.8, -0.8, -0.8]), 0.05, 3.0)
    told = of_single_runs(level, 6)
    assert told.stop.ending is Ending.CANNOT_BE_TOLD
    assert told.stop.reasons == (OrderedRemark.SINGLE_RUNS(),)
    assert told.shown == level.shown


@pytest.mark.parametrize("runs", [4, 6])
def test_sizes_beyond_the_sieves_stay_the_first_reason(runs):
    level = course_of(np.array([0.0, -0.4, -0.7, -0.8, -0.8, -0.8]), 0.05, 3.0)
    sieves = OrderedRemark.BEYOND_SIEVES(quantity="D10", times=("40", "60"))
    level = replace(level, stop=replace(level.stop, reasons=(sieves,)))
    alone = OrderedRemark.FEW_SINGLE_RUNS(runs=4) if runs == 4 else OrderedRemark.SINGLE_RUNS()
    assert of_single_runs(level, runs).stop.reasons == (sieves, alone)


# ------------------------------------------------------------------ undone


def undone(y, *, by_drift=False, sd=0.001, allowed=0.05, percent=3.3, **options):
    """By the measurement alone, and with run-to-run variation allowed for."""
    return with_undoing(
        course_of(np.asarray(y), sd, np.inf, **options),
        course_of(np.asarray(y), np.hypot(sd, allowed), np.inf, **options),
        percent,
        by_drift=by_drift,
    )


def test_a_large_fall_stands_and_says_what_would_undo_it():
    course = undone([0.0, -0.02, -0.3, -0.6, -0.9, -1.0], percent=29.0)
    assert course.fallen.verdict is Verdict.CHANGED
    assert course.fallen.reasons == (VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=29.0),)
    assert course.shown == (False, True, True, True, True)
    assert course.since == "10"
    assert np.isnan(course.at_least[0])
    assert course.at_least[-1] > 0.99  # by the measurement, as the verdict says


@pytest.mark.parametrize("by_drift", [False, True])
def test_a_small_fall_is_undone(by_drift):
    course = undone([0.0, 0.0, -0.01, -0.02, -0.03, -0.04], by_drift=by_drift)
    kind = VerdictRemark.UNDONE_BY_DRIFT if by_drift else VerdictRemark.UNDONE
    assert course.fallen.verdict is Verdict.CANNOT_BE_TOLD
    assert course.fallen.reasons == (kind(percent=3.3),)
    assert course.since is None
    assert not any(course.shown)
    assert np.isnan(course.at_least).all()
    assert course.stop.ending is Ending.CANNOT_BE_TOLD
    assert course.stop.reasons == (kind(percent=3.3),)


@pytest.mark.parametrize(
    ("end", "before"),
    [
        ([-0.8, -0.8], Ending.LITTLE_LEFT),
        ([-0.8, -0.85], Ending.STILL_FALLING),
        ([-0.85, -0.8], Ending.COARSER_AGAIN),
    ],
)
def test_the_end_is_undone_although_the_fall_is_not(end, before):
    y = np.array([0.0, -0.2, -0.4, -0.6, *end])
    assert course_of(y, 0.001, np.inf).stop.ending is before
    course = undone(y, percent=20.0)
    assert course.fallen.verdict is Verdict.CHANGED
    stop = course.stop
    assert stop.ending is Ending.CANNOT_BE_TOLD
    assert stop.reasons == (VerdictRemark.UNDONE(percent=20.0),)
    assert (stop.since, stop.stayed_within, stop.coarser_after) == (None, None, ())
    assert np.isnan(stop.gain_at_least)


def test_an_end_that_stands_is_told_as_the_variation_allows():
    course = undone([0.0, -0.2, -0.4, -0.6, -0.8, -1.2], percent=20.0)
    assert course.stop.ending is Ending.STILL_FALLING
    wide = np.hypot(0.001, 0.05) * np.sqrt(2.0)
    least = 0.4 - stats.norm.isf(0.005) * wide
    assert course.stop.gain_at_least == pytest.approx(least)


@pytest.mark.parametrize(("plain", "allowed"), [(0.02, 0.05), (0.05, 0.02)])
def test_limits_are_those_of_the_wider_law(plain, allowed):
    """Drift that is allowed for may also explain scatter, and leave less of it."""
    y = np.array([0.0, -0.2, -0.4, -0.6, -0.9, -1.0])
    laws = [course_of(y, sd, np.inf) for sd in (plain, allowed)]
    told = with_undoing(*laws, 29.0, by_drift=True)
    wider = course_of(y, 0.05, np.inf)
    assert told.at_least == wider.at_least
    assert told.fallen.numbers == wider.fallen.numbers
    assert told.fallen.verdict is Verdict.CHANGED
    assert np.isfinite(told.at_least).all()


def test_no_change_by_drift_says_that_drift_is_unknown():
    course = undone(np.zeros(6), sd=0.02, by_drift=True, allowed=0.015, percent=0.0)
    assert course.fallen.verdict is Verdict.NOT_SHOWN
    assert course.fallen.reasons == (VerdictRemark.DRIFT_UNKNOWN(percent=0.0),)


def test_equivalence_is_undone_too():
    course = undone([0.0, -0.2, -0.1, -0.1, -0.05, 0.0], margin_percent=5)
    assert course.fallen.verdict is Verdict.CANNOT_BE_TOLD
    assert course.fallen.within_margin is True
