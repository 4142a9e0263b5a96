"""Ratio intervals: closed forms, the joint covariance, plain NumPy on the same draws, open ends."""

import tracemalloc
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from psdstats.errors import UncertaintyError
from psdstats.sieves.standards import Sieve, tolerance_um
from psdstats.uncertainty import propagate, ratio_intervals
from psdstats.uncertainty.draws import draw_blocks, make_plan
from psdstats.uncertainty.law import prepare
from psdstats.words.sizes import notes_in_words

APERTURES = (0, 90, 180, 360)


def _exact(key, aperture_um):
    """A sieve whose aperture is known without error."""
    return Sieve(
        key=key, nominal_um=aperture_um, certified_um=aperture_um, expanded_uncertainty_um=1e-12
    )


@pytest.fixture
def one_uncertain_sieve(make_run, make_study):
    """D50 of both runs between 90 µm (tolerance only) and 180 µm (exact): f = 0.4 and 0.1."""
    runs = [
        make_run("finer", (4.5, 5.0, 0.5, 0.0), APERTURES),
        make_run("coarser", (3.0, 5.0, 2.0, 0.0), APERTURES),
    ]
    exact = {f"a-{aperture}": _exact(f"a-{aperture}", float(aperture)) for aperture in (180, 360)}
    return make_study(*runs, sieves=exact)


def test_one_shared_rectangular_aperture_in_closed_form(one_uncertain_sieve):
    """Ratio = (b/a)^(f1 - f2) with a rectangular: its quantiles are those of a."""
    found = ratio_intervals(
        one_uncertain_sieve, [("coarser", "finer")], seed=1, sources=["aperture"], draws=200_000
    )
    row = found.to_frame().set_index("quantity").loc["D50"]
    half, power = tolerance_um(90.0), 0.4 - 0.1

    def ratio(share):
        return (180 / (90 - half + 2 * half * share)) ** power

    # standard error of an end: that of a rectangular quantile over 200 000 draws
    error = np.sqrt(0.025 * 0.975 / 200_000) * 2 * half / 90 * power * row["ratio"]
    assert row["ratio"] == pytest.approx(2**power, rel=1e-12)
    assert row["lower"] == pytest.approx(ratio(0.975), abs=4 * error)
    assert row["upper"] == pytest.approx(ratio(0.025), abs=4 * error)
    grid = (np.arange(10_000) + 0.5) / 10_000
    assert row["u_log"] == pytest.approx(np.log(ratio(grid)).std(), rel=0.01)
    # ± 1.96 u would be 19 % wider: the factor of a rectangular law is 0.95 √3
    k = np.log(row["upper"] / row["lower"]) / 2 / row["u_log"]
    assert k == pytest.approx(0.95 * np.sqrt(3), rel=0.01)
    assert row["shortest_upper"] - row["shortest_lower"] <= row["upper"] - row["lower"]


def test_separate_rectangular_apertures_give_a_triangular_law(make_run, make_study):
    """Factor √6 (1 - √0.05) = 1.902 of a triangular law, the difference of two rectangular ones."""
    nets = (3.0, 5.0, 2.0, 0.0)
    runs = [make_run(name, nets, APERTURES, stack=name) for name in ("a", "b")]
    exact = {
        f"{stack}-{aperture}": _exact(f"{stack}-{aperture}", float(aperture))
        for stack in ("a", "b")
        for aperture in (180, 360)
    }
    study = make_study(*runs, sieves=exact)
    found = ratio_intervals(
        study, [("a", "b")], quantities=["D50"], seed=1, sources=["aperture"], draws=200_000
    )
    k = np.log(found.upper / found.lower)[0, 0] / 2 / found.u_log[0, 0]
    assert k == pytest.approx(np.sqrt(6) * (1 - np.sqrt(0.05)), rel=0.01)


def test_what_two_runs_share_in_full_cancels(make_run, make_study):
    runs = [make_run(name, (3.0, 5.0, 2.0), (0, 90, 180)) for name in ("a", "b")]
    found = ratio_intervals(
        make_study(*runs), [("a", "b")], quantities="D50", sources=["aperture"], draws=20_000
    )
    for values in (found.ratio, found.lower, found.upper, found.shortest_upper):
        np.testing.assert_array_equal(values, [[1.0]])
    assert found.u_log == [[0.0]]


