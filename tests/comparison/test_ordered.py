"""Fallen and since when, when to stop, does a factor matter: exact cases and error rates."""

import numpy as np
import pytest
from scipy import stats

from psdstats.comparison.courses import OrderedRemark, family_findings, read_courses
from psdstats.comparison.ordered import (
    Way,
    from_the_end,
    margins,
    one_course_flags,
    ordered_flags,
    ordered_question,
    with_handover,
)
from psdstats.findings import ContrastKind, Ending, FindingKind, Verdict
from psdstats.models.judged import StudentJudged

TIMES = ("0", "5", "10", "20", "40")
MARGIN = -np.log(0.95)


def question(levels=("",), times=TIMES, lost=(), **options):
    cells = [(t, w) for w in levels for t in times if (t, w) not in lost]
    return ordered_question(
        cells, lambda t, w: np.eye(len(cells))[cells.index((t, w))], quantity="D50", **options
    )


def judged(asked, means, *, se=0.02, df=np.inf, sets=()):
    """Means of cells with one standard error, independent; ``sets`` draws so many data sets."""
    rows, means = asked.question.contrasts, np.asarray(means, dtype=float)
    scale = np.broadcast_to(np.asarray(se, dtype=float), sets)
    norm = np.sqrt((rows**2).sum(axis=1))
    return StudentJudged(
        estimate=means @ rows.T,
        se=np.multiply.outer(scale, norm),
        df=df,
        correlation=rows @ rows.T / np.outer(norm, norm),
        jointly=asked.question.jointly,
    )


def drawn(asked, means, *, seed, sets=2000, se=0.02, df=9.0):
    rng = np.random.default_rng(seed)
    y = np.asarray(means) + rng.normal(0.0, se, (sets, len(means)))
    return judged(asked, y, se=se * np.sqrt(rng.chisquare(df, sets) / df), df=df, sets=(sets,))


def answer(asked, means, *, se=0.02, df=np.inf, **options):
    return read_courses(judged(asked, means, se=se, df=df), asked, **options)


# ------------------------------------------------------------------ rows


def test_each_row_stands_once_up_to_its_sign():
    asked = question(kinds=[ContrastKind.AGAINST_FIRST, ContrastKind.ALL_PAIRS])
    rows = asked.question.contrasts
    assert len(rows) == 10
    seen = {tuple(np.round(sign * row, 9)) for row in rows for sign in (1, -1)}
    assert len(seen) == 2 * len(rows)
    (course,) = asked.courses
    means = np.array([3.0, 2.0, 1.5, 1.1, 1.0])
    for own, expected in (
        (course.change, means[1:] - means[0]),
        (course.remaining, means[:-1] - means[-1]),
    ):
        np.testing.assert_allclose(own.signs * (rows @ means)[own.places], expected)


def test_a_time_missing_at_one_level_is_left_out_where_it_is_missing():
    asked = question(("5", "10"), lost=[("20", "10")], pairs=[("ball_ratio", "10", "5")])
    assert [one.times for one in asked.courses] == [TIMES, ("0", "5", "10", "40")]
    (factor,) = asked.factors
    assert (factor.start, factor.times) == ("0", ("5", "10", "40"))
    assert asked.tests == ("time", "factor", "interaction")
    assert [len(one) for one in asked.question.jointly] == [4 + 3, 4, 3]
    for one in asked.question.jointly:
        assert np.linalg.matrix_rank(asked.question.contrasts[list(one)]) == len(one)


def test_a_level_with_one_time_has_no_course_but_is_compared():
    lost = [(t, "10") for t in TIMES[1:]]
    asked = question(("5", "10"), lost=lost)
    assert [one.where for one in asked.courses] == ["5"]
    (factor,) = asked.factors
    assert (factor.start, factor.times) == ("0", ())
    courses, (found,) = answer(asked, [0, -0.3, -0.5, -0.6, -0.6, 0.2], margin_percent=5)
    assert courses[0].since == "5"
    assert (found.at, found.since, found.is_one_course) == ((), None, False)
    assert found.control.verdict is Verdict.CHANGED


