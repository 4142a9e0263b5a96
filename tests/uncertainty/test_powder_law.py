"""The joint law with the powder's own curves: what propagate gives without any option.

Truth in these tests is a curve of a known family read at the apertures, never a rule.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, weibull_min

from psdstats import propagate
from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty import law as laws
from psdstats.uncertainty import ratio_intervals
from psdstats.uncertainty.law import curves_beside, prepare

ROOT_2 = (0, 45, 63, 90, 125, 180, 250, 355, 500)
RATIO_2 = (0, 45, 90, 180, 355, 710)


def certified(study: Study, percent: float = 0.8) -> Study:
    """The study with every sieve certified at its nominal aperture."""
    sieves = {
        key: replace(
            sieve,
            certified_um=sieve.nominal_um,
            expanded_uncertainty_um=percent / 100 * sieve.nominal_um,
        )
        for key, sieve in study.sieves.items()
    }
    return replace(study, sieves=sieves)


def masses(curve, apertures, total_g=100.0):
    """Net masses of a powder with that cumulative undersize."""
    passing = np.concatenate([curve(np.array(apertures[1:], dtype=float)), [1.0]])
    return tuple(total_g * np.diff(np.concatenate([[0.0], passing])))


def log_normal(d50, spread):
    return lambda x: norm.cdf(np.log(x / d50) / np.log(spread))


@pytest.fixture
def trial(make_run, make_study):
    """Two replicates at two times on one stack, and the coarser powder on another."""

    def study(**fields):
        one, two = log_normal(170, 1.6), log_normal(110, 1.6)
        return make_study(
            make_run("a0", masses(one, ROOT_2), ROOT_2),
            make_run("b0", masses(one, ROOT_2, 90), ROOT_2),
            make_run("a9", masses(two, ROOT_2), ROOT_2, milling_time_min=9.0),
            make_run("c0", masses(one, RATIO_2), RATIO_2, stack="c", group="birch"),
            rule=None,
            **fields,
        )

    return certified(study())


@pytest.mark.parametrize("apertures", [ROOT_2, RATIO_2])
def test_the_interval_holds_the_powder_and_the_chord_does_not(make_run, make_study, apertures):
    """A log-normal powder, apertures as stated: D10 and D90 by a chord miss by several u."""
    study = certified(
        make_study(make_run("x", masses(log_normal(170, 1.6), apertures), apertures), rule=None)
    )
    true = 170 * 1.6 ** norm.ppf([0.1, 0.5, 0.9])
    found = propagate(study, method="linear")
    chord = propagate(study, method="linear", rule="semilog")
    assert np.all((found.lower[0, :3] < true) & (true < found.upper[0, :3]))
    assert np.all(np.abs(np.log(found.value[0, :3] / true)) < 0.01)
    off = np.abs(np.log(chord.value[0, [0, 2]] / true[[0, 2]]))
    assert np.all(off > 2 * chord.u[0, [0, 2]] / chord.value[0, [0, 2]])


def test_a_weibull_powder_is_held_too(make_run, make_study):
    curve = weibull_min(2.0, scale=210).cdf
    study = certified(make_study(make_run("x", masses(curve, ROOT_2), ROOT_2), rule=None))
    true = weibull_min(2.0, scale=210).ppf([0.1, 0.5, 0.9])
    found = propagate(study, method="linear")
    assert np.all((found.lower[0, :3] < true) & (true < found.upper[0, :3]))


def test_draws_and_linear_law_are_one_law(trial):
    """The ends of the linear law are quantiles, so drawn ends agree to a few per cent of u."""
    linear = propagate(trial, method="linear")
    drawn = propagate(trial, seed=3, draws=400_000)
    u = linear.u[:, :3]
    for name in ("lower", "upper"):
        off = (getattr(drawn, name) - getattr(linear, name))[:, :3]
        assert np.abs(off / u).max() < 0.06
    np.testing.assert_array_equal(drawn.value, linear.value)
    assert drawn.share_unbracketed.max() == 0


def test_replicates_share_the_error_between_sieves_and_other_stacks_do_not(trial):
    alone = replace(trial, uncertainty={"borrowing": False})
    law = prepare(alone, sources=["between_sieves", "aperture"])
    source = law.table.sources.index("between_sieves")
    between = law.contributions.matrix[:, law.table.source == source].toarray()
    row = {name: 4 * number for number, name in enumerate(law.arrays.runs)}
    length = np.linalg.norm(between, axis=1)

    def correlation(one, two, quantity):
        first, second = row[one] + quantity, row[two] + quantity
        return between[first] @ between[second] / (length[first] * length[second])

    for quantity in (0, 1, 2):
        assert length[row["a0"] + quantity] > 0
        assert correlation("a0", "b0", quantity) == pytest.approx(1, abs=1e-6)
        assert correlation("a0", "a9", quantity) < 0.98
        assert abs(correlation("a0", "c0", quantity)) < 0.75


def test_ratio_of_replicates_has_nothing_of_the_sieves(trial):
    """Apertures and what lies between them cancel; the two balances' readings stay."""
    law = prepare(trial)
    weights = np.zeros((1, 4 * len(law.arrays.runs)))
    weights[0, [1, 4 * law.arrays.runs.index("b0") + 1]] = 1, -1
    parts = law.contributions.contrasts(weights).by_source[0]
    share = dict(zip(law.table.sources, parts / parts.sum(), strict=True))
    assert share["aperture"] + share["between_sieves"] < 0.02
    found = ratio_intervals(trial, [("a0", "b0")], quantities=["D50"], method="linear")
    assert found.u_log[0, 0] == pytest.approx(np.sqrt(parts.sum()), rel=1e-9)


