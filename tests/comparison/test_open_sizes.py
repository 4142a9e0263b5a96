"""Bounds stand in for open values: exact cases, less information never firmer, error rates."""

import itertools
from functools import partial

import numpy as np
import pytest
from scipy import stats

from psdstats.comparison import open_sizes
from psdstats.comparison.courses import OrderedRemark, read_courses
from psdstats.comparison.open_sizes import (
    REACH,
    SCATTER,
    OpenRuns,
    WorstCase,
    corner_values,
    known_where_open,
    law_of_whole_levels,
    open_differences,
    read_open_courses,
)
from psdstats.comparison.ordered import Way, fall_flags, ordered_question
from psdstats.errors import ModelError
from psdstats.findings import Ending, FindingKind, Verdict
from psdstats.models.judged import StudentJudged
from psdstats.models.level import LevelLaw

INF = np.inf


class Trial:
    """Groups by times, complete, one run each; a second level of a factor where asked."""

    def __init__(self, groups=3, times=4, wheres=("",), direction=Way.FALLING):
        self.levels = [(str(t), w) for w in wheres for t in range(times)]
        self.cells = [cell for _ in range(groups) for cell in self.levels]
        self.group = np.repeat(np.arange(groups), len(self.levels))
        self.time = np.array([int(cell[0]) for cell in self.cells])
        place = np.array([self.levels.index(cell) for cell in self.cells])
        self.place, p = place, len(self.levels)
        self.x = np.hstack(
            [np.equal.outer(place, np.arange(p)), np.equal.outer(self.group, np.arange(groups))]
        ).astype(float)
        self.asked = ordered_question(
            self.levels,
            lambda t, w: np.eye(p + groups)[self.levels.index((t, w))],
            quantity="D10",
            direction=direction,
        )

    def law(self, y, rows=None):
        """Student's t of the additive model with one variance: exact."""
        jointly = self.asked.question.jointly if rows is None else ()
        rows = self.asked.question.contrasts if rows is None else rows
        back = np.linalg.pinv(self.x)
        rest = y - y @ back.T @ self.x.T
        df = len(self.x) - np.linalg.matrix_rank(self.x)
        joint = rows @ back @ back.T @ rows.T
        norm = np.sqrt(np.diagonal(joint))
        sd = np.sqrt((rest**2).sum(axis=-1) / df)
        return StudentJudged(
            estimate=y @ back.T @ rows.T,
            se=np.multiply.outer(sd, norm),
            df=df,
            correlation=joint / np.outer(norm, norm),
            jointly=jointly,
        )

    def values(self, means, rng, sd=0.025):
        """Means of the levels, benches apart by 3 per cent, runs by ``sd``."""
        bench = rng.normal(0.0, 0.03, self.group.max() + 1)
        return np.asarray(means)[self.place] + bench[self.group] + rng.normal(0, sd, len(self.x))

    def runs(self, y, *, below=-INF, above=INF):
        """Values under ``below`` and over ``above`` (one number, or one a run) are open."""
        below, above = (np.broadcast_to(one, y.shape) for one in (below, above))
        lower = np.where(y < below, -INF, np.where(y > above, above, y))
        upper = np.where(y < below, below, np.where(y > above, INF, y))
        alike = tuple(zip(self.cells, self.group.tolist(), strict=True))
        return OpenRuns(cells=tuple(self.cells), lower=lower, upper=upper, alike=alike)

    def read(self, runs, **options):
        """Answers by the exact law."""
        return read_open_courses(self.asked, runs, self.law, **options)


DOWN = [0.0, -0.3, -0.7, -1.2]


def test_without_open_values_nothing_differs():
    trial = Trial()
    y = trial.values(DOWN, np.random.default_rng(1))
    courses = trial.read(trial.runs(y), margin_percent=5)
    same, _ = read_courses(trial.law(y), trial.asked, margin_percent=5)
    assert repr(courses) == repr(same)  # NaN is not itself


