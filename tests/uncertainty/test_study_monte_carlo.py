"""Monte Carlo of studies: against the linear law, plain NumPy, particles, and hard cases."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from psdstats.distribution.curves import InterpolationRule, ln_sizes
from psdstats.distribution.percentiles import LEVELS
from psdstats.study.records import TareHandling
from psdstats.uncertainty import propagate
from psdstats.uncertainty.draws import draw_blocks, keyed_generator, make_plan
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.sources.powder import RunToRun, particle_masses_g
from psdstats.words.sizes import notes_in_words

RULES = ["semilog", "linear", "logprobit", "monotone"]


@pytest.mark.parametrize("tares", list(TareHandling))
def test_joint_result_agrees_with_the_linear_law(milling, tares):
    """All 16 × 16 covariances, standardised, within Monte Carlo error on a smooth case."""
    study = replace(milling, tares=tares)
    names = ["rounding", "repeatability", "calibration", "aperture", "lost_powder", "run_to_run"]
    linear = propagate(study, method="linear", sources=names)
    drawn = propagate(study, seed=11, draws=200_000, sources=names)
    np.testing.assert_allclose(drawn.u, linear.u, rtol=0.02)
    for name in ("covariance_matrix", "log_covariance_matrix"):
        one, two = (getattr(result, name) for result in (linear, drawn))
        scale = 1 / np.sqrt(np.diag(one))
        np.testing.assert_allclose(
            two * np.outer(scale, scale), one * np.outer(scale, scale), atol=0.02
        )
    assert drawn.share_unbracketed.max() == 0


@pytest.mark.parametrize("rule", RULES)
def test_draws_are_the_sizes_of_drawn_masses(make_run, make_study, rule):
    """Every draw of the kernel, fast path or not, against the general rule on the same masses."""
    run = make_run("x", (5.0, 4.9, 0.03, 6.0, 4.1), (0, 63, 90, 125, 180))
    study = make_study(run, balance={"resolution_g": 0.05, "repeatability_g": 0.0}, rule=rule)
    ready = prepare(study, sources=["rounding"])
    plan = make_plan(ready.table, ready.arrays, rule=ready.sizes.rule, seed=1, coverage=0.95)
    found, negative = next(draw_blocks(plan, stripe=0, block_draws=3000))
    mass = np.repeat(ready.table.net_g, 3000, axis=0)
    for place, reading in enumerate(run.readings):
        for side, sign in (("gross", 1), ("tare", -1)):
            stream = keyed_generator(1, "rounding", side, reading.sieve, "x", 0)
            mass[:, place] += sign * 0.05 * (stream.random(3000) - 0.5)
    undersize = np.cumsum(mass, axis=1)[:, :-1] / mass.sum(axis=1)[:, None]
    ln_aperture = np.repeat(ready.arrays.ln_aperture, 3000, axis=0)
    expected = ln_sizes(undersize, ln_aperture, LEVELS, InterpolationRule(rule))
    np.testing.assert_allclose(found[0].T, expected, atol=1e-9)
    assert negative[0] == (mass < 0).any(axis=1).sum() > 0


def test_sampling_covariance_against_drawn_particles(make_run, make_study):
    """Particles are drawn one by one for a fixed sample mass; every pair of classes is compared."""
    run = make_run("x", (0.9, 1.35, 0.75), (0, 500, 1000))
    study = make_study(run, density_g_per_cm3=2.6)
    ready = prepare(study, sources=["sampling"])
    particle = particle_masses_g(ready.arrays, 2.6, 0.5)[0]
    mass = ready.arrays.net_g[0]
    fraction, total = mass / mass.sum(), mass.sum()

    # a stream of particles whose number fractions give these mass fractions, cut at the mass
    generator = np.random.default_rng(20261125)
    share = fraction / particle / (fraction / particle).sum()
    n_samples, longest = 2000, int(1.3 * total / (share @ particle))
    drawn = np.empty((n_samples, 3))
    for sample in range(n_samples):
        kinds = generator.choice(3, size=longest, p=share)
        kept = kinds[: np.searchsorted(np.cumsum(particle[kinds]), total)]
        masses = np.bincount(kept, minlength=3) * particle
        drawn[sample] = masses / masses.sum()
    found = np.cov(drawn.T)

    # the first-order covariance of normalised independent class masses of variance m μ
    to_fraction = (np.eye(3) - fraction[:, None]) / total
    expected = to_fraction @ np.diag(mass * particle) @ to_fraction.T
    mean_mass = fraction @ particle
    closed = (
        np.diag(fraction * particle)
        - np.outer(fraction, fraction) * (particle[:, None] + particle)
        + np.outer(fraction, fraction) * mean_mass
    ) / total
    np.testing.assert_allclose(expected, closed, rtol=1e-12, atol=1e-20)
    scale = np.sqrt(np.diag(expected))
    error = np.abs(found - expected) / np.outer(scale, scale)
    assert error.max() < 4 * np.sqrt(2 / n_samples)

    coefficient = np.zeros(3)
    coefficient[ready.table.on_mass.place] = ready.table.on_mass.coefficient
    np.testing.assert_allclose(coefficient**2, mass * particle, rtol=1e-12)


def test_a_particle_weighs_density_times_shape_times_cube(make_run, make_study):
    """Class between 500 and 1000 µm, x = √(500 × 1000) µm: Var(m) = m ρ f x³, by hand."""
    run = make_run("x", (0.9, 1.35, 0.75), (0, 500, 1000))
    study = make_study(run, density_g_per_cm3=2.6, shape_factor=0.7)
    action = prepare(study, sources=["sampling"]).table.on_mass
    particle_g = 2.6 * 0.7 * (0.05 * 0.1) ** 1.5
    of_class = action.coefficient[action.place.tolist().index(1)]
    assert of_class == pytest.approx(np.sqrt(1.35 * particle_g), rel=1e-9)


def test_the_shortest_interval_of_a_skew_size_is_not_the_symmetric_one(one_run):
    """A size scattering by 40 % is log-normal, whose shortest interval is known."""
    drawn = propagate(
        one_run, seed=5, draws=400_000, sources=[RunToRun(percent=40.0)], rule="semilog"
    )
    tails = np.linspace(1e-5, 0.025, 20_000)
    low, high = np.exp(0.4 * stats.norm.ppf([tails, tails + 0.95]))
    best = (high - low).argmin()
    size = drawn.value[0, 1]
    assert drawn.shortest_lower[0, 1] / size == pytest.approx(low[best], rel=0.02)
    assert drawn.shortest_upper[0, 1] / size == pytest.approx(high[best], rel=0.02)
    symmetric = np.exp(0.4 * stats.norm.ppf([0.025, 0.975]))
    np.testing.assert_allclose([drawn.lower[0, 1], drawn.upper[0, 1]], size * symmetric, rtol=0.02)
    assert symmetric[0] > 1.15 * low[best]


def test_twice_the_sample_halves_the_sampling_variance(make_run, make_study):
    nets = np.array([1.8, 3.1, 6.2, 9.4, 11.9, 8.7, 5.3, 2.9, 1.0])
    u = [
        propagate(
            make_study(make_run("x", nets * factor), density_g_per_cm3=2.7),
            method="linear",
            sources=["sampling"],
        ).u[0]
        for factor in (1, 2)
    ]
    np.testing.assert_allclose(u[0] / u[1], np.sqrt(2), rtol=1e-9)


def test_near_empty_class_straddling_the_median(make_run, make_study):
    """The draws jump across the class; the linear law cannot know that and is not valid."""
    study = make_study(make_run("x", (5.0, 15.0, 0.01, 15.0, 5.0), (0, 63, 90, 125, 180)))
    drawn = propagate(study, seed=1, sources=["rounding", "repeatability"], draws=100_000)
    assert drawn.linear_valid[0][1] is False
    assert drawn.share_negative[0] > 0.05
    assert drawn.lower[0, 1] > 85
    assert drawn.upper[0, 1] < 130
    linear = propagate(study, method="linear", sources=["rounding", "repeatability"])
    assert linear.linear_valid[0][1] is False
    assert linear.u[0, 1] > 1.5 * drawn.u[0, 1]


def test_d10_at_the_edge_of_the_pan_has_an_open_interval(make_run, make_study):
    study = make_study(make_run("x", (0.999, 2.0, 4.0, 2.5, 0.5), (0, 63, 125, 250, 500)))
    drawn = propagate(study, seed=1, draws=100_000)
    frame = drawn.to_frame()
    d10 = frame.iloc[0]
    assert 0.3 < d10["share_unbracketed"] < 0.5
    assert d10["lower"] == 0
    assert 63 < d10["upper"] < 75
    assert not d10["linear_valid"]
    span = frame.iloc[3]
    assert span["share_unbracketed"] == d10["share_unbracketed"]
    assert 0 < span["lower"] < span["value"] < span["upper"] < np.inf
    assert any("lie beyond the sieves" in note for note in notes_in_words(drawn.notes))


def test_a_size_in_the_pan_stays_open_but_bounded(make_run, make_study):
    study = make_study(make_run("x", (3.0, 4.0, 3.0), (0, 90, 180)))
    drawn = propagate(study, seed=1, draws=20_000)
    assert np.isnan(drawn.value[0, 0])
    assert np.isnan(drawn.u[0, 0])
    # always in the pan, so the interval is the whole open interval below the finest sieve
    assert (drawn.lower[0, 0], drawn.upper[0, 0]) == (0, pytest.approx(90, abs=5))
    assert drawn.lower[0, 2] == pytest.approx(180, abs=10)
    assert drawn.upper[0, 2] == np.inf


def test_one_class_with_95_per_cent_of_the_mass(make_run, make_study):
    run = make_run("x", (0.05, 0.2, 19.0, 0.5, 0.25), (0, 63, 90, 180, 250))
    study = make_study(run, balance={"resolution_g": 0.1})
    drawn = propagate(study, seed=1, draws=100_000)
    assert drawn.share_negative[0] > 0.05
    assert np.isfinite(drawn.u[0]).all()
    assert drawn.linear_valid[0][0] is False  # two rectangular sieve errors, nothing normal
    assert 90 < drawn.lower[0, 1] < drawn.upper[0, 1] < 180


def test_result_reports_how_it_was_made(one_run):
    drawn = propagate(one_run, seed=4, digits=1)
    assert drawn.settled
    assert drawn.draws >= 50_000
    assert (drawn.seed, str(drawn.method), drawn.rule) == (4, "monte carlo", "semilog")
    assert drawn.sources == ("rounding", "repeatability", "aperture")
    assert set(drawn.sources_left_out) >= {"sampling", "lost_powder", "between_sieves"}
    assert (drawn.shortest_upper - drawn.shortest_lower <= drawn.upper - drawn.lower + 1e-9).all()
    assert np.isfinite(drawn.tolerance).all()
    few = propagate(one_run, max_draws=100_000)
    assert not few.settled
    assert any("did not settle" in note for note in notes_in_words(few.notes))
    np.testing.assert_allclose(few.mean, few.value, atol=3 * few.u.max() / 300)


def test_coverage_of_the_study_settings_is_used(one_run):
    study = replace(one_run, uncertainty={"coverage": 0.99})
    assert propagate(study, method="linear").k[0, 0] == pytest.approx(2.5758, abs=1e-4)


def test_a_run_without_a_size_does_not_hold_up_the_stop(make_run, make_study):
    """A few draws in a thousand are bracketed; their scatter never settles, nor need it."""
    run = make_run("x", (1.02, 4.0, 3.0, 1.9, 0.1), (0, 63, 125, 250, 500))
    result = propagate(make_study(run), seed=1, digits=1, max_draws=300_000)
    assert 0.9 < result.share_unbracketed[0, 0] < 1
    assert result.settled


def test_digits_by_default(make_run, make_study):
    """Two for few runs, one for many."""
    runs = [make_run(f"run-{number}") for number in range(11)]
    few, many = (
        propagate(make_study(*runs[:count]), max_draws=100_000, sources=["aperture"])
        for count in (1, 11)
    )
    np.testing.assert_allclose(few.tolerance[0] * 10, many.tolerance[0], rtol=1e-9)


@pytest.mark.parametrize("rule", RULES)
def test_one_sieve_gives_bounds_only(make_run, make_study, rule):
    study = make_study(make_run("x", (6.0, 4.0), (0, 90)), rule=rule)
    for method in ("linear", "monte carlo"):
        result = propagate(study, method=method, draws=10_000)
        assert np.isnan(result.value).all()
        assert (result.lower[0, 0], result.upper[0, 2]) == (0, np.inf)
        np.testing.assert_allclose([result.upper[0, 1], result.lower[0, 2]], 90, atol=5)