def test_without_a_shared_first_time_there_is_no_control():
    asked = question(("5", "10"), lost=[("0", "10")])
    (factor,) = asked.factors
    assert (factor.start, factor.times) == ("", TIMES[1:])
    _, (found,) = answer(asked, [0, -0.3, -0.5, -0.6, -0.6, -0.3, -0.5, -0.6, -0.6])
    assert found.control.verdict is Verdict.CANNOT_BE_TOLD
    assert [one.verdict for one in found.at] == [Verdict.NOT_SHOWN] * 4


# ------------------------------------------------------------------ orders


def test_an_order_stops_at_its_first_failure():
    passed = np.array([[True, False, True, True], [True, True, True, False]])
    expected = [[False, False, True, True], [False, False, False, False]]
    np.testing.assert_array_equal(from_the_end(passed), expected)


def test_handover_by_hand():
    """Shares of 2.5 per cent; the first order is shown whole and hands 0.4 of its share on."""
    p = [np.array([0.001, 0.02]), np.array([0.03, 0.034])]
    first, second = with_handover(p, 0.05, kept=0.6)
    assert first.tolist() == [True, True]
    assert second.tolist() == [True, True]  # 0.025 + 0.4 · 0.025 = 0.035
    assert with_handover([p[0], np.array([0.036])], 0.05, kept=0.6)[1].tolist() == [False]
    assert with_handover([np.array([0.026, 0.02]), p[1]], 0.05, kept=0.6)[1].tolist() == [False] * 2
    assert with_handover([np.array([0.0]), np.array([0.049])], 0.05)[1].tolist() == [True]
    assert with_handover([np.empty(0), np.array([0.049])], 0.05)[1].tolist() == [True]
    assert with_handover([np.array([0.049])], 0.05)[0].tolist() == [True]


def one_by_one(p, alpha):
    """The same, an order at a time."""
    share, at = dict.fromkeys(range(len(p)), alpha / len(p)), [len(one) for one in p]
    while True:
        before = list(at), dict(share)
        for j in list(share):
            while at[j] and p[j][at[j] - 1] < share[j]:
                at[j] -= 1
            if at[j] == 0:
                given = share.pop(j)
                share = {k: v + given / len(share) for k, v in share.items()}
        if (list(at), dict(share)) == before:
            return [np.arange(len(one)) >= first for one, first in zip(p, at, strict=True)]


def test_handover_does_not_depend_on_who_is_asked_first():
    rng = np.random.default_rng(2)
    many = [rng.uniform(0.0, 0.06, (500, m)) ** 1.5 for m in (3, 2, 1)]
    found = with_handover(many, 0.05)
    for place in range(500):
        expected = one_by_one([one[place] for one in many], 0.05)
        for one, flags in zip(found, expected, strict=True):
            np.testing.assert_array_equal(one[place], flags)


# ------------------------------------------------------------------ falls


def test_last_time_alone_at_4_per_cent_and_its_pair_by_hand():
    """Standard error 0.02 √2; correlation ½ between changes."""
    asked = question(times=TIMES[:3])
    unit = 0.02 * np.sqrt(2.0)
    one = stats.norm.isf(0.04)
    bivariate = stats.multivariate_normal(cov=[[1, 0.5], [0.5, 1]])
    pair = next(c for c in np.arange(1.9, 2.2, 1e-4) if 1 - bivariate.cdf([c, c]) <= 0.04)
    for last, before, shown in (
        (one - 0.01, pair + 0.05, [False, False]),
        (one + 0.01, pair - 0.01, [False, True]),
        (one + 0.01, pair + 0.01, [True, True]),
    ):
        ((course,), _) = answer(asked, [0.0, -before * unit, -last * unit])
        assert list(course.shown) == shown
    # at the last, with the widest of both: below one pair, no bound above "more than 0"
    ((course,), _) = answer(asked, [0.0, -0.1, -0.3])
    assert course.at_least[1] == pytest.approx(0.3 - pair * unit, abs=1e-5)
    assert course.since == "5"
    assert course.fallen.verdict is Verdict.CHANGED
    assert course.fallen.kind is FindingKind.FALLEN
    assert course.fallen.numbers.estimate == pytest.approx(-0.3)
    assert course.fallen.numbers.upper == pytest.approx(-0.3 + stats.norm.isf(0.025) * unit)


