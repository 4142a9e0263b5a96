"""The shape between the sieves, borrowed across a trial: what it gives and what it must leave."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr

from psdstats.distribution import borrowing
from psdstats.distribution.borrowing import between_correlation, borrow, of_rows
from psdstats.distribution.powder_curve import curve_law
from psdstats.distribution.trial_curves import (
    TrialRuns,
    elementary_errors,
    merged,
    mixed_table,
    nominal_stacks,
    trials,
)

COARSE = np.log([45, 90, 180, 355, 710.0])
SHIFTED = np.log([63, 125, 250, 500.0])


def curve(t, minute, coarser=0.0):
    """A two-mode powder whose coarse mode is worn down in time."""
    share = 0.75 * np.exp(-minute / 5)
    fine = ndtr((t - np.log(95) - coarser) / 0.35)
    return share * ndtr((t - np.log(280) - coarser) / 0.3) + (1 - share) * fine


def runs_of(rows, u=0.004):
    """Runs from rows of (bench, condition, minutes, stack, first sieve, undersize)."""
    n = max(len(stack) for _, _, _, stack, _, _ in rows)
    pad = [n - len(stack) for _, _, _, stack, _, _ in rows]
    columns = list(zip(*rows, strict=True))
    return TrialRuns(
        undersize=np.array(
            [np.append(q, np.ones(k)) for q, k in zip(columns[5], pad, strict=True)]
        ),
        ln_aperture=np.array(
            [np.pad(t, (0, k), "edge") for t, k in zip(columns[3], pad, strict=True)]
        ),
        u_ln_aperture=np.full((len(rows), n), u),
        real=np.array([np.arange(n) < n - k for k in pad]),
        sieve=np.array(columns[4])[:, None] + np.arange(n),
        covariance=np.zeros((len(rows), n, n)),
        smallest=np.full(len(rows), 2e-4),
        bench=np.array(columns[0]),
        condition=np.array(columns[1]),
        minutes=np.array(columns[2], dtype=float),
    )


def trial(minutes=(0, 2, 8), bench=0, condition=0, stack=COARSE, sieve=0, coarser=0.0):
    return [(bench, condition, m, stack, sieve, curve(stack, m, coarser)) for m in minutes]


def alone(runs):
    law = curve_law(
        runs.undersize, runs.ln_aperture, u_ln_aperture=runs.u_ln_aperture, smallest=runs.smallest
    )
    kind = np.column_stack([runs.condition, runs.minutes, nominal_stacks(runs)])
    case = np.unique(kind, axis=0, return_inverse=True)[1].reshape(-1)
    return law, between_correlation(law, case)


def borrowed(rows, **more):
    runs = runs_of(rows, **more)
    law, correlation = alone(runs)
    return borrow(runs, law, correlation), law


@pytest.fixture(scope="module")
def full():
    """Two benches on unlike stacks at five times, the second's powder the same."""
    times = (0, 1, 2, 4, 8)
    rows = trial(times) + trial(times, bench=1, stack=SHIFTED, sieve=10)
    return rows, *borrowed(rows)


def test_a_run_without_company_keeps_its_law():
    got, law = borrowed(trial(minutes=(2,)) + trial(minutes=(2,), condition=1, sieve=10))
    assert_allclose(got.law.table, law.table, rtol=0, atol=0)
    assert_allclose(np.sqrt(np.diag(got.covariance)), law.u.ravel(), rtol=1e-6)


def test_replicates_alone_are_no_company():
    got, law = borrowed(trial(minutes=(2,)) * 3)
    assert_allclose(got.law.table, law.table, rtol=0, atol=0)


def test_a_condition_is_a_trial_of_its_own():
    first = trial()
    other = trial(condition=1, sieve=10, coarser=-0.3)
    got, _ = borrowed(first + other)
    apart, _ = borrowed(first)
    assert_allclose(got.law.table[:3], apart.law.table, rtol=0, atol=1e-12)


