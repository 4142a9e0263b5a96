"""Balance and sample for a wanted u: law against a propagated study, simulation against the law.

Changes are checked against a simulation of stacks written here, with numpy alone.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from psdstats.distribution.powder_curve import curve_law
from psdstats.errors import PlanError
from psdstats.planning import ExpectedPowder, PlannedWeighing, precision
from psdstats.planning.planned_samples import LawCheck, weigh_powder
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.words.planning import precision_sentences

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
POWDER = ExpectedPowder(name="unmilled", d10_um=120, d50_um=250, d90_um=480)
FEW = {"resolution_g": (0.01,), "sample_g": (50.0,), "trials": 200}
FOUR = {"resolution_g": (0.1, 0.01), "sample_g": (10.0, 50.0), "trials": 200}


BY_RULE = PlannedWeighing(rule="semilog")


def study_of(sample_g, resolution_g, repeatability_g, *, shares=None, rule="semilog"):
    """Two runs on one stack, of the expected powder or as given, as a laboratory holds them."""
    if shares is None:
        shares = [np.diff([0.0, *POWDER.undersize(np.array(STACK)), 1.0])] * 2

    def run(name, minutes, share):
        readings = tuple(
            Reading(
                sieve=f"{aperture:g}",
                aperture_um=aperture,
                tare_g=400.0,
                gross_g=400.0 + sample_g * float(part),
                place=Place("weighings.csv", row + 2),
            )
            for row, (aperture, part) in enumerate(zip((0.0, *STACK), share, strict=True))
        )
        return Run(
            name=name, group="a", milling_time_min=minutes, readings=readings, balance="bench"
        )

    return Study(
        title="planned",
        rule=rule,
        runs=(run("one", 0.0, shares[0]), run("two", 10.0, shares[1])),
        sieves=MappingProxyType({f"{um:g}": Sieve(key=f"{um:g}", nominal_um=um) for um in STACK}),
        balances=MappingProxyType(
            {
                "bench": Balance(
                    name="bench", resolution_g=resolution_g, repeatability_g=repeatability_g
                )
            }
        ),
        density_g_per_cm3=2.7,
        uncertainty=MappingProxyType({"sampling": True, "borrowing": False}),
    )


@pytest.mark.parametrize("quantity", ["D10", "D50", "D90"])
@pytest.mark.parametrize(("sample_g", "d"), [(50.0, 0.01), (20.0, 0.1), (10.0, 0.001)])
def test_law_by_a_rule_is_that_of_the_propagated_study(quantity, sample_g, d):
    plan = precision(
        POWDER,
        STACK,
        to=POWDER,
        wanted_percent=1,
        quantity=quantity,
        weighing=PlannedWeighing(repeatability_d=2, rule="semilog"),
        resolution_g=(d,),
        sample_g=(sample_g,),
        trials=100,
    )
    law, change_law = plan.law(d), plan.law(d, change=True)
    found = propagate(study_of(sample_g, d, 2 * d), method="linear")
    covariance = found.covariance(quantity, log=True).to_numpy()
    u = 100 * np.sqrt(covariance[0, 0])
    assert law.u_percent(d, sample_g) == pytest.approx(u, rel=1e-9)
    change = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    alike = change_law.u_percent(d, sample_g)
    assert alike == pytest.approx(100 * np.sqrt(change), rel=1e-7)
    assert law.between == change_law.between == 0.0


@pytest.mark.parametrize("quantity", ["D10", "D50", "D90"])
def test_planned_u_is_what_propagation_states_of_simulated_samples(quantity):
    """Root mean square over the stacks whose samples the plan gave to the law.

    Each stack is a study with a sample of either powder, runs that borrow nothing from each other.
    """
    d, sample_g = 0.05, 20.0
    to = ExpectedPowder(name="milled", d10_um=70, d50_um=150, d90_um=330)
    plan = precision(
        POWDER,
        STACK,
        to=to,
        wanted_percent=1,
        quantity=quantity,
        resolution_g=(d,),
        sample_g=(sample_g,),
        trials=100,
    )
    weighing = PlannedWeighing(resolution_g=d)
    one, two = (
        weigh_powder(powder, STACK, weighing, sample_g=sample_g, trials=100).net_g[:6, place]
        for place, powder in enumerate((POWDER, to))
    )
    covariance = [
        propagate(study_of(1.0, d, d, shares=both, rule=None), method="linear")
        .covariance(quantity, log=True)
        .to_numpy()
        for both in zip(one, two, strict=True)
    ]
    u = [np.sqrt(both[0, 0]) for both in covariance]
    u_change = [np.sqrt(both[0, 0] + both[1, 1] - 2 * both[0, 1]) for both in covariance]
    for stated, law in ((u, plan.law(d)), (u_change, plan.law(d, change=True))):
        mean = 100 * np.sqrt(np.nanmean(np.square(stated)))  # D90 of one sample is open
        assert law.u_percent(d, sample_g) == pytest.approx(mean, rel=0.02)


GSD = 1.75


def lognormal(d50_um):
    far = GSD ** ndtri(0.9)
    name = f"{d50_um} µm"
    return ExpectedPowder(name=name, d10_um=d50_um / far, d50_um=d50_um, d90_um=d50_um * far)


def shaken_stacks(stacks, seed):
    """True apertures anywhere within the tolerance x^0.98/27 + 1.6 µm (ISO 3310-1, from memory)."""
    x = np.array(STACK)
    limit = x**0.98 / 27 + 1.6
    return x + limit * np.random.default_rng(seed).uniform(-1, 1, (stacks, x.size)), limit / x


def undersize(aperture_um, d50_um):
    return ndtr(np.log(aperture_um / d50_um) / np.log(GSD))


def planned_change(d50_um, rule):
    """Particles and balance that add next to nothing."""
    return (
        precision(
            lognormal(150.0),
            STACK,
            to=lognormal(d50_um),
            wanted_percent=1,
            weighing=PlannedWeighing(rule=rule, density_g_per_cm3=1e-3),
            resolution_g=(1e-5,),
            sample_g=(50.0,),
            trials=1000,
            seed=2,
        )
        .to_frame()
        .iloc[0]
    )


@pytest.mark.parametrize("d50_um", [140.0, 120.0, 100.0, 75.0])
def test_change_by_a_rule_is_that_of_stacks_simulated_by_hand(d50_um):
    """Medians interpolated on the nominal apertures, both powders through the same true ones."""
    true_um, _ = shaken_stacks(20000, seed=8)
    medians = [
        [np.interp(0.5, row, np.log(STACK)) for row in undersize(true_um, one)]
        for one in (150.0, d50_um)
    ]
    u = 100 * np.subtract(*medians).std()
    found = planned_change(d50_um, "semilog")
    assert found.u_change_percent == pytest.approx(u, abs=4 * found.u_change_error_percent)
    assert found.u_change_error_percent < 0.04 * u
    assert found.u_change_alike_percent < 0.03 * u  # what like powders would promise


@pytest.mark.parametrize("d50_um", [120.0, 75.0])
def test_change_of_the_powders_own_size_covers_what_the_law_misses(d50_um):
    """Log-normal powders are kind to the law; u must hold them, and not by more than fourfold."""
    true_um, limit = shaken_stacks(150, seed=9)
    ln_size = [
        curve_law(
            undersize(true_um, one),
            np.tile(np.log(STACK), (150, 1)),
            u_ln_aperture=np.tile(limit / np.sqrt(3), (150, 1)),
            levels=(0.5,),
        ).ln_size[:, 0]
        for one in (150.0, d50_um)
    ]
    miss = 100 * np.sqrt(((ln_size[1] - ln_size[0] - np.log(d50_um / 150.0)) ** 2).mean())
    found = planned_change(d50_um, None)
    assert miss < found.u_change_percent < 4 * miss
    assert found.u_change_percent > 10 * found.u_change_alike_percent


def test_stacks_are_the_same_for_both_powders():
    """Certified apertures differ from stack to stack, so they tell one from another."""
    weighing = PlannedWeighing(certified_u_percent=0.3)
    one, two = (
        weigh_powder(powder, STACK, weighing, sample_g=10, trials=130, seed=5)
        for powder in (POWDER, lognormal(90.0))
    )
    assert (one.aperture_um == two.aperture_um).all()
    assert one.aperture_um[:, 0, 1].std() > 0
    # samples of unlike place share no random numbers: their smallest classes are uncorrelated
    apart = np.corrcoef(one.net_g[:, 0, 0], two.net_g[:, 1, 0])[0, 1]
    assert abs(apart) < 4 / np.sqrt(130)


def test_change_is_the_one_stated_and_a_default_is_said():
    usual, stated, other = (
        precision(POWDER, STACK, wanted_percent=1, to=to, **FEW)
        for to in (None, -50, lognormal(90.0))
    )
    assert usual.sizes_um == pytest.approx((250, 225))
    assert stated.sizes_um == pytest.approx((250, 125))
    assert other.sizes_um == pytest.approx((250, 90))
    said = [precision_sentences(one)[0] for one in (usual, stated, other)]
    assert "to 225 µm (−10 %; no other was stated)" in said[0]
    assert "to 125 µm (−50 %)" in said[1]
    assert "the powder's own sizes" in said[2]
    by_rule = precision(POWDER, STACK, wanted_percent=1, weighing=BY_RULE, **FEW)
    assert "sizes by the semilog rule, not those of the powder" in precision_sentences(by_rule)[0]
    assert by_rule.check is None
    assert "between the sieves" not in " ".join(precision_sentences(by_rule))


@pytest.mark.parametrize("rule", [None, "semilog"])
def test_simulation_bears_the_law_out_where_the_law_holds(rule):
    """Certified sieves, D50 mid-bracket, curve straight there: within four errors."""
    plan = precision(
        ExpectedPowder(name="even", d10_um=75, d50_um=150, d90_um=300),
        STACK,
        wanted_percent=1,
        to=ExpectedPowder(name="next", d10_um=74, d50_um=148, d90_um=296),
        weighing=PlannedWeighing(certified_u_percent=0.3, rule=rule),
        resolution_g=(0.1, 0.02),
        sample_g=(20.0, 100.0),
        trials=2000,
        seed=4,
    )
    frame = plan.to_frame()
    for start in ("u", "u_change"):
        apart = (frame[f"{start}_percent"] - frame[f"{start}_law_percent"]).abs()
        assert (apart < 4 * frame[f"{start}_error_percent"]).all()
        parts = ("balance", "particles", "sieves", "between")
        square = sum(frame[f"{start}_{part}_percent"] ** 2 for part in parts)
        assert np.sqrt(square).to_numpy() == pytest.approx(frame[f"{start}_law_percent"].to_numpy())
    assert frame["share_open"].max() == 0


def test_law_given_simulated_samples_misses_the_powder_by_about_u():
    plan = precision(POWDER, STACK, wanted_percent=1, quantity="D10", seed=1, **FOUR)
    assert plan.check.samples == 4 * 2 * 6
    assert 0.3 < plan.check.miss < 1.5
    told = " ".join(precision_sentences(plan))
    assert "given 48 of these samples" in told
    assert f"misses D10 of the powder by {plan.check.miss:.2f}" in told
    assert "above 1.96" not in told
    missed = replace(plan, check=LawCheck(samples=48, miss=2.5, change_miss=None))
    assert "of the planned u (root mean square); above 1.96" in " ".join(
        precision_sentences(missed)
    )


def test_coarse_balance_breaks_the_law_and_that_is_said():
    """1 g of 8 g: bracket changes and open percentiles, which no linear law can hold."""
    plan = precision(
        POWDER,
        STACK,
        wanted_percent=1,
        weighing=BY_RULE,
        resolution_g=(1.0, 0.001),
        sample_g=(8.0,),
        trials=2000,
    )
    coarse, fine = plan.to_frame().to_dict("records")
    assert abs(coarse["u_percent"] - coarse["u_law_percent"]) > 5 * coarse["u_error_percent"]
    assert coarse["share_open"] > 0
    assert fine["share_open"] == 0
    text = " ".join(precision_sentences(plan))
    assert "does not bear the linear law out for u(D50)" in text
    assert "with 1 g resolution and 8 g the law gives" in text
    assert "The sieves leave D50 open in up to" in text
    only_fine = precision(
        POWDER,
        STACK,
        wanted_percent=1,
        weighing=BY_RULE,
        resolution_g=(0.001,),
        sample_g=(8.0,),
        trials=2000,
    )
    agreed = " ".join(precision_sentences(only_fine))
    apart = 100 * abs(fine["u_percent"] / fine["u_law_percent"] - 1)
    assert f"agrees with the linear law for u(D50) within {apart:.2g} % of it" in agreed
    assert "use the same stacks" not in agreed


def test_simulated_answer_reads_off_the_table():
    plan = precision(POWDER, STACK, wanted_percent=3, **FOUR)
    frame = plan.to_frame()
    told = precision_sentences(plan)[1]
    for d, own in frame.groupby("resolution_g"):
        enough = own[own["u_percent"] <= 3]["sample_g"]
        assert f"{d:g} g resolution from {enough.min():g} g" in told
    none = precision_sentences(precision(POWDER, STACK, wanted_percent=0.01, **FEW))
    assert none[1].endswith("is reached by none of these balances and samples.")


def test_same_seed_same_figures_whatever_else_is_asked():
    alone = precision(POWDER, STACK, wanted_percent=1, **FEW).to_frame()
    among = precision(POWDER, STACK, wanted_percent=1, **FOUR).to_frame()
    row = among[(among["resolution_g"] == 0.01) & (among["sample_g"] == 50.0)]
    for name in ("u_percent", "u_change_percent"):
        assert alone[name][0] == row[name].iloc[0]
    other = precision(POWDER, STACK, wanted_percent=1, **FEW, seed=1).to_frame()
    assert other["u_percent"][0] != alone["u_percent"][0]


@pytest.mark.parametrize("change", [False, True])
def test_least_sample_just_reaches_the_wanted_u(change):
    plan = precision(
        POWDER, STACK, wanted_percent=2, weighing=PlannedWeighing(certified_u_percent=0.3), **FEW
    )
    law = plan.law(0.01, change=change)
    sample = law.least_sample_g(2, 0.01)
    assert law.u_percent(0.01, sample) == pytest.approx(2)
    column = "least_sample_for_change_g" if change else "least_sample_g"
    assert plan.needs_frame()[column][0] == sample


def test_what_no_balance_and_no_sample_removes_is_said():
    plan = precision(POWDER, STACK, wanted_percent=0.5, **FEW)
    law = plan.law(0.01)
    assert law.floor_percent == pytest.approx(law.u_percent(1e-12, 1e9))
    assert law.between > 0
    assert law.least_sample_g(0.5, 0.001) == np.inf
    (line,) = [one for one in precision_sentences(plan) if "brings u(D50) below" in one]
    apertures, between = 100 * np.sqrt(law.sieves), 100 * np.sqrt(law.between)
    assert f"(apertures {apertures:.2g} %, between the sieves {between:.2g} %)" in line
    assert "0.5 % is beyond these sieves: certified sieves or a closer series would" in line
    assert not plan.to_frame()["enough"].any()


def test_what_stays_is_told_finer_than_what_is_wanted():
    law = precision(POWDER, STACK, wanted_percent=1, **FEW).law(0.01)
    wanted = round(law.floor_percent, 1) if law.floor_percent % 0.1 < 0.05 else 1.0
    plan = precision(POWDER, STACK, wanted_percent=wanted, **FEW)
    (line,) = [one for one in precision_sentences(plan) if "brings u(D50) below" in one]
    assert f"brings u(D50) below {law.floor_percent:.3g} % (" in line


def test_rule_of_practice_closes_the_answer():
    plan = precision(POWDER, STACK, wanted_percent=5, **FEW)
    assert "25 g" in precision_sentences(plan)[-1]
    assert len(plan.needs_frame()) == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"quantity": "D60"}, "no size 'D60'"),
        ({"wanted_percent": 0.0}, "wanted uncertainty is 0"),
        ({"aperture_um": (45.0,)}, "1 apertures"),
        ({"aperture_um": (355.0, 500.0)}, "not bracketed by 355 to 500"),
        ({"to": -90}, "'unmilled -90 %' is not bracketed by 45 to 500 µm; .*a smaller change"),
        ({"to": 0}, "the change is 0 %"),
        ({"to": -100}, "change is -100"),
        ({"sample_g": (0.0,)}, "sample mass is 0"),
        ({"resolution_g": (-1.0,)}, "resolution is -1"),
        ({"trials": 10}, "trials is 10"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_refusals_name_the_value(options, words):
    given = {"aperture_um": STACK, "wanted_percent": 1.0} | options
    with pytest.raises(PlanError, match=words):
        precision(POWDER, given.pop("aperture_um"), **given)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"density_g_per_cm3": -1.0}, "density is -1"),
        ({"repeatability_d": -1.0}, "repeatability is -1"),
        ({"certified_u_percent": 0.0}, "certified uncertainty is 0"),
        ({"rule": "cubic"}, "rule 'cubic' is not known; choose semilog"),
    ],
)
def test_weighings_that_cannot_be_are_refused(options, words):
    with pytest.raises(PlanError, match=words):
        PlannedWeighing(**options)


def test_curves_to_be_drawn_are_the_law_and_what_was_simulated():
    powder = ExpectedPowder(name="one", d10_um=80.0, d50_um=200.0, d90_um=450.0)
    plan = precision(
        powder, [63, 125, 250, 500], wanted_percent=1.0, resolution_g=(0.1, 0.01), trials=100
    )
    law, whole = plan.law_frame(change=True), plan.to_frame()
    assert list(dict.fromkeys(law["series"])) == ["0.1 g", "0.01 g"]
    first = law.iloc[0]
    assert first["u_percent"] == plan.law(0.1, change=True).u_percent(0.1, first["sample_g"])
    drawn = plan.simulated_frame(change=True)
    assert drawn["u_percent"].tolist() == whole["u_change_percent"].tolist()
    assert drawn["u_error_percent"].tolist() == whole["u_change_error_percent"].tolist()
