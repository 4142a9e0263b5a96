"""The calibrated level: exact cases, symmetries, levels of small designs by simulation."""

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import ModelError
from psdstats.models import level
from psdstats.models.judged import Family, Question, Side
from psdstats.models.level import LevelLaw
from psdstats.models.level_table import U
from psdstats.models.maximum_law import maximum_law


def layout(groups, times, replicates=1):
    """Group and time of each row, and X with a column a time beside those of the groups."""
    group, time, _ = (
        a.ravel()
        for a in np.meshgrid(range(groups), range(times), range(replicates), indexing="ij")
    )
    x = np.column_stack([np.eye(times)[time], np.eye(groups)[group]])
    return group, time, x


def against_first(times, columns):
    rows = np.zeros((times - 1, columns))
    rows[:, 0] = -1.0
    rows[np.arange(times - 1), np.arange(1, times)] = 1.0
    return rows


def stacks(group, time):
    """Measurement covariance of one stack of sieves a group (invented)."""
    same = group[:, None] == group
    return 0.006**2 * np.eye(len(group)) + 0.015**2 * same * np.exp(-abs(time[:, None] - time) / 2)


def asked(times, columns):
    rows = against_first(times, columns)
    every = tuple(range(times - 1))
    ones = (1,) * (times - 1)
    families = (Family(every, ones), Family(every, ones, Side.BELOW))
    return Question(contrasts=rows, families=families, jointly=(every,))


def trial(groups, times, *, known=True, drift=False, seed=0):
    """Design, parts, known covariance, question and one response with a fall."""
    group, time, x = layout(groups, times)
    centred = time - time.mean()
    parts = [(group[:, None] == group) * np.outer(centred, centred)] if drift else []
    parts = np.array([*parts, np.eye(len(group))])
    k = stacks(group, time) if known else None
    rng = np.random.default_rng(seed)
    noise = 0.02**2 * np.eye(len(group)) + (0 if k is None else k)
    y = 6.0 - 0.02 * time + rng.multivariate_normal(np.zeros(len(group)), noise)
    return x, parts, k, asked(times, x.shape[1]), y


# ---- exact cases -----------------------------------------------------------------------------
def ordinary(x, contrasts, y):
    """Least squares by hand: estimates, their covariance without the variance, s², df."""
    inverse = np.linalg.pinv(x.T @ x)
    residual = y - x @ (inverse @ x.T @ y)
    df = len(y) - np.linalg.matrix_rank(x)
    return (
        contrasts @ inverse @ x.T @ y,
        contrasts @ inverse @ contrasts.T,
        residual @ residual / df,
        df,
    )


def test_nothing_known_is_student_and_f():
    x, parts, _, question, y = trial(3, 4, known=False)
    law = LevelLaw(x, parts, None, question, y)
    judged = law.judge(y)
    estimate, inner, s2, df = ordinary(x, question.contrasts, y)
    se = np.sqrt(s2 * np.diag(inner))
    assert law.is_exact
    assert judged.estimate == pytest.approx(estimate, abs=1e-12)
    assert judged.df == pytest.approx(np.full(3, df))
    t = (estimate + 0.03) / se
    assert judged.p_below(-0.03) == pytest.approx(stats.t.cdf(t, df), rel=1e-6)
    assert judged.p_above(-0.03) == pytest.approx(stats.t.sf(t, df), rel=1e-6)
    assert judged.half_width(0.05) == pytest.approx(se * stats.t.ppf(0.975, df), rel=1e-6)
    f = estimate @ np.linalg.solve(inner, estimate) / 3 / s2
    assert judged.joint_p(0) == pytest.approx(stats.f.sf(f, 3, df), rel=1e-6)


