"""Precision of groups: exact cases, an independent route, and simulated coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from psdstats.comparison.groups import Told, group_precision, interval_between, interval_total
from psdstats.errors import ModelError


def frame_of(cells: dict[str, list[float]], time: float = 0.0) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"bench": bench, "milling_time_min": time, "D50": y}
            for bench, results in cells.items()
            for y in results
        ]
    )


def test_balanced_equals_reml():
    """For balanced data with s_L² > 0 REML and the analysis of variance give the same estimates."""
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(4)
    groups = np.repeat(list("abcdef"), 4)
    y = 3 + np.repeat(rng.normal(0, 2, 6), 4) + rng.normal(0, 1, 24)
    frame = pd.DataFrame({"y": y, "g": groups})
    fit = smf.mixedlm("y ~ 1", frame, groups="g").fit(reml=True)
    row = group_precision(frame, value="y", group="g", scale="raw").to_frame().iloc[0]
    assert row["repeatability_sd"] ** 2 == pytest.approx(fit.scale, rel=1e-4)
    assert row["between_sd"] ** 2 == pytest.approx(fit.cov_re.iloc[0, 0], rel=1e-3)


def test_scaling_the_sizes_leaves_log_sds_alone():
    cells = {"A": [100.0, 103.0], "B": [90.0, 95.0, 97.0], "C": [120.0]}
    first = group_precision(frame_of(cells), value="D50", group="bench").to_frame()
    ten = {name: [10 * y for y in values] for name, values in cells.items()}
    second = group_precision(frame_of(ten), value="D50", group="bench").to_frame()
    columns = [name for name in first if name.endswith(("_sd", "_lower", "_upper"))]
    np.testing.assert_allclose(first[columns], second[columns], rtol=1e-9)
    assert second["mean"][0] == pytest.approx(10 * first["mean"][0])


def test_unequal_groups_count_by_n0_not_by_their_mean():
    """ISO 5725-2, 7.4 (from memory): n0 = (16 - 152/16)/2 = 3.25 where the mean number is 5.33.

    Within 16/13, between the means 9.5, so s_L² = (9.5 - 16/13)/3.25, all by hand.
    """
    cells = {"A": [1.0, 3.0], "B": [5.0, 7.0], "C": [2.0, 4.0] * 6}
    row = (
        group_precision(frame_of(cells), value="D50", group="bench", scale="raw").to_frame().iloc[0]
    )
    assert row["repeatability_sd"] ** 2 == pytest.approx(16 / 13)
    assert row["between_sd"] ** 2 == pytest.approx((9.5 - 16 / 13) / 3.25)


def test_one_row_a_level_and_unbracketed_sizes_are_counted():
    frame = pd.concat(
        [
            frame_of({"A": [100.0, 101.0], "B": [99.0, np.nan]}, 0.0),
            frame_of({"A": [50.0, 51.0], "B": [52.0, 51.5]}, 6.0),
        ]
    )
    table = group_precision(frame, value="D50", group="bench", level="milling_time_min").to_frame()
    assert list(table["milling_time_min"]) == [0.0, 6.0]
    assert list(table["left_out"]) == [1, 0]
    assert list(table["results"]) == [3, 4]


def test_without_replicates_only_reproducibility_is_told():
    frame = frame_of({"A": [10.0], "B": [12.0], "C": [11.0]})
    row = group_precision(frame, value="D50", group="bench", scale="raw").to_frame().iloc[0]
    assert np.isnan(row["repeatability_sd"])
    assert np.isnan(row["between_sd"])
    assert row["reproducibility_sd"] == pytest.approx(1.0)
    assert row["status"] == Told.NO_REPLICATE


def test_one_group_only_repeatability_is_told():
    row = (
        group_precision(frame_of({"A": [10.0, 12.0]}), value="D50", group="bench")
        .to_frame()
        .iloc[0]
    )
    assert row["repeatability_sd"] == pytest.approx(np.std(np.log([10, 12]), ddof=1))
    assert np.isnan(row["reproducibility_sd"])
    assert row["status"] == Told.ONE_GROUP


def test_groups_alike_gives_zero_between():
    found = group_precision(
        frame_of({"A": [9.0, 11.0], "B": [9.0, 11.0]}), value="D50", group="bench"
    )
    row = found.table.iloc[0]
    assert row["between_sd"] == 0
    assert row["between_sd_lower"] == 0
    assert row["status"] == Told.GROUPS_ALIKE


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"value": "D51"}, "no column 'D51'"),
        ({"group": "lab"}, "no column 'lab'"),
        ({"level": "time"}, "no column 'time'"),
    ],
)
def test_missing_columns(change, message):
    options = {"value": "D50", "group": "bench"} | change
    with pytest.raises(ModelError, match=message):
        group_precision(frame_of({"A": [1.0, 2.0]}), **options)


def test_zero_has_no_logarithm():
    with pytest.raises(ModelError, match=r"row 1 holds 0\.0, which has no logarithm"):
        group_precision(frame_of({"A": [1.0, 0.0]}), value="D50", group="bench")


def test_nothing_to_compare():
    with pytest.raises(ModelError, match="holds no number"):
        group_precision(frame_of({"A": [np.nan]}), value="D50", group="bench")


def test_between_interval_starts_at_zero_where_the_f_test_does():
    """Limit of the F test by `scipy.stats.f`; the interval's lower end is zero there, not below."""
    within, df_1, df_2 = 3.0, 4, 15
    edge = within * stats.f.ppf(0.975, df_1, df_2)
    assert interval_between(edge, df_1, within, df_2, 4, coverage=0.95)[0] == pytest.approx(
        0, abs=1e-7
    )
    above = interval_between(edge * 1.01, df_1, within, df_2, 4, coverage=0.95)[0]
    assert above > 0


