"""What a balance may be wrong by: linearity of each load, drift, its class, counted weighings."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from psdstats.study.records import Balance, TareHandling
from psdstats.uncertainty import propagate, ratio_intervals
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.sources.instruments import largest_error_g
from psdstats.words.sizes import notes_in_words


def _calibrated(study, **options):
    given = {"method": "linear", "sources": ["calibration"], "rule": "semilog"} | options
    return propagate(study, **given)


def _variance_of_difference(result):
    joint = result.covariance("D50", log=True).to_numpy()
    return joint[0, 0] + joint[1, 1] - 2 * joint[0, 1]


def test_linearity_counts_once_a_load(make_run, make_study):
    """Rectangular ±L on tare and on gross: a net mass has L √(2/3)."""
    study = make_study(make_run("x"), balance={"linearity_g": 0.03})
    action = prepare(study, sources=["calibration"]).table.on_mass
    parts = np.array(action.coefficient)[np.array(action.place) == 2]
    assert sorted(parts) == pytest.approx([-0.03 / np.sqrt(3), 0.03 / np.sqrt(3)])
    assert len(set(action.input)) == len(action.input) == 2 * 9


def test_linearity_beside_rounding_and_repeatability(make_run, make_study):
    """U of a net mass is √2 √(d²/12 + s_r² + L²/3), and every size scales with it."""
    d, s_r, limit = 0.1, 0.05, 0.1
    bench = {"resolution_g": d, "repeatability_g": s_r}
    names = ["rounding", "repeatability", "calibration"]
    without, with_it = (
        _calibrated(make_study(make_run("x"), balance=bench | more), sources=names)
        for more in ({"linearity_g": 0.0}, {"linearity_g": limit})
    )
    one = d**2 / 12 + s_r**2
    expected = np.sqrt((one + limit**2 / 3) / one)
    np.testing.assert_allclose(with_it.u / without.u, expected, rtol=1e-9)


def test_an_empty_sieve_is_one_load_in_every_run(make_run, make_study):
    """Twins on one balance share the tare half; on two balances nothing."""
    bench = {"resolution_g": 0.01, "linearity_g": 0.03}
    runs = [make_run("x"), make_run("y")]
    one = _calibrated(make_study(*runs, balance=bench))
    variance = (one.u[0, 1] / one.value[0, 1]) ** 2
    assert _variance_of_difference(one) == pytest.approx(variance, rel=1e-9)
    balances = {name: Balance(name=name, **bench) for name in ("bench", "other")}
    two = make_study(runs[0], replace(runs[1], balance="other"), balances=balances)
    assert _variance_of_difference(_calibrated(two)) == pytest.approx(2 * variance, rel=1e-9)


def test_drift_moves_all_net_masses_of_a_run(make_run, make_study):
    study = make_study(make_run("x"), make_run("y"), balance={"drift_g": 0.06})
    found = _calibrated(study)
    nets = np.array([reading.net_g for reading in study.runs[0].readings])
    step = 1e-5
    sizes = [
        propagate(
            make_study(make_run("x", nets + sign * step)), method="linear", rule="semilog"
        ).value[0]
        for sign in (1, -1)
    ]
    np.testing.assert_allclose(
        found.u[0], abs(sizes[0] - sizes[1]) / (2 * step) * 0.06 / np.sqrt(3), rtol=1e-6
    )
    assert found.covariance("D50").loc["x", "y"] == 0
    assert not _calibrated(make_study(make_run("x"))).u.any()


@pytest.mark.parametrize(
    ("accuracy_class", "interval_g", "load_g", "expected_g"),
    [
        (None, None, 49.0, 0.01), ("II", None, 50.0, 0.01), ("II", None, 51.0, 0.02),
        ("II", None, 200.0, 0.02), ("II", None, 201.0, 0.03), ("II", 0.1, 400.0, 0.1),
        ("I", None, 500.0, 0.01), ("I", None, 501.0, 0.02), ("III", None, 5.0, 0.01),
        ("III", None, 20.1, 0.03), ("IIII", None, 0.51, 0.02), ("IIII", 1.0, 50.0, 1.0),
    ],
)  # fmt: skip
def test_errors_permitted_in_service(accuracy_class, interval_g, load_g, expected_g):
    """OIML R 76-1:2006, Table 6, twice (from memory): ½, 1, 1½ e up to 5 000, 20 000 e (II)."""
    balance = Balance(
        name="b",
        resolution_g=0.01,
        accuracy_class=accuracy_class,
        verification_interval_g=interval_g,
    )
    assert largest_error_g(balance, load_g) == pytest.approx(expected_g)


def test_a_balance_without_data_sheet_is_told(make_run, make_study):
    """Class II is taken; near 400 g with d = 0.01 g that is 3 e."""
    study = make_study(make_run("x"), balance={"repeatability_g": 0.0})
    found = propagate(study, method="linear", rule="semilog")
    assert "calibration" in found.sources
    told = next(one for one in notes_in_words(found.notes) if "OIML R 76" in one)
    assert "class II (taken, for none is stated) with e = 0.01 g, ±0.03 g" in told
    stated = make_study(make_run("x"), balance={"repeatability_g": 0.0, "linearity_g": 0.0})
    for known in (stated, make_study(make_run("x"))):
        assert "calibration" in propagate(known, method="linear").sources_left_out
    like = _calibrated(make_study(make_run("x"), balance={"linearity_g": 0.03}))
    np.testing.assert_allclose(_calibrated(study).u, like.u, rtol=1e-12)


def test_readings_of_one_balance_share_the_freedom_of_its_repeatability(make_run, make_study):
    """S_r from 10 weighings: 9 degrees of freedom for every size and every ratio, however many."""
    bench = {"resolution_g": 1e-6, "repeatability_g": 0.01, "repeatability_weighings": 10}
    study = make_study(make_run("x"), make_run("y", stack="b"), balance=bench)
    found = propagate(study, method="linear", sources=["repeatability"], rule="semilog")
    np.testing.assert_allclose(found.effective_df, 9)
    np.testing.assert_allclose(found.k, stats.t.ppf(0.975, 9))
    ratio = ratio_intervals(
        study, [("x", "y")], method="linear", sources=["repeatability"], rule="semilog"
    )
    np.testing.assert_allclose(ratio.effective_df, 9)
    known = propagate(
        make_study(*study.runs, balance=bench | {"repeatability_weighings": None}),
        method="linear",
        sources=["repeatability"],
        rule="semilog",
    )
    np.testing.assert_allclose(found.u, known.u, rtol=1e-12)
    assert np.isinf(known.effective_df).all()


def test_counted_weighings_are_drawn_as_t(make_run, make_study):
    """JCGM 101, 6.4.9: a scaled t of n - 1, whose standard deviation is √(ν/(ν - 2)) s."""
    bench = {"resolution_g": 1e-6, "repeatability_g": 0.01, "repeatability_weighings": 10}
    study = make_study(make_run("x"), balance=bench)
    options = {"sources": ["repeatability"], "rule": "semilog"}
    linear = propagate(study, method="linear", **options)
    drawn = propagate(study, seed=3, draws=100_000, **options)
    np.testing.assert_allclose(drawn.u / linear.u, np.sqrt(9 / 7), rtol=0.015)


def test_a_tare_on_two_balances_is_two_readings(make_run, make_study):
    """`tares = "once"` shares what one balance read; the same figure on another is chance."""
    bench = {"resolution_g": 0.01, "repeatability_g": 0.004}
    balances = {name: Balance(name=name, **bench) for name in ("bench", "other")}
    runs = (make_run("x"), replace(make_run("y"), balance="other"))
    found = {}
    for tares in TareHandling:
        study = make_study(*runs, balances=balances, tares=tares)
        result = propagate(
            study, method="linear", sources=["rounding", "repeatability"], rule="semilog"
        )
        found[tares] = _variance_of_difference(result)
    assert found[TareHandling.ONCE] == pytest.approx(found[TareHandling.EACH_RUN], rel=1e-12)
