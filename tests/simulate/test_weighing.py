"""Readings of balances: steps, noise, shared tares, errors that must cancel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.simulate import Bench, SieveSet, TrialDesign
from psdstats.simulate.design import lay_out
from psdstats.simulate.trial import Readings, round_to, weigh_trials
from psdstats.study.records import Balance, TareHandling


def weigh(design: TrialDesign, trials: int = 20, seed: int = 1) -> Readings:
    return weigh_trials(design, lay_out(design), trials, np.random.default_rng(seed))


def with_balance(design: TrialDesign, balance: Balance) -> TrialDesign:
    return replace(
        design, benches=tuple(replace(bench, balance=balance) for bench in design.benches)
    )


@pytest.mark.parametrize("step_g", [0.001, 0.01, 0.02, 0.05, 0.1, 0.5, 1.0])
def test_readings_are_whole_steps_written_short(design: TrialDesign, step_g: float) -> None:
    readings = weigh(with_balance(design, Balance(name="b", resolution_g=step_g)), trials=2)
    for values in (readings.tare_g, readings.gross_g, readings.sample_g):
        assert values / step_g == pytest.approx(np.round(values / step_g), abs=1e-6)
        assert max(len(repr(float(v)).split(".")[1]) for v in values.ravel()) <= 3


def test_rounding_error_is_uniform() -> None:
    """JCGM 100:2008, F.2.2.1 (from memory): u = d/√12 = 0.2887 d."""
    load_g = np.random.default_rng(1).uniform(300, 400, 100_000)
    error = round_to(load_g, 0.01) - load_g
    assert np.abs(error).max() <= 0.005 + 1e-9
    assert error.std() == pytest.approx(0.2887 * 0.01, rel=0.01)


def test_an_exact_balance_returns_the_true_fractions(design: TrialDesign) -> None:
    readings = weigh(with_balance(design, Balance(name="b", resolution_g=1e-6)))
    net_g = readings.gross_g - readings.tare_g
    assert net_g / net_g.sum(-1, keepdims=True) == pytest.approx(readings.fraction, abs=1e-7)


def test_repeatability_shows_in_the_nets(design: TrialDesign) -> None:
    """A net mass is two readings: SD √2 s_r."""
    noisy = Balance(name="b", resolution_g=1e-6, repeatability_g=0.02)
    readings = weigh(with_balance(design, noisy), trials=200)
    layout = lay_out(design)
    net_g = (readings.gross_g - readings.tare_g)[:, layout.bench == 0]
    pure_g = readings.fraction[:, layout.bench == 0]
    pure_g = pure_g * net_g.sum(-1, keepdims=True)
    # nine classes share one constraint (their sum): 8/9 of the variance is left on average
    assert (net_g - pure_g).std() == pytest.approx(0.02 * np.sqrt(2 * 8 / 9), rel=0.1)


def test_tared_once_means_one_reading_a_sieve(design: TrialDesign) -> None:
    noisy = Balance(name="b", resolution_g=0.001, repeatability_g=0.05)
    layout = lay_out(design)
    for tares, same in ((TareHandling.ONCE, True), (TareHandling.EACH_RUN, False)):
        tare_g = weigh(replace(with_balance(design, noisy), tares=tares)).tare_g
        for plate in range(len(layout.plate_keys)):
            shared = tare_g[:, layout.plate == plate]
            assert np.all(shared == shared[:, :1]) == same


def test_a_slope_error_cancels_in_fractions(design: TrialDesign) -> None:
    exact = weigh(with_balance(design, Balance(name="b", resolution_g=1e-6)))
    slope = weigh(with_balance(design, Balance(name="b", resolution_g=1e-6, slope_u=0.01)))
    net = [r.gross_g - r.tare_g for r in (exact, slope)]
    share = [n / n.sum(-1, keepdims=True) for n in net]
    assert share[0] == pytest.approx(share[1], abs=1e-6)
    scale = net[1].sum(-1) / net[0].sum(-1)
    assert scale == pytest.approx(np.broadcast_to(scale[:, :1], scale.shape), rel=1e-6)
    assert scale[:, 0].std() == pytest.approx(0.01, rel=0.5)


def test_linearity_is_a_bow_between_zero_and_capacity(design: TrialDesign) -> None:
    """Error 4 L b (x/Max)(1 − x/Max), |b| ≤ 1: never above L and one b for the whole trial."""
    bowed = Balance(name="b", resolution_g=1e-6, capacity_g=800.0, linearity_g=0.05)
    exact = weigh(with_balance(design, Balance(name="b", resolution_g=1e-6)))
    off = weigh(with_balance(design, bowed))
    error, load = off.gross_g - exact.gross_g, exact.gross_g
    used = lay_out(design).used
    b = error[:, used] / (4 * 0.05 * load[:, used] / 800 * (1 - load[:, used] / 800))
    assert np.abs(b).max() <= 1 + 1e-4
    assert b == pytest.approx(np.broadcast_to(b[:, :1], b.shape), abs=1e-3)


def test_each_bench_uses_its_own_balance(powder: object, design: TrialDesign) -> None:
    stack = SieveSet(name="s", apertures_um=(90.0, 250.0))
    other = SieveSet(name="t", apertures_um=(90.0, 250.0))
    benches = (
        Bench(name="A", sieves=stack, balance=Balance(name="one", resolution_g=1.0)),
        Bench(name="B", sieves=other, balance=Balance(name="two", resolution_g=0.001)),
    )
    design = replace(design, benches=benches)
    tare_g = weigh(design).tare_g
    bench = lay_out(design).bench
    assert np.all(tare_g[:, bench == 0] % 1 == 0)
    assert not np.any(tare_g[:, bench == 1] % 1 == 0)