def test_the_bound_is_the_least_over_all_corners_by_hand():
    """Two levels alone: the fall by the end is bounded by Student's t at 4 per cent."""
    trial = Trial(groups=4, times=2)
    y = trial.values([0.0, -1.0], np.random.default_rng(2))
    runs = trial.runs(y, below=-0.9)
    assert runs.is_open.sum() == 4
    (course,) = trial.read(runs)
    start = y[trial.time == 0]
    limits = []
    for far in itertools.product((0.0, SCATTER), repeat=4):
        gone = start - (-0.9 - np.array(far))
        limits.append(gone.mean() - stats.t.isf(0.04, 3) * gone.std(ddof=1) / 2)
        limits.append(limits[-1] + REACH - SCATTER)
    assert course.at_least == pytest.approx([min(limits)], abs=1e-9)
    found = course.fallen
    assert found.verdict is Verdict.CHANGED
    assert found.kind is FindingKind.FALLEN
    assert (found.numbers.lower, found.numbers.upper) == (-INF, -course.at_least[0])
    assert np.isnan(found.numbers.estimate)
    assert (course.end.lower, course.end.upper) == (-INF, pytest.approx(-0.9))
    assert np.isnan(course.start.estimate)  # known: of the caller's table of means
    assert course.stop.ending is Ending.STILL_FALLING
    assert 0.0513 < course.stop.gain_at_least < course.at_least[0]


def test_an_open_first_size_is_the_mirror():
    down, up = Trial(), Trial(direction=Way.RISING)
    y = down.values(DOWN, np.random.default_rng(3))
    (fell,) = down.read(down.runs(y, below=-1.0))
    (rose,) = up.read(up.runs(-y, above=1.0))
    assert fell.shown == rose.shown
    np.testing.assert_allclose(fell.at_least, rose.at_least)
    assert rose.fallen.numbers.lower == pytest.approx(-fell.fallen.numbers.upper)
    assert rose.fallen.numbers.upper == INF
    (first,) = down.read(down.runs(y, above=-0.1))
    assert (first.start.lower, first.start.upper) == (pytest.approx(-0.1), INF)
    assert first.fallen.verdict is Verdict.CHANGED
    assert first.fallen.numbers.lower == -INF
    assert first.at_least[-1] == pytest.approx(-first.fallen.numbers.upper)
    assert 0.8 < first.at_least[-1] < 1.1


def test_where_the_last_two_are_open_the_end_cannot_be_told():
    trial = Trial()
    y = trial.values([0.0, -0.5, -1.0, -1.02], np.random.default_rng(4))
    (course,) = trial.read(trial.runs(y, below=-0.8))
    assert course.fallen.verdict is Verdict.CHANGED
    assert course.shown == (True, True, True)
    assert course.stop.ending is Ending.CANNOT_BE_TOLD
    assert course.stop.reasons == (OrderedRemark.BEYOND_SIEVES(quantity="D10", times=("2", "3")),)
    assert np.isnan([course.stop.gain_at_most, course.stop.gain_at_least]).all()
    closed = trial.read(trial.runs(y))[0]
    assert closed.stop.ending is not Ending.STILL_FALLING


def test_where_first_and_last_are_open_nothing_is_told():
    trial = Trial(groups=3, times=3)
    y = trial.values([-1.0, -1.05, -1.1], np.random.default_rng(5))
    (course,) = trial.read(trial.runs(y, below=-0.9))
    assert course.shown == (False, False)
    assert course.fallen.verdict is Verdict.CANNOT_BE_TOLD
    assert course.fallen.reasons == (OrderedRemark.BEYOND_SIEVES(quantity="D10", times=("0", "2")),)
    assert (course.fallen.numbers.lower, course.fallen.numbers.upper) == (-INF, INF)