def test_p_of_the_end_agrees_with_the_flag():
    asked = question()
    for end in np.linspace(0.0, -0.09, 10):
        ((course,), _) = answer(asked, [0.0, -0.01, -0.02, -0.03, end], df=7.0)
        assert course.shown[-1] == (course.fallen.numbers.p_adjusted < 0.05)
        assert (course.fallen.verdict is Verdict.CHANGED) == course.shown[-1]


def test_a_fall_that_is_lost_again_is_kept():
    asked = question()
    ((course,), _) = answer(asked, [0.0, -0.3, -0.3, -0.3, 0.0])
    assert course.shown == (True, True, True, False)
    assert course.since is None
    assert course.at_least[0] == pytest.approx(0.3 - 2.9685 * 0.02 * np.sqrt(2), abs=0.02)
    assert np.isnan(course.at_least[-1])
    assert course.stop.ending is Ending.COARSER_AGAIN
    assert course.stop.coarser_after == ("5", "10", "20")


def test_rising_is_falling_mirrored():
    means = np.array([0.0, -0.1, -0.3, -0.45, -0.46])
    down, up = question(), question(direction=Way.RISING)
    ((fell,), _), ((rose,), _) = answer(down, means, df=6.0), answer(up, -means, df=6.0)
    assert (rose.shown, rose.since) == (fell.shown, fell.since)
    np.testing.assert_allclose(rose.at_least, fell.at_least)
    assert rose.fallen.numbers.estimate == pytest.approx(-fell.fallen.numbers.estimate)
    assert rose.fallen.numbers.p == pytest.approx(fell.fallen.numbers.p)
    assert rose.stop.ending is fell.stop.ending
    assert margins(5.0, Way.RISING) == pytest.approx((np.log(1.05), np.log(1.05)))
    assert margins(5.0, Way.FALLING) == pytest.approx((MARGIN, np.log(1.05)))


def test_a_quantity_without_direction_is_judged_both_ways_and_never_stopped():
    asked = question(direction=Way.NONE)
    for sign in (1, -1):
        ((course,), _) = answer(asked, sign * np.array([0.0, 0.0, 0.1, 0.2, 0.3]))
        assert course.shown == (False, True, True, True)
        assert course.since == "10"
        assert course.stop is None
        assert np.isnan(course.at_least).all()


def test_two_times_only():
    asked = question(times=("0", "40"))
    ((course,), _) = answer(asked, [0.0, -0.2])
    assert course.shown == (True,)
    assert course.at_least[0] == pytest.approx(0.2 - stats.norm.isf(0.04) * 0.02 * np.sqrt(2))
    assert course.stop.ending is Ending.STILL_FALLING
    assert (course.stop.before, course.stop.last) == ("0", "40")


def any_false_fall(falls, truth):
    """Whether a time is shown that is not finer, or a bound lies above the true fall."""
    fall = -(np.asarray(truth)[1:] - truth[0])
    too_high = np.nan_to_num(falls.at_least, nan=-1.0) > fall + 1e-12
    return ((falls.shown & (fall <= 0.0)) | too_high).any(axis=-1)