def test_sizes_of_a_trial_are_known_better_and_hold_the_powder(full):
    rows, got, law = full
    assert np.nanmedian(got.law.u / law.u) < 0.6
    x = np.linspace(2, 8, 20001)
    true = np.array([np.interp([0.1, 0.5, 0.9], curve(x, row[2]), x) for row in rows])
    assert np.nanmax(np.abs(got.law.ln_size - true) / got.law.u) < 2.6


def test_no_number_where_no_two_sieves_bracket_the_level():
    rows = trial(stack=np.log([125, 180, 250.0]))
    got, law = borrowed(rows)
    assert np.isnan(law.table).any()
    assert (np.isnan(got.law.table) == np.isnan(law.table)).all()
    open_ = np.isnan(law.ln_size).ravel()
    assert (got.covariance[open_] == 0).all()


def test_tables_rise_and_covariance_is_one(full):
    _, got, _ = full
    known = np.isfinite(got.law.table[..., 0])
    assert (np.diff(got.law.table[known], axis=-1) >= 0).all()
    assert np.linalg.eigvalsh(got.covariance)[0] > -1e-12
    assert np.linalg.eigvalsh(got.between)[0] > -1e-12
    assert_allclose(np.sqrt(np.diag(got.covariance)), np.nan_to_num(got.law.u).ravel(), rtol=1e-6)


def test_order_of_runs_does_not_matter(full):
    rows, got, _ = full
    order = np.random.default_rng(3).permutation(len(rows))
    mixed, _ = borrowed([rows[i] for i in order])
    assert_allclose(mixed.law.table, got.law.table[order], atol=1e-7)


def test_a_seed_gives_the_same_again(full):
    rows, got, _ = full
    again, _ = borrowed(rows)
    assert_allclose(again.law.table, got.law.table, rtol=0, atol=0)
    assert_allclose(again.covariance, got.covariance, rtol=0, atol=0)


@pytest.mark.parametrize("coarser", [0.05, 0.26])
def test_a_bench_that_differs_stays_where_its_readings_put_it(coarser):
    """5 % or 30 % coarser: D50 is not pulled towards the other benches."""
    usual = trial() + trial(bench=1, sieve=10)
    odd = trial(bench=2, sieve=20, coarser=coarser)
    got, _ = borrowed(usual + odd)
    apart, _ = borrowed(odd)
    pull = got.law.ln_size[6:, 1] - apart.law.ln_size[:, 1]
    assert (np.abs(pull) < 0.3 * apart.law.u[:, 1]).all()
    usual_alone, _ = borrowed(usual)
    moved = got.law.ln_size[:6, 1] - usual_alone.law.ln_size[:, 1]
    assert (np.abs(moved) < 0.3 * usual_alone.law.u[:, 1]).all()


def test_a_difference_of_benches_is_that_of_their_readings():
    """Benches 5 % apart on one series of sieves: their difference is the true one, and certain."""
    got, _ = borrowed(trial() + trial(bench=1, coarser=0.05))
    difference = got.law.ln_size[3:] - got.law.ln_size[:3]
    assert_allclose(difference.mean(), 0.05, atol=0.005)
    a, b = np.arange(9), np.arange(9, 18)
    C = got.covariance
    u = np.sqrt(C[a, a] + C[b, b] - 2 * C[a, b])
    assert np.median(u / got.law.u[:3].ravel()) < 0.4
    assert (np.abs(difference.ravel() - 0.05) < 2 * u).all()


def test_replicates_show_one_shape():
    """Equal readings on one series: equal sizes, and a difference without uncertainty."""
    got, _ = borrowed(trial() * 2)
    assert_allclose(got.law.table[:3], got.law.table[3:], atol=1e-12)
    C = got.covariance
    a, b = np.arange(9), np.arange(9, 18)
    assert (np.sqrt(np.maximum(C[a, a] + C[b, b] - 2 * C[a, b], 0)) < 0.3 * np.sqrt(C[a, a])).all()