def test_little_left_before_an_open_end_holds_against_the_floor_alone():
    """A wide margin allows for a half of what is beyond the sieve; a narrow one never."""
    trial = Trial(groups=4, times=4)
    y = trial.values([0.0, -0.5, -0.9, -1.0], np.random.default_rng(6))
    runs = trial.runs(y, below=-0.97)
    for margin, ending in ((5, Ending.CANNOT_BE_TOLD), (70, Ending.LITTLE_LEFT)):
        (course,) = trial.read(runs, margin_percent=margin)
        assert course.stop.ending is ending
    one = np.full(len(y), -INF)
    one[trial.time == 3] = [-0.9, -INF, -INF, -INF]  # one bench with a coarser finest sieve
    assert trial.runs(y, below=one).is_open.sum() == 1
    # a half of one in four: beside three known sizes it is not taken to scatter so far
    (course,) = trial.read(trial.runs(y, below=one), margin_percent=35)
    assert course.stop.ending is Ending.CANNOT_BE_TOLD
    assert trial.read(trial.runs(y), margin_percent=35)[0].stop.ending is Ending.LITTLE_LEFT


def spans(trial, y, *, width=0.3, is_stated=False):
    """Two benches without a D10 at the end: the span lies a little above what the sieve tells."""
    is_open = (trial.time == trial.time.max()) & (trial.group < 2)
    lower = np.where(is_open, y - 0.03, y)
    upper = np.where(is_open, lower + width, y)
    alike = tuple(zip(trial.cells, trial.group.tolist(), strict=True))
    return OpenRuns(
        cells=tuple(trial.cells), lower=lower, upper=upper, alike=alike, is_stated=is_stated
    )


def test_a_span_starts_at_the_sieve_and_goes_as_far_as_its_d10():
    """D90 / D50 of 1.5 and a sieve of 0.6 D50: D10 is not taken to lie below 0.6 exp(-SCATTER)."""
    trial = Trial(direction=Way.NONE)
    at_sieve, at_zero = np.log(1.5 - 0.6), np.log(1.5)
    runs = spans(trial, np.full(len(trial.x), at_sieve + 0.03), width=at_zero - at_sieve)
    tried = corner_values(runs, trial.law)[:, runs.is_open]
    assert tried.min() == pytest.approx(at_sieve)
    assert tried.max() == pytest.approx(np.log(1.5 - 0.6 * np.exp(-SCATTER)))
    stated = spans(trial, runs.near + 0.03, width=at_zero - at_sieve, is_stated=True)
    tried = corner_values(stated, trial.law)[:, stated.is_open]
    assert np.ptp(tried) == pytest.approx(at_zero - at_sieve)


def test_a_span_is_claimed_no_firmer_than_its_values_and_its_interval_holds_its_sizes():
    trial = Trial(direction=Way.NONE)
    for seed in range(5):
        y = trial.values([0.0, 0.1, 0.2, 0.3], np.random.default_rng(seed))
        (known,), (course,) = trial.read(trial.runs(y)), trial.read(spans(trial, y))
        lower, upper = course.fallen.numbers.lower, course.fallen.numbers.upper
        assert course.fallen.verdict is Verdict.CHANGED
        assert 0.1 < lower < known.fallen.numbers.lower
        start = y[trial.time == 0].mean()
        assert lower < course.end.lower - start < course.end.upper - start < upper


def claims(courses):
    """All that is claimed, as numbers that must not grow with less information."""
    found = []
    for course in courses:
        found += [*course.shown, *np.nan_to_num(course.at_least, nan=-1.0)]
        stop = course.stop
        since = -1 if stop.since is None else len(course.times) - course.times.index(stop.since)
        found += [since, stop.ending in (Ending.STILL_FALLING, Ending.LITTLE_LEFT)]
        found += [np.nan_to_num(stop.gain_at_least, nan=-1.0) * (stop.since is None)]
        found += [course.fallen.verdict is Verdict.CHANGED]
    return np.array(found, dtype=float)


@pytest.mark.parametrize("wheres", [("",), ("5", "10")])
def test_less_information_never_gives_a_firmer_verdict(wheres):
    """One run after another is lost below its sieve: no claim appears, no bound rises."""
    trial, rng = Trial(groups=3, times=3, wheres=wheres), np.random.default_rng(8)
    told = 0
    for _ in range(6):
        means = np.cumsum(-rng.uniform(0.0, 0.2, len(trial.levels)) * (trial_step(trial) > 0))
        means = means - np.repeat(means[trial_step(trial) == 0], 3)
        y = trial.values(means, rng)
        sieve, below = np.quantile(y, 0.4), np.full(len(y), -INF)
        found = [claims(trial.read(trial.runs(y)))]
        for one in rng.permutation(np.flatnonzero(y < sieve))[:5]:
            below[one] = sieve
            found.append(claims(trial.read(trial.runs(y, below=below))))
        told += (found[0] > 0).sum() - (found[-1] > 0).sum()
        assert (np.diff(found, axis=0) <= 1e-9).all()
    assert told > 6  # claims do get lost