def test_replicates_of_a_complete_design_become_means():
    group, time, x = layout(3, 4, replicates=2)
    cell = 10 * group + time
    parts = np.array([cell[:, None] == cell, np.eye(24)], dtype=float)
    y = np.random.default_rng(3).normal(0, 0.02, 24)
    question = asked(4, x.shape[1])
    law = LevelLaw(x, parts, None, question, y)
    judged = law.judge(y)
    means = y.reshape(12, 2).mean(axis=1)
    alone = LevelLaw(x[::2], np.eye(12)[None], None, question, means).judge(means)
    assert law.is_exact
    assert judged.half_width(0.05) == pytest.approx(alone.half_width(0.05), rel=1e-10)
    assert not law.design.hidden.any()
    # one row lost: the rows are kept, with two variances
    some = np.arange(24) != 5
    kept = LevelLaw(x[some], parts[:, some][:, :, some], None, question, y[some])
    assert not kept.is_exact
    assert len(kept.design.residual) == 23 - 6


def test_nothing_unknown_is_normal():
    x, _, known, question, y = trial(3, 4)
    judged = LevelLaw(x, np.zeros((0, 12, 12)), known, question, y).judge(y)
    xx = x[:, :-1]  # of full column rank
    inner = np.linalg.inv(xx.T @ np.linalg.solve(known, xx))
    estimate = question.contrasts[:, :-1] @ inner @ xx.T @ np.linalg.solve(known, y)
    covariance = question.contrasts[:, :-1] @ inner @ question.contrasts[:, :-1].T
    z = estimate / np.sqrt(np.diag(covariance))
    assert np.isinf(judged.df).all()
    assert judged.p_below() == pytest.approx(stats.norm.cdf(z), rel=1e-6)
    square = estimate @ np.linalg.solve(covariance, estimate)
    assert judged.joint_p(0) == pytest.approx(stats.chi2.sf(square, 3), rel=1e-6)


@pytest.mark.parametrize("known", [False, True])
def test_exact_families(known):
    x, parts, k, question, y = trial(3, 4, known=known)
    parts = np.zeros((0, 12, 12)) if known else parts
    judged = LevelLaw(x, parts, k, question, y).judge(y)
    both, below = question.families
    df = np.inf if known else 6.0
    t = judged.estimate / judged.se
    x, rows = x[:, :-1], question.contrasts[:, :-1]
    inner = rows @ np.linalg.inv(x.T @ (np.linalg.solve(k, x) if known else x)) @ rows.T
    size = np.sqrt(np.diag(inner))
    correlation = inner / np.outer(size, size)
    expected = [maximum_law(correlation).tail(abs(c), df) for c in t]
    assert judged.family_p(both) == pytest.approx(expected, rel=1e-6)
    truth = [upper_of_largest(correlation, c, df) for c in -t]
    assert judged.family_p(below) == pytest.approx(truth, rel=2e-3, abs=2e-6)
    half = judged.family_half_width(below, 0.05) / judged.se
    assert half == pytest.approx(np.full(3, half[0]))
    assert upper_of_largest(correlation, half[0], df) == pytest.approx(0.05, abs=5e-5)


def upper_of_largest(correlation, c, df):
    """P(largest of three t > c): correlations a_i a_j, so a mean over what they share."""
    (_, ab, ac), (_, _, bc), _ = correlation
    shared = np.sqrt([ab * ac / bc, ab * bc / ac, ac * bc / ab])
    node, weight = np.polynomial.legendre.leggauss(200)
    u = 8.0 * node
    density = 8.0 * weight * stats.norm.pdf(u)

    def normal(limit):
        each = (limit - shared[:, None] * u) / np.sqrt(1 - shared[:, None] ** 2)
        return 1.0 - density @ stats.norm.cdf(each).prod(axis=0)

    if np.isinf(df):
        return normal(c)
    scale = 2.0 * (node + 1.0)
    weights = 2.0 * weight * stats.chi2.pdf(df * scale**2, df) * 2 * df * scale
    return weights @ [normal(c * one) for one in scale]