COURSES = {
    "nothing happens": [0.0, 0.0, 0.0, 0.0, 0.0],
    "falls at the end": [0.0, 0.0, 0.0, 0.0, -0.05],
    "small falls": [0.0, -0.02, -0.04, -0.06, -0.08],
    "large falls": [0.0, -0.3, -0.5, -0.6, -0.6],
    "lost again": [0.0, -0.2, -0.2, -0.2, 0.0],
}


@pytest.mark.parametrize("truth", COURSES.values(), ids=COURSES)
def test_error_of_falls(truth):
    """2,000 sets: Monte Carlo error 0.49 per cent at 5."""
    asked = question()
    found = ordered_flags(drawn(asked, truth, seed=21), asked)
    assert any_false_fall(found.falls[0], truth).mean() <= 0.05 + 3 * 0.0049


@pytest.mark.parametrize("pattern", [(0, 0), (3, 0), (3, 1), (2, 4)])
def test_error_of_falls_at_two_levels_that_hand_over(pattern):
    """Bounds included: what one level hands on, its bound does not need."""
    truths = [list(COURSES.values())[k] for k in pattern]
    asked = question(("5", "10"))
    found = ordered_flags(drawn(asked, np.concatenate(truths), seed=22), asked)
    wrong = [any_false_fall(one, truth) for one, truth in zip(found.falls, truths, strict=True)]
    assert np.logical_or(*wrong).mean() <= 0.05 + 3 * 0.0049


# ------------------------------------------------------------------ stop


def test_stop_by_hand():
    """The last step alone at 4.5 per cent, the ones before at 2.5."""
    asked = question()
    unit = 0.005 * np.sqrt(2.0)
    last, other = stats.norm.isf(0.045) * unit, stats.norm.isf(0.025) * unit
    remaining = [0.9, 0.4, MARGIN - other - 1e-5, MARGIN - last - 1e-5]
    ((course,), _) = answer(asked, [*remaining, 0.0], se=0.005)
    stop = course.stop
    assert stop.ending is Ending.LITTLE_LEFT
    assert stop.since == "10"
    assert not stop.is_stated
    remaining[2] += 2e-5
    ((course,), _) = answer(asked, [*remaining, 0.0], se=0.005)
    assert course.stop.since == "20"
    remaining[3] = 0.045 + other
    ((course,), _) = answer(asked, [*remaining, 0.0], se=0.005)
    assert course.stop.ending is Ending.STILL_FALLING
    assert course.stop.gain_at_least == pytest.approx(0.045)
    assert np.isnan(course.stop.gain_at_most)


def test_bound_of_the_last_gain_above_the_margin_has_an_error_of_its_own():
    asked = question(times=("0", "40"))
    unit = 0.005 * np.sqrt(2.0)
    ((course,), _) = answer(asked, [0.0, -0.5], se=0.005)
    assert course.stop.gain_at_least == pytest.approx(0.5 - stats.norm.isf(0.005) * unit)
    ((course,), _) = answer(asked, [0.0, -MARGIN - 2.2 * unit], se=0.005)
    assert course.stop.gain_at_least == pytest.approx(MARGIN)


def test_what_cannot_be_told_has_an_upper_limit_and_says_what_would_tell():
    asked = question()
    ((course,), _) = answer(asked, [0.9, 0.5, 0.3, 0.0, 0.0], se=0.05)
    stop = course.stop
    assert stop.ending is Ending.CANNOT_BE_TOLD
    assert stop.gain_at_most == pytest.approx(stats.norm.isf(0.045) * 0.05 * np.sqrt(2))
    (reason,) = stop.reasons
    assert reason.kind is OrderedRemark.OUT_OF_REACH
    assert reason["times_as_many"] == pytest.approx(
        (2.5 * 0.05 * np.sqrt(2) / MARGIN) ** 2, abs=0.1
    )


