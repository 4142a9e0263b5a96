"""A stack tried out: loads and open percentiles against what the powder makes certain."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.planning import ExpectedPowder, PlannedWeighing, choose_sieves, precision
from psdstats.planning.planned_samples import load_limit_g
from psdstats.planning.stack_choice import try_stack
from psdstats.words.planning import stack_sentences, trial_sentences

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
EVEN = ExpectedPowder(name="even", d10_um=75, d50_um=150, d90_um=300)
NARROW = ExpectedPowder(name="narrow", d10_um=136, d50_um=150, d90_um=167)
FINE = ExpectedPowder(name="fine", d10_um=45, d50_um=110, d90_um=210)
WEIGHING = PlannedWeighing(certified_u_percent=0.3, resolution_g=0.1)


def tried(powders, **options):
    return try_stack(powders, STACK, **({"weighing": WEIGHING, "sample_g": 50.0} | options))


@pytest.mark.parametrize("rule", [None, "semilog"])
def test_uncertainty_and_change_are_those_of_the_plan_of_precision(rule):
    """The same samples; of the law the two were given 24 and 6, so within four errors of each."""
    weighing = PlannedWeighing(certified_u_percent=0.3, resolution_g=0.1, rule=rule)
    fine = ExpectedPowder(name="finer", d10_um=60, d50_um=120, d90_um=240)
    trial = tried([EVEN, fine], trials=500, weighing=weighing)
    rows = trial.sizes_frame().set_index(["powder", "quantity"])
    plan = precision(
        EVEN,
        STACK,
        to=fine,
        wanted_percent=1,
        weighing=weighing,
        resolution_g=(0.1,),
        sample_g=(50.0,),
        trials=500,
    )
    planned = plan.to_frame().iloc[0]
    for row, name, u in (
        ("even", "u", planned.u_percent),
        ("finer", "u_change", planned.u_change_percent),
    ):
        found = rows.loc[(row, "D50")]
        assert abs(found[f"{name}_percent"] - u) < 4 * found[f"{name}_error_percent"]
    assert np.isnan(rows.loc[("even", "D50"), "u_change_percent"])
    between = rows["between_percent"]
    assert (between > 0.05).all() if rule is None else (between == 0).all()
    text = " ".join(trial_sentences(trial))
    assert "Of the change from 'even' to 'finer': D10" in text
    assert ("between the sieves" in text) == (rule is None)
    assert ("evaluated by the semilog rule" in text) == (rule == "semilog")


def test_d10_on_a_sieve_is_open_in_half_of_the_samples():
    """The true aperture is as likely above its nominal value as below (binomial error: 1.6 %)."""
    trial = tried([FINE], trials=1000, weighing=PlannedWeighing(resolution_g=0.001))
    frame = trial.sizes_frame().set_index("quantity")
    assert frame.loc["D10", "share_open"] == pytest.approx(0.5, abs=0.06)
    assert frame.loc["D50", "share_open"] == 0
    text = " ".join(trial_sentences(trial))
    assert "D10 of 'fine' stays open in" in text
    assert "add a finer sieve" in text


def test_loads_are_certain_where_the_powder_makes_them_so():
    share = np.diff(EVEN.undersize(np.array([0.001, *STACK, 1e9])))
    largest = float(min(load_limit_g(180.0), load_limit_g(90.0)) / share[1:].max())
    # apertures within their tolerance move a class by less than a third
    light, heavy = (
        tried([EVEN], trials=100, sample_g=part * largest).powders[0] for part in (0.7, 1.5)
    )
    assert (light.share_overloaded, heavy.share_overloaded) == (0.0, 1.0)
    assert light.share_over_half == 0.0
    narrow = tried([NARROW], trials=100)
    assert narrow.powders[0].share_over_half == 1.0
    assert "100 % of samples of 'narrow' put more than 50 % into one class." in trial_sentences(
        narrow
    )


def test_law_given_simulated_samples_misses_the_powders_by_about_u():
    trial = tried([EVEN, FINE], trials=100, sample_g=20.0)
    assert trial.check.samples == 48
    assert 0.3 < trial.check.miss < 1.5
    assert f"misses sizes of the powders by {trial.check.miss:.2f} of" in trial_sentences(trial)[-1]


def test_a_class_that_may_hide_a_peak_is_warned_of():
    """Half of this powder, its peak among it, lies in the class from 180 to 355 µm, with a tail."""
    tailed = ExpectedPowder(name="tailed", d10_um=60, d50_um=260, d90_um=300)
    coarse = (45.0, 90.0, 180.0, 355.0, 710.0)
    options = {"weighing": PlannedWeighing(certified_u_percent=0.4), "trials": 100}
    choice = choose_sieves([tailed, EVEN], coarse, sieves=5, **options)
    hidden, smooth = choice.trial.powders
    assert hidden.hidden_peak_um == (180.0, 355.0)
    assert hidden.share_hidden > 0.3
    assert smooth.hidden_peak_um is None
    text = " ".join(stack_sentences(choice))
    assert "The class from 180 to 355 µm may hide a peak of 'tailed'" in text
    assert "a peak of 'even'" not in text


def test_choice_carries_its_trial_and_defaults_in_words():
    choice = choose_sieves([EVEN], STACK, trials=100, seed=3)
    again = choose_sieves([EVEN], STACK, trials=100, seed=3)
    assert choice.trial == again.trial
    assert choice.trial.loads_frame().shape == (1, 3)
    text = " ".join(stack_sentences(choice))
    for words in ("100 simulated stacks", "0.01 g resolution", "2.7 g/cm³", "ISO 3310-1", "seed 3"):
        assert words in text
