"""Control chart and pooled repeatability: the textbook where it applies, algebra elsewhere."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import bartlett, linregress

from psdstats.archive.charts import D2, Points, chart_of, points_of, pooled
from psdstats.errors import OutputError

Y = np.log([100.0, 104.0, 99.0, 101.0, 97.0, 103.0, 100.5, 98.0])


def points(y=Y, own=0.0, shared=None, runs=1, scatter=(0.0, 0.0, 0.0), every=30):
    days = pd.Timestamp("2026-01-05") + pd.to_timedelta(every * np.arange(len(y)), unit="D")
    frame = pd.DataFrame({"path": "t", "date": days.strftime("%Y-%m-%d"), "runs": runs})
    shared = np.zeros((len(y), 0)) if shared is None else np.asarray(shared, dtype=float)
    own = np.broadcast_to(own, len(y)).astype(float)
    return Points(frame=frame, y=np.asarray(y), own=own, shared=shared, scatter=scatter)


def limits(chart):
    return np.log(chart.points[["lower", "upper"]].to_numpy())


@pytest.mark.parametrize("own", [0.0, 0.01])
def test_equal_uncertainties_give_the_chart_of_the_textbook(own):
    """Mean ± 3 MR / 1.128 (ISO 7870-2 gives 2.66 for 3 / d2; from memory)."""
    chart, ranges = chart_of(points(own=own), "D50"), np.abs(np.diff(Y)).mean()
    assert pytest.approx(1.128, abs=5e-4) == D2
    assert pytest.approx(2.66, abs=5e-3) == 3 / D2
    expected = Y.mean() + 3 / D2 * ranges * np.array([-1.0, 1.0])
    np.testing.assert_allclose(limits(chart), np.tile(expected, (len(Y), 1)), rtol=1e-10)
    assert np.log(chart.mean) == pytest.approx(Y.mean(), rel=1e-12)
    assert chart.sigma == pytest.approx(np.sqrt((ranges / D2) ** 2 - own**2), rel=1e-9)


def test_a_point_known_worse_has_wider_limits_and_less_weight():
    own = np.where(np.arange(len(Y)) == 1, 0.05, 0.001)
    chart = chart_of(points(own=own), "D50")
    half = np.diff(limits(chart))[:, 0] / 2
    assert half[1] > 1.5 * half[0]
    np.testing.assert_allclose(half[[0, 2, 7]], half[0], rtol=1e-12)
    w = 1 / (chart.sigma**2 + own**2)
    assert np.log(chart.mean) == pytest.approx(w @ Y / w.sum(), rel=1e-12)
    expected = np.sqrt(2 * chart.sigma**2 + own[1:] ** 2 + own[:-1] ** 2)
    assert (np.abs(np.diff(Y)) / expected).mean() == pytest.approx(np.sqrt(2 / np.pi), rel=1e-9)


def test_an_error_all_points_share_is_in_no_limit():
    plain, same = chart_of(points(), "D50"), chart_of(points(shared=np.full((8, 1), 0.1)), "D50")
    np.testing.assert_allclose(limits(same), limits(plain), rtol=1e-12)
    assert same.slope_u == pytest.approx(plain.slope_u, rel=1e-6)


def test_another_stack_widens_the_limits_of_its_points():
    stacks = np.repeat(np.eye(2), [6, 2], axis=0) * 0.03
    half = np.diff(limits(chart_of(points(shared=stacks), "D50")))[:, 0] / 2
    assert half[7] > half[0]
    sigma = chart_of(points(shared=stacks), "D50").sigma
    apart = (6 / 8) ** 2 * 2 * 0.03**2
    assert half[7] == pytest.approx(3 * np.sqrt(sigma**2 + apart), rel=1e-9)


def test_uncertainties_that_explain_all_leave_nothing_between():
    chart = chart_of(points(own=0.2), "D50")
    assert chart.sigma == 0.0
    np.testing.assert_allclose(np.diff(limits(chart))[:, 0], 6 * 0.2, rtol=1e-12)


def test_points_outside_and_nine_in_a_row():
    y = np.r_[np.tile([-0.01, 0.01], 20), 0.09, np.full(10, 0.004)]
    found = chart_of(points(y), "D50").points
    assert np.flatnonzero(found["is_outside"]).tolist() == [40]
    assert np.flatnonzero(found["is_one_side"]).tolist() == [47, 48, 49, 50]


def test_limits_within_trials_are_those_of_a_chart_of_means():
    given = points(runs=2, scatter=(8.0, 8 * 0.02**2, 0.0))
    half = np.diff(limits(chart_of(given, "D50", "within")))[:, 0] / 2
    np.testing.assert_allclose(half, 3 * 0.02 / np.sqrt(2), rtol=1e-12)
    with pytest.raises(OutputError, match="need runs alike"):
        chart_of(points(), "D50", "within")


def test_drift_is_that_of_least_squares():
    years = 30 * np.arange(len(Y)) / 365.25
    fit, chart = linregress(years, Y), chart_of(points(), "D50")
    assert chart.slope == pytest.approx(fit.slope, rel=1e-9)
    # never less than the residuals say, nor than the moving ranges do
    residual = np.sqrt(((Y - fit.intercept - fit.slope * years) ** 2).sum() / (len(Y) - 2))
    expected = fit.stderr * max(chart.sigma, residual) / residual
    assert chart.slope_u == pytest.approx(expected, rel=1e-9)
    assert np.isnan(chart_of(points(every=0), "D50").slope)


def test_points_are_means_of_a_trial_and_day():
    rows = pd.DataFrame(
        {
            "path": ["b", "a", "a", "a"],
            "run_date": ["2026-01-05", "2026-01-05", "2026-01-05", "2026-01-06"],
            "size": [110.0, 90.0, 100.0, 105.0],
            "own_u": [0.01, 0.02, 0.02, 0.03],
        }
    )
    found = points_of(rows, [{"s": 0.1}, {"s": 0.2}, {"s": 0.4, "t": 0.2}, {}])
    assert found.frame["path"].tolist() == ["a", "b", "a"]
    assert found.frame["runs"].tolist() == [2, 1, 1]
    assert found.y[0] == pytest.approx(np.log([90.0, 100.0]).mean())
    np.testing.assert_allclose(found.own, [np.hypot(0.02 / np.sqrt(2), 0.1), 0.01, 0.03])
    np.testing.assert_allclose(found.shared, [[0.3], [0.1], [0.0]])
    none = points_of(rows, [{}, {}, {}, {}])
    assert none.shared.shape == (3, 0)
    np.testing.assert_allclose(none.own, [0.02 / np.sqrt(2), 0.01, 0.03])
    df, squares, expected = found.scatter
    assert (df, expected) == (1.0, pytest.approx(0.02**2))
    assert squares == pytest.approx(np.log(100 / 90) ** 2 / 2)


def test_few_points_are_refused():
    with pytest.raises(OutputError, match="3 dated points or more, and there are 2"):
        chart_of(points(Y[:2]), "D50")


def spreads(squares, df=4.0, measured=0.0):
    return pd.DataFrame({"df": df, "sum_of_squares": squares, "of_measurement": measured})


def test_pooled_spread_is_the_root_of_the_mean_square():
    found = pooled("D50", spreads([4 * 0.02**2, 4 * 0.03**2]))
    assert found.percent == pytest.approx(100 * np.sqrt((0.02**2 + 0.03**2) / 2))
    assert (found.df, found.runs_df, found.trials) == (8.0, 8.0, 2)
    # chi-square quantiles of 8 degrees of freedom: 2.180 and 17.535 (tables; from memory)
    np.testing.assert_allclose(
        [found.lower_percent, found.upper_percent],
        found.percent * np.sqrt(8 / np.array([17.535, 2.180])),
        rtol=1e-3,
    )


def test_the_measurement_is_taken_out_with_its_degrees_of_freedom():
    found = pooled("D50", spreads([4 * 5e-4] * 2, measured=4 * 2e-4))
    assert found.percent == pytest.approx(100 * np.sqrt(3e-4))
    assert found.df == pytest.approx(8 * (3 / 5) ** 2)
    assert found.scatter_percent == pytest.approx(100 * np.sqrt(5e-4))
    none = pooled("D50", spreads([4 * 1e-4] * 2, measured=4 * 2e-4))
    assert (none.percent, none.df) == (0.0, 0.0)


def test_bartlett_is_that_of_scipy():
    rng = np.random.default_rng(16)
    samples = [scale * rng.standard_normal(5) for scale in (1.0, 2.0, 4.0)]
    squares = [float(((one - one.mean()) ** 2).sum()) for one in samples]
    assert pooled("D50", spreads(squares)).p_alike == pytest.approx(bartlett(*samples).pvalue)
