"""Balance and sample for a wanted u: against the propagation of a whole study, and itself."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import pytest

from psdstats.planning import ExpectedPowder, PlanError, precision
from psdstats.sieves.sieve import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty import propagate

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
POWDER = ExpectedPowder(name="unmilled", d10_um=120, d50_um=250, d90_um=480)


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
def test_u_is_that_of_the_propagated_study(quantity, sample_g, d):
    plan = precision(
        POWDER, STACK, wanted_percent=1, density_g_per_cm3=2.7, quantity=quantity, repeatability_d=2
    )
    found = propagate(study_of(sample_g, d, 2 * d), method="linear")
    covariance = found.covariance(quantity, log=True).to_numpy()
    assert plan.u_percent(d, sample_g) == pytest.approx(100 * np.sqrt(covariance[0, 0]), rel=1e-9)
    change = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    assert plan.u_percent(d, sample_g, change=True) == pytest.approx(
        100 * np.sqrt(change), rel=1e-7
    )


@pytest.mark.parametrize("change", [False, True])
def test_least_sample_and_coarsest_resolution_just_reach_the_wanted_u(change):
    plan = precision(
        POWDER, STACK, wanted_percent=0.8, density_g_per_cm3=2.7, certified_u_percent=0.3
    )
    sample = plan.least_sample_g(0.1, change=change)
    assert plan.u_percent(0.1, sample, change=change) == pytest.approx(0.8)
    assert plan.coarsest_resolution_g(sample, change=change) == pytest.approx(0.1)


def test_sieves_that_forbid_the_wanted_u_are_said():
    plan = precision(POWDER, STACK, wanted_percent=0.5, density_g_per_cm3=2.7)
    assert plan.least_sample_g(0.001) == np.inf
    assert plan.coarsest_resolution_g(1000.0) == 0.0
    assert "cannot be reached with these sieves" in plan.sentences()[0]
    assert not plan.to_frame()["enough"].any()


def test_rule_of_practice_closes_the_answer():
    plan = precision(POWDER, STACK, wanted_percent=5, density_g_per_cm3=2.7)
    assert "25 g" in plan.sentences()[-1]
    assert len(plan.needs_frame()) == 3


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"quantity": "D60"}, "no size 'D60'"),
        ({"wanted_percent": 0.0}, "wanted uncertainty is 0"),
        ({"density_g_per_cm3": -1.0}, "density is -1"),
        ({"aperture_um": (45.0,)}, "1 apertures"),
        ({"aperture_um": (355.0, 500.0)}, "not bracketed by 355 to 500"),
    ],
)
def test_refusals_name_the_value(options, words):
    given = {"aperture_um": STACK, "wanted_percent": 1.0, "density_g_per_cm3": 2.7} | options
    with pytest.raises(PlanError, match=words):
        precision(POWDER, given.pop("aperture_um"), **given)