def test_between_interval_is_the_exact_one_when_within_is_known():
    """df_within → ∞ with nothing within: the chi-square interval of the group means."""
    lower, upper = interval_between(8.0, 5, 1e-9, 10**7, 2, coverage=0.95)
    assert lower == pytest.approx(8 * 5 / stats.chi2.ppf(0.975, 5) / 2, rel=1e-4)
    assert upper == pytest.approx(8 * 5 / stats.chi2.ppf(0.025, 5) / 2, rel=1e-4)


@pytest.mark.parametrize("between", [0.0, 0.5, 4.0])
def test_simulated_coverage_is_at_least_nominal(between):
    """4,000 simulated balanced trials of 6 groups of 3; Monte Carlo error 0.0034 (seed 11)."""
    rng = np.random.default_rng(11)
    p, n, draws = 6, 3, 4_000
    squares = (1 + n * between) * rng.chisquare(p - 1, draws) / (p - 1)
    within = rng.chisquare(p * (n - 1), draws) / (p * (n - 1))
    hit_between = hit_total = 0
    for ms_between, ms_within in zip(squares, within, strict=True):
        parts = (ms_between, p - 1, ms_within, p * (n - 1), n)
        lower, upper = interval_between(*parts, coverage=0.95)
        hit_between += lower <= between <= upper
        lower, upper = interval_total(*parts, coverage=0.95)
        hit_total += lower <= 1 + between <= upper
    three_sigma = 3 * np.sqrt(0.95 * 0.05 / draws)
    assert 0.95 - three_sigma < hit_total / draws < 0.985
    assert 0.95 - three_sigma < hit_between / draws < 0.999


def test_within_interval_uses_chi_square():
    cells = {"A": [1.0, 2.0, 4.0], "B": [2.0, 3.0]}
    row = (
        group_precision(frame_of(cells), value="D50", group="bench", scale="raw").to_frame().iloc[0]
    )
    df, variance = 3, row["repeatability_sd"] ** 2
    assert row["repeatability_sd_lower"] ** 2 == pytest.approx(
        variance * df / special.chdtri(df, 0.025)
    )
