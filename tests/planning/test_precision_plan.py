"""Balance and sample for a wanted u: law against a propagated study, simulation against the law."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import PlanError
from psdstats.planning import ExpectedPowder, PlannedWeighing, precision
from psdstats.planning.precision_plan import precision_law
from psdstats.sieves.sieve import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.words.planning import precision_sentences, simulation_sentences

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
POWDER = ExpectedPowder(name="unmilled", d10_um=120, d50_um=250, d90_um=480)
FEW = {"resolution_g": (0.01,), "sample_g": (50.0,), "trials": 200}


def study_of(sample_g, resolution_g, repeatability_g):
    """Two runs of the expected powder on one stack, as a laboratory would hold them."""
    share = np.diff([0.0, *POWDER.undersize(np.array(STACK)), 1.0])

    def run(name, minutes):
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
        rule="semilog",
        runs=(run("one", 0.0), run("two", 10.0)),
        sieves=MappingProxyType({f"{um:g}": Sieve(key=f"{um:g}", nominal_um=um) for um in STACK}),
        balances=MappingProxyType(
            {
                "bench": Balance(
                    name="bench", resolution_g=resolution_g, repeatability_g=repeatability_g
                )
            }
        ),
        density_g_per_cm3=2.7,
        uncertainty=MappingProxyType({"sampling": True}),
    )


@pytest.mark.parametrize("quantity", ["D10", "D50", "D90"])
@pytest.mark.parametrize(("sample_g", "d"), [(50.0, 0.01), (20.0, 0.1), (10.0, 0.001)])
def test_law_is_that_of_the_propagated_study(quantity, sample_g, d):
    law = precision_law(POWDER, STACK, PlannedWeighing(repeatability_d=2), quantity=quantity)
    found = propagate(study_of(sample_g, d, 2 * d), method="linear")
    covariance = found.covariance(quantity, log=True).to_numpy()
    assert law.u_percent(d, sample_g) == pytest.approx(100 * np.sqrt(covariance[0, 0]), rel=1e-9)
    change = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    assert law.u_percent(d, sample_g, change=True) == pytest.approx(100 * np.sqrt(change), rel=1e-7)


def test_simulation_bears_the_law_out_where_the_law_holds():
    """Certified sieves, D50 mid-bracket, curve straight there: within four errors."""
    plan = precision(
        ExpectedPowder(name="even", d10_um=75, d50_um=150, d90_um=300),
        STACK,
        wanted_percent=1,
        weighing=PlannedWeighing(certified_u_percent=0.3),
        resolution_g=(0.1, 0.02),
        sample_g=(10.0, 20.0, 100.0),
        trials=2000,
        seed=4,
    )
    frame = plan.to_frame()
    for start in ("u", "u_change"):
        apart = (frame[f"{start}_percent"] - frame[f"{start}_law_percent"]).abs()
        assert (apart < 4 * frame[f"{start}_error_percent"]).all()
        assert (frame[f"{start}_error_percent"] < 0.03 * frame[f"{start}_percent"]).all()
    assert frame["interpolation_percent"].abs().max() < 0.05
    assert frame["share_open"].max() == 0


def test_coarse_balance_breaks_the_law_and_that_is_said():
    """1 g of 8 g: bracket changes and open percentiles, which no linear law can hold."""
    plan = precision(
        POWDER, STACK, wanted_percent=1, resolution_g=(1.0, 0.001), sample_g=(8.0,), trials=2000
    )
    coarse, fine = plan.to_frame().to_dict("records")
    assert abs(coarse["u_percent"] - coarse["u_law_percent"]) > 5 * coarse["u_error_percent"]
    assert coarse["share_open"] > 0
    assert fine["share_open"] == 0
    text = " ".join(precision_sentences(plan))
    assert "does not bear the linear law out for u(D50)" in text
    assert "with 1 g resolution and 8 g the law gives" in text
    assert "The sieves leave D50 open in up to" in text
    only_fine = plan.to_frame().iloc[[1]]
    agreed = simulation_sentences(only_fine, "D50")[0]
    apart = 100 * abs(fine["u_percent"] / fine["u_law_percent"] - 1)
    assert f"agrees with the linear law for u(D50) within {apart:.2g} % of it" in agreed
    assert "shared" not in agreed
    twice = simulation_sentences(pd.concat([only_fine, only_fine]), "D50")[0]
    assert "shared, since all cases use the same stacks" in twice


def test_tails_on_a_wide_series_are_interpolated_too_far_out():
    """Chord under a bent curve: by hand from the true curve at the two apertures around D10."""
    frame = precision(POWDER, STACK, wanted_percent=1, quantity="D10", **FEW).to_frame()
    low, high = 90.0, 125.0  # 120 µm lies between
    q = POWDER.undersize(np.array([low, high]))
    chord = np.log(low) + (0.1 - q[0]) / (q[1] - q[0]) * np.log(high / low)
    expected = 100 * (np.exp(chord) / 120 - 1)
    assert expected < -0.5
    assert frame["interpolation_percent"][0] == pytest.approx(expected, abs=0.25)


def test_simulated_answer_reads_off_the_table():
    plan = precision(POWDER, STACK, wanted_percent=2.6, trials=400)
    frame = plan.to_frame()
    told = precision_sentences(plan)[0]
    for d, own in frame.groupby("resolution_g"):
        enough = own[own["u_percent"] <= 2.6]["sample_g"]
        assert f"{d:g} g resolution from {enough.min():g} g" in told
    none = precision_sentences(precision(POWDER, STACK, wanted_percent=0.01, **FEW))
    assert none[0].endswith("is reached by none of these balances and samples.")


def test_same_seed_same_figures_whatever_else_is_asked():
    alone = precision(POWDER, STACK, wanted_percent=1, **FEW).to_frame()
    among = precision(POWDER, STACK, wanted_percent=1, trials=200).to_frame()
    row = among[(among["resolution_g"] == 0.01) & (among["sample_g"] == 50.0)]
    assert alone["u_percent"][0] == row["u_percent"].iloc[0]
    other = precision(POWDER, STACK, wanted_percent=1, **FEW, seed=1).to_frame()
    assert other["u_percent"][0] != alone["u_percent"][0]


@pytest.mark.parametrize("change", [False, True])
def test_least_sample_and_coarsest_resolution_just_reach_the_wanted_u(change):
    plan = precision(
        POWDER, STACK, wanted_percent=0.8, weighing=PlannedWeighing(certified_u_percent=0.3), **FEW
    )
    sample = plan.least_sample_g(0.1, change=change)
    assert plan.law.u_percent(0.1, sample, change=change) == pytest.approx(0.8)
    assert plan.coarsest_resolution_g(sample, change=change) == pytest.approx(0.1)


def test_sieves_that_forbid_the_wanted_u_are_said():
    plan = precision(POWDER, STACK, wanted_percent=0.5, **FEW)
    assert plan.least_sample_g(0.001) == np.inf
    assert plan.coarsest_resolution_g(1000.0) == 0.0
    assert any("cannot be reached with these sieves" in line for line in precision_sentences(plan))
    assert not plan.to_frame()["enough"].any()


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
        ({"sample_g": (0.0,)}, "sample mass is 0"),
        ({"resolution_g": (-1.0,)}, "resolution is -1"),
        ({"trials": 10}, "10 trials are too few"),
        ({"seed": -1}, "the seed is -1"),
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
    assert first["u_percent"] == plan.law.u_percent(0.1, first["sample_g"], change=True)
    drawn = plan.simulated_frame(change=True)
    assert drawn["u_percent"].tolist() == whole["u_change_percent"].tolist()
    assert drawn["u_error_percent"].tolist() == whole["u_change_error_percent"].tolist()
