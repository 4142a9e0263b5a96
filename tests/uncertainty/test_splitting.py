"""Splitting of a sample: fines and coarse go together; estimated from splits of one sample."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import UncertaintyError
from psdstats.uncertainty import propagate
from psdstats.uncertainty.sources.powder import Splitting
from psdstats.words.sizes import notes_in_words

NETS = np.array([1.83, 3.07, 6.21, 9.4, 11.9, 8.7, 5.32, 2.9, 1.05])


def _tilted(delta, nets=NETS):
    """Masses whose undersize Q is off by δ Q (1 - Q)."""
    undersize = np.cumsum(nets) / nets.sum()
    shifted = undersize + delta * undersize * (1 - undersize)
    return nets.sum() * np.diff(shifted, prepend=0.0)


def _linear(study, **options):
    given = {"method": "linear", "sources": ["splitting"], "rule": "semilog"} | options
    return propagate(study, **given)


def _declared(study, **settings):
    return replace(study, uncertainty=settings)


def test_a_declared_split_moves_the_median_share_by_its_percentage(make_run, make_study):
    """P % of the mass below the median is p/200 of the whole; by hand at Q = 0.3 and 0.7."""
    study = make_study(make_run("x", (3.0, 4.0, 3.0), (0, 90, 180)))
    found = _linear(_declared(study, splitting_percent=1.5))
    shift = 2 * 0.015 * 0.3 * 0.7
    assert found.u[0, 1] / found.value[0, 1] == pytest.approx(shift / 0.4 * np.log(2), rel=1e-9)


def test_all_sizes_move_the_same_way(one_run, make_run, make_study):
    """One sign for D10, D50 and D90; each by what a tilted sieving gives."""
    found = _linear(_declared(one_run, splitting_percent=1.5))
    u = found.u[0, :3]
    joint = found.covariance_matrix[:3, :3]
    np.testing.assert_allclose(joint, np.outer(u, u), rtol=1e-9)
    step = 1e-5
    low, high = (
        propagate(
            make_study(make_run("one", _tilted(sign * step))), method="linear", rule="semilog"
        ).value[0]
        for sign in (1, -1)
    )
    np.testing.assert_allclose(u, ((high - low) / (2 * step) * 2 * 0.015)[:3], rtol=1e-6)
    assert found.u[0, 3] == pytest.approx(abs((high - low)[3]) / (2 * step) * 0.03, rel=1e-6)


def test_it_moves_no_size_of_the_law_of_curves(make_run, make_study):
    study = make_study(make_run("x"), rule=None)
    plain = propagate(study, method="linear")
    split = propagate(_declared(study, splitting_percent=10.0), method="linear")
    np.testing.assert_array_equal(split.value, plain.value)
    assert (split.u > 1.5 * plain.u)[0, :3].all()


@pytest.mark.parametrize(("method", "percent"), [("scoop", 5.14), ("chute riffle", 1.01)])
def test_a_method_stands_for_its_percentage(one_run, method, percent):
    """Allen and Khan 1970 (from memory)."""
    by_method = _linear(_declared(one_run, splitting_method=method))
    by_number = _linear(_declared(one_run, splitting_percent=percent))
    np.testing.assert_allclose(by_method.u, by_number.u, rtol=1e-12)


@pytest.fixture
def duplicates(make_run, make_study):
    """A sample split in two, one in three, one not split: 3 degrees of freedom."""
    runs = [
        make_run(f"{time}-{split}", _tilted(delta), milling_time_min=float(time), split=split)
        for time, deltas in ((0, (0.04, -0.04)), (12, (-0.03, 0.0, 0.03)), (24, (0.0,)))
        for split, delta in zip("abc", deltas, strict=False)
    ]
    return make_study(*runs)


def test_duplicates_are_pooled(duplicates):
    """S² = (2 × 0.04² + 2 × 0.03²)/3 of the odds; p is half of it."""
    found = Splitting.from_study(duplicates)
    assert found.percent == pytest.approx(50 * np.sqrt(0.005 / 3), rel=1e-9)
    assert (found.degrees_of_freedom, found.samples) == (3, 2)
    result = propagate(duplicates, method="linear", rule="semilog")
    assert "splitting" in result.sources
    assert any(
        "Splits of 2 samples scatter by 2 % in the mass finer than the median (3 degrees" in note
        for note in notes_in_words(result.notes)
    )


def test_their_degrees_of_freedom_reach_k(duplicates):
    found = _linear(duplicates)
    np.testing.assert_allclose(found.effective_df, 3)
    np.testing.assert_allclose(found.k, stats.t.ppf(0.975, 3))
    drawn = _linear(duplicates, method="monte carlo", seed=1, draws=100_000)
    half = (drawn.upper - drawn.lower)[:, 1] / 2
    np.testing.assert_allclose(half, (found.k * found.u)[:, 1], rtol=0.03)


def test_one_pair_counts_only_where_it_is_asked_to(duplicates):
    """A t of one degree of freedom has no variance; its k is 12.7."""
    pair = replace(duplicates, runs=duplicates.runs[:2])
    left_out = propagate(pair, method="linear", rule="semilog").sources_left_out
    assert "splitting" in left_out
    asked = propagate(_declared(pair, splitting=True), method="linear", rule="semilog")
    assert "splitting" in asked.sources
    np.testing.assert_allclose(_linear(pair).k, stats.t.ppf(0.975, 1))


def test_replicates_are_no_splits(make_run, make_study):
    runs = [make_run(name, split="a", replicate=name) for name in ("x", "y")]
    with pytest.raises(UncertaintyError, match="nothing tells its size"):
        Splitting.from_study(make_study(*runs))
    assert "splitting" in propagate(make_study(*runs), method="linear").sources_left_out
