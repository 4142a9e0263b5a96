"""The law of a powder's own sizes: scipy's truths, dense Gaussian algebra, exact invariances.

The truth is the size of the powder's own curve, never that of an interpolation rule.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import quad
from scipy.special import ndtr, ndtri
from scipy.stats import lognorm, truncnorm, weibull_min

from psdstats.distribution import curve_scales, powder_curve
from psdstats.distribution.borrowing import between_correlation, functionals
from psdstats.distribution.curve_scales import (
    COMPONENT_LOG_PRIOR,
    COMPONENT_SCALE,
    COMPONENT_SIGMA,
    LOG_SMOOTH,
    N_SCALES,
    WILD,
    Seen,
    spline_basis,
)
from psdstats.distribution.powder_curve import SCORES, at_scores, curve_law

APERTURES = np.array([45, 63, 90, 125, 180, 250, 355, 500.0])
LN = np.log(APERTURES)
T = np.linspace(np.log(2), np.log(3000), 4001)
LEVELS = np.array([0.1, 0.5, 0.9])


def law_of(undersize, ln_aperture=LN, u=0.004, **more):
    q = np.atleast_2d(undersize)
    t = np.broadcast_to(ln_aperture, q.shape)
    return curve_law(q, t, u_ln_aperture=np.full(q.shape, u), **more)


def log_normal(median, spread, t=LN):
    return ndtr((t - np.log(median)) / np.log(spread))


@pytest.mark.parametrize("family", ["log-normal", "Rosin-Rammler"])
def test_true_sizes_are_held_and_narrowly(family):
    """400 powders a family, apertures off by 0.4 %; three standard errors either side of 95 %."""
    rng = np.random.default_rng(20)
    place, shape = rng.uniform(130, 250, 400), rng.uniform(1.5, 2.0, 400)
    powders = (
        lognorm(np.log(shape)[:, None], scale=place[:, None])
        if family == "log-normal"
        else weibull_min(1.4 * shape[:, None], scale=place[:, None])
    )
    errors = rng.normal(0, 0.004, (400, 8))
    law = law_of(powders.cdf(APERTURES * np.exp(errors)))
    true = np.log(powders.ppf(LEVELS))
    ends = at_scores(law.table, np.broadcast_to([-1.96, 1.96], (400, 3, 2)))
    known = np.isfinite(law.ln_size)
    held = ((ends[..., 0] <= true) & (true <= ends[..., 1]))[known].mean()
    assert 0.93 < held < 0.985
    assert np.nanmedian(law.u) < 0.003  # less than the error of one aperture


def _dense(kernel_variance, wild_variance, low, high, x):
    """Covariance at x of a process with more noise between low and high, by numerical integrals."""
    found = np.empty((x.size, x.size))
    for i, a in enumerate(x):
        for j, b in enumerate(x):

            def product(s, a=a, b=b):
                return (a - s) * (b - s)

            top = min(a, b)
            found[i, j] = kernel_variance * quad(product, 0, top, epsabs=1e-13)[0]
            if top > low:
                found[i, j] += wild_variance * quad(product, low, min(top, high), epsabs=1e-13)[0]
    return found


def _seen(undersize, u=0.004, least=2e-4):
    q = np.atleast_2d(undersize)
    some = (q > least) & (q < 1 - least)
    return Seen(
        t=np.tile(LN, (len(q), 1)), q=q, u_t=np.full(q.shape, u), cov=np.zeros((len(q), 8, 8)),
        some=some, least=np.full(len(q), least), levels=LEVELS,
    )  # fmt: skip


def _components(seen, wanted):
    """Some components, and for each the dense covariance of the curve, data and line."""
    chosen, some = powder_curve._likely(seen), seen.some[0]
    x = seen.t[0] - seen.t[0, 0]
    for c in wanted:
        low, high = x[chosen.interval[0, c]], x[chosen.interval[0, c] + 1]
        dense = _dense(chosen.variance[0, c], chosen.wild_variance[0, c], low, high, x)
        scale = chosen.scale[0, c]
        noise = np.diag((seen.local[0, scale] * seen.u_t[0]) ** 2 + 1e-8)
        line = np.stack([np.ones(8), x], axis=1)
        yield chosen, c, (dense + noise)[np.ix_(some, some)], line[some], seen.z[0, scale][some]


def _log_prior(seen, chosen, c):
    """Of one component, from its scale, curvature and wild interval."""
    scale, cube = chosen.scale[0, c], seen.slope[0, chosen.scale[0, c]] ** 3
    sigma, wild = np.sqrt(np.array([chosen.variance[0, c], chosen.wild_variance[0, c]]) / cube)
    base = (scale == COMPONENT_SCALE) & np.isclose(COMPONENT_SIGMA, sigma)
    prior = COMPONENT_LOG_PRIOR[base].item()
    if wild == 0:
        return prior + LOG_SMOOTH[base].item()
    held = (np.diff(seen.q[0]) + 0.01) ** 1.5
    share = {round(size, 9): p for size, p in WILD.items()}[round(wild, 9)]
    share *= 2.2 if scale == N_SCALES - 1 else 1
    return prior + np.log(share * held[chosen.interval[0, c]] / held.sum())


def test_likelihood_of_wild_intervals_is_that_of_the_whole_covariance():
    """Restricted likelihood from numpy's dense determinants and integrals, to 1e-9 of its size."""
    seen = _seen(0.4 * log_normal(100, 1.4) + 0.6 * log_normal(260, 1.25))
    wild = 0
    for chosen, c, covariance, line, z in _components(seen, range(0, powder_curve._HEAVY, 3)):
        inverse = np.linalg.inv(covariance)
        info = line.T @ inverse @ line
        coefficients = np.linalg.solve(info, line.T @ inverse @ z)
        rest = z - line @ coefficients
        found = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(info)[1]
        found = -(found + rest @ inverse @ rest) / 2 - 2 * np.log(coefficients[1])
        found += np.log(seen.dz_dq[0, chosen.scale[0, c], seen.some[0]]).sum()
        weight = seen.temper[0] * found + _log_prior(seen, chosen, c)
        assert chosen.log_weight[0, c] == pytest.approx(weight, rel=1e-9)
        wild += chosen.wild_variance[0, c] > 0
    assert wild > 4