@pytest.mark.parametrize("method", ["monte carlo", "linear"])
def test_u_log_is_that_of_the_joint_covariance(milling, method):
    """Same seed, same draws, whichever runs stand in a pair; alone and as means of a time."""
    whole = propagate(milling, method=method, seed=5, draws=30_000)
    names = [run.name for run in milling.runs]
    pairs = [*combinations(names, 2), (names[2:], names[:2])]
    found = ratio_intervals(milling, pairs, method=method, seed=5, draws=30_000)
    one = ratio_intervals(milling, [("run-3", "run-1")], method=method, seed=5, draws=30_000)
    weights = np.zeros((len(pairs), 4))
    for row, (high, low) in zip(weights, pairs, strict=True):
        for side, sign in ((high, 1.0), (low, -1.0)):
            side = [side] if isinstance(side, str) else side
            row[[names.index(name) for name in side]] += sign / len(side)
    for column, quantity in enumerate(whole.quantities):
        expected = weights @ whole.covariance(quantity, log=True).to_numpy() @ weights.T
        np.testing.assert_allclose(
            found.covariance(quantity), expected, rtol=1e-7, atol=1e-9 * expected.max()
        )
        np.testing.assert_allclose(found.u_log[:, column] ** 2, np.diag(expected), rtol=1e-7)
        ratio = np.exp(weights @ np.log(whole.value[:, column]))
        np.testing.assert_allclose(found.ratio[:, column], ratio, rtol=1e-12)
    assert pairs[4] == ("run-1", "run-3")
    np.testing.assert_allclose(one.u_log[0], found.u_log[4], rtol=1e-9)


def test_a_smooth_normal_case_is_exp_of_k_u(milling):
    """Normal inputs, nothing near an edge: quantiles, linear law and ± 1.96 u agree."""
    sieves = {
        key: replace(sieve, certified_um=sieve.nominal_um, expanded_uncertainty_um=1.0)
        for key, sieve in milling.sieves.items()
    }
    study = replace(milling, sieves=sieves)
    options = {"pairs": [("run-2", "run-0")], "sources": ["repeatability", "aperture"]}
    drawn = ratio_intervals(study, seed=2, draws=200_000, **options)
    linear = ratio_intervals(study, method="linear", **options)
    half = 1.959964 * drawn.u_log
    np.testing.assert_allclose(np.log(drawn.upper / drawn.ratio), half, rtol=0.02)
    np.testing.assert_allclose(np.log(drawn.ratio / drawn.lower), half, rtol=0.02)
    np.testing.assert_allclose(linear.u_log, drawn.u_log, rtol=0.01)
    np.testing.assert_allclose(np.log(linear.upper / linear.ratio), 1.959964 * linear.u_log)
    assert drawn.share_unbracketed.max() == 0


def test_ends_are_quantiles_of_the_drawn_ratios(milling):
    """One block, against NumPy's quantiles of the kernel's draws, span among them."""
    ready = prepare(milling)
    plan = make_plan(ready.table, ready.arrays, rule=ready.sizes.rule, seed=4, coverage=0.950)
    size = np.exp(next(draw_blocks(plan, stripe=0, block_draws=10_000))[0])
    span = (size[:, 2] - size[:, 0]) / size[:, 1]
    values = np.concatenate([size, span[:, None]], axis=1)
    ratio = np.sqrt(values[2] * values[3] / (values[0] * values[1]))
    found = ratio_intervals(
        milling, [(("run-3", "run-2"), ("run-0", "run-1"))], seed=4, draws=10_000
    )
    # the 250th draw from either end, or one of its neighbours
    ends = np.sort(ratio, axis=1)[:, [248, 250, 9748, 9750]]
    assert ((ends[:, 0] <= found.lower[0]) & (found.lower[0] <= ends[:, 1])).all()
    assert ((ends[:, 2] <= found.upper[0]) & (found.upper[0] <= ends[:, 3])).all()
    np.testing.assert_allclose(found.u_log[0], np.log(ratio).std(axis=1, ddof=1), rtol=1e-9)


def test_an_open_run_opens_the_ratio_on_its_side(make_run, make_study):
    """D10 of one run is in the pan in every draw: the ratio has a bound on one side only."""
    study = make_study(
        make_run("pan", (3.0, 4.0, 3.0), (0, 90, 180)),
        make_run("seen", (0.5, 5.0, 4.5), (0, 90, 180)),
    )
    pairs = [("pan", "seen"), ("seen", "pan")]
    seen = propagate(study, method="linear").value[1, 0]
    for method in ("monte carlo", "linear"):
        found = ratio_intervals(study, pairs, quantities=["D10"], method=method, draws=20_000)
        assert np.isnan(found.ratio).all()
        assert np.isnan(found.u_log).all()
        np.testing.assert_allclose(found.bound_upper[:, 0], [90 / seen, np.inf])
        np.testing.assert_allclose(found.bound_lower[:, 0], [0, seen / 90])
        assert (found.lower[0, 0], found.upper[1, 0]) == (0, np.inf)
        assert found.upper[0, 0] == pytest.approx(90 / seen, rel=0.05)
        assert found.lower[1, 0] == pytest.approx(seen / 90, rel=0.05)
    shares = ratio_intervals(study, pairs, quantities=["D10"], draws=20_000).share_unbracketed
    np.testing.assert_array_equal(shares, 1.0)