def test_stayed_within_is_asked_beside():
    asked = question()
    ((course,), _) = answer(asked, [0.9, 0.5, -0.06, 0.0, 0.0], se=0.005, margin_percent=5)
    assert course.stop.coarser_after == ("10",)
    assert course.stop.since == "10"  # not more than the margin was left to gain
    assert course.stop.stayed_within == "20"
    assert course.stop.is_stated


@pytest.mark.parametrize(
    "left",
    [
        [0.7, 0.4, 0.25, MARGIN],
        [0.7, 0.4, MARGIN, 0.0],
        [0.7, MARGIN, MARGIN, 0.5 * MARGIN],
        [0.7, 0.4, 0.2, 0.0],
        [0.7, 0.4, 0.2, 1.2 * MARGIN],
        [0.7, 0.3, -np.log(1.05), 0.0],
    ],
)
def test_error_of_the_stop_question(left):
    """Every statement: left, still falling, its bound, the upper limit, stayed within."""
    asked = question()
    truth = np.array(left)
    found = ordered_flags(drawn(asked, [*left, 0.0], seed=24, se=0.015), asked).stops[0]
    wrong = (found.little & (truth >= MARGIN - 1e-9)).any(axis=-1)
    wrong |= found.falling & (truth[-1] <= 0.0)
    wrong |= np.nan_to_num(found.gain_at_least, nan=-1.0) > truth[-1] + 1e-12
    wrong |= np.nan_to_num(found.gain_at_most, nan=9.0) < truth[-1]
    wrong |= (found.within & (np.abs(truth) >= np.log(1.05) - 1e-9)).any(axis=-1)
    assert wrong.mean() <= 0.05 + 3 * 0.0049
    coarser = (found.coarser & (truth >= 0.0)).any(axis=-1)
    assert coarser.mean() <= 0.01 + 3 * 0.0022


# ------------------------------------------------------------------ factor


def test_factor_in_order_with_its_control():
    asked = question(("5", "10"), pairs=[("ball_ratio", "10", "5")])
    five = np.array([0.0, -0.3, -0.5, -0.6, -0.7])
    apart = np.array([0.0, 0.0, -0.03, -0.2, -0.3])
    _, (found,) = answer(asked, np.concatenate([five, five + apart]))
    assert (found.factor, found.high, found.low) == ("ball_ratio", "10", "5")
    assert found.since == "20"
    assert found.control.verdict is Verdict.NOT_SHOWN
    assert [one.subject.where for one in found.at] == list(TIMES[1:])
    assert [one.verdict is Verdict.CHANGED for one in found.at] == [False, False, True, True]
    assert found.at[-1].numbers.estimate == pytest.approx(-0.3)
    assert found.is_one_course is None
    differ = [one.numbers.p_adjusted < 0.05 for one in found.at]
    assert differ == [False, False, True, True]


@pytest.mark.parametrize("start", [0.0, -0.05])
def test_error_of_the_factor_question(start):
    asked = question(("5", "10"))
    five = np.array([0.0, -0.3, -0.5, -0.6, -0.7])
    sets = drawn(asked, np.concatenate([five, five + start * (five == 0.0)]), seed=25, se=0.008)
    (found,) = ordered_flags(sets, asked).factors
    wrong = found.differs.any(axis=-1) | (found.control & (start == 0.0))
    assert wrong.mean() <= 0.05 + 3 * 0.0049


def test_one_course_needs_every_interaction_within_the_margin():
    asked = question(("5", "10"))
    five = np.array([0.0, -0.3, -0.5, -0.6, -0.7])
    limit = np.log(1.05)
    _, (same,) = answer(asked, [*five, *five + 0.02], se=0.004, margin_percent=5)
    assert same.is_one_course is True
    apart = np.array([0.0, 0.0, 0.0, 0.0, limit])
    _, (other,) = answer(asked, [*five, *five + apart], se=0.004, margin_percent=5)
    assert other.is_one_course is False
    sets = drawn(asked, [*five, *five + apart], seed=26, se=0.008)
    assert one_course_flags(sets, asked, 5.0, 0.05)[0].mean() <= 0.05 + 3 * 0.0049


