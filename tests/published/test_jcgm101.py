"""Worked examples of JCGM 101:2008 (Monte Carlo) through the driver the product uses.

Printed results are from memory; each is also checked against a closed form or SciPy.
"""

import numpy as np
import pytest
from scipy import stats

from psdstats.uncertainty.draws import fill, keyed_generator
from psdstats.uncertainty.inputs import Kind
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.monte_carlo import validate_linear


def _additive(adaptive_monte_carlo, kind, scales, **options):
    """Sum of four independent inputs of that kind with these standard deviations."""
    streams = [keyed_generator(7, "additive", str(kind), part) for part in range(4)]

    def draw(_):
        total = np.zeros(10_000)
        raw = np.empty(10_000)
        for stream, scale in zip(streams, scales, strict=True):
            fill(stream, kind, 0.0, raw)
            if kind is Kind.UNIFORM:
                raw -= 0.5
                raw *= np.sqrt(12)
            total += scale * raw
        return total[None]

    return adaptive_monte_carlo(draw, **options)


def _close(result, u, half_width):
    """To the printed digits: the tolerance of 2 s < δ with two digits of u."""
    tolerance = result.tolerance[0]
    assert result.settled
    assert result.mean[0] == pytest.approx(0, abs=tolerance)
    assert result.u[0] == pytest.approx(u, abs=tolerance)
    assert result.ends[0, 0] == pytest.approx(-half_width, abs=tolerance)
    assert result.ends[1, 0] == pytest.approx(half_width, abs=tolerance)


def test_922_normal_inputs(adaptive_monte_carlo, combine):
    """9.2.2: u 2.0, 95 % interval ±3.92, and the linear law is validated."""
    result = _additive(adaptive_monte_carlo, Kind.NORMAL, np.ones(4), max_blocks=400)
    assert result.tolerance[0] == 0.05  # as the document takes it
    _close(result, 2.0, 3.92)
    linear = combine(np.ones(4), np.ones(4))
    assert (coverage_factor(0.95) * linear.u)[0] == pytest.approx(3.92, abs=0.005)
    assert validate_linear(
        value=np.zeros(1),
        expanded=coverage_factor(0.95) * linear.u,
        lower=result.ends[0],
        upper=result.ends[1],
        u=linear.u,
        digits=2,
    )[0]


def test_923_rectangular_inputs(adaptive_monte_carlo):
    """9.2.3: u 2.0, ±3.88 where the linear law gives ±3.92."""
    _close(_additive(adaptive_monte_carlo, Kind.UNIFORM, np.ones(4), max_blocks=400), 2.0, 3.88)


def test_924_one_dominant_rectangular_input(adaptive_monte_carlo, combine):
    """9.2.4: u 10.1, ±17.0 where the linear law gives ±19.8 and is not validated."""
    scales = np.array([1, 1, 1, 10.0])
    result = _additive(adaptive_monte_carlo, Kind.UNIFORM, scales, max_blocks=400)
    assert result.u[0] == pytest.approx(10.1, abs=0.1)
    assert result.ends[0, 0] == pytest.approx(-17.0, abs=0.1)
    assert result.ends[1, 0] == pytest.approx(17.0, abs=0.1)
    linear = combine(np.ones(4), scales)
    assert (coverage_factor(0.95) * linear.u)[0] == pytest.approx(19.8, abs=0.1)
    assert not validate_linear(
        value=np.zeros(1),
        expanded=coverage_factor(0.95) * linear.u,
        lower=result.ends[0],
        upper=result.ends[1],
        u=linear.u,
        digits=2,
    )[0]


def test_94_comparison_loss(adaptive_monte_carlo, combine):
    """9.4 with x1 = x2 = 0, no correlation: 50 × 10⁻⁶, u 50 × 10⁻⁶, shortest [0, 150] × 10⁻⁶."""
    streams = [keyed_generator(8, "loss", part) for part in range(2)]

    def draw(_):
        raw = np.empty((2, 10_000))
        for row, stream in zip(raw, streams, strict=True):
            fill(stream, Kind.NORMAL, 0.0, row)
        return ((0.005 * raw) ** 2).sum(axis=0)[None]

    result = adaptive_monte_carlo(draw, max_blocks=400)
    micro = 1e6 * np.array([result.mean[0], result.u[0], result.ends[2, 0], result.ends[3, 0]])
    np.testing.assert_allclose(micro, [50, 50, 0, 150], atol=0.6)
    # the sum of two squares is exponential: its symmetric interval in closed form
    law = stats.expon(scale=50)
    np.testing.assert_allclose(
        [1e6 * result.ends[0, 0], 1e6 * result.ends[1, 0]], law.ppf([0.025, 0.975]), atol=0.6
    )
    # first order: the sensitivities vanish, so the linear law has u = 0 and is not validated
    linear = combine([0.0, 0.0], [0.005, 0.005])
    assert linear.u[0] == 0
    assert not validate_linear(
        value=np.zeros(1),
        expanded=coverage_factor(0.95) * linear.u,
        lower=result.ends[2],
        upper=result.ends[3],
        u=result.u,
    )[0]
