"""Rate of a whole study: what is fitted, what is left out, what is said."""

from __future__ import annotations

import dataclasses
import sys

import numpy as np
import pandas as pd
import pytest
from psdstats_datasets import demo_study
from rate_truth import Setting, design_of

from psdstats.comparison import compare
from psdstats.comparison.analysis import analyse
from psdstats.comparison.plan import plan_comparison
from psdstats.errors import ModelError
from psdstats.findings import Ending, Verdict
from psdstats.rate import fit_rate
from psdstats.rate.answers import OpenInterval
from psdstats.rate.run_sizes import RateRemark, sizes_by_level
from psdstats.simulate import simulate_study
from psdstats.study import read_study
from psdstats.study.settings import Declared
from psdstats.uncertainty import propagate
from psdstats.words.rate import (
    curve_sentences,
    lead_sentences,
    margin_sentence,
    minutes,
    target_sentence,
    time_words,
    when_sentences,
    withdrawal_sentences,
)
from psdstats.words.remarks import sentence


@pytest.fixture(scope="module")
def demo():
    study = read_study(demo_study("four_benches"))
    sources = ["rounding", "repeatability", "aperture"]
    return study, propagate(study, method="linear", sources=sources)


def told(result):
    return [sentence(note) for note in result.notes]


def test_each_level_has_its_curve_and_faster_milling_is_seen(demo):
    study, propagation = demo
    result = fit_rate(study, target_um=120, margin_percent=10, propagation=propagation)
    assert [one.label for one in result.series] == ["ball ratio 5", "ball ratio 10"]
    times = result.stopping_frame().query("question == 'time to target'")["time_min"].to_numpy()
    assert times[1] < times[0]
    assert len(result.points_frame()) == 80
    assert set(result.choice_frame()["series"]) == {"ball ratio 5", "ball ratio 10"}
    assert when_sentences(result)[0].startswith("D50 reaches 120 µm after")
    assert [note.kind for note in result.notes] == [RateRemark.NO_CHARGE]


def test_curve_frame_passes_the_fitted_points_inside_its_interval(demo):
    study, propagation = demo
    result = fit_rate(study, propagation=propagation)
    curve = result.curve_frame(points=49)
    assert (curve["lower_um"] < curve["size_um"]).all()
    assert (curve["size_um"] < curve["upper_um"]).all()
    points = result.points_frame()
    at_48 = points.loc[(points["series"] == "ball ratio 5") & (points["milling_time_min"] == 48)]
    end = curve[(curve["series"] == "ball ratio 5")].iloc[-1]
    assert end["size_um"] == pytest.approx(at_48["fitted_um"].iloc[0])


def test_factor_left_out_and_open_percentiles_are_said(demo):
    study, propagation = demo
    d10 = fit_rate(
        study,
        quantity="D10",
        leave_out=["ball_ratio"],
        propagation=propagation,
        curve="constant rate",
    )
    assert any("Ball ratio differs between runs" in note for note in told(d10))
    left_out = [note for note in told(d10) if "do not bracket" in note]
    value = propagation.value[:, 0]
    assert bool(left_out) == bool(np.isnan(value).any())
    assert len(d10.points_frame()) < 80


def test_runs_of_an_open_cell_all_leave(demo):
    study, propagation = demo
    value = propagation.value.copy()
    value[0, 1] = np.nan
    hidden = dataclasses.replace(propagation, value=value)
    result = fit_rate(study, propagation=hidden, curve="power law")
    first = study.runs[0]
    assert "Only a power law was fitted" in " ".join(curve_sentences(result))
    used = result.points_frame().query("series == 'ball ratio 5'")
    cell = (used["group"] == first.group) & (used["milling_time_min"] == first.milling_time_min)
    assert not cell.any()
    assert any(f"{first.group} at 0 min" in note for note in told(result))