def test_draws_at_the_edge_of_the_pan_are_counted(make_run, make_study):
    """The share and the open end are those of the run itself; spans of open draws are bounded."""
    study = make_study(
        make_run("edge", (0.999, 2.0, 4.0, 2.5, 0.5), (0, 63, 125, 250, 500)),
        make_run("seen", (0.5, 2.5, 4.0, 2.5, 0.5), (0, 63, 125, 250, 500)),
    )
    whole = propagate(study, seed=1, draws=50_000)
    found = ratio_intervals(study, [("edge", "seen"), ("seen", "edge")], seed=1, draws=50_000)
    np.testing.assert_array_equal(found.share_unbracketed[:, 0], whole.share_unbracketed[0, 0])
    np.testing.assert_array_equal(found.share_unbracketed[:, 3], whole.share_unbracketed[0, 3])
    assert found.lower[0, 0] == 0
    assert found.upper[1, 0] == np.inf
    assert 0 < found.lower[0, 3] < found.ratio[0, 3] < found.upper[0, 3] < np.inf
    assert found.upper[0, 3] == pytest.approx(1 / found.lower[1, 3], rel=1e-3)
    assert any("D10 of 'edge' over 'seen'" in note for note in notes_in_words(found.notes))
    linear = ratio_intervals(study, [("edge", "seen")], quantities=["D10", "D50"], method="linear")
    doubts = [note for note in notes_in_words(linear.notes) if "doubtful" in note]
    assert len(doubts) == 1
    assert doubts[0].startswith("Run 'edge': the linear interval of D10")


def test_ratios_do_not_depend_on_how_they_are_drawn(milling):
    """Workers, order of runs, order and number of pairs."""
    pairs = [("run-2", "run-0"), (("run-2", "run-3"), ("run-0", "run-1"))]
    options = {"seed": 3, "draws": 120_000, "quantities": ["D50", "span"]}
    first = ratio_intervals(milling, pairs, **options).to_frame()
    turned = replace(milling, runs=milling.runs[::-1])
    for other in (
        ratio_intervals(milling, pairs, **options, workers=2),
        ratio_intervals(turned, pairs, **options),
    ):
        assert first.equals(other.to_frame())
    back = ratio_intervals(milling, pairs[::-1], **options).to_frame()
    assert first.iloc[:2].reset_index(drop=True).equals(back.iloc[2:].reset_index(drop=True))
    swapped = ratio_intervals(milling, [("run-0", "run-2")], **options)
    np.testing.assert_allclose(1 / swapped.upper[0], first["lower"][:2], rtol=1e-4)


def test_the_adaptive_rule_stops_when_ratios_have_settled(milling):
    seen = []
    found = ratio_intervals(
        milling,
        [("run-2", "run-0")],
        quantities=["D50"],
        digits=1,
        progress=lambda done, most: seen.append((done, most)),
    )
    assert found.settled
    assert 50_000 <= found.draws < 2_000_000
    assert seen[-1] == (found.draws // 10_000, 200)
    few = ratio_intervals(milling, [("run-2", "run-0")], max_draws=100_000)
    assert not few.settled
    assert any("did not settle" in note for note in notes_in_words(few.notes))


def test_frame_names_sides_and_quantities(milling):
    found = ratio_intervals(
        milling, [("run-2", ("run-0", "run-1"))], quantities=["D90", "D50"], method="linear"
    )
    frame = found.to_frame()
    assert list(frame["quantity"]) == ["D90", "D50"]
    assert list(frame["high"]) == ["run-2"] * 2
    assert list(frame["low"]) == ["run-0, run-1"] * 2
    assert list(frame["n_low"]) == [2, 2]
    assert not found.ratio.flags.writeable
    with pytest.raises(UncertaintyError, match="quantity 'D10' is not here; choose from D90, D50"):
        found.covariance("D10")


@pytest.mark.parametrize(
    ("pairs", "options", "words"),
    [
        ([], {}, "no pair is given"),
        (["run-0"], {}, "pair 1 is 'run-0'; give"),
        ([("run-0", "run-1", "run-2")], {}, "give .high, low., two sides"),
        ([("run-0", "run-9")], {}, "pair 1 names run 'run-9', which the study does not have"),
        ([("run-0", ())], {}, "pair 1 has a side without runs"),
        ([("run-0", ("run-1", "run-1"))], {}, "names a run twice on one side"),
        ([("run-0", ["run-0"])], {}, "compares run-0 with itself"),
        ([("run-0", "run-1")], {"quantities": ["D42"]}, "quantity 'D42' is not known"),
        ([("run-0", "run-1")], {"quantities": []}, "no quantity is given"),
        ([("run-0", "run-1")], {"method": "guess"}, "method 'guess' is not known"),
    ],
)
def test_refusals_say_what_is_wrong(milling, pairs, options, words):
    with pytest.raises(UncertaintyError, match=words):
        ratio_intervals(milling, pairs, **options)


def test_memory_does_not_grow_with_the_draws(milling):
    """Only summaries of blocks are kept."""

    def peak(draws):
        tracemalloc.start()
        ratio_intervals(milling, [("run-2", "run-0")], draws=draws)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(10_000)
    assert peak(200_000) < 1.1 * peak(20_000)
