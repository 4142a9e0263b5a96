"""Aperture series, tolerances, rules of practice and fineness classes as data with sources."""

import csv
import math
from importlib.resources import files
from io import StringIO
from itertools import pairwise

import pytest

from psdstats.errors import SizeError
from psdstats.sieves import Sieve, aperture_table, series, tolerance_um
from psdstats.sieves.standards import (
    EDITIONS,
    SERIES,
    fineness_classes,
    nominal_apertures_um,
    practice_rule,
    practice_rules,
)

RATIOS = {"R20/3": 10 ** (3 / 20), "R40/3": 10 ** (3 / 40), "R20": 10 ** (1 / 20)}


@pytest.mark.parametrize("name", SERIES)
def test_series_steps_by_its_ratio(name):
    """Neighbours differ by 10^(3/20), 10^(3/40) or 10^(1/20) (ISO 3, preferred numbers).

    Nominal sizes are rounded, by up to 2.5 % each, which the single steps show.
    """
    sizes = series(name)
    assert list(sizes) == sorted(sizes)
    steps = [math.log(after / before) for before, after in pairwise(sizes)]
    assert sum(steps) / len(steps) == pytest.approx(math.log(RATIOS[name]), rel=0.02)
    assert all(step == pytest.approx(math.log(RATIOS[name]), abs=0.05) for step in steps)


def test_limits_are_included():
    assert series("R20/3", finest_um=45, coarsest_um=125) == (45.0, 63.0, 90.0, 125.0)
    with pytest.raises(SizeError, match="no aperture between 46 and 50"):
        series("R20/3", finest_um=46, coarsest_um=50)
    with pytest.raises(SizeError, match="Use one of R20/3, R40/3, R20"):
        series("R7")


def test_table_keeps_the_status_of_every_value():
    table = aperture_table()
    status = table[["nominal_status", "formula_status"]]
    assert set(status.to_numpy().ravel()) == {"from memory", "searched"}
    assert tuple(table["w_um"]) == nominal_apertures_um()
    assert table["w_um"].is_monotonic_increasing


def test_tolerance_has_an_edition_and_limits():
    assert set(EDITIONS) == {"ISO 3310-1", "ASTM E11"}
    assert all("from memory" in text for text in EDITIONS.values())
    assert tolerance_um(90) == tolerance_um(90, standard="ASTM E11")
    with pytest.raises(SizeError, match="'house rule' is not known"):
        tolerance_um(90, standard="house rule")
    for outside in (15.0, 130_000.0, 0.0):
        with pytest.raises(SizeError, match="Give the certificate of the sieve"):
            tolerance_um(outside)


def test_rules_name_their_source():
    rows = list(csv.DictReader(StringIO((files("psdstats.sieves") / "rules.csv").read_text())))
    assert [row["rule"] for row in rows] == list(practice_rules())
    for row in rows:
        rule = practice_rule(row["rule"])
        assert row["status"] in ("searched", "from memory", "no source")
        assert row["document"]
        assert rule.source.startswith(row["document"])
        told = rule.source.endswith((", document not checked", ", no source"))
        assert told is (row["status"] != "searched")
    source = practice_rule("loss_percent").source
    assert source == "USP <786> and Ph. Eur. 2.9.38, document not checked"
    with pytest.raises(SizeError, match="no rule of practice 'luck'"):
        practice_rule("luck")


@pytest.mark.parametrize("scheme", ["USP", "Ph. Eur."])
def test_fineness_classes_leave_no_gap(scheme):
    classes = fineness_classes(scheme)
    assert classes[0].up_to_um is None
    assert classes[-1].over_um == 0
    for coarse, fine in pairwise(classes):
        assert fine.up_to_um == coarse.over_um
    assert all("document not checked" in each.source for each in classes)


def test_unknown_scheme():
    with pytest.raises(SizeError, match=r"Use one of USP, Ph\. Eur\."):
        fineness_classes("mine")


def test_sieve():
    sieve = Sieve(key="a", nominal_um=90.0)
    assert (sieve.best_um, sieve.is_certified) == (90.0, False)
    sieve = Sieve(key="a", nominal_um=90.0, certified_um=90.8)
    assert (sieve.best_um, sieve.is_certified) == (90.8, False)
    sieve = Sieve(key="a", nominal_um=90.0, certified_um=90.8, expanded_uncertainty_um=1.2)
    assert sieve.is_certified