# ---- symmetries ------------------------------------------------------------------------------
def test_repeats_and_flips_cost_nothing_and_change_nothing():
    x, parts, known, question, y = trial(3, 4)
    rows = question.contrasts
    more = Question(
        contrasts=np.concatenate([rows, -2.0 * rows]),
        families=(
            *question.families,
            Family((3, 4, 5), (1, 1, 1)),
            Family((3, 1, 5), (-1, 1, -1), Side.BELOW),
            Family((5, 4, 3, 0), (1, 1, 1, -1), Side.BELOW),
        ),
        jointly=((0, 1, 2), (3, 4, 5)),
    )
    law = LevelLaw(x, parts, known, more, y)
    assert law.singles == 3
    assert len(law._kinds) == 2
    judged = law.judge(y)
    below, above = judged.p_below(-0.01), judged.p_above(0.02)
    assert below[:3] == pytest.approx(above[3:], rel=1e-9)
    assert 2 * judged.half_width(0.05)[:3] == pytest.approx(judged.half_width(0.05)[3:])
    p = [judged.family_p(family) for family in more.families]
    assert p[0] == pytest.approx(p[2])
    assert p[1] == pytest.approx(p[3])
    flipped = LevelLaw(x, parts, known, more, y).judge(-y)
    assert flipped.p_below() == pytest.approx(judged.p_above(), rel=1e-9)


@pytest.mark.parametrize(("known", "drift"), [(True, False), (True, True), (False, True)])
def test_unit_does_not_matter(known, drift):
    x, parts, k, question, y = trial(3, 4, known=known, drift=drift)
    judged = LevelLaw(x, parts, k, question, y).judge(y)
    large = None if k is None else 100.0**2 * k
    again = LevelLaw(x, parts, large, question, 100.0 * y).judge(100.0 * y)
    assert again.p_below() == pytest.approx(judged.p_below(), rel=1e-6)
    assert again.half_width(0.05) == pytest.approx(100.0 * judged.half_width(0.05), rel=1e-6)
    assert again.joint_p(0) == pytest.approx(float(judged.joint_p(0)), rel=1e-6)


def test_order_of_rows_and_redundant_columns():
    x, parts, known, question, y = trial(3, 4, seed=5)
    judged = LevelLaw(x, parts, known, question, y).judge(y)
    order = np.random.default_rng(1).permutation(12)
    turned = LevelLaw(x[order], parts, known[np.ix_(order, order)], question, y[order])
    again = turned.judge(y[order])
    assert again.estimate == pytest.approx(judged.estimate, rel=1e-9)
    assert again.se == pytest.approx(judged.se, rel=1e-9)
    # simulated laws differ by their Monte Carlo error only
    assert again.half_width(0.05) == pytest.approx(judged.half_width(0.05), rel=0.05)
    full = Question(
        contrasts=question.contrasts[:, :-1],
        families=question.families,
        jointly=question.jointly,
    )
    fewer = LevelLaw(x[:, :-1], parts, known, full, y).judge(y)
    assert fewer.half_width(0.05) == pytest.approx(judged.half_width(0.05), rel=1e-6)


def test_many_responses_at_once_and_one_table_for_all():
    x, parts, known, question, y = trial(3, 3)
    rng = np.random.default_rng(2)
    many = y + rng.normal(0, 0.01, (2, 4, 9))
    law = LevelLaw(x, parts, known, question, y)
    judged = law.judge(many)
    assert judged.estimate.shape == (2, 4, 2)
    assert judged.joint_p(0).shape == (2, 4)
    alone = law.judge(many[1, 2])
    assert judged.p_below(-0.02)[1, 2] == pytest.approx(alone.p_below(-0.02), rel=1e-9)
    assert judged.half_width(0.1)[1, 2] == pytest.approx(alone.half_width(0.1), rel=1e-9)
    below = question.families[1]
    assert judged.family_p(below)[1, 2] == pytest.approx(alone.family_p(below), rel=1e-9)
    half = judged.family_half_width(below, 0.05)
    assert half[1, 2] == pytest.approx(alone.family_half_width(below, 0.05), rel=1e-9)
    assert LevelLaw(x, parts, known, question, y * 1.001).table is law.table