def test_no_stack_of_sieves_gives_a_firmer_verdict_than_the_sizes_themselves():
    trial, rng = Trial(groups=3, times=3), np.random.default_rng(9)
    for _ in range(6):
        y = trial.values([0.0, *np.cumsum(-rng.uniform(0.0, 0.2, 2))], rng)
        full = claims(trial.read(trial.runs(y)))
        for share in (0.1, 0.2, 0.35):
            runs = trial.runs(y, below=np.quantile(y, share))
            assert (claims(trial.read(runs)) <= full + 1e-9).all()


def test_levels_are_told_apart_no_firmer_by_bounds_than_by_their_values():
    """One run after another is lost below its sieve at one level; the rest lies above it."""
    trial, rng = Trial(groups=3, times=3, wheres=("5", "10")), np.random.default_rng(10)
    step, told = (("2", "10"), ("2", "5")), 0
    signs = [(cell == step[0]) - float(cell == step[1]) for cell in trial.levels]
    law = partial(trial.law, rows=np.array([[*signs, 0.0, 0.0, 0.0]]))
    for _ in range(10):
        fall = -rng.uniform(0.02, 0.3)
        y = trial.values([0.0, -0.1, -0.2, 0.0, -0.2, -0.2 + fall], rng)
        low = np.flatnonzero([cell == step[0] for cell in trial.cells])
        sieve, below = max(y[low]) + 0.02, np.full(len(y), -INF)
        found = [*open_differences(trial.runs(y), law, [step], 1, 0.95)]
        for one in low:
            below[one] = sieve
            found += open_differences(trial.runs(y, below=below), law, [step], 1, 0.95)
        assert (np.diff([one.p for one in found]) >= -1e-12).all()
        assert (np.diff([one.upper for one in found]) >= -1e-9).all()
        told += found[-1].p_adjusted < 0.05
    assert 0 < told < 10


def trial_step(trial):
    return np.array([int(time) for time, _ in trial.levels])


def test_the_calibrated_level_takes_bounds_as_well():
    """Corners are enough but for the law's own steps: what grows, grows by next to nothing."""
    trial, rng = Trial(groups=3, times=4), np.random.default_rng(10)
    order = trial.time - 1.5
    lines = np.outer(order, order) * np.equal.outer(trial.group, trial.group)
    parts = np.array([lines, np.eye(len(order))])
    known = 0.01**2 * (np.equal.outer(trial.time, trial.time) + np.eye(len(order)))
    y = trial.values(DOWN, rng)
    law = LevelLaw(trial.x, parts, known, trial.asked.question, y)
    found = []
    for sieve in (-2.0, -1.19, -1.0, -0.6):
        runs = trial.runs(y, below=sieve)
        found.append(claims(read_open_courses(trial.asked, runs, law.judge)))
    assert (np.diff(found, axis=0) < 1e-3).all()
    assert 0.5 < found[-2][5] < found[0][5] < 1.2


def test_the_search_finds_what_all_corners_find(monkeypatch):
    trial, rng = Trial(groups=4, times=4), np.random.default_rng(11)
    for _ in range(3):
        y = trial.values(DOWN, rng)
        runs = trial.runs(y, below=np.quantile(y, 0.5))
        every = claims(trial.read(runs))
        with monkeypatch.context() as patch:
            patch.setattr(open_sizes, "_MOST_CORNERS", 1)
            passed = corner_values(runs, trial.law)
            assert len(passed) < 300
            np.testing.assert_allclose(claims(trial.read(runs)), every, atol=1e-9)