def test_withdrawn_mass_by_charge(demo):
    """Powder by subtraction; balls by the ratio of the runs, 5 and 10 times the powder."""
    study, propagation = demo
    result = fit_rate(study, propagation=propagation, powder_g=600)
    frame = result.withdrawal_frame()
    assert frame["charge"].nunique() == 16
    for ratio in (5.0, 10.0):
        one = frame[frame["charge"] == f"Alder, a, ball ratio {ratio:g}"]
        masses = [
            run.sample_mass_g
            for run in study.runs
            if (run.group, run.replicate, run.factors["ball_ratio"]) == ("Alder", "a", ratio)
        ]
        left = 600 - sum(masses)
        assert one["left_g"].iloc[-1] == pytest.approx(left)
        assert one["ball_to_powder"].iloc[-1] == pytest.approx(600 * ratio / left)
    drawn_off, most = withdrawal_sentences(result)
    assert "ball-to-powder ratio from 10 to" in drawn_off
    assert most.endswith("the most affected of 16.")
    assert not any("charge of a jar" in note for note in told(result))


def test_balls_are_stated_where_the_runs_do_not_say(demo):
    study, _ = demo
    plain = dataclasses.replace(
        study, runs=tuple(dataclasses.replace(run, factors={}) for run in study.runs[:10])
    )
    part = propagate(plain, method="linear", sources=["rounding"])
    result = fit_rate(plain, propagation=part, powder_g=600, balls_g=4800, curve="power law")
    assert "ball-to-powder ratio from 8 to" in withdrawal_sentences(result)[0]
    with pytest.raises(ModelError, match="state powder_g and balls_g"):
        fit_rate(plain, propagation=part, powder_g=600, curve="power law")
    factors = [{}, *[{"ball_ratio": 5.0}] * 9]
    runs = zip(plain.runs, factors, strict=True)
    gap = dataclasses.replace(
        study, runs=tuple(dataclasses.replace(run, factors=own) for run, own in runs)
    )
    with pytest.raises(ModelError, match=f"1 of 10 have none, the first being {gap.runs[0].name}"):
        fit_rate(gap, propagation=part, powder_g=600, curve="power law")


def test_one_bench_and_one_run_a_time():
    study = read_study(demo_study("one_bench"))
    result = fit_rate(study, propagation=propagate(study, method="linear"), target_um=150)
    assert when_sentences(result)[0].startswith("D50 reaches 150 µm after")
    assert "cannot be told from run-to-run variation" in " ".join(curve_sentences(result))
    assert any("Each time has one run" in note for note in told(result))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"quantity": "span"}, "no size 'span'"),
        ({"at_each": "colour"}, "no column 'colour'"),
        ({"level": 2.0}, "level is 2"),
        ({"balls_g": 500.0}, "state powder_g and balls_g"),
        ({"powder_g": 100.0}, "samples add up to"),
        ({"powder_g": 600.0, "balls_g": 3000.0}, "3000 g. is stated for runs of ball ratio 5, 10"),
        ({"target_um": 0.0}, "target_um is 0"),
    ],
)
def test_refusals_name_the_value(demo, options, words):
    study, propagation = demo
    with pytest.raises(ModelError, match=words):
        fit_rate(study, propagation=propagation, **options)


def test_a_propagation_with_run_to_run_is_refused(demo):
    study, _ = demo
    known = dataclasses.replace(study, uncertainty={"run_to_run_percent": 2.0})
    with pytest.raises(ModelError, match="run-to-run source"):
        fit_rate(known, propagation=propagate(known, method="linear"))


def test_a_propagation_of_other_runs_is_refused(demo):
    study, propagation = demo
    fewer = dataclasses.replace(study, runs=study.runs[:-1])
    with pytest.raises(ModelError, match=r"other runs than the study \(80 runs for 79"):
        fit_rate(fewer, propagation=propagation)
    turned = dataclasses.replace(study, runs=study.runs[::-1])
    with pytest.raises(ModelError, match="in another order"):
        fit_rate(turned, propagation=propagation)
    with pytest.raises(ModelError, match=f"79 runs for 80, without {study.runs[-1].name}"):
        fit_rate(study, propagation=propagate(fewer, method="linear", sources=["rounding"]))


def interval(**given):
    base = {"value": 10.0, "lower": 8.0, "upper": 13.0, "lower_open": False, "upper_open": False,
            "df": 9.0, "level": 0.95}  # fmt: skip
    return OpenInterval(**(base | given))


