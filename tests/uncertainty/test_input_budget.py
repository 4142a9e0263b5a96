"""The budget of a size input by input adds up to the stated u, and its sensitivities are real."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from psdstats_datasets import demo_study

from psdstats import read_study
from psdstats.uncertainty.budget import COMBINED, input_budget
from psdstats.uncertainty.law import prepare


@pytest.fixture(scope="module")
def study():
    """Two benches of the invented demo study, one of them with certificates."""
    whole = read_study(demo_study("four_benches"))
    runs = tuple(run for run in whole.runs if run.name.startswith(("alder-5", "birch-5")))
    return replace(whole, runs=runs)


@pytest.mark.parametrize("rule", [None, "semilog"])
def test_contributions_add_up_to_the_stated_u(study, rule):
    law = prepare(study, rule=rule)
    frame = input_budget(law)
    stated = law.linear()
    labels = pd.MultiIndex.from_product([stated.runs, stated.quantities])
    u = pd.Series(stated.u.ravel(), labels).dropna()
    parts = frame[frame["source"] != COMBINED]
    keys = ["run", "quantity"]
    summed = np.sqrt((parts["u_size"] ** 2).groupby([parts[one] for one in keys]).sum())
    assert len(summed) == len(u) > 30
    assert summed.reindex(u.index).to_numpy() == pytest.approx(u.to_numpy(), rel=1e-12)
    shares = parts.groupby(keys)["share"].sum()
    assert shares.to_numpy() == pytest.approx(np.ones(len(u)))
    last = frame.groupby(keys, sort=False).tail(1)
    assert (last["source"] == COMBINED).all()
    assert last["u"].to_numpy() == pytest.approx(u.to_numpy(), rel=1e-12)
    value = pd.Series(stated.value.ravel(), labels).dropna()
    assert last["estimate"].tolist() == value.tolist()
    assert list(dict.fromkeys(frame["run"])) == [one.name for one in study.runs]


def test_a_sieve_stands_alone_with_its_sensitivity(study):
    """Read off by moving the certified aperture and reading the size again."""
    run, moved_um = "birch-5to1-12min-a", 0.01
    frame = input_budget(prepare(study, rule="semilog"))
    own = frame[(frame["run"] == run) & (frame["source"] == "aperture")]
    assert set(own["distribution"]) == {"normal"}
    for quantity, place in (("D10", 0), ("D50", 1), ("D90", 2), ("span", 3)):
        rows = own[own["quantity"] == quantity]
        assert len(rows) >= 2
        for row in rows.to_dict("records"):
            key = row["input"]
            sieve = study.sieves[key]
            assert row["estimate"] == sieve.certified_um
            assert row["u"] == pytest.approx(sieve.expanded_uncertainty_um / sieve.coverage_factor)
            sizes = []
            for sign in (-1, 1):
                certified_um = sieve.certified_um + sign * moved_um
                sieves = {**study.sieves, key: replace(sieve, certified_um=certified_um)}
                law = prepare(replace(study, sieves=sieves), rule="semilog")
                sizes.append(law.value[[one.name for one in law.runs].index(run), place])
            slope = (sizes[1] - sizes[0]) / (2 * moved_um)
            assert row["sensitivity"] == pytest.approx(slope, rel=1e-5)
            assert row["u_size"] == pytest.approx(abs(slope) * row["u"], rel=1e-5)


def test_readings_of_one_kind_stand_in_one_row(study):
    frame = input_budget(prepare(study))
    own = frame.query("run == 'alder-5to1-6min-a' and quantity == 'D50' and source == 'rounding'")
    assert own["input"].tolist() == ["gross", "tare"]
    run = next(one for one in study.runs if one.name == "alder-5to1-6min-a")
    assert (own["inputs"] <= len(run.readings)).all()
    assert own["u"].to_numpy() == pytest.approx(study.balances["alder-1"].resolution_g / 12**0.5)
    assert own["estimate"].isna().all()
    assert own["sensitivity"].isna().all()
    assert set(own["distribution"]) == {"uniform"}


def test_degrees_of_freedom_are_those_of_the_estimate(study):
    """Readings share the one standard deviation found from ten weighings: together they have 9."""
    alder = replace(study.balances["alder-1"], repeatability_g=0.2, repeatability_weighings=10)
    law = prepare(replace(study, balances={**study.balances, "alder-1": alder}))
    frame = input_budget(law).query("run == 'alder-5to1-6min-a' and quantity == 'D50'")
    own = frame[frame["source"] == "repeatability"]
    assert own["degrees_of_freedom"].to_numpy() == pytest.approx([9.0, 9.0])
    whole = frame[frame["source"] == COMBINED]["degrees_of_freedom"].item()
    share = own["share"].sum()
    assert whole == pytest.approx(9 / share**2)  # JCGM 100:2008, G.4.1: all others are known