def test_runs_alike_count_once():
    trial = Trial(groups=2, times=3)
    y = trial.values([0.0, -0.5, -1.0], np.random.default_rng(12))
    runs = trial.runs(y, below=-0.8)
    alike = OpenRuns(cells=runs.cells, lower=runs.lower, upper=runs.upper, alike=runs.cells)
    assert len(corner_values(runs, trial.law)) == 2 * 2 * 2  # two runs, and the cell as a whole
    assert len(corner_values(alike, trial.law)) == 3 * 2


def test_without_any_bound_a_run_is_refused():
    with pytest.raises(ModelError, match="without a bound"):
        Trial(1, 2).runs(np.array([0.0, np.nan]))
    trial = Trial(1, 2)
    with pytest.raises(ModelError, match="without a bound"):
        OpenRuns(
            cells=tuple(trial.cells),
            lower=np.array([0.0, -INF]),
            upper=np.array([0.0, INF]),
            alike=("a", "b"),
        )


def test_variances_from_whole_levels_alone():
    """The rule of bounds put in: means take them, the spread is that of the other times."""
    trial = Trial(groups=4, times=4)
    y = trial.values(DOWN, np.random.default_rng(13))
    runs = trial.runs(y, below=-1.0)
    n = len(y)
    law = law_of_whole_levels(trial.x, (), np.zeros((n, n)), trial.asked.question, runs)
    (course,) = read_open_courses(trial.asked, runs, law)
    whole = y.reshape(4, 4)[:, :3]
    rest = whole - whole.mean(0) - whole.mean(1)[:, None] + whole.mean()
    se = np.sqrt((rest**2).sum() / 6 * 2 / 4)
    fall = whole[:, 0].mean() + 1.0
    pair = trial.law(y).correlation
    judged = law(runs.near)
    np.testing.assert_allclose(judged.se, se)
    np.testing.assert_allclose(judged.df, 6.0)
    np.testing.assert_allclose(judged.correlation, pair, atol=1e-12)
    assert fall - stats.t.isf(0.02, 6) * se < course.at_least[-1] < fall - stats.t.isf(0.04, 6) * se


def test_whole_levels_must_leave_something():
    trial = Trial(groups=2, times=3)
    y = trial.values([0.0, -0.5, -1.0], np.random.default_rng(14))
    both = trial.runs(y, below=-0.3)
    zero = np.zeros((6, 6))
    with pytest.raises(ModelError, match="Fewer than two levels"):
        law_of_whole_levels(trial.x, (), zero, trial.asked.question, both)
    alone = Trial(groups=1, times=3)
    with pytest.raises(ModelError, match="no degree of freedom"):
        law_of_whole_levels(alone.x, (), zero[:3, :3], alone.asked.question, alone.runs(y[:3]))


def test_open_runs_err_together():
    known = np.array([[4.0, 1.0, np.nan], [1.0, 2.0, np.nan], [np.nan, np.nan, np.nan]])
    found = known_where_open(known, np.array([False, False, True]))
    np.testing.assert_array_equal(found, [[4, 1, 0], [1, 2, 0], [0, 0, 3]])
    two = known_where_open(np.diag([2.0, 9.0, 9.0]), np.array([False, True, True]))
    np.testing.assert_array_equal(two, [[2, 0, 0], [0, 2, 2], [0, 2, 2]])


@pytest.mark.parametrize("sieve", [-0.98, -1.03])
def test_bounds_are_too_high_as_rarely_as_with_full_information(sieve):
    """Three benches, four times, a fall of 1: at most 4 per cent, and Monte Carlo error."""
    trial, rng, bounds = Trial(groups=3, times=4), np.random.default_rng(15), []
    for _ in range(80):
        runs = trial.runs(trial.values([0.0, -0.25, -0.5, -1.0], rng), below=sieve)
        worst = WorstCase(corners=trial.law(corner_values(runs, trial.law)))
        (fall,) = fall_flags(worst, trial.asked, 0.05)
        bounds.append(fall.at_least[-1])
    assert (np.array(bounds) > 1.0).sum() <= 8  # 3 expected at most
    assert np.mean(bounds) > 0.8