def test_readings_are_met_through_the_sensitivities():
    """A run's undersize changed a little: its size moves as the sensitivities say (no ensemble)."""
    rows = trial(minutes=(0, 2)) * 2
    got, _ = borrowed(rows)
    assert got.breakage_weight[0] == 0
    step = np.array([0.001, 0.002, 0.003, 0.002, 0.0])
    after, _ = borrowed([*rows[:3], (*rows[3][:5], rows[3][5] + step)])
    said = got.law.by_undersize[3] @ step
    assert_allclose(after.law.ln_size[3] - got.law.ln_size[3], said, rtol=0.25, atol=2e-4)


def test_rows_are_means_with_the_errors_of_their_sieves():
    runs = runs_of(trial() + trial(bench=1, sieve=10), u=0.01)
    rows = merged(runs, np.arange(6), elementary_errors(runs))
    assert rows.undersize.shape == (3, 5)
    assert_allclose(rows.u_ln_aperture, 0.01 / np.sqrt(2))
    runs = runs_of(trial() + trial(bench=1), u=0.01)
    shared = merged(runs, np.arange(6), elementary_errors(runs))
    assert_allclose(shared.u_ln_aperture, 0.01)


def test_benches_far_apart_are_trials_of_their_own():
    runs = runs_of(trial() + trial(bench=1, sieve=10, coarser=0.26))
    law, _ = alone(runs)
    assert [sorted(own) for own in trials(runs, law.ln_size[:, 1])] == [[0, 1, 2], [3, 4, 5]]


def test_a_mixture_of_two_tables_has_their_mean_probability():
    scores = np.linspace(-4, 4, 65)
    two = np.stack([[0.0 + scores], [1.0 + 2 * scores]])
    table = mixed_table(two, np.array([0.7, 0.3]))[0]
    share = 0.7 * ndtr(table) + 0.3 * ndtr((table - 1) / 2)
    middle = slice(16, 49)
    assert_allclose(share[middle], ndtr(scores)[middle], atol=2e-3)


def test_sizes_stay_in_their_intervals_when_a_time_is_left_out(full):
    rows, got, _ = full
    kept = [i for i, row in enumerate(rows) if row[2] != 2]
    less, _ = borrowed([rows[i] for i in kept])
    off = np.abs(less.law.ln_size - got.law.ln_size[kept]) / less.law.u
    assert np.nanmax(off) < 1.96


def test_one_powder_on_unlike_stacks_shows_no_false_difference(full):
    _, got, _ = full
    a, b = np.arange(15), np.arange(15, 30)
    C = got.covariance
    u = np.sqrt(C[a, a] + C[b, b] - 2 * C[a, b])
    off = np.abs(got.law.ln_size[:5] - got.law.ln_size[5:]).ravel()
    known = np.isfinite(off)
    assert known.sum() > 10
    assert (off[known] < 1.96 * u[known]).all()


def test_the_law_of_a_trial_leaves_open_what_that_of_its_runs_does(monkeypatch):
    """The law of its rows: variance less that of errors, and quantiles about the middle."""
    kept = {}

    def as_powders(law, rows, times):
        kept.update(law=law, rows=rows, times=times, found=whole(law, rows, times))
        return kept["found"]

    whole = borrowing._as_powders
    monkeypatch.setattr(borrowing, "_as_powders", as_powders)
    fine = np.log([45, 63, 90, 125, 180, 250, 355, 500, 710.0])
    single = borrowed(trial((0, 1, 2, 4, 8), stack=fine))[1]
    raw, found, times = kept["law"], kept["found"], kept["times"]
    assert set(times) == set(single.open_times)  # a run a row
    noise = of_rows(raw, kept["rows"]) @ of_rows(raw, kept["rows"]).T
    expected = (raw.covariance - noise) * np.outer(times, times)
    assert_allclose(found.covariance - noise, expected, atol=1e-12)
    middle = raw.table.shape[1] // 2
    assert_allclose(found.table[:, middle], raw.table[:, middle])
    spread = np.sqrt(np.diag(found.covariance) / np.diag(raw.covariance))
    assert_allclose(np.ptp(found.table, axis=1), spread * np.ptp(raw.table, axis=1))
    assert (spread < 0.99).any()