def test_a_curve_lies_between_its_values_at_the_sieves():
    """Moments of normal laws cut at both ends, those of scipy; one hardly cut stays."""
    mean, sd = np.array([0.2, -1.5, 1.6, 0.5, 0.4]), np.array([0.15, 0.2, 0.5, 20.0, 0.05])
    low, high = np.full(5, -0.5), np.full(5, 1.0)
    at = powder_curve._Points(mean, sd**2, (low - mean) / sd, sd, (mean - high) / sd, sd)
    found = powder_curve._between(at)
    exact = truncnorm((low - mean) / sd, (high - mean) / sd, loc=mean, scale=sd)
    assert_allclose(found[0], exact.mean(), rtol=1e-3)
    assert_allclose(found[1], exact.var(), rtol=1e-2)


@pytest.mark.parametrize("u", [0.004, 0.025])
def test_a_step_before_the_body_holds_sizes_all_along_it(u):
    """Dust, then a narrow body: a curve that rises meets the level early or late on the step."""
    dust, body = log_normal(30, 1.8, T), log_normal(165, 1.3, T)
    q = 0.11 * dust + 0.89 * body
    wide = np.log([45, 90, 180, 355, 710.0])
    law = law_of(np.interp(wide, T, q), ln_aperture=wide, u=u)
    low, high = np.exp(at_scores(law.table[0, 0], np.array([-1.96, 1.96])))
    true = np.exp(np.interp(0.1, q, T))
    assert low < true < high
    assert low < 60 < 80 < high  # from the readings alone any of these may be it


