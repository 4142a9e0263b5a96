"""Intervals over all curves that the data do not rule out."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from psdstats.rate.answers import (
    CLOSE,
    OpenInterval,
    band,
    choose_curve,
    hull,
    margin_over,
    targets_over,
    time_to_margin,
    time_to_target,
)
from psdstats.rate.curves import CURVES, CurveName, fit_curve
from psdstats.words.rate import choice_sentence

LIMIT, POWER, FLAT = CurveName.LIMIT, CurveName.POWER, CurveName.NO_CHANGE
SHORT = (0.0, 6.0, 12.0, 24.0)


def fits_of(data, *names):
    return [fit_curve(CURVES[name], data) for name in names]


def span(value, lower, upper, **flags):
    base = {"lower_open": False, "upper_open": False, "df": 5.0, "level": 0.95}
    return OpenInterval(value=value, lower=lower, upper=upper, **(base | flags))


def test_curves_within_four_of_the_best_are_kept(make_sizes):
    choice = choose_curve(make_sizes(replicates=2, times=SHORT))
    gaps = dict(zip(choice.to_frame()["curve"], choice.to_frame()["difference"], strict=True))
    assert set(choice.not_ruled_out) == {name for name, gap in gaps.items() if gap <= CLOSE}
    assert choice.not_ruled_out[0] is choice.best
    assert len(choice.not_ruled_out) > 1
    assert choice_sentence(choice, " at 5").endswith(" at 5: sizes and times cover both.")


def test_band_is_the_widest_of_the_bands(make_sizes):
    fits = fits_of(make_sizes(replicates=2, times=SHORT), LIMIT, POWER)
    time = np.array([3.0, 18.0, 60.0])
    lower, upper = band(fits, time, level=0.95)
    single = np.array([band([fit], time, level=0.95) for fit in fits])
    np.testing.assert_allclose(lower, single[:, 0].min(axis=0))
    np.testing.assert_allclose(upper, single[:, 1].max(axis=0))
    assert (single[0, 0] != single[1, 0]).all()


def test_band_of_one_straight_line_is_the_textbook_one(make_sizes):
    """Constant rate, one group, nothing known: line ± t·s·√h, by ordinary least squares."""
    data = make_sizes(replicates=3, s=0.0, run_sd=0.05)
    lower, upper = band(fits_of(data, CurveName.CONSTANT), np.array([30.0]), level=0.9)
    x = np.column_stack([np.ones(15), data.time_min])
    beta = np.linalg.lstsq(x, data.ln_size, rcond=None)[0]
    row = np.array([1.0, 30.0])
    y = data.ln_size.reshape(5, 3)
    pure = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum() / 10
    error = np.sqrt(pure * row @ np.linalg.inv(x.T @ x) @ row)
    t = 1.8124611  # Student, 10 degrees of freedom, 95 % point: 1.812 in any table
    assert [lower[0], upper[0]] == pytest.approx([row @ beta - t * error, row @ beta + t * error])


def test_hull_of_target_times(make_sizes):
    data = make_sizes(replicates=3)
    found = targets_over(fits_of(data, LIMIT, POWER), 120.0, level=0.95)
    alone = {
        name: time_to_target(fit_curve(CURVES[name], data), 120.0).interval()
        for name in (LIMIT, POWER)
    }
    assert found == alone
    joined = hull(found)
    assert joined.value == alone[LIMIT].value
    assert joined.lower == min(one.lower for one in alone.values())
    assert joined.upper == max(one.upper for one in alone.values())


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ((span(9.0, 8.0, 11.0), span(10.0, 9.0, 14.0)), span(9.0, 8.0, 14.0)),
        (
            (span(9.0, 8.0, 11.0), span(None, 50.0, 50.0, excluded=True)),
            span(9.0, 8.0, 11.0, upper_open=True),
        ),
        (
            (span(None, 50.0, 50.0, excluded=True), span(9.0, 8.0, 11.0)),
            span(None, 8.0, 11.0, upper_open=True),
        ),
        ((span(0.0, 0.0, 0.0, excluded=True), span(1.0, 0.0, 2.0)), span(0.0, 0.0, 2.0)),
        (
            (span(None, 50.0, 50.0, excluded=True), span(None, 60.0, 60.0, excluded=True)),
            span(None, 50.0, 50.0, excluded=True),
        ),
    ],
)
def test_a_curve_that_never_gets_there_leaves_the_time_open(parts, expected):
    assert hull(dict(zip((LIMIT, POWER), parts, strict=True))) == expected


def test_no_change_that_is_not_ruled_out_never_reaches_a_smaller_size(make_sizes):
    fits = fits_of(make_sizes(replicates=2, k=1e-9), CurveName.CONSTANT, FLAT)
    found = targets_over(fits, 100.0, level=0.95)
    assert found[FLAT].never
    assert targets_over(fits, 900.0, level=0.95)[FLAT].value == 0.0
    assert targets_over(fits[::-1], 100.0, level=0.95) == {}


def test_margin_is_open_where_a_curve_without_limit_remains(make_sizes):
    fits = fits_of(make_sizes(replicates=3), LIMIT, POWER)
    alone = time_to_margin(fits[0], 5.0).interval()
    assert margin_over(fits[:1], 5.0, level=0.95) == alone
    both = margin_over(fits, 5.0, level=0.95)
    assert both == dataclasses.replace(alone, upper_open=True)
    assert margin_over(fits[::-1], 5.0, level=0.95).value is None
    assert margin_over(fits[1:], 5.0, level=0.95) is None
