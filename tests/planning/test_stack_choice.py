"""Sieve stacks: bracketing, load and class rules, evenness against every other stack."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from psdstats.errors import PlanError
from psdstats.planning import ExpectedPowder, choose_sieves
from psdstats.planning.planned_samples import load_limit_g
from psdstats.planning.stack_choice import RARELY_OPEN
from psdstats.words.planning import stack_sentences
from psdstats.words.remarks import sentence

SERIES = (45, 63, 90, 125, 180, 250, 355, 500, 710, 1000)  # R 20/3 of ISO 565, from memory
COARSE = ExpectedPowder(name="unmilled", d10_um=120, d50_um=250, d90_um=480)
FINE = ExpectedPowder(name="after 48 min", d10_um=50, d50_um=100, d90_um=210)


def test_expected_curve_passes_its_three_points_and_a_lognormal_is_exact():
    q = COARSE.undersize(np.array([120.0, 250.0, 480.0]))
    assert q == pytest.approx([0.1, 0.5, 0.9])
    spread = math.log(1.8)
    sizes = [200 * math.exp(z * spread) for z in (-1.2815515655446004, 0, 1.2815515655446004)]
    powder = ExpectedPowder(name="log-normal", d10_um=sizes[0], d50_um=sizes[1], d90_um=sizes[2])
    x = np.array([50.0, 150.0, 300.0, 900.0])
    expected = [0.5 * math.erfc(-math.log(one / 200) / spread / math.sqrt(2)) for one in x]
    assert powder.undersize(x) == pytest.approx(expected)


def test_both_ends_are_bracketed_and_no_class_is_too_full():
    choice = choose_sieves([COARSE, FINE], SERIES)
    finest, coarsest = choice.aperture_um[-1], choice.aperture_um[0]
    assert FINE.undersize(np.array([finest]))[0] <= 0.10
    assert COARSE.undersize(np.array([coarsest]))[0] >= 0.90
    assert choice.share.max() <= 0.30
    assert choice.share.sum(axis=1) == pytest.approx([1, 1])


@pytest.mark.parametrize("count", [4, 5, 6])
def test_no_other_stack_of_that_size_is_more_even(count):
    choice = choose_sieves([COARSE, FINE], SERIES, sieves=count)
    low, high = choice.aperture_um[-1], choice.aperture_um[0]
    between = [one for one in SERIES if low < one < high]
    worst = min(
        max(
            np.diff(powder.undersize(np.array([low, *inner, high], dtype=float))).max()
            for powder in (COARSE, FINE)
        )
        for inner in itertools.combinations(between, count - 2)
    )
    shares = choice.share[:, 1:-1]
    assert len(choice.aperture_um) == count
    assert shares.max() == pytest.approx(worst)


def test_load_limits():
    """ASTM C136/C136M-19, 8.3, on a 200 mm frame: 0.220 kg below 4.75 mm, 0.63 kg at 8 mm."""
    assert load_limit_g(250) == pytest.approx(220, abs=0.5)
    assert load_limit_g(8000) == pytest.approx(630, abs=2)


def test_an_overload_is_said_with_the_largest_sample():
    choice = choose_sieves([COARSE, FINE], SERIES, sample_g=900)
    largest = choice.largest_sample_g
    assert any("overloads" in sentence(one) for one in choice.remarks)
    frame = choose_sieves([COARSE, FINE], SERIES, sample_g=largest).to_frame()
    assert (frame["mass_g"] <= frame["load_limit_g"].fillna(1e9) + 1e-9).all()


def test_an_end_the_series_cannot_reach_is_said():
    dust = ExpectedPowder(name="dust", d10_um=10, d50_um=60, d90_um=200)
    remarks = choose_sieves([dust], SERIES).remarks
    assert any("D10 of 'dust' would stay open" in sentence(one) for one in remarks)
    rocks = ExpectedPowder(name="rocks", d10_um=300, d50_um=900, d90_um=3000)
    remarks = choose_sieves([rocks], SERIES).remarks
    assert any("D90 of 'rocks' would stay open" in sentence(one) for one in remarks)


def test_a_narrow_powder_is_more_than_half_in_one_class_and_that_is_said():
    narrow = ExpectedPowder(name="narrow", d10_um=130, d50_um=150, d90_um=170)
    assert any("more than 50 %" in sentence(one) for one in choose_sieves([narrow], SERIES).remarks)


def test_refusals_name_the_value():
    with pytest.raises(PlanError, match="no expected powder"):
        choose_sieves([], SERIES)
    with pytest.raises(PlanError, match="from 1 apertures"):
        choose_sieves([COARSE], [90])
    with pytest.raises(PlanError, match="D10 300, D50 250"):
        ExpectedPowder(name="x", d10_um=300, d50_um=250, d90_um=480)
    with pytest.raises(PlanError, match="sample mass is -1"):
        choose_sieves([COARSE], SERIES, sample_g=-1)


def test_an_end_sieve_that_its_tolerance_could_open_is_not_an_end():
    """D10 on a sieve itself: half of such sieves leave it open, so a finer one is taken."""
    on_sieve = ExpectedPowder(name="milled", d10_um=63, d50_um=120, d90_um=240)
    choice = choose_sieves([on_sieve], SERIES, trials=200)
    assert choice.aperture_um[-1] == 45
    assert choice.trial.sizes_frame()["share_open"].max() == 0


def test_the_stack_has_the_finer_sieve_that_samples_ask_for():
    """D10 of 47 µm lies above 45 µm and its tolerance; samples leave it open all the same."""
    milled = ExpectedPowder(name="milled", d10_um=47, d50_um=120, d90_um=250)
    choice = choose_sieves([COARSE, milled], (32, *SERIES), trials=200)
    assert choice.aperture_um[-1] == 32
    assert "stays open" not in " ".join(stack_sentences(choice))
    last = choose_sieves([COARSE, milled], SERIES, trials=200)
    assert last.aperture_um[-1] == 45
    assert "offer a finer sieve, for there was none to choose from" in " ".join(
        stack_sentences(last)
    )


def test_the_stack_has_the_coarser_sieve_that_samples_ask_for():
    coarse = ExpectedPowder(name="raw", d10_um=120, d50_um=250, d90_um=484)
    lower = choose_sieves([coarse], SERIES[:8], trials=200)
    assert lower.trial.sizes_frame()["share_open"].max() > RARELY_OPEN
    assert choose_sieves([coarse], SERIES, trials=200).aperture_um[0] == 710


def test_curves_to_be_drawn_pass_through_the_percentiles_and_beyond_the_stack():
    powder = ExpectedPowder(name="one", d10_um=80.0, d50_um=200.0, d90_um=450.0)
    choice = choose_sieves([powder], [45, 63, 90, 125, 180, 250, 355, 500, 710], trials=100)
    at = choice.undersize_frame([80.0, 200.0, 450.0])
    assert at["undersize"].tolist() == pytest.approx([0.1, 0.5, 0.9])
    whole = choice.undersize_frame()
    assert whole["size_um"].min() < min(80.0, *choice.aperture_um)
    assert whole["size_um"].max() > max(450.0, *choice.aperture_um)