def test_ratios_of_some_runs_are_those_of_the_whole_study(trial):
    """Which runs are asked for changes neither the law of the curves nor its draws."""
    some = ratio_intervals(trial, [("a9", "a0")], seed=2, draws=20_000)
    more = ratio_intervals(trial, [("a9", "a0"), ("c0", "a9")], seed=2, draws=20_000)
    np.testing.assert_allclose(some.lower[0], more.lower[0], rtol=1e-12)
    np.testing.assert_allclose(some.ratio[0], more.ratio[0], rtol=1e-12)


def test_order_of_runs_and_workers_do_not_matter(trial):
    plain = propagate(trial, seed=5, draws=20_000)
    turned = replace(trial, runs=trial.runs[::-1])
    for other in (
        propagate(turned, seed=5, draws=20_000),
        propagate(turned, seed=5, draws=20_000, workers=2),
    ):
        np.testing.assert_allclose(other.lower[::-1], plain.lower, rtol=1e-11)
        np.testing.assert_allclose(other.u[::-1], plain.u, rtol=1e-9)


def test_a_prescribed_rule_has_no_part_between_the_sieves_and_says_so(trial):
    by_rule = propagate(replace(trial, rule="semilog"), method="linear")
    assert by_rule.rule == "semilog"
    assert "between_sieves" in by_rule.sources_left_out
    own = propagate(trial, method="linear")
    assert own.rule == ""
    assert "between_sieves" in own.sources


def test_sources_may_be_switched_off(trial):
    """The estimate stays the powder's; the uncertainty loses what is not counted."""
    bare = replace(trial, uncertainty={"between_sieves": False})
    found, own = propagate(bare, method="linear"), propagate(trial, method="linear")
    assert np.all(found.u[:, :3] < own.u[:, :3])
    np.testing.assert_allclose(found.value[:, 1], own.value[:, 1], rtol=1e-9)


def test_the_former_switch_is_named_with_its_remedy(trial):
    with pytest.raises(UncertaintyError, match="between_sieves = false to leave that out"):
        propagate(replace(trial, uncertainty={"interpolation": True}))


def test_declared_scatter_between_runs_adds_in_quadrature(trial):
    own = propagate(trial, method="linear")
    more = propagate(replace(trial, uncertainty={"run_to_run_percent": 2.0}), method="linear")
    u, with_runs = (one.u[:, :3] / one.value[:, :3] for one in (own, more))
    np.testing.assert_allclose(with_runs, np.hypot(u, 0.02), rtol=1e-6)
    assert np.all(more.upper[:, :3] > own.upper[:, :3])
    drawn = propagate(
        replace(trial, uncertainty={"run_to_run_percent": 2.0}), seed=1, draws=200_000
    )
    np.testing.assert_allclose(drawn.u[:, :3], more.u[:, :3], rtol=0.05)


def test_open_percentiles_stay_open(make_run, make_study):
    """More than a tenth in the pan: D10 is a bound in both methods."""
    study = make_study(make_run("x", (20, 30, 30, 20), (0, 90, 125, 180)), rule=None)
    for found in (propagate(study, method="linear"), propagate(study, draws=20_000)):
        assert np.isnan(found.value[0, 0])
        assert found.status[0][0] == "below the finest sieve"
        assert (found.bound_lower[0, 0], found.bound_upper[0, 0]) == (0.0, 90.0)
        assert np.isfinite(found.value[0, 1])
        assert np.isnan(found.value[0, 3])


def test_all_in_one_class_has_sizes_and_no_span(make_run, make_study):
    """Nothing tells D10 from D90: each may lie anywhere in the class, the span is a bound."""
    study = make_study(make_run("x", (0, 0, 50, 0), (0, 90, 125, 180)), rule=None)
    for found in (propagate(study, method="linear"), propagate(study, draws=20_000)):
        assert np.all((found.lower[0, :3] < 135) & (found.upper[0, :3] > 175))
        assert np.isnan(found.value[0, 3])
        assert found.status[0][3] == "in one class"
        assert found.bound_lower[0, 3] == 0
        assert found.bound_upper[0, 3] == pytest.approx(180 / 125 - 1)
        assert np.isnan(found.u[0, 3])


def test_the_law_of_the_curves_found_beside_is_the_one_found_here(trial, monkeypatch):
    here = prepare(trial)
    monkeypatch.setattr(laws, "_FOUND", {})
    with curves_beside(trial):
        assert not laws._FOUND
    monkeypatch.setattr(laws, "_found", None)  # nothing is left to be found
    beside = prepare(trial)
    np.testing.assert_array_equal(beside.curves.curve.table, here.curves.curve.table)
    np.testing.assert_array_equal(beside.curves.factor.toarray(), here.curves.factor.toarray())


def test_what_cannot_be_found_beside_is_refused_where_it_is_asked_for(trial):
    with curves_beside(trial, ["no such source"]):
        pass
    with pytest.raises(UncertaintyError, match="no such source"):
        prepare(trial, sources=["no such source"])


@pytest.mark.parametrize(("d50", "spread"), [(120, 1.35), (230, 1.35), (170, 1.5)])
def test_linear_ends_of_a_span_are_those_of_its_draws(make_run, make_study, d50, spread):
    """A narrow powder on wide classes: its span may be far above what is likeliest, not below."""
    powder = masses(log_normal(d50, spread), RATIO_2)
    study = certified(make_study(make_run("x", powder, RATIO_2), rule=None))
    drawn, linear = propagate(study, draws=100_000, seed=3), propagate(study, method="linear")
    reach, found = (
        np.array([one.lower[0, 3], one.upper[0, 3]]) - linear.value[0, 3] for one in (drawn, linear)
    )
    assert reach[1] > -2 * reach[0] > 0
    assert found == pytest.approx(reach, rel=0.25)
