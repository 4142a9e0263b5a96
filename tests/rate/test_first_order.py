"""First-order loss: exact laws recovered, straight lines as a reference library fits them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from psdstats.errors import ModelError
from psdstats.findings import Verdict
from psdstats.rate import withdrawal
from psdstats.rate.first_order import loss_rates
from psdstats.words.rate import loss_sentences, withdrawal_sentence
from psdstats.words.remarks import sentence

RATES = {500.0: 0.08, 250.0: 0.04, 125.0: 0.02, 63.0: 0.01}
START = {500.0: 0.2, 250.0: 0.55, 125.0: 0.8, 63.0: 0.95}


def test_exact_law_is_recovered(make_study):
    found = loss_rates(make_study(rates=RATES, start=START, replicates=2))
    assert found.frame["aperture_um"].tolist() == [500, 250, 125, 63]
    assert found.frame["rate_per_min"].to_numpy() == pytest.approx(list(RATES.values()), rel=1e-6)
    assert found.exponents[""].exponent == pytest.approx(1.0, abs=0.01)


def _shares(study):
    """Share above each sieve, runs down and apertures up."""
    apertures_um = sorted({one.aperture_um for one in study.runs[0].readings if one.aperture_um})
    return np.log(apertures_um), np.array(
        [
            [sum(r.net_g for r in run.readings if r.aperture_um >= um) / run.total_g
             for um in apertures_um]
            for run in study.runs
        ]
    )  # fmt: skip


def _line(study, aperture_um):
    """Line of each group by a library, each run weighed by the slope of its time along ln x."""
    ln_x, share = _shares(study)
    time = pd.Series([run.milling_time_min for run in study.runs])
    at = int(np.searchsorted(ln_x, np.log(aperture_um) - 1e-9))
    slope = np.gradient(np.log(share), ln_x, axis=1)[:, at]
    slope = pd.Series(slope).groupby(time).transform("mean")
    variance = slope**2 + 0.1 * (slope**2).mean()
    group = pd.get_dummies([run.group for run in study.runs], dtype=float).to_numpy()
    design = np.hstack([group, -group * time.to_numpy()[:, None]])
    return sm.WLS(np.log(share[:, at]), design, weights=1 / variance).fit()


@pytest.mark.parametrize("groups", [("a",), ("a", "b")])
def test_rate_and_interval_are_those_of_a_straight_line_of_each_group(make_study, groups):
    """Weighings so fine that only run-to-run variation counts: least squares of ln R.

    The rate is the mean of the groups' rates, its spread that of runs about their lines.
    """
    study = make_study(
        rates=RATES, start=START, replicates=3, run_sd=0.02, resolution_g=1e-7, groups=groups
    )
    row = loss_rates(study).frame.query("aperture_um == 250").iloc[0]
    count = len(groups)
    told = _line(study, 250).t_test(np.repeat([0, 1 / count], count)[None])
    low, high = told.conf_int()[0]
    assert row["rate_per_min"] == pytest.approx(told.effect[0], rel=1e-6)
    assert row[["lower_per_min", "upper_per_min"]].tolist() == pytest.approx([low, high], rel=1e-4)
    assert row["half_life_min"] == pytest.approx(np.log(2) / row["rate_per_min"], rel=1e-6)
    assert row["verdict"] == "equivalent"  # 15 runs show a bend below a quarter of the rate


def test_two_groups_are_told_as_they_ran_and_three_by_their_spread(make_study):
    two, three = (
        loss_rates(
            make_study(rates=RATES, start=START, groups=groups, replicates=2, run_sd=0.02, seed=8)
        )
        for groups in (("a", "b"), ("a", "b", "c"))
    )
    half = (two.frame["upper_per_min"] - two.frame["lower_per_min"]) / 2
    assert (half < 0.15 * two.frame["rate_per_min"]).all()
    assert "those of these 2 groups as they ran" in " ".join(map(sentence, two.notes))
    assert three.notes == ()


def test_a_bend_is_found_and_said(make_study):
    study = make_study(rates=RATES, start=START, replicates=3, run_sd=0.01, bend=2e-4)
    found = loss_rates(study)
    assert (found.frame["verdict"] == "changed").all()
    assert {one.verdict for one in found.findings} == {Verdict.CHANGED}
    assert "changed with time" in loss_sentences(found)[0]


def test_with_three_times_the_order_cannot_be_told(make_study):
    found = loss_rates(make_study(rates=RATES, start=START, replicates=2, times=(0.0, 12.0, 48.0)))
    assert (found.frame["verdict"] == "cannot be told").all()
    words = loss_sentences(found)[0]
    assert words.startswith(
        "Whether the rate of loss above 500, 250, 125 and 63 µm changes with time"
    )


def test_where_nothing_is_lost_there_is_nothing_to_say(make_study):
    still = dict.fromkeys(RATES, 0.0)
    found = loss_rates(make_study(rates=still, start=START, replicates=3, run_sd=0.01))
    assert (found.frame["lower_per_min"] <= 0).any()
    silent = found.frame[found.frame["lower_per_min"] <= 0]["aperture_um"]
    said = " ".join(loss_sentences(found))
    assert not any(f"{one:g}" in said for one in silent)


def test_exponent_from_the_groups(make_study):
    study = make_study(rates=RATES, start=START, groups=("a", "b", "c"), replicates=2, run_sd=0.01)
    exponent = loss_rates(study).exponents[""]
    assert "between 3 groups" in sentence(exponent.basis)
    assert exponent.lower < 1.0 < exponent.upper


def test_sieves_that_run_empty_are_left_out_and_said(make_study):
    study = make_study(rates=RATES | {710.0: 0.6}, start=START | {710.0: 0.05}, resolution_g=0.01)
    found = loss_rates(study)
    assert 710.0 not in set(found.frame["aperture_um"])
    assert any("above 710 µm" in sentence(note) for note in found.notes)


def test_levels_are_kept_apart_and_refusals_name_the_column(make_study):
    study = make_study(rates=RATES, start=START, factors={"ball_ratio": 5.0})
    assert set(loss_rates(study, at_each=["ball_ratio"]).frame["series"]) == {"ball ratio 5"}
    with pytest.raises(ModelError, match="no column 'colour'"):
        loss_rates(study, at_each=["colour"])
    with pytest.raises(ModelError, match="No sieve holds"):
        loss_rates(make_study(rates=RATES, start=START, times=(0.0, 6.0)))


def test_levels_are_sorted_as_numbers_and_a_run_without_powder_is_left_out(make_study):
    """Ratio 5 before 10; the rates are those of the study without the empty run."""
    five, ten = (
        make_study(rates=RATES, start=START, groups=(f"r{ratio}",), factors={"ball_ratio": ratio})
        for ratio in (5.0, 10.0)
    )
    sieves, runs = {**ten.sieves, **five.sieves}, (*ten.runs, *five.runs)
    whole = dataclasses.replace(ten, runs=runs, sieves=sieves)
    assert list(loss_rates(whole, at_each=["ball_ratio"]).exponents) == [
        "ball ratio 5",
        "ball ratio 10",
    ]
    first = ten.runs[0]
    nothing = tuple(dataclasses.replace(one, gross_g=one.tare_g) for one in first.readings)
    empty = dataclasses.replace(first, name="empty", readings=nothing)
    found = loss_rates(dataclasses.replace(ten, runs=(*ten.runs, empty)))
    pd.testing.assert_frame_equal(found.frame, loss_rates(ten).frame)
    assert "Run empty holds no powder and is left out." in map(sentence, found.notes)
    with pytest.raises(ModelError, match="No sieve holds"):
        loss_rates(dataclasses.replace(ten, runs=(empty,)))


def test_a_run_without_a_level_is_set_aside_and_named(make_study):
    study = make_study(rates=RATES, start=START, factors={"ball_ratio": 5.0})
    bare = dataclasses.replace(study.runs[1], factors={})
    study = dataclasses.replace(study, runs=(study.runs[0], bare, *study.runs[2:]))
    found = loss_rates(study, at_each=["ball_ratio"])
    assert sentence(found.notes[0]) == "1 run has no ball ratio and was set aside: a-6-0."
    alone = dataclasses.replace(study, runs=tuple(run for run in study.runs if run is not bare))
    pd.testing.assert_frame_equal(found.frame, loss_rates(alone, at_each=["ball_ratio"]).frame)
    nobody = dataclasses.replace(
        study, runs=tuple(dataclasses.replace(run, factors={"mill": ""}) for run in study.runs)
    )
    with pytest.raises(ModelError, match="'ball_ratio'"):
        loss_rates(nobody, at_each=["ball_ratio"])


def test_withdrawal_by_hand():
    found = withdrawal([10, 0, 20], [20, 30, 10], powder_g=200, balls_g=2000)
    assert found.frame["left_g"].tolist() == [170, 150, 140]
    assert found.frame["change_percent"].to_numpy() == pytest.approx(
        [100 * (200 / left - 1) for left in (170, 150, 140)]
    )
    assert "from 10 to 13.3 in the last interval (+33 %)" in withdrawal_sentence(found)
    small = withdrawal([0, 10], [5, 5], powder_g=500, balls_g=5000)
    assert "usually of no account" in withdrawal_sentence(small)
    with pytest.raises(ModelError, match="add up to 250 g of a charge of 200 g"):
        withdrawal([0, 10], [100, 150], powder_g=200, balls_g=2000)
    with pytest.raises(ModelError, match="give positive masses"):
        withdrawal([0, 10], [10, -1], powder_g=200, balls_g=2000)
