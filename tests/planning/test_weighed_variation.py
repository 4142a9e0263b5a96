"""Measurement part of a planned trial from simulated weighings: against the law and the power."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.errors import PlanError
from psdstats.planning import ExpectedPowder, PlannedWeighing, Variation, power
from psdstats.planning.designs import weighed_variation
from psdstats.planning.planned_samples import planned_sizes
from psdstats.planning.precision_plan import precision_law
from psdstats.words.remarks import sentence

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
POWDER = ExpectedPowder(name="even", d10_um=75, d50_um=150, d90_um=300)
CERTIFIED = PlannedWeighing(resolution_g=0.1, certified_u_percent=0.3)
STATED = Variation(run_percent=2, group_percent=1, measurement_percent=9, sieves_percent=9)


def weighed(weighing, seed, trials, sample_g=20):
    """Samples as evaluated, and what the evaluation makes of them."""
    return planned_sizes([POWDER], STACK, weighing, sample_g=sample_g, trials=trials, seed=seed)


@pytest.mark.parametrize("rule", [None, "semilog"])
def test_own_and_shared_part_are_those_of_the_law_where_it_holds(rule):
    """The own part is that of balance and particles; the rest of u is shared (JCGM 100)."""
    weighing = replace(CERTIFIED, rule=rule)
    law = precision_law(weighed(weighing, seed=0, trials=100, sample_g=50), "D50")
    found = weighed_variation(STATED, POWDER, STACK, weighing, sample_g=50, stacks=4000)
    own = np.hypot(*list(law.parts_percent(0.1, 50).values())[:2])
    assert found.measurement_percent == pytest.approx(own, rel=0.05)
    assert found.sieves_percent == pytest.approx(law.floor_percent, rel=0.1)
    assert (law.between > 0) == (rule is None)
    assert (found.run_percent, found.group_percent) == (2, 1)
    assert "balance of 0.1 g resolution" in sentence(found.source[-1])


@pytest.mark.parametrize("rule", [None, "semilog"])
def test_parts_add_up_to_the_whole(rule):
    sizes = weighed(PlannedWeighing(rule=rule), seed=3, trials=500)
    for column, quantity in enumerate(("D10", "D50", "D90", "span")):
        one = sizes.size(0, quantity)
        assert np.hypot(one.own_percent, one.shared_percent) == pytest.approx(one.u_percent)
        pooled = 100 * np.sqrt(sizes.ln_value[0, ..., column].var(axis=0, ddof=1).mean())
        whole = np.hypot(pooled, one.between_percent)
        assert one.u_percent == pytest.approx(whole, rel=2e-3)
        assert (one.between_percent > 0) == (rule is None)


def test_samples_by_the_sensitivities_are_nearly_those_by_the_law():
    """All of 24 samples by both: they differ by how the law's weights move with the data."""
    sizes = weighed(replace(CERTIFIED, resolution_g=0.01), seed=3, trials=100)
    true = np.log(POWDER.percentiles_um)
    by_sensitivities = sizes.ln_value[0, :24, 0, :3] - true
    apart = by_sensitivities - sizes.found.error[0]
    assert (apart.std(axis=0) < 0.5 * sizes.found.error[0].std(axis=0)).all()


def test_what_nearly_no_sample_brackets_has_no_uncertainty():
    """Of 24 samples none tells what the law leaves open, so the few bracketed do not either."""
    powder = ExpectedPowder(name="cut", d10_um=85.6, d50_um=150, d90_um=300)
    sizes = planned_sizes([powder], STACK[2:], PlannedWeighing(), sample_g=50, trials=3000)
    found = sizes.size(0, "D10")
    assert 0.9 < found.share_open < 0.99  # the finest sieve is seldom at the end of its tolerance
    assert np.isnan(found.u_percent)
    assert np.isfinite(sizes.size(0, "D50").u_percent)


def test_span_between_the_sieves_follows_from_its_three_sizes():
    """D ln span = (D90 d ln D90 − D10 d ln D10)/(D90 − D10) − d ln D50, through the covariance."""
    sizes = weighed(CERTIFIED, seed=3, trials=100)
    low, _, high = POWDER.percentiles_um
    weight = np.array([-low / (high - low), -1.0, high / (high - low)])
    stated = sizes.found.between[:, 0, :, 0]
    by_hand = np.einsum("a,tab,b->t", weight, stated, weight).mean()
    assert sizes.between_variance(0, "span")[0] == pytest.approx(by_hand, rel=0.02)


def test_monte_carlo_error_is_the_scatter_between_seeds():
    found = [
        weighed(replace(CERTIFIED, rule="semilog"), seed, 200).size(0, "D50") for seed in range(40)
    ]
    for figure in ("u", "own"):
        scatter = np.std([getattr(one, f"{figure}_percent") for one in found], ddof=1)
        told = np.mean([getattr(one, f"{figure}_error_percent") for one in found])
        assert scatter == pytest.approx(told, rel=0.35)  # 40 seeds: 11 % standard error


def test_a_coarser_balance_costs_power():
    options = {"groups": 1, "times": 4, "replicates": 3, "change_percent": -6, "trials": 2000}
    shown = [
        power(
            weighed_variation(
                Variation(run_percent=1.5),
                POWDER,
                STACK,
                PlannedWeighing(resolution_g=d),
                sample_g=25,
                stacks=500,
            ),
            **options,
        ).to_frame()["power"][0]
        for d in (0.01, 0.2)
    ]
    assert shown[0] > shown[1] + 0.1


def test_same_seed_same_variation():
    first, again = (
        weighed_variation(STATED, POWDER, STACK, CERTIFIED, sample_g=50, stacks=200, seed=2)
        for _ in range(2)
    )
    assert first == again


def test_open_sizes_and_unknown_quantities_are_refused():
    with pytest.raises(PlanError, match="no quantity 'D60'"):
        weighed_variation(STATED, POWDER, STACK, CERTIFIED, sample_g=50, quantity="D60")
    with pytest.raises(PlanError, match="the sieves leave D10 of 'even' open in 100 %"):
        weighed_variation(
            STATED, POWDER, STACK[3:], CERTIFIED, sample_g=50, quantity="D10", stacks=100
        )