def test_sentences_of_open_and_closed_intervals():
    ask = {"quantity": "D50", "target_um": 90.0, "last_min": 48.0}
    closed = target_sentence({"": interval()}, **ask)
    assert closed == "D50 reaches 90 µm after 10 min (8 to 13)."
    late = interval(value=60.2, lower=52.4, upper_open=True, upper=4800.0)
    assert target_sentence({"5": interval(), "10": late}, **ask) == (
        "D50 reaches 90 µm after 10 min at 5 (8 to 13) and after 60 min at 10 (52 or longer); at "
        "10, beyond the trial (48 min), by the curve alone."
    )
    never = target_sentence({"": interval(value=None, upper_open=True)}, **ask)
    assert "8 min or longer, or never" in never
    assert "does not reach" in target_sentence({"": interval(value=None, excluded=True)}, **ask)
    zero = interval(value=0.0, lower=0.0, upper=0.0)
    assert "below 90 µm before any milling at 5" in target_sentence({"5": zero}, **ask)
    unchanged = target_sentence({"5": None}, **ask)
    assert unchanged == "No change of D50 is shown at 5, so no time to 90 µm can be given."


def test_sentences_of_a_margin():
    ask = {"quantity": "D50", "margin_percent": 5.0, "last_min": 48.0}
    assert margin_sentence({"": interval()}, **ask) == (
        "Less than 5 % of the limit of D50 is left to gain after 10 min (8 to 13)."
    )
    late = interval(value=None, lower=94.4, upper_open=True)
    assert margin_sentence({"5": late, "10": None}, **ask) == (
        "The best curve never levels off at 5; if D50 does, the last 5 % is not reached before 94 "
        "min. No time can be given after which less than 5 % is left to gain at 10: no curve that "
        "is left levels off."
    )
    gone = margin_sentence({"": interval(value=None, excluded=True)}, **ask)
    assert gone.startswith("The sizes show no limit, so there is no time after which less than 5 %")


def test_a_lead_says_how_far_the_times_can_be_trusted(demo):
    study, propagation = demo
    far = fit_rate(study, target_um=60, propagation=propagation)
    assert lead_sentences(far)[0].startswith("Every time below lies beyond the last one milled (48")
    near = fit_rate(study, target_um=200, propagation=propagation)  # the study states a margin
    assert lead_sentences(near)[0].startswith("A time marked as extrapolated below lies beyond")
    near = dataclasses.replace(near, margin_percent=None)
    assert lead_sentences(near) == (
        "Every time below lies within the times milled (up to 48 min).",
    )
    bare = dataclasses.replace(near, target_um=None)
    assert lead_sentences(bare)[0].endswith("sizes and times cover both.")


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"value": 91.3, "lower": 82.9, "upper": 4800.0, "upper_open": True}, "91 (83 or longer)"),
        ({"value": 3.42, "lower": 3.13, "upper": 3.81}, "3.4 (3.1 to 3.8)"),
        ({"value": 1234.0, "lower": 900.0, "upper": 2000.0}, "1200 (900 to 2000)"),
        ({"value": None, "lower": 94.4, "upper_open": True}, "94 or longer"),
        ({"value": None, "excluded": True}, "never"),
        ({"value": 0.0, "lower": 0.0, "upper": 0.0}, "0"),
    ],
)
def test_times_have_the_digits_that_their_interval_allows(given, text):
    assert time_words(interval(**given)) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (0.1234, "0.123"), (48.0, "48"), (999.9, "1000")],
)
def test_minutes_to_three_digits(value, text):
    assert minutes(value) == text


def test_a_level_that_cannot_be_fitted_is_named(demo):
    study = demo[0]
    early = dataclasses.replace(
        study,
        runs=tuple(
            run
            for run in study.runs
            if run.factors["ball_ratio"] == 10.0 or run.milling_time_min == 0.0
        ),
    )
    with pytest.raises(ModelError, match="ball ratio 5: D50: all 8 runs have one milling"):
        fit_rate(early, at_each="ball_ratio")


