"""Sizes of whole studies: the padded arrays change nothing, open percentiles stay open."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.distribution import cumulative_undersize, mass_fractions, percentiles, sizes
from psdstats.distribution.curves import curve_frame, study_arrays
from psdstats.errors import SizeError, StudyError
from psdstats.sieves.standards import Sieve
from psdstats.words.remarks import sentence

RULES = ["semilog", "linear", "logprobit", "monotone"]


@pytest.mark.parametrize("rule", RULES)
def test_a_run_has_the_same_sizes_alone_and_among_longer_stacks(two_stacks, rule):
    table = sizes(two_stacks, rule=rule)
    for row, run in enumerate(two_stacks.runs):
        apertures = [reading.aperture_um for reading in run.readings[1:]]
        alone = percentiles(apertures, cumulative_undersize(run), [0.1, 0.5, 0.9], rule)
        np.testing.assert_allclose(table.value[row, :3], alone, rtol=1e-12)


def test_span_and_open_bounds(two_stacks):
    table = sizes(two_stacks)
    d10, d50, d90, span = table.value[0]
    assert span == pytest.approx((d90 - d10) / d50)
    assert np.isnan(table.value[2, 0])
    assert (table.lower[2, 0], table.upper[2, 0]) == (0, 63)
    # D10 lies between 0 and 63 µm, so span lies between the two spans those ends give
    _, d50, d90, span = table.value[2]
    assert np.isnan(span)
    assert table.lower[2, 3] == pytest.approx((d90 - 63) / d50)
    assert table.upper[2, 3] == pytest.approx(d90 / d50)
    frame = table.to_frame()
    assert frame.loc[8, ["quantity", "status", "lower", "upper"]].tolist() == [
        "D10",
        "below the finest sieve",
        0.0,
        63.0,
    ]
    # 20 % of run two lies above its top sieve
    assert table.status[1][2] == "above the coarsest sieve"
    assert table.upper[1, 3] == np.inf


def test_certified_apertures_are_used(two_stacks, make_study):
    shifted = {"b-90": Sieve(key="b-90", nominal_um=90, certified_um=93)}
    study = make_study(*two_stacks.runs, sieves=shifted)
    expected = percentiles([93, 180], [0.1, 0.8], [0.5])[0]
    assert sizes(study).value[1, 1] == pytest.approx(expected)


def test_fractions_and_curve(two_stacks):
    np.testing.assert_allclose(mass_fractions(two_stacks.runs[1]), [0.1, 0.7, 0.2])
    frame = curve_frame(two_stacks)
    second = frame[frame.run == "two"]
    np.testing.assert_allclose(second.undersize, [0, 0.1, 0.8])
    np.testing.assert_allclose(second.upper_um, [90, 180, np.inf])
    assert len(frame) == 13


def test_results_cannot_be_changed(two_stacks):
    table = sizes(two_stacks)
    with pytest.raises(ValueError, match="read-only"):
        table.value[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        study_arrays(two_stacks).net_g[0, 0] = 1.0


@pytest.mark.parametrize(
    ("apertures", "nets", "words"),
    [
        ([63, 125], [5, 5], "run 'x' has no pan"),
        ([0], [5], "run 'x' has a pan but no sieve"),
        ([0, 63, 63], [5, 1, 1], "run 'x' has aperture 63 µm twice"),
        ([0, 63], [0, 0], "run 'x' has 0 g of powder"),
    ],
)
def test_refusals_name_the_run(apertures, nets, words, make_run, make_study):
    with pytest.raises(SizeError, match=words):
        sizes(make_study(make_run("x", apertures, nets)))


def test_unknown_sieve_is_refused(make_run, make_study):
    study = make_study(make_run("x", [0, 63], [5, 5]))
    with pytest.raises(StudyError, match="Reading a-63, column sieve: run x uses a sieve that"):
        replace(study, sieves={})


def test_a_net_mass_below_nothing_is_noted(make_run, make_study):
    study = make_study(make_run("x", [0, 63, 125], [5, -0.01, 5]))
    assert sentence(sizes(study).notes[0]).startswith("Negative net masses: −0.01 g on a-63 in x.")