# ---- limits and tests agree ------------------------------------------------------------------
@pytest.mark.parametrize("drift", [False, True])
def test_interval_inverts_its_test(drift):
    x, parts, known, question, y = trial(3, 4, drift=drift)
    judged = LevelLaw(x, parts, known, question, y).judge(y)
    for alpha in (0.2, 0.05, 0.01, 1e-6):
        half = judged.half_width(alpha)
        for k in range(3):
            upper = judged.estimate[k] + half[k]
            assert judged.p_below(upper)[k] == pytest.approx(alpha / 2, rel=1e-9)
            assert judged.p_above(judged.estimate[k] - half[k])[k] == pytest.approx(alpha / 2)
    for family in question.families:
        half = judged.family_half_width(family, 0.05)
        found = judged.family_p(family)
        at = np.abs(judged.estimate) if family.side is Side.BOTH else -judged.estimate
        assert ((found < 0.05) == (at > half)).all()
    single = Family((1,), (1,), Side.BELOW)
    assert judged.family_p(single) == pytest.approx(judged.p_below()[[1]])
    ninety = judged.half_width(0.1)[[1]]
    assert judged.family_half_width(single, 0.05) == pytest.approx(ninety)


def test_what_cannot_be_estimated_is_named():
    x, parts, known, question, y = trial(3, 4)
    odd = Question(contrasts=np.vstack([question.contrasts, np.eye(7)[0]]))
    with pytest.raises(ModelError, match="rows 3;"):
        LevelLaw(x, parts, known, odd, y)
    with pytest.raises(ModelError, match="nothing is left"):
        LevelLaw(np.eye(4), np.eye(4)[None], None, Question(contrasts=np.eye(4)), np.ones(4))
    judged = LevelLaw(x, parts, known, question, y).judge(y)
    with pytest.raises(ModelError, match="not part of the question"):
        judged.family_p(Family((0, 1), (1, 1)))


def test_variances_that_may_hide_are_flagged():
    group, _, x = layout(3, 4)
    y = np.random.default_rng(0).normal(0, 0.02, 12)
    between = (group[:, None] == group).astype(float)
    rows = np.vstack([against_first(4, 7), [0, 0, 0, 0, -1, 1, 0]])
    law = LevelLaw(x, np.array([between, np.eye(12)]), None, Question(contrasts=rows), y)
    # the groups are blocks: their variance moves what compares groups, and nothing else
    assert np.isinf(law.judge(y).se).tolist() == [False, False, False, True]


def test_size_at_which_a_table_takes_too_long():
    for groups, times, replicates, unknown, large in SIZES:
        group, time, x = layout(groups, times, replicates)
        centred, same = time - time.mean(), (group[:, None] == group).astype(float)
        cells = same * (time[:, None] == time)
        parts = np.array([same * np.outer(centred, centred), cells, np.eye(len(x))])
        some = np.arange(len(x)) != 0  # one row lost: no means of cells
        use = (slice(3 - unknown, None), some) if unknown else (slice(0, 0), some)
        chosen = parts[use][:, :, some]
        known = stacks(group, time)[some][:, some]
        y = np.random.default_rng(5).normal(0.0, 0.02, len(known))
        law = LevelLaw(x[some], chosen, known, asked(times, x.shape[1]), y)
        assert law.is_too_large is large


SIZES = [(4, 4, 1, 1, False), (4, 5, 3, 3, False), (8, 6, 3, 3, True), (8, 6, 3, 0, False)]


# ---- levels ----------------------------------------------------------------------------------
LEVELS = [
    (2, 3, False, 0.02, 0.0),
    (3, 3, False, 0.005, 0.0),
    (3, 4, False, 0.05, 0.0),
    (3, 4, True, 0.02, 0.0),
    (4, 4, True, 0.02, 0.015),
]


def rates_of_alone(law, alpha):
    """Least and largest rate, over the grid, at which p of one contrast alone is below alpha."""
    found = []
    for kind in range(law.singles):
        u = law.table._held_at(kind, alpha)
        found += [np.exp(np.interp(u, U, np.log(rate))) for rate in law.table.rate[kind]]
    return min(found), max(found)