def test_tail_percentiles_by_a_straight_rule_and_two_groups_are_said(demo):
    study = dataclasses.replace(demo[0], rule="semilog")
    propagation = propagate(study, method="linear", sources=["rounding", "aperture"])
    ask = {"curve": "constant rate"}
    found = {
        quantity: told(fit_rate(study, quantity=quantity, propagation=propagation, **ask))
        for quantity in ("D10", "D50")
    }
    assert any("rule semilog does not follow" in note for note in found["D10"])
    assert not any("does not follow" in note for note in found["D50"])
    two = dataclasses.replace(
        study, runs=tuple(run for run in study.runs if run.group in ("Alder", "Birch"))
    )
    part = propagate(two, method="linear", sources=["rounding", "aperture"])
    assert any("Two groups" in note for note in told(fit_rate(two, propagation=part, **ask)))


# ---- one spread in the whole product ---------------------------------------------------------
def test_spread_is_that_of_the_comparison_over_all_levels(demo):
    """One number a trial: the same for both ball ratios, and what the comparison prints."""
    study, propagation = demo
    result = fit_rate(study, propagation=propagation)
    compared = compare(study, quantities=["D50"], propagation=propagation)
    table = compared.variance_frame().set_index("component")["sd_percent"]
    (row,) = result.scatter_frame().to_dict("records")
    assert row["run_sd_percent"] == pytest.approx(table["residual"])
    assert row["df"] == 40
    first, second = (one.fit.data for one in result.series)
    assert first.spread is second.spread
    assert len(first.parts) == 3  # cells, drift, runs


def test_a_drift_starts_at_the_first_time(demo):
    """What benches differ by at first is theirs; how far they drift apart grows with time."""
    study, propagation = demo
    for declared in (None, Declared(percent=3.0, df=np.inf)):
        plan = plan_comparison(study, drift=declared)
        analysis = analyse(study, plan, propagation=propagation)
        data = sizes_by_level(analysis["D50"])[0]
        drift = data.covariances.mean(axis=0)
        start, end = (data.time_min == one for one in (data.times[0], data.times[-1]))
        assert drift[np.ix_(end, end)].mean() > 2 * drift[np.ix_(start, start)].mean()


def test_the_analysis_of_the_study_gives_the_same_rate(demo):
    study, propagation = demo
    analysis = analyse(study, plan_comparison(study), propagation=propagation)
    given = fit_rate(study, target_um=130, propagation=propagation, analysis=analysis)
    own = fit_rate(study, target_um=130, propagation=propagation)
    pd.testing.assert_frame_equal(given.stopping_frame(), own.stopping_frame())


def test_two_crossed_factors_have_a_curve_for_each_combination(demo):
    """Runs of two replicates, named dry and wet: four curves, each with its two levels."""
    study, propagation = demo
    names = {"a": "dry", "b": "wet"}
    runs = tuple(
        dataclasses.replace(run, factors={**run.factors, "feed": names[run.replicate]})
        for run in study.runs
    )
    found = fit_rate(dataclasses.replace(study, runs=runs), propagation=propagation)
    assert found.at_each == ("ball_ratio", "feed")
    assert [one.label for one in found.series] == [
        f"ball ratio {ratio}, feed {feed}" for ratio in (5, 10) for feed in ("dry", "wet")
    ]
    assert [one.sizes.where for one in found.series] == ["5, dry", "5, wet", "10, dry", "10, wet"]
    assert len(found.points_frame()) == 80


def test_single_runs_have_the_spread_of_the_analysis_or_a_declared_one():
    study = read_study(demo_study("one_bench"))
    smooth = fit_rate(study)
    (row,) = smooth.scatter_frame().to_dict("records")
    spread = analyse(study, plan_comparison(study))["D50"].spread
    assert row["run_sd_percent"] == pytest.approx(100 * spread.run)
    assert smooth.series[0].fit.data.middle_sds[0] > 0
    told_ = dataclasses.replace(study, uncertainty={"run_to_run_percent": 5.0})
    declared = fit_rate(told_, curve="power law", target_um=200.0)
    assert declared.scatter_frame()["run_sd_percent"].tolist() == [pytest.approx(5.0)]
    assert not declared.series[0].fit.data.about_courses


STEEP = {
    "rates": {300.0: 0.09, 200.0: 0.05, 100.0: 0.02},
    "start": {300.0: 0.2, 200.0: 0.4, 100.0: 0.7},
}


