"""Equivalence tests against statsmodels, and the four verdicts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from psdstats.errors import ModelError
from psdstats.models.equivalence import equivalence_test
from psdstats.models.verdicts import Evidence, Verdict, verdict

BASE = {"subject": "D50 at 24 min against 0 min"}


def test_paired_against_statsmodels():
    rng = np.random.default_rng(3)
    before, after = rng.normal(4.0, 0.05, 9), rng.normal(4.01, 0.05, 9)
    bound = np.log1p(0.08)
    p, low, high = ttost_paired(after, before, -bound, bound)
    difference = after - before
    error = difference.std(ddof=1) / 3
    found = equivalence_test(difference.mean(), error, 8, margin_percent=8)
    assert found.p[0] == pytest.approx(p, rel=1e-10)
    assert found.p_too_low[0] == pytest.approx(low[1], rel=1e-10)
    assert found.p_too_high[0] == pytest.approx(high[1], rel=1e-10)


def test_two_samples_against_statsmodels():
    rng = np.random.default_rng(4)
    first, second = rng.normal(4.0, 0.05, 6), rng.normal(4.02, 0.05, 7)
    pooled = (first.var(ddof=1) * 5 + second.var(ddof=1) * 6) / 11
    error = np.sqrt(pooled * (1 / 6 + 1 / 7))
    bound = np.log1p(0.05)
    found = equivalence_test(second.mean() - first.mean(), error, 11, margin_percent=5)
    assert found.p[0] == pytest.approx(ttost_ind(second, first, -bound, bound)[0], rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    estimate=st.floats(-0.3, 0.3),
    error=st.floats(0.001, 0.2),
    df=st.one_of(st.just(np.inf), st.floats(1, 100)),
    margin=st.floats(1, 40),
)
def test_test_and_interval_agree(estimate, error, df, margin):
    """Equivalent exactly where the 90 % interval lies within the margin."""
    found = equivalence_test(estimate, error, df, margin_percent=margin)
    limit = 1 + margin / 100
    inside = found.ratio_lower[0] > 1 / limit and found.ratio_upper[0] < limit
    if abs(found.p[0] - 0.05) > 1e-9:
        assert found.equivalent[0] == inside


def test_increase_and_decrease_are_treated_alike():
    up = equivalence_test(0.04, 0.02, 7, margin_percent=10)
    down = equivalence_test(-0.04, 0.02, 7, margin_percent=10)
    assert up.p[0] == pytest.approx(down.p[0], rel=1e-12)


def test_family_by_holm_is_stricter():
    alone = equivalence_test([0.01, 0.02], 0.015, 7, margin_percent=5)
    family = equivalence_test([0.01, 0.02], 0.015, 7, margin_percent=5, adjust="holm")
    assert (family.p_adjusted >= alone.p_adjusted).all()
    assert family.p_adjusted.max() > alone.p_adjusted.min()
    assert family.margin_percent == 5


def test_changed_names_ratio_interval_and_per_cent():
    found = verdict(Evidence(**BASE, log_ratio=-0.478, lower=-0.598, upper=-0.357, p_adjusted=4e-4))
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is None
    assert "ratio 0.620 (95 % interval 0.550 to 0.700)" in found.sentence
    assert "a decrease of 38.0 % (30.0 % to 45.0 %)" in found.sentence


def test_changed_but_within_the_margin_says_both():
    found = verdict(
        Evidence(
            **BASE,
            log_ratio=0.02,
            lower=0.01,
            upper=0.03,
            p_adjusted=0.001,
            margin_percent=10,
            equivalence_p=1e-6,
        )
    )
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is True
    assert "within the margin of 10 %" in found.sentence


def test_equivalent():
    found = verdict(
        Evidence(
            **BASE,
            log_ratio=0.01,
            lower=-0.02,
            upper=0.04,
            p_adjusted=0.4,
            margin_percent=10,
            equivalence_p=0.0003,
            detectable_decrease_percent=3.8,
        )
    )
    assert found.verdict is Verdict.EQUIVALENT
    assert found.sentence == (
        f"{BASE['subject']}: equivalent within the margin of 10 % (p = 0.00030 of the equivalence "
        "test), ratio 1.010 (95 % interval 0.980 to 1.041), an increase of 1.0 % (−2.0 % to 4.1 %)."
    )


def test_not_shown_gives_what_could_have_been_seen():
    found = verdict(
        Evidence(
            **BASE,
            log_ratio=-0.05,
            lower=-0.16,
            upper=0.06,
            p_adjusted=0.3,
            detectable_decrease_percent=15.2,
        )
    )
    assert found.verdict is Verdict.NOT_SHOWN
    assert "the smallest decrease this trial would show with 80 % power is 15 %" in found.sentence


def test_margin_below_the_smallest_detectable_change_cannot_be_told():
    evidence = Evidence(
        **BASE,
        log_ratio=-0.05,
        lower=-0.16,
        upper=0.06,
        p_adjusted=0.3,
        margin_percent=5,
        equivalence_p=0.4,
        detectable_decrease_percent=15.2,
    )
    found = verdict(evidence)
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert "80 % power is 15 %, more than the margin of 5 % (4.8 % downwards)" in found.sentence


def test_margin_above_it_is_only_not_shown():
    evidence = Evidence(
        **BASE,
        log_ratio=-0.15,
        lower=-0.31,
        upper=0.01,
        p_adjusted=0.06,
        margin_percent=25,
        equivalence_p=0.2,
        detectable_decrease_percent=15.2,
    )
    assert verdict(evidence).verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"obstacles": ("the sieves do not bracket D50 at 24 min",)}, "do not bracket"),
        ({"log_ratio": 0.1, "lower": -np.inf, "upper": np.inf, "p_adjusted": 1.0}, "has no end"),
        ({"log_ratio": 0.1}, "no estimate"),
        (
            {
                "log_ratio": 0.1,
                "lower": -0.1,
                "upper": 0.3,
                "p_adjusted": 0.2,
                "detectable_decrease_percent": 100.0,
            },
            "too little to go by to show any change",
        ),
    ],
)
def test_obstacles_cannot_be_told(more, words):
    found = verdict(Evidence(**BASE, **more))
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert words in found.sentence


def test_an_obstacle_outweighs_a_small_p():
    evidence = Evidence(
        **BASE, log_ratio=-0.5, lower=-0.6, upper=-0.4, p_adjusted=1e-9, obstacles=("no replicate",)
    )
    assert verdict(evidence).verdict is Verdict.CANNOT_BE_TOLD


def test_faults_are_named():
    with pytest.raises(ModelError, match="margin is 0"):
        equivalence_test([0.0], 0.1, 5, margin_percent=0)
    with pytest.raises(ModelError, match="above 0"):
        equivalence_test([0.0], 0.0, 5, margin_percent=5)
    with pytest.raises(ModelError, match=r"give 0 to 0\.5"):
        equivalence_test([0.0], 0.1, 5, margin_percent=5, alpha=0.5)
    with pytest.raises(ModelError, match="both or neither"):
        verdict(
            Evidence(**BASE, log_ratio=0.0, lower=-1.0, upper=1.0, p_adjusted=1.0, margin_percent=5)
        )