# ------------------------------------------------------------------ one family


def test_one_family_asks_for_the_end_first():
    asked = question(("5", "10"))
    fell, flat = [0.0, -0.3, -0.5, -0.6, -0.6], [0.0, -0.3, -0.5, -0.6, 0.0]
    courses, (factor,) = answer(asked, [*fell, *flat], one_family=True)
    assert [one.shown for one in courses] == [(False,) * 3 + (True,), (False,) * 4]
    assert courses[0].at_least[-1] == 0.0
    assert courses[0].stop.ending is Ending.CANNOT_BE_TOLD
    assert np.isnan(courses[0].stop.gain_at_most)
    assert factor.since is None
    assert [one.verdict for one in factor.at] == [Verdict.NOT_SHOWN] * 4
    courses, (factor,) = answer(
        asked, [*fell, *np.array(fell) - [0, 0, 0, 0.2, 0.4]], one_family=True
    )
    assert [one.since for one in courses] == ["5", "5"]
    assert courses[1].at_least[-1] > 0.9
    assert courses[1].stop.ending is Ending.STILL_FALLING
    assert factor.since == "20"


@pytest.mark.parametrize(
    ("five", "ten"),
    [
        (np.zeros(5), np.zeros(5)),
        ([0.0, 0.0, 0.0, 0.0, -0.5], [0.0, 0.0, 0.0, 0.0, -0.5]),
        ([MARGIN + 0.5, 0.4, 0.2, MARGIN, 0.0], [MARGIN + 0.5, 0.4, 0.2, MARGIN, 0.0]),
        ([0.5, 0.5, 0.2, MARGIN, 0.0], [0.5, 0.4, 0.2, 0.5, 0.5]),
    ],
)
def test_error_of_one_family(five, ten):
    asked = question(("5", "10"))
    sets = drawn(asked, [*five, *ten], seed=27, se=0.015)
    found = ordered_flags(sets, asked, one_family=True)
    wrong = np.zeros(2000, dtype=bool)
    for fall, stop, truth in zip(found.falls, found.stops, (five, ten), strict=True):
        left = np.asarray(truth)[:-1] - truth[-1]
        wrong |= any_false_fall(fall, truth)
        wrong |= (stop.little & (left >= MARGIN - 1e-9)).any(axis=-1)
        wrong |= stop.falling & (left[-1] <= 0.0)
    same = np.isclose(np.subtract(ten, five), 0.0)
    wrong |= (found.factors[0].differs & same[1:]).any(axis=-1)
    wrong |= found.factors[0].control & same[0]
    assert wrong.mean() <= 0.05 + 3 * 0.0049


# ------------------------------------------------------------------ the usual families


def test_families_hold_together_and_name_what_they_compare():
    asked = question(("5", "10"), times=TIMES[:3], kinds=[ContrastKind.AGAINST_FIRST])
    found = family_findings(
        judged(asked, [0.0, -0.3, -0.5, 0.0, -0.3, -0.9], df=8.0), asked, margin_percent=10
    )
    assert [one.subject.label for one in found] == [
        "5 - 0 at 5", "10 - 0 at 5", "5 - 0 at 10", "10 - 0 at 10",
    ]  # fmt: skip
    for one in found:
        numbers = one.numbers
        excludes = numbers.lower > 0.0 or numbers.upper < 0.0
        assert excludes == (numbers.p_adjusted < 0.05) == (one.verdict is Verdict.CHANGED)
        inside = max(-numbers.equivalence_lower, numbers.equivalence_upper) < np.log(1.1)
        assert inside == (numbers.equivalence_p < 0.05)
        low, high = numbers.detectable_low_percent, numbers.detectable_high_percent
        assert low < numbers.detectable_decrease_percent < high