def test_curve_between_sieves_is_that_of_the_dense_algebra():
    """Mean and variance at points between the sieves, all sieves informative, no inequality."""
    seen = _seen(0.02 + 0.9 * log_normal(160, 1.8))
    assert seen.some.all()
    mixture = powder_curve._mixture(seen)
    chosen, at = mixture.chosen, np.log([[70.0, 140.0, 300.0]])
    weights, _, bridge, place = spline_basis(seen.t, at)
    for c in (0, 5, 11):
        x = np.append(LN, at[0]) - LN[0]
        low, high = x[chosen.interval[0, c]], x[chosen.interval[0, c] + 1]
        whole = _dense(chosen.variance[0, c], chosen.wild_variance[0, c], low, high, x)
        scale = chosen.scale[0, c]
        noise = np.diag((seen.local[0, scale] * seen.u_t[0]) ** 2 + 1e-8)
        inverse = np.linalg.inv(whole[:8, :8] + noise)
        line = np.stack([np.ones(11), x], axis=1)
        info = np.linalg.inv(line[:8].T @ inverse @ line[:8])
        pull = whole[8:, :8] @ inverse
        tilt = line[8:] - pull @ line[:8]
        pull_all = pull + tilt @ info @ line[:8].T @ inverse
        variance = np.diag(whole[8:, 8:] - pull @ whole[:8, 8:] + tilt @ info @ tilt.T)
        basis = weights[0]
        assert_allclose(mixture.mean[0, c] @ basis, pull_all @ seen.z[0, scale], rtol=1e-7)
        wild = place[0] - 1 == chosen.interval[0, c]
        own = chosen.variance[0, c] + wild * chosen.wild_variance[0, c]
        found = np.diag(basis.T @ mixture.covariance[0, c] @ basis) + own * bridge[0]
        assert_allclose(found, variance, rtol=1e-6)


def test_sensitivities_are_the_change_of_the_median():
    """Finite differences move the weights of the components too: agreement to 0.06, sum to 1 %."""
    q = log_normal(150, 1.7)
    law, step = law_of(q), 2e-4
    for k in range(8):
        moved = [law_of(q, LN + sign * step * (np.arange(8) == k)).ln_size[0] for sign in (1, -1)]
        assert_allclose(law.by_ln_aperture[0, :, k], (moved[0] - moved[1]) / (2 * step), atol=0.06)
    assert_allclose(law.by_ln_aperture[0].sum(axis=1), 1, atol=0.05)
    density = np.exp(-(ndtri(q) ** 2) / 2) / np.sqrt(2 * np.pi) / np.log(1.7)
    assert_allclose(law.by_undersize, -law.by_ln_aperture / density, rtol=0.1, atol=0.02)


def test_bent_powders_are_held_on_a_coarse_stack():
    """Power laws on both sides of a round peak, which straight scales do not know, on ratio 2."""
    rng, coarse = np.random.default_rng(8), np.log([45, 90, 180, 355, 710.0])
    fine, rough, round_ = rng.uniform([[2.5], [3.5], [0.15]], [[5], [8], [0.5]], (3, 400))
    x = T - np.log(rng.uniform(130, 250, 400))[:, None]
    density = (fine - rough)[:, None] / 2 * x
    density -= (fine + rough)[:, None] / 2 * np.hypot(x, round_[:, None])
    curves = np.exp(density).cumsum(axis=1)
    curves = (curves - curves[:, :1]) / (curves[:, -1:] - curves[:, :1])
    law = law_of([np.interp(coarse, T, one) for one in curves], coarse)
    true = np.array([np.interp(LEVELS, one, T) for one in curves])
    ends = at_scores(law.table, np.broadcast_to([-1.96, 1.96], (400, 3, 2)))
    held = (ends[..., 0] <= true) & (true <= ends[..., 1])
    assert held.mean(axis=0).min() > 0.945  # 0.93 where wide classes are taken as narrow ones
    assert (law.hidden_peak >= 0).mean() < 0.03


def test_sizes_scale_with_the_apertures():
    q = 0.5 * log_normal(120, 1.4) + 0.5 * log_normal(280, 1.3)
    plain, larger = law_of(q), law_of(q, LN + np.log(7.3))
    assert_allclose(larger.table, plain.table + np.log(7.3), atol=1e-8)
    assert_allclose(larger.u, plain.u, rtol=1e-6)


