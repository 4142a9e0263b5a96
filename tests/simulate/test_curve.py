"""True curves: closed forms at time 0, inverse and shift, spreads that come out as put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.simulate import TrialDesign
from psdstats.simulate.curve import LEVELS, mean_curves, random_curves
from psdstats.simulate.design import Spread, lay_out


def test_unmilled_powder_is_the_lognormal_feed(design: TrialDesign) -> None:
    """D_q = D50 gsd^z_q (log-normal closed form), within the twelve-an-octave grid."""
    sizes = mean_curves(design, lay_out(design)).sizes()[0, 0]
    powder = design.powder
    z = np.array([-1.2815515655, 0.0, 1.2815515655])  # standard normal quantiles, any handbook
    assert sizes == pytest.approx(powder.feed_d50_um * powder.feed_gsd**z, rel=2e-3)


def test_curve_at_its_own_percentiles_gives_the_levels(design: TrialDesign) -> None:
    design = replace(design, spread=Spread(rate_run=0.2, size_run=0.1))
    curves = random_curves(design, lay_out(design), 5, np.random.default_rng(1))
    undersize, _ = curves.at(curves.sizes())
    assert undersize == pytest.approx(np.broadcast_to(LEVELS, undersize.shape), abs=1e-12)


def test_curve_ends_at_zero_and_one(design: TrialDesign) -> None:
    curves = mean_curves(design, lay_out(design))
    ends = np.broadcast_to([0.0, 0.5, 1e6, np.inf], (*curves.shift.shape, 4))
    undersize, _ = curves.at(ends)
    assert np.all(undersize[..., 0] == 0)
    assert np.all((undersize[..., 1] > 0) & (undersize[..., 1] < 0.01))
    assert undersize[..., 2:] == pytest.approx(1.0, abs=1e-12)


def test_milling_longer_or_with_more_balls_is_finer(design: TrialDesign) -> None:
    layout = lay_out(design)
    d50 = mean_curves(design, layout).sizes()[0, :, 1]
    first = layout.bench == 0
    by_time = [
        d50[first & (layout.time_min == t) & (layout.ball_ratio == 5)][0] for t in (0, 12, 48)
    ]
    assert by_time[0] > by_time[1] > by_time[2]
    many = d50[first & (layout.time_min == 48) & (layout.ball_ratio == 10)][0]
    assert many < by_time[2]


def test_ball_factor_acts_as_time(design: TrialDesign) -> None:
    """A factor on every rate is a factor on time: 0.8 × 60 min equals 48 min at factor 1."""
    design = replace(design, times_min=(48, 60))
    layout = lay_out(design)
    sizes = mean_curves(design, layout).sizes()[0]
    slow = (layout.ball_ratio == 5) & (layout.time_min == 60)
    fast = (layout.ball_ratio == 10) & (layout.time_min == 48)
    assert sizes[slow] == pytest.approx(sizes[fast], rel=1e-12)


def test_size_spreads_come_out_as_put_in(design: TrialDesign) -> None:
    """Between-bench, bench × time and run SDs of ln D50, from sums of squares of 2,000 trials."""
    spread = Spread(size_bench=0.05, size_bench_time=0.03, size_run=0.02)
    design = replace(design, ball_ratios={}, spread=spread)
    layout = lay_out(design)
    curves = random_curves(design, layout, 2000, np.random.default_rng(7))
    ln = np.log(curves.sizes()[..., 1] / mean_curves(design, layout).sizes()[..., 1])
    cells = ln.reshape(2000, 3, 3, 2)  # bench, time, replicate
    within = cells.var(axis=-1, ddof=1).mean()
    cell_means = cells.mean(axis=-1)
    between_times = cell_means.var(axis=-1, ddof=1).mean() - within / 2
    between_benches = cell_means.mean(axis=-1).var(axis=-1, ddof=1).mean()
    # standard errors: sqrt(2 / df) with df = 18,000, 12,000 and 4,000; four of them allowed
    assert within == pytest.approx(0.02**2, rel=0.043)
    assert between_times == pytest.approx(0.03**2, rel=0.06)
    assert between_benches == pytest.approx(0.05**2 + 0.03**2 / 3 + 0.02**2 / 6, rel=0.09)


def test_rate_spread_leaves_the_feed_alone(design: TrialDesign) -> None:
    design = replace(design, spread=Spread(rate_bench=0.2, rate_run=0.1))
    layout = lay_out(design)
    sd = np.log(random_curves(design, layout, 50, np.random.default_rng(3)).sizes()[..., 1]).std(0)
    assert sd[layout.time_min == 0] == pytest.approx(0.0, abs=1e-12)
    assert sd[layout.time_min == 48].min() > 0.03


def test_charge_spread_comes_out_as_put_in(design: TrialDesign) -> None:
    """One charge a bench and replicate: runs of it share what is its own, those of others not."""
    spread = Spread(charge=0.05, size_run=0.02)
    design = replace(design, ball_ratios={}, spread=spread, one_charge=True)
    layout = lay_out(design)
    assert len(layout.charge_names) == 3 * 2
    curves = random_curves(design, layout, 2000, np.random.default_rng(7))
    ln = np.log(curves.sizes()[..., 1] / mean_curves(design, layout).sizes()[..., 1])
    found = np.cov(ln.T)
    same = layout.charge[:, None] == layout.charge
    expected = 0.05**2 * same + 0.02**2 * np.eye(18)
    # standard error of a covariance of normal values: √((V_ii V_jj + V_ij²)/n); 171 of them
    error = np.sqrt((np.outer(np.diag(expected), np.diag(expected)) + expected**2) / 2000)
    assert np.abs((found - expected) / error).max() < 4


def test_charges_of_their_own_rates_drift_apart(design: TrialDesign) -> None:
    design = replace(design, spread=Spread(rate_charge=0.2), one_charge=True)
    layout = lay_out(design)
    sd = np.log(random_curves(design, layout, 200, np.random.default_rng(3)).sizes()[..., 1]).std(0)
    by_time = [sd[layout.time_min == minutes].mean() for minutes in (0, 12, 48)]
    assert by_time[0] == pytest.approx(0.0, abs=1e-12)
    assert by_time[0] < by_time[1] < by_time[2]


def test_charges_leave_the_other_draws_of_a_seed_alone(design: TrialDesign) -> None:
    plain = replace(design, spread=Spread(size_run=0.02))
    charged = replace(design, spread=Spread(size_run=0.02, charge=0.3), one_charge=True)
    layout = lay_out(charged)
    one, other = (
        random_curves(each, layout, 3, np.random.default_rng(5)).shift for each in (plain, charged)
    )
    moved = other - one
    for charge in range(len(layout.charge_names)):
        own = moved[:, layout.charge == charge]
        assert own == pytest.approx(np.broadcast_to(own[:, :1], own.shape), abs=1e-12)
    assert np.abs(moved).min() > 0
