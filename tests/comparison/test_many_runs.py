"""Comparison of very many runs: the same numbers without matrices over all of them."""

import dataclasses

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.comparison import analysis, compare
from psdstats.study import read_study
from psdstats.uncertainty import law
from psdstats.uncertainty.inputs import measurement_sources
from psdstats.uncertainty.law import prepare


def numbers(found):
    return np.array([dataclasses.astuple(one.numbers) for one in found], dtype=float)


@pytest.fixture(scope="module")
def both():
    """The demo compared by both routes from one law, at the calibrated level and not."""
    study = read_study(demo_study("four_benches"))
    one = prepare(study, sources=measurement_sources(study))
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analysis, "prepare", lambda *_, **__: one)
        for most in (128, 1):
            patch.setattr(law, "MOST_WHOLE", most)
            for test in ("calibrated", "kenward-roger"):
                found[most, test] = compare(study, quantities=["D50"], test=test)["D50"]
    return found


@pytest.mark.parametrize("test", ["kenward-roger", "calibrated"])
def test_findings_are_the_same(both, test):
    few, many = both[128, test], both[1, test]
    np.testing.assert_allclose(numbers(many.findings), numbers(few.findings), rtol=1e-10)
    assert [one.verdict for one in many.findings] == [one.verdict for one in few.findings]
    means = [one.means[["value", "lower", "upper"]].to_numpy(dtype=float) for one in (few, many)]
    np.testing.assert_allclose(means[1], means[0], rtol=1e-10)
    assert many.balance.shorter_percent == pytest.approx(few.balance.shorter_percent, rel=1e-9)
    assert many.remarks[:-1] == few.remarks[:-1]  # the last has the p of other draws
    spread = [one.fit.variance_components.to_numpy() for one in (few, many)]
    np.testing.assert_allclose(spread[1], spread[0], rtol=1e-10)


def test_benches_are_the_same_but_for_the_grid(both):
    """Their posterior is taken on a finer grid, joint limits from 40,000 draws of it."""
    few, many = (both[most, "kenward-roger"].benches for most in (128, 1))
    for one, other in zip(few, many, strict=True):
        assert [at.verdict for at in other.at] == [at.verdict for at in one.at]
        told = [numbers(found.at) for found in (one, other)]
        np.testing.assert_allclose(told[1][:, 0], told[0][:, 0], atol=1e-12)
        np.testing.assert_allclose(told[1][:, 1:3], told[0][:, 1:3], atol=0.002)