def test_padding_changes_nothing():
    q = np.array([log_normal(120, 1.6), log_normal(160, 1.5)])
    short = law_of(q[:, :6], LN[:6])
    t, padded = np.tile(LN, (3, 1)), np.vstack([q, q[:1]])
    t[:2, 6:], padded[:2, 6:] = LN[5], q[:, 5:6]
    mixed = curve_law(padded, t, u_ln_aperture=np.full(t.shape, 0.004))
    assert_allclose(mixed.table[:2], short.table, atol=1e-9)
    assert_allclose(mixed.by_ln_aperture[:2, :, :6], short.by_ln_aperture, atol=1e-7)
    assert np.abs(mixed.by_ln_aperture[:2, :, 6:]).max() == 0
    assert not mixed.informative[:2, 6:].any()
    assert_allclose(mixed.table[2:], law_of(q[:1]).table, atol=1e-9)


def test_order_and_number_of_runs_change_nothing():
    rng = np.random.default_rng(8)
    q = np.array([log_normal(rng.uniform(110, 200), rng.uniform(1.4, 2)) for _ in range(31)])
    order = rng.permutation(31)
    assert_allclose(law_of(q[order]).table, law_of(q).table[order], atol=1e-9)


def test_tables_rise_with_score_and_level():
    rng = np.random.default_rng(9)
    q = np.sort(rng.uniform(0, 1, (40, 8)), axis=1)
    table = law_of(q).table
    known = np.isfinite(table)
    assert known.any()
    assert (np.diff(table, axis=2)[known[..., 1:]] >= 0).all()
    both = known[:, 1:] & known[:, :-1]
    assert (np.diff(table, axis=1)[both] >= 0).all()


def test_nothing_is_extrapolated():
    law = law_of([0.2, 0.3, 0.4, 0.6, 0.7, 0.75, 0.8, 0.85])
    assert_array_equal(np.isfinite(law.ln_size), [[False, True, False]])
    assert_array_equal(np.isfinite(law.u), [[False, True, False]])
    assert np.abs(law.by_ln_aperture[0, [0, 2]]).max() == 0


def test_less_than_two_informative_sieves_give_a_rectangle_over_the_bracket():
    law = law_of([0, 0, 0, 0, 1, 1, 1, 1])
    low, high = np.log(125) - 0.016, np.log(180) + 0.016
    assert_allclose(law.table[0, 1], low + (high - low) * ndtr(SCORES), atol=1e-9)
    assert_allclose(law.by_ln_aperture[0, 1], [0, 0, 0, 0.5, 0.5, 0, 0, 0])


def test_a_flat_step_is_spanned_and_said():
    law = law_of([0, 0.1, 0.5, 0.5, 0.5, 0.8, 0.95, 1])
    assert_array_equal(law.flat, [[False, True, False]])
    assert law.table[0, 1, 0] == pytest.approx(np.log(90), abs=0.02)
    assert law.table[0, 1, -1] == pytest.approx(np.log(180), abs=0.02)
    near = law_of([0, 0.1, 0.4999, 0.4999, 0.5001, 0.8, 0.95, 1])
    assert near.flat[0, 1]
    assert near.u[0, 1] > 0.09  # the class from 125 to 180 and nothing narrower
    noise = 1e-6 * np.eye(8)[None]
    assert law_of([0, 0.1, 0.499, 0.499, 0.501, 0.8, 0.95, 1], covariance=noise).flat[0, 1]


def test_components_that_stand_for_the_rest_keep_the_law(monkeypatch):
    """Against 400 of all components held one by one: a tenth of u, a hundredth at most of ln D."""
    q = [0.5 * log_normal(100, 1.4) + 0.5 * log_normal(260, 1.2), log_normal(170, 1.2)]
    found = law_of(q)
    monkeypatch.setattr(powder_curve, "_HEAVY", 400)
    whole = law_of(q)
    assert_allclose(found.u, whole.u, rtol=0.1)
    assert (np.abs(found.ln_size - whole.ln_size) < 0.1 * whole.u).all()


def test_weighing_noise_widens():
    q = log_normal(150, 1.7)
    sharp = law_of(q).u
    noisy = law_of(q, covariance=1e-4 * np.eye(8)[None]).u
    assert (noisy > 1.5 * sharp).all()


def test_a_peak_that_a_class_may_hide_is_named():
    """Fragments and a narrow feed at 290 µm whose peak lies between the sieves of 250 and 355."""
    ground = np.minimum((APERTURES / 300) ** 0.5, 1)
    milled = [(1 - share) * ground + share * log_normal(290, 1.08) for share in (0.15, 0.25, 0.35)]
    smooth = [log_normal(180, 1.6), weibull_min(2, scale=200).cdf(APERTURES)]
    assert_array_equal(law_of(milled + smooth).hidden_peak, [6, 6, 6, -1, -1])


