"""Trials like a study: their truth, their readings, what is counted of them."""

from dataclasses import replace

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats import compare, read_study
from psdstats.comparison.compare import compare_analysis
from psdstats.errors import PlanError
from psdstats.findings import Ending, Stop, Verdict
from psdstats.planning import attained as room
from psdstats.planning.attained import AttainedKind, AttainedShare, attained
from psdstats.planning.trial_like import curves_through, trial_like
from psdstats.simulate.trial import quantities_of


@pytest.fixture(scope="module")
def bench():
    """One bench, one run a time: fast."""
    return compare(read_study(demo_study("one_bench")), quantities=("D50", "D90"))


@pytest.fixture(scope="module")
def benches():
    return compare(read_study(demo_study("four_benches")), quantities=("D10", "D50", "D90"))


def test_curves_go_through_their_sizes(bench):
    sizes = np.log([[40.0, 120.0, 260.0], [20.0, 80.0, 300.0]])
    curves = curves_through(sizes, bench.analysis.study)
    assert np.log(curves.sizes()[0]) == pytest.approx(sizes, abs=0.003)


def test_sieves_to_which_no_tolerance_applies_are_as_they_are_where_none_is_counted():
    """Apertures of 2 µm and more, finer than any standard, with aperture = false."""
    study = read_study(demo_study("one_bench"))
    study = replace(
        study,
        uncertainty={**study.uncertainty, "aperture": False},
        sieves={k: replace(s, nominal_um=s.nominal_um / 20) for k, s in study.sieves.items()},
        runs=tuple(
            replace(
                run,
                readings=tuple(replace(r, aperture_um=r.aperture_um / 20) for r in run.readings),
            )
            for run in study.runs
        ),
    )
    like = trial_like(compare(study, quantities=("D50",)).analysis)
    assert like.draw(np.random.default_rng(0)).runs[0].total_g > 0


def test_truth_is_what_the_study_found(benches):
    truth = trial_like(benches.analysis).truth
    for quantity in ("D50", "D90"):
        means = benches[quantity].means
        for _, row in means.iterrows():
            cell = (row["milling_time_min"], row["ball_ratio"])
            assert truth[quantity][cell] == pytest.approx(np.log(row["value"]), abs=0.003)
    d10, d50, d90 = (np.exp(truth[name]["24", "5"]) for name in ("D10", "D50", "D90"))
    assert np.exp(truth["span"]["24", "5"]) == pytest.approx((d90 - d10) / d50)


def test_open_size_is_put_beyond_its_bound(benches):
    like = trial_like(benches.analysis)
    placed = benches.analysis["D10"].response.placed
    open_runs = placed[placed["ln_lower"] == -np.inf]
    assert len(open_runs) > 0
    cells = {(f"{t:g}", f"{r:g}") for t, r in open_runs[["milling_time_min", "ball_ratio"]].values}
    assert {cell for cell in cells if like.truth["D10"][cell] < open_runs["ln_upper"].max()}


def test_readings_differ_as_the_study_says(benches):
    """Runs of one cell scatter about the truth by run to run, drift and the measurement."""
    study, like = benches.analysis.study, trial_like(benches.analysis)
    drawn = [like.draw(np.random.default_rng(seed)) for seed in range(3)]
    assert drawn[0] == like.draw(np.random.default_rng(0))
    assert drawn[0] != drawn[1]
    for new in drawn:
        assert (
            new.runs_frame()
            .drop(columns="sample_mass_g")
            .equals(study.runs_frame().drop(columns="sample_mass_g"))
        )
        gross_g = new.to_frames()["weighings"]["gross_g"]
        steps = gross_g / study.balances[study.runs[0].balance].resolution_g
        assert steps.to_numpy() == pytest.approx(steps.round().to_numpy(), abs=1e-6)
    total = np.array([[run.total_g for run in each.runs] for each in (study, *drawn)])
    assert total[1:] == pytest.approx(np.broadcast_to(total[0], total[1:].shape), rel=0.03)


def test_sizes_of_drawn_trials_have_the_spread_of_the_estimates(benches):
    like = trial_like(benches.analysis)
    rng = np.random.default_rng(5)
    drawn = np.array([like._ln_sizes(rng) for _ in range(400)]) - like.ln_size[like.cell]
    run, lines = like.layers[-1], like.layers[-2]
    expected = np.sqrt(sum((one.weight[:, None] * one.sd) ** 2 for one in like.layers))
    assert drawn.std(axis=0) == pytest.approx(expected, rel=0.15)
    assert (run.sd > 0).all()
    assert lines.weight.sum() == pytest.approx(0.0)


def test_trials_are_the_same_whatever_the_workers(bench):
    calls = []
    one = attained(bench, trials=2, seed=7, progress=lambda *done: calls.append(done))
    two = attained(bench, trials=2, seed=7, workers=2)
    assert one == two
    assert calls == [(1, 2), (2, 2)]
    first = attained(bench, trials=1, seed=7)
    more = {(s.kind, s.quantity, s.where): s.hits for s in one.shares}
    assert all(more[s.kind, s.quantity, s.where] - s.hits in (0, 1) for s in first.shares)


