"""Whole simulated trials: seeds, labels, truth, and agreement of study and arrays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.distribution import percentiles
from psdstats.errors import SizeError
from psdstats.simulate import Bench, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.curve import mean_curves
from psdstats.simulate.design import Spread, lay_out
from psdstats.simulate.trial import quantities_of, rule_sizes, simulate_net_masses, true_classes
from psdstats.study.records import Balance, TareHandling

EXACT = Balance(name="b", resolution_g=1e-6)


def test_a_seed_gives_one_study(design: TrialDesign) -> None:
    design = replace(design, spread=Spread(rate_run=0.1, size_bench=0.05), loss_percent=(0, 2))
    first, again, other = (simulate_study(design, seed=seed) for seed in (3, 3, 4))
    assert first.study == again.study
    assert first.truth.equals(again.truth)
    assert first.study != other.study


def test_runs_and_readings_are_labelled(design: TrialDesign) -> None:
    study = simulate_study(design, seed=1).study
    assert len(study.runs) == 3 * 2 * 3 * 2
    assert len({run.name for run in study.runs}) == len(study.runs)
    frame = study.runs_frame()
    assert frame.groupby(["group", "ball_ratio", "milling_time_min"]).size().eq(2).all()
    run = study.runs[0]
    assert run.name == "alder-5to1-0min-a"
    assert frame["charge"].is_unique
    one = simulate_study(replace(design, one_charge=True), seed=1).study
    charges = one.runs_frame().groupby("charge")
    assert one.runs[0].charge == "alder-5to1-a"
    assert set(charges["milling_time_min"].apply(tuple)) == {(0, 12, 48)}
    assert charges[["group", "ball_ratio", "replicate"]].nunique().eq(1).all(axis=None)
    assert [reading.aperture_um for reading in run.readings] == [
        0, 45, 63, 90, 125, 180, 250, 355, 500,
    ]  # fmt: skip
    assert run.readings[0].sieve == "common pan"
    assert set(study.sieves) == {
        reading.sieve for run in study.runs for reading in run.readings if reading.aperture_um > 0
    }
    assert study.sieves["own 53 µm"].is_certified
    assert not study.sieves["common 45 µm"].is_certified
    rows = [reading.place.row for run in study.runs for reading in run.readings]
    assert rows == list(range(2, 2 + len(rows)))


def test_truth_by_rule_is_the_percentile_of_exact_fractions(design: TrialDesign) -> None:
    """Noise-free masses on the true apertures, through psdstats.distribution.percentiles."""
    benches = tuple(replace(bench, balance=EXACT) for bench in design.benches)
    trial = simulate_study(replace(design, benches=benches), seed=5, rule="semilog")
    true_um = trial.apertures.set_index("sieve")["true_um"]
    table = trial.truth.set_index(["run", "quantity"])["by_rule"]
    for run in trial.study.runs:
        net_g = np.array([reading.net_g for reading in run.readings])
        undersize = np.cumsum(net_g)[:-1] / net_g.sum()
        aperture = [true_um[reading.sieve] for reading in run.readings[1:]]
        d10, d50, d90 = percentiles(aperture, undersize, [0.1, 0.5, 0.9])
        expected = [d10, d50, d90, (d90 - d10) / d50]
        found = [table[run.name, quantity] for quantity in ("D10", "D50", "D90", "span")]
        assert found == pytest.approx(expected, rel=1e-6, nan_ok=True)


def test_a_dense_stack_gives_the_true_curve(design: TrialDesign) -> None:
    """In the limit of fine sieves the interpolated percentile is the true one."""
    curves = mean_curves(design, lay_out(design))
    dense_um = np.append(0.0, np.geomspace(20, 900, 400))
    aperture_um = np.broadcast_to(dense_um, (*curves.shift.shape, dense_um.size))
    fraction, _ = true_classes(curves, aperture_um)
    by_rule = rule_sizes(fraction, aperture_um, rule="semilog")
    assert by_rule == pytest.approx(quantities_of(curves.sizes()), rel=1e-3)


def test_without_spread_a_run_is_typical(design: TrialDesign) -> None:
    truth = simulate_study(design, seed=2).truth
    assert truth["true"].to_numpy() == pytest.approx(truth["typical"].to_numpy(), rel=1e-12)


def test_truth_does_not_depend_on_the_balance(design: TrialDesign) -> None:
    design = replace(design, spread=Spread(rate_run=0.1, size_bench=0.05))
    rough = Balance(name="b", resolution_g=1.0, repeatability_g=0.5)
    truths = [
        simulate_study(
            replace(design, benches=tuple(replace(b, balance=balance) for b in design.benches)),
            seed=8,
        ).truth
        for balance in (EXACT, rough)
    ]
    assert truths[0].equals(truths[1])


def test_arrays_and_studies_follow_one_law(design: TrialDesign) -> None:
    """Mean and SD of measured ln D50 from 300 single studies and from 3,000 at once."""
    design = replace(
        design, benches=design.benches[:1], times_min=(12,), replicates=1, ball_ratios={},
        spread=Spread(rate_run=0.1, size_run=0.05),
    )  # fmt: skip
    single = []
    for seed in range(300):
        run = simulate_study(design, seed=seed).study.runs[0]
        net_g = np.array([reading.net_g for reading in run.readings])
        aperture = [reading.aperture_um for reading in run.readings[1:]]
        single.append(percentiles(aperture, np.cumsum(net_g)[:-1] / net_g.sum(), 0.5)[0])
    masses = simulate_net_masses(design, trials=3000, seed=1)
    many = np.log(rule_sizes(masses.net_g, masses.aperture_um, rule="semilog")[:, 0, 1])
    few = np.log(single)
    assert few.mean() == pytest.approx(many.mean(), abs=4 * many.std() / np.sqrt(300))
    assert few.std() == pytest.approx(many.std(), rel=4 / np.sqrt(600))


def test_batched_masses_have_the_layout_of_the_design(design: TrialDesign) -> None:
    masses, layout = simulate_net_masses(design, trials=130, seed=1), lay_out(design)
    runs = len(layout.run_names)
    assert masses.net_g.shape == masses.aperture_um.shape == (130, runs, 9)
    short = layout.bench == [bench.name for bench in design.benches].index("Cedar")
    assert np.all(masses.net_g[:, short, 8] == 0)
    assert np.isinf(masses.aperture_um[:, short, 8]).all()
    assert np.isfinite(masses.aperture_um[:, ~short]).all()
    assert masses.true.shape == (130, runs, 4)
    again = simulate_net_masses(design, trials=130, seed=1)
    assert np.array_equal(masses.net_g, again.net_g)
    start = simulate_net_masses(design, trials=64, seed=1)
    assert np.array_equal(masses.net_g[:64], start.net_g)


@pytest.mark.parametrize("rule", ["semilog", "linear", "logprobit", "monotone"])
def test_measured_sizes_follow_the_rule(design: TrialDesign, rule: str) -> None:
    """Batched sizes against psdstats.distribution.percentiles, run by run, padding included."""
    exact = tuple(replace(bench, balance=EXACT) for bench in design.benches)
    masses = simulate_net_masses(replace(design, benches=exact), trials=2, seed=1)
    measured = rule_sizes(masses.net_g, masses.aperture_um, rule=rule)
    for trial in range(2):
        for run in range(measured.shape[1]):
            used = np.isfinite(masses.aperture_um[trial, run])
            net_g = masses.net_g[trial, run, used]
            aperture = masses.aperture_um[trial, run, used][1:]
            undersize = np.cumsum(net_g)[:-1] / net_g.sum()
            expected = percentiles(aperture, undersize, [0.1, 0.5, 0.9], rule=rule)
            assert measured[trial, run, :3] == pytest.approx(expected, rel=1e-9, nan_ok=True)


def test_unbracketed_percentiles_have_no_number(design: TrialDesign) -> None:
    coarse = SieveSet(name="s", apertures_um=(180.0, 250.0, 355.0))
    bench = Bench(name="A", sieves=coarse, balance=EXACT)
    design = replace(design, benches=(bench,))
    masses = simulate_net_masses(design, trials=3, seed=1)
    measured = rule_sizes(masses.net_g, masses.aperture_um, rule="semilog")
    assert np.isnan(measured[:, lay_out(design).time_min == 48][..., [0, 3]]).all()
    assert np.isfinite(masses.true).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"benches": ()}, r"benches are named \[\]"),
        ({"times_min": (-1.0, 3.0)}, "times \\(-1.0, 3.0\\) min"),
        ({"replicates": 0}, "0 replicates"),
        ({"loss_percent": (3.0, 1.0)}, r"loss_percent is \(3.0, 1.0\)"),
        ({"sample_mass_g": 0.0}, "sample_mass_g is 0.0"),
    ],
)
def test_impossible_designs_are_refused(
    design: TrialDesign, change: dict[str, object], words: str
) -> None:
    with pytest.raises(SizeError, match=words):
        replace(design, **change)  # type: ignore[arg-type]


def test_a_name_stands_for_one_thing(design: TrialDesign) -> None:
    alder, birch, _ = design.benches
    other_set = SieveSet(name="common", apertures_um=(63.0, 90.0))
    with pytest.raises(SizeError, match="Two sieve sets are named 'common'"):
        replace(design, benches=(alder, replace(birch, sieves=other_set)))
    with pytest.raises(SizeError, match="Two balances are named 'fine'"):
        replace(
            design,
            benches=(alder, replace(birch, balance=Balance(name="fine", resolution_g=0.1))),
        )
    with pytest.raises(SizeError, match="tared once but used on balances 'fine' and 'b'"):
        replace(design, tares=TareHandling.ONCE, benches=(alder, replace(birch, balance=EXACT)))
    with pytest.raises(SizeError, match=r"apertures \(90.0, 63.0\) µm"):
        SieveSet(name="s", apertures_um=(90.0, 63.0))


def test_no_trials_are_refused(design: TrialDesign) -> None:
    with pytest.raises(SizeError, match="asked for 0 trials"):
        simulate_net_masses(design, trials=0, seed=1)