def test_correlation_is_the_covariance_of_functionals():
    """Against the double sum of |z - z'|^3 / 12, which holds for functionals blind to lines."""
    law = law_of([log_normal(150, 1.7), log_normal(130, 1.5), log_normal(150, 1.7)])
    found = between_correlation(law, [0, 1, 0])
    weight, place = functionals(law)
    assert_allclose(weight.sum(axis=1), 0, atol=1e-9)
    assert_allclose((weight * place).sum(axis=1), 0, atol=1e-9)
    cubes = np.abs(place[:, None, :, None] - place[None, :, None, :]) ** 3 / 12
    covariance = np.einsum("fi,gj,fgij->fg", weight, weight, cubes)
    size = np.sqrt(np.diag(covariance))
    expected = covariance / np.outer(size, size)
    case = np.repeat([0, 1, 0], 3)
    expected *= np.where(case[:, None] == case, 1.0, 0.7)
    assert_allclose(found, expected, atol=1e-6)
    assert np.linalg.eigvalsh(found).min() > -1e-9
    assert_allclose(np.diag(found[:3, 6:]), 1)  # replicates share the error


def test_correlation_knows_other_stacks_and_sizes_without_a_law():
    """One powder on three stacks of one case; a run with one sieve goes alone."""
    t = np.array([LN, LN + 0.17, LN + 0.01, LN])
    q = np.array([log_normal(100, 1.3, row) + log_normal(260, 1.2, row) for row in t]) / 2
    q[3] = [0, 0, 0, 0.4, 1, 1, 1, 1]
    law = curve_law(q, t, u_ln_aperture=np.full(t.shape, 0.004))
    found = between_correlation(law, [0, 1, 2, 3])
    near, far = found[1, 7], found[1, 4]
    assert near > 0.6
    assert far < near - 0.15
    assert_allclose(found[9:, :9], 0, atol=1e-12)
    assert_allclose(np.diag(found), 1)


def test_a_level_equal_to_a_reading_gives_its_aperture():
    q = np.array([0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0])
    law = law_of(q)
    assert_allclose(law.ln_size[0], np.log([63, 125, 250]), atol=0.004)


@pytest.fixture
def left_whole(monkeypatch):
    """The law with all that it leaves open, found by a call."""

    def found(*arguments, **more):
        monkeypatch.setattr(curve_scales, "_OPEN", {0.45: 1.0, np.log(2): 1.0})
        monkeypatch.setattr(curve_scales, "_OPEN_BENT", 1.0)
        return law_of(*arguments, **more)

    return found


@pytest.mark.parametrize("u", [1e-5, 0.004, 0.03])
def test_what_sieves_leave_open_is_as_wide_as_powders_show_and_errors_stay(left_whole, u):
    """Variance less that of apertures, against the law as it is."""
    q = np.stack([log_normal(170, 1.7), np.minimum(log_normal(170, 1.7) / 0.7, 1)])
    found = law_of(q, u=u)
    whole = left_whole(q, u=u)
    assert_array_equal(found.ln_size, whole.ln_size)
    noise = (found.by_ln_aperture**2).sum(-1) * u**2
    times = found.open_times[:, None] ** 2
    assert_allclose(found.u**2 - noise, times * (whole.u**2 - noise), rtol=1e-6)
    assert (found.u**2 > noise * (1 - 1e-9)).all()
    assert (whole.open_times == 1).all()


def test_smooth_powders_between_narrow_sieves_do_less_than_the_law_leaves_open():
    cut = np.minimum(log_normal(170, 1.7) / 0.7, 1)
    smooth, ends = law_of(np.stack([log_normal(170, 1.7), cut]), u=1e-4).open_times
    assert smooth < 0.9
    assert ends > 0.95  # its end is between two sieves


def test_wide_classes_keep_what_the_law_leaves_open():
    t = np.log([45, 90, 180, 360, 720.0])
    assert law_of(log_normal(170, 1.7, t), t).open_times == pytest.approx([0.97], abs=0.03)