def test_a_trial_as_it_was_found_holds_its_own_truth(benches):
    """Judged by its own estimates a study says nothing false and finds itself again."""
    like = trial_like(benches.analysis)
    asked = room._asked_of(benches)
    for one in benches.results:
        truth = room._Truth(like.truth[one.quantity], benches.plan, one.quantity)
        for kind, where, hit in room._held(one, truth, asked):
            assert hit is (not kind.is_error), (one.quantity, kind, where)


def test_what_is_false_is_counted(benches):
    """Where nothing changed every claim of a change is false."""
    like, asked = trial_like(benches.analysis), room._asked_of(benches)
    one = benches["D50"]
    truth = room._Truth(dict.fromkeys(like.truth["D50"], 5.0), benches.plan, "D50")
    held = {(kind, where): hit for kind, where, hit in room._held(one, truth, asked)}
    for kind in (AttainedKind.FALL, AttainedKind.BOUND, AttainedKind.STOP, AttainedKind.FACTOR):
        assert held[kind, ""] is True
    assert not held[AttainedKind.CHANGE, "5"]
    assert not held[AttainedKind.FAMILY, "against first"]
    assert held[AttainedKind.FALLEN_AGAIN, "5"]  # what was found says nothing of the truth


@pytest.mark.parametrize(
    ("stop", "is_false"),
    [
        ({"since": "12"}, False),
        ({"since": "6"}, True),  # more than 5 per cent were left
        ({"gain_at_least": 0.005}, False),
        ({"gain_at_least": 0.02}, True),
        ({"gain_at_most": 0.005}, True),
        ({"stayed_within": "12"}, False),
        ({"stayed_within": "6"}, True),
        ({"coarser_after": ("12",)}, True),
    ],
)
def test_a_false_stop_is_any_false_claim(bench, stop, is_false):
    times = {"0": 5.0, "6": 4.8, "12": 4.71, "24": 4.70}
    plan = replace(bench.plan, margin_percent=5.0)
    truth = room._Truth({(time, ""): size for time, size in times.items()}, plan, "D50")
    given = Stop(ending=Ending.LITTLE_LEFT, last="24", before="12", margin_percent=5.0, **stop)
    course = replace(bench["D50"].courses[0], times=tuple(times), where="")
    assert room._false_stop(course, given, truth) is is_false


def test_levels_said_to_be_equivalent_or_different(benches):
    answer = benches["D50"].factors[0]
    changed = next(one for one in answer.at if one.verdict is Verdict.CHANGED)
    place, high, low = changed.subject.where, changed.subject.high, changed.subject.low

    def truth(difference):
        sizes = {(place, high): 5.0 + difference, (place, low): 5.0}
        return room._Truth(sizes, benches.plan, "D50")

    way = np.sign(changed.numbers.estimate)
    assert not room._false_change(changed, truth(0.1 * way))
    assert room._false_change(changed, truth(-0.1 * way))
    same = replace(changed, verdict=Verdict.EQUIVALENT)
    assert not room._false_equivalence(same, truth(0.04))
    assert room._false_equivalence(same, truth(0.06))


def test_share_has_its_monte_carlo_error():
    share = AttainedShare(kind=AttainedKind.FALL, quantity="D50", where="", hits=5, trials=100)
    assert share.share == 0.05
    assert share.error == pytest.approx(np.sqrt(0.05 * 0.95 / 100), rel=0.06)
    none = replace(share, hits=0)
    assert 0 < none.error < 0.01


def test_trials_of_one_bench_cover(bench):
    """Few trials: nearly all intervals must hold the truth."""
    found = attained(bench, trials=6, seed=1)
    assert found.failed == 0
    held = [one for one in found.shares if one.kind is AttainedKind.CHANGE]
    assert {one.quantity for one in held} == {"D50", "D90"}
    assert all(one.hits >= 4 for one in held)


def test_nothing_asked_is_refused(bench):
    with pytest.raises(PlanError, match="trials is 0"):
        attained(bench, trials=0)


def test_a_kind_is_one_thing():
    for kind in AttainedKind:
        assert not (kind.is_error and kind.is_coverage)


def test_levels_by_name_and_analysis_again(benches):
    """The same door: an analysis of a drawn trial has the questions of the study."""
    from psdstats.comparison.analysis import analyse

    like = trial_like(benches.analysis)
    drawn = like.draw(np.random.default_rng(3))
    found = compare_analysis(analyse(drawn, benches.plan, quantities=("D50",)))
    assert [c.where for c in found["D50"].courses] == [c.where for c in benches["D50"].courses]
    assert quantities_of(np.array([[1.0, 2.0, 3.0]]))[0, 3] == 1.0