@pytest.mark.parametrize(("groups", "times", "drift", "residual", "slope"), LEVELS)
def test_levels_hold(groups, times, drift, residual, slope):
    """4,000 sets: Monte Carlo error 0.34 %, and about as much of the table itself."""
    group, time, x = layout(groups, times)
    centred = time - time.mean()
    slopes = (group[:, None] == group) * np.outer(centred, centred)
    known, eye = stacks(group, time), np.eye(len(group))
    parts = np.array([slopes, eye]) if drift else eye[None]
    rng = np.random.default_rng(90 + groups + times)
    truth = known + residual**2 * eye + slope**2 * slopes
    y = rng.standard_normal((4000, len(group))) @ np.linalg.cholesky(truth).T
    y += rng.normal(0, 0.1, (4000, groups))[:, group]
    question = asked(times, x.shape[1])
    law = LevelLaw(x, parts, known, question, y[0])
    judged = law.judge(y)
    both, below = question.families
    two_sided = 2 * np.minimum(judged.p_below(), judged.p_above())
    rates = [
        *(two_sided < 0.05).mean(axis=0),
        *(judged.p_below() < 0.05).mean(axis=0),
        (judged.family_p(both) < 0.05).any(axis=-1).mean(),
        (judged.family_p(below) < 0.05).any(axis=-1).mean(),
        (judged.joint_p(0) < 0.05).mean(),
    ]
    assert max(rates) < 0.065
    assert min(rates) > (0.012 if drift else 0.025)
    low, high = rates_of_alone(law, 0.05)
    assert low - 0.015 < rates[0] < high + 0.015
    # equivalence at its margin: the truth lies on it, both one-sided tests reject
    margin = 0.12
    moved = y + margin * (time == times - 1)
    at = LevelLaw(x, parts, known, question, y[0]).judge(moved)
    inside = np.maximum(at.p_below(margin), at.p_above(-margin))[:, -1]
    assert 0.01 < (inside < 0.05).mean() < 0.06
    assert level._tables


def test_a_scale_never_has_less_than_one_degree_of_freedom():
    """Two groups, one measured coarsely: a small scatter by chance leaves intervals with an end."""
    x = np.column_stack([np.tile(np.eye(3), (2, 1)), np.repeat(np.eye(2), 3, axis=0)])
    asked = Question(contrasts=np.array([[-1.0, 1, 0, 0, 0], [0, -1, 1, 0, 0], [-1, 0, 1, 0, 0]]))
    known = 1e-4 * np.diag([1.0, 1, 4, 1, 1, 1])
    y = np.array([5.5155, 5.2135, 4.9946, 5.4882, 5.1857, 5.0311])
    judged = LevelLaw(x, np.eye(6)[None], known, asked, y).judge(y)
    assert judged.df.min() >= 1
    assert judged.half_width(0.05).max() < 0.2  # it was seven million
    assert (judged.p_below() < 0.05).all()


def test_a_step_within_shared_sieves_has_an_interval_like_its_neighbours():
    """Two groups x 4 times x 2 runs: the first two times of a group share a sieve."""
    share = np.array([[0.7, 0.3, 0, 0, 0, 0], [0, 0.37, 0.63, 0, 0, 0], [0, 0, 0.04, 0.96, 0, 0]])
    share = np.vstack([share, [0, 0, 0, 0, 0.71, 0.29]])
    places = np.repeat(np.kron(np.eye(2), share), 2, axis=0)
    cell = np.kron(np.eye(8), np.ones((2, 2)))
    x = np.repeat(np.column_stack([np.tile(np.eye(4), (2, 1)), np.repeat(np.eye(2), 4, 0)]), 2, 0)
    steps = np.column_stack([np.diff(np.eye(4), axis=0), np.zeros((3, 2))])
    asked = Question(contrasts=np.vstack([steps, steps.sum(axis=0)]), jointly=((0, 1, 2),))
    known = 4e-4 * places @ places.T + 2.5e-5 * np.eye(16)
    y = [5.131, 5.106, 4.888, 4.904, 4.657, 4.668, 4.523, 4.512]
    y = np.array([*y, 5.192, 5.2, 4.978, 4.984, 4.837, 4.837, 4.609, 4.595])
    judged = LevelLaw(x, np.array([cell, np.eye(16)]), known, asked, y).judge(y)
    width = judged.half_width(0.05)
    assert width[0] < 2 * np.median(width[1:])  # it was 35 million
    assert (judged.p_below() < 0.05).all()