def test_single_runs_too_few_for_a_spread_are_refused(make_study):
    with pytest.raises(ModelError, match="3 runs leave nothing to tell how far runs scatter"):
        fit_rate(make_study(**STEEP, times=(0.0, 6.0, 12.0)))


def test_a_level_of_one_time_is_named(make_study):
    more = make_study(**STEEP, replicates=2, run_sd=0.02, factors={"ball_ratio": "5"})
    one = make_study(
        **STEEP, times=(0.0,), replicates=2, groups=("b",), factors={"ball_ratio": "10"}
    )
    study = dataclasses.replace(
        more, runs=(*more.runs, *one.runs), sieves={**more.sieves, **one.sieves}
    )
    with pytest.raises(ModelError, match="ball ratio 10: D50: all 2 runs have one milling time"):
        fit_rate(study, at_each="ball_ratio")


def test_times_read_from_a_curve_that_misfits_are_told_with_a_caution(demo):
    study, propagation = demo
    result = fit_rate(study, target_um=120, margin_percent=10, propagation=propagation)
    assert not any(
        "off by more" in one for one in (*when_sentences(result), *lead_sentences(result))
    )
    series = [
        dataclasses.replace(one, check=dataclasses.replace(one.check, verdict=Verdict.CHANGED))
        for one in result.series
    ]
    off = dataclasses.replace(result, series=tuple(series))
    for said in (when_sentences(off), lead_sentences(off)):
        assert [
            one.endswith("may be off by more than its interval says.") for one in said[-2:]
        ] == [True] * 2
    asked_nothing = dataclasses.replace(off, target_um=None, margin_percent=None)
    assert "does not describe the sizes" in " ".join(curve_sentences(asked_nothing))
    assert "does not describe the sizes" not in " ".join(curve_sentences(off))


def test_a_time_without_an_estimate_may_lie_within_the_trial(demo):
    study, propagation = demo
    far = fit_rate(study, target_um=60, propagation=propagation)
    within = [
        dataclasses.replace(
            one,
            targets={
                name: dataclasses.replace(target, value=None, lower=40.0)
                for name, target in one.targets.items()
            },
        )
        for one in far.series
    ]
    far = dataclasses.replace(far, series=tuple(within), margin_percent=None)
    assert lead_sentences(far)[0].startswith("Every time below lies, or may lie, beyond the last")


def test_a_band_without_an_end_is_no_warning(demo, monkeypatch):
    study, propagation = demo
    result = fit_rate(study, propagation=propagation)
    wide = lambda fits, time, level: (np.full(len(time), -900.0), np.full(len(time), 900.0))  # noqa: E731
    monkeypatch.setattr(sys.modules[fit_rate.__module__], "band", wide)
    assert np.isinf(result.curve_frame(points=3)["upper_um"]).all()


def test_where_the_curve_fails_the_answer_at_the_times_sampled_stands_beside_it():
    """The mill stops after 30 min; what is dated 45 and 60 min was milled no longer."""
    milled_min = {30.001: 45.0, 30.002: 60.0}
    design = design_of(Setting(name="stops", replicates=3), times_min=(0, 10, 20, 30, *milled_min))
    study = simulate_study(design, seed=5).study
    at_min = [run.milling_time_min for run in study.runs]
    runs = [
        dataclasses.replace(run, milling_time_min=milled_min.get(time, time))
        for run, time in zip(study.runs, at_min, strict=True)
    ]
    dated = dataclasses.replace(study, runs=tuple(runs))
    result = fit_rate(dated, margin_percent=5)
    (one,) = result.series
    assert one.check.verdict is Verdict.CHANGED
    assert (one.stop.ending, one.stop.since, one.stop.last) == (Ending.LITTLE_LEFT, "30", "60")
    *_, doubt, told = when_sentences(result)
    assert doubt.endswith("may be off by more than its interval says.")
    assert told.startswith(
        "By the sizes at the times sampled, without a curve, less than 5 % of D50 was left to gain "
        "from 30 min to the end of the trial (60 min)"
    )
    assert fit_rate(dated, target_um=150).series[0].stop is None
