"""Families of contrasts, their rows, and the smallest change a trial would have shown."""

import numpy as np
import pytest
from scipy import stats

from psdstats.comparison.response import families_for


@pytest.mark.parametrize(
    ("levels", "families"),
    [
        ([0.0, 24.0], ("all pairs",)),
        ([0.0, 6.0, 24.0], ("against first", "successive", "all pairs")),
        (["Alder", "Birch", "Cedar"], ("all pairs",)),
    ],
)
def test_families_that_make_sense(levels, families):
    assert families_for(levels) == families


def _steps(planted, **options):
    generator = np.random.default_rng(1)
    rows = [{"milling_time_min": time} for time in (0.0, 6.0, 24.0) for _ in range(4)]
    ln_size = generator.normal(5, 0.04, 12) - np.repeat([0.0, 0.2, 0.2], 4)
    return ln_size, planted(rows, ln_size, **options)["D50"].to_frame()


def test_rows_are_in_the_order_of_the_levels(planted):
    _, effects = _steps(planted)
    assert list(effects.columns) == [
        *("family", "contrast", "high", "low", "where", "ratio", "ratio_lower", "ratio_upper"),
        *("ratio_lower_single", "ratio_upper_single", "change_percent"),
        *("change_lower_percent", "change_upper_percent", "u", "df", "p", "p_adjusted"),
        *("detectable_decrease_percent", "detectable_low_percent", "detectable_high_percent"),
        *("equivalence_p", "ratio_equivalence_lower", "ratio_equivalence_upper", "verdict"),
    ]
    pairs = [(row["family"], row["high"], row["low"]) for row in effects.to_dict("records")]
    assert pairs == [
        ("against first", "6", "0"),
        ("against first", "24", "0"),
        ("successive", "6", "0"),
        ("successive", "24", "6"),
        ("all pairs", "6", "0"),
        ("all pairs", "24", "0"),
        ("all pairs", "24", "6"),
    ]


def test_per_cent_and_ratio_say_the_same(planted):
    _, effects = _steps(planted)
    for name in ("", "_lower", "_upper"):
        percent = effects[f"change{name}_percent"]
        assert percent.to_numpy() == pytest.approx(100 * (effects[f"ratio{name}"] - 1).to_numpy())


def test_single_interval_is_the_t_interval(planted):
    """Unadjusted limits: pooled variance over three levels, 9 df (by hand, scipy's t)."""
    ln_size, effects = _steps(planted)
    cells = ln_size.reshape(3, 4)
    error = np.sqrt(cells.var(axis=1, ddof=1).mean() * 2 / 4)
    row = effects.iloc[0]
    half = stats.t.ppf(0.975, 9) * error
    assert np.log(row["ratio_upper_single"] / row["ratio"]) == pytest.approx(half, rel=1e-6)
    assert np.log(row["ratio"]) == pytest.approx(cells[1].mean() - cells[0].mean(), abs=1e-9)


def test_detectable_change_has_its_power_by_the_noncentral_t(planted):
    """At the stated change scipy's noncentral t exceeds the row's critical value in 80 %."""
    ln_size, effects = _steps(planted)
    error = np.sqrt(ln_size.reshape(3, 4).var(axis=1, ddof=1).mean() * 2 / 4)
    for row in effects.to_dict("records"):
        critical = np.log(row["ratio_upper"] / row["ratio"]) / error
        shift = -np.log1p(-row["detectable_decrease_percent"] / 100) / error
        # the far tail, beyond -critical, is below 1e-6 here
        assert stats.nct.sf(critical, row["df"], shift) == pytest.approx(0.8, abs=1e-5)
