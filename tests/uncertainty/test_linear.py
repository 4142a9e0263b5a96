"""Linear propagation: another library, exact cases, and correlation through differences."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse, stats
from uncertainties import correlated_values, ufloat, umath

from psdstats.errors import StudyError, UncertaintyError
from psdstats.sieves.standards import Sieve, tolerance_um
from psdstats.study.records import TareHandling
from psdstats.uncertainty import propagate
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.linear import Contributions, coverage_factor, span_ends
from psdstats.words.sizes import notes_in_words


def _with_uncertainties(study, run, rule):
    """D10, D50, D90, span of a run as numbers of the `uncertainties` library."""
    balance = study.balances[run.balance]
    u_reading = np.hypot(balance.resolution_g / np.sqrt(12), balance.repeatability_g)
    nets = [
        ufloat(reading.gross_g, u_reading) - ufloat(reading.tare_g, u_reading)
        for reading in run.readings
    ]
    apertures = [
        ufloat(reading.aperture_um, tolerance_um(reading.aperture_um) / np.sqrt(3))
        for reading in run.readings[1:]
    ]
    total = sum(nets)
    undersize = [sum(nets[: place + 1]) / total for place in range(len(apertures))]
    sizes = []
    for level in (0.1, 0.5, 0.9):
        high = next(i for i, finer in enumerate(undersize) if finer.n >= level)
        low = high - 1
        position = (level - undersize[low]) / (undersize[high] - undersize[low])
        if rule == "semilog":
            ends = [umath.log(apertures[low]), umath.log(apertures[high])]
            sizes.append(umath.exp(ends[0] + position * (ends[1] - ends[0])))
        else:
            sizes.append(apertures[low] + position * (apertures[high] - apertures[low]))
    return [*sizes, (sizes[2] - sizes[0]) / sizes[1]]


@pytest.mark.parametrize("rule", ["semilog", "linear"])
def test_against_the_uncertainties_library(one_run, rule):
    result = propagate(one_run, method="linear", rule=rule)
    expected = _with_uncertainties(one_run, one_run.runs[0], rule)
    np.testing.assert_allclose(result.value[0], [one.n for one in expected], rtol=1e-12)
    np.testing.assert_allclose(result.u[0], [one.s for one in expected], rtol=1e-8)
    # differences of two results fail when a correlation is wrong
    linked = correlated_values(result.value[0], result.covariance_matrix)
    for first in range(4):
        for second in range(first):
            assert (linked[first] - linked[second]).s == pytest.approx(
                (expected[first] - expected[second]).s, rel=1e-6
            )


def test_log_covariance_is_the_relative_one(milling):
    result = propagate(milling, method="linear")
    scale = result.value.ravel()
    np.testing.assert_allclose(
        result.log_covariance_matrix * np.outer(scale, scale), result.covariance_matrix, rtol=1e-12
    )
    frame = result.covariance("D50", log=True)
    assert list(frame.index) == list(result.runs)
    assert frame.loc["run-1", "run-2"] == result.log_covariance_matrix[5, 9]


def test_a_shared_sieve_cancels_in_a_ratio_and_separate_ones_do_not(make_run, make_study):
    """U of ln(D50 ratio) from apertures: none for equal powders on one stack, √2 u on two."""
    together = make_study(make_run("x"), make_run("y"))
    apart = make_study(make_run("x"), make_run("y", stack="b"))
    for study, factor in ((together, 0.0), (apart, np.sqrt(2))):
        result = propagate(study, method="linear", sources=["aperture"])
        joint = result.covariance("D50", log=True).to_numpy()
        u_ratio = np.sqrt(max(joint[0, 0] + joint[1, 1] - 2 * joint[0, 1], 0))
        assert u_ratio == pytest.approx(factor * np.sqrt(joint[0, 0]), abs=1e-9)


def test_a_shared_sieve_nearly_cancels_between_neighbouring_powders(milling):
    result = propagate(milling, method="linear", sources=["aperture"])
    joint = result.covariance("D50", log=True).to_numpy()
    ratio = np.array([1, 0, -1, 0])
    between_replicates = np.array([1, -1, 0, 0])
    assert np.sqrt(between_replicates @ joint @ between_replicates) < 0.1 * np.sqrt(joint[0, 0])
    assert np.sqrt(ratio @ joint @ ratio) < 1.5 * np.sqrt(joint[0, 0])


def test_a_reused_tare_is_one_error(make_run, make_study):
    """Twins that share all tares: the variance of their difference loses the tare half."""
    study = make_study(make_run("x"), make_run("y"))
    difference = {}
    for tares in TareHandling:
        result = propagate(
            replace(study, tares=tares), method="linear", sources=["rounding", "repeatability"]
        )
        joint = result.covariance("D50").to_numpy()
        difference[tares] = joint[0, 0] + joint[1, 1] - 2 * joint[0, 1]
    assert difference[TareHandling.ONCE] == pytest.approx(difference[TareHandling.EACH_RUN] / 2)


def test_slope_cancels_within_a_balance(make_run, make_study):
    study = make_study(make_run("x"), balance={"slope_u": 0.01})
    result = propagate(study, method="linear", sources=["calibration"])
    np.testing.assert_allclose(result.u, 0, atol=1e-9)


def test_certificate_replaces_tolerance(make_run, make_study):
    run = make_run("x", (3.0, 4.0, 3.0), (0, 90, 180))
    sieves = {
        "a-90": Sieve(key="a-90", nominal_um=90, certified_um=91, expanded_uncertainty_um=1.2),
        "a-180": Sieve(
            key="a-180", nominal_um=180, certified_um=179, expanded_uncertainty_um=1e-12
        ),
    }
    result = propagate(make_study(run, sieves=sieves), method="linear", sources=["aperture"])
    # Q is 0.3 at 91 µm and 0.7 at 179 µm, so D50 is the geometric mean: ∂D50/∂x = D50/(2 x)
    assert result.u[0, 1] == pytest.approx(np.sqrt(91 * 179) / (2 * 91) * 0.6, rel=1e-9)


def test_declared_run_to_run_adds_to_each_size(one_run):
    study = replace(one_run, uncertainty={"run_to_run_percent": 2.0})
    plain, added = (propagate(each, method="linear") for each in (one_run, study))
    grown = (added.u[0, :3] / added.value[0, :3]) ** 2 - (plain.u[0, :3] / plain.value[0, :3]) ** 2
    np.testing.assert_allclose(np.sqrt(grown), 0.02, rtol=1e-9)
    # independent draws: what follows for span by hand
    d10, _, d90, span = added.value[0]
    grown_span = (added.u[0, 3] ** 2 - plain.u[0, 3] ** 2) / span**2
    by_hand = 0.02**2 * (1 + (d90**2 + d10**2) / (d90 - d10) ** 2)
    assert grown_span == pytest.approx(by_hand, rel=1e-9)
    assert "run_to_run" in added.sources
    assert "run_to_run" in plain.sources_left_out


def test_shares_sum_to_one_and_name_the_balance(milling):
    result = propagate(milling, method="linear")
    np.testing.assert_allclose(result.source_share.sum(axis=2), 1, rtol=1e-12)
    limited = [result.sources.index(name) for name in ("rounding", "repeatability", "calibration")]
    np.testing.assert_allclose(result.balance_share, result.source_share[:, :, limited].sum(axis=2))


def test_open_percentiles_have_bounds_and_no_u(make_run, make_study):
    study = make_study(
        make_run("fine", (8.0, 1.0, 1.0), (0, 90, 180)),
        make_run("good", (0.5, 9.0, 0.5), (0, 90, 180)),
    )
    result = propagate(study, method="linear")
    frame = result.to_frame()
    first = frame.iloc[0]
    assert np.isnan(first["value"])
    assert (first["lower"], first["upper"]) == (0.0, 90.0)
    assert first["status"] == "below the finest sieve"
    assert np.isnan(result.covariance("D10").loc["fine", "good"])
    assert result.covariance("D10").loc["good", "good"] > 0


def test_combine_gives_covariance_and_degrees_of_freedom(combine):
    result = combine([[1, 1, 0], [0, 1, 1]], [3.0, 4.0, 12.0], [5, 10, np.inf])
    np.testing.assert_allclose(result.covariance, [[25, 16], [16, 160]])
    assert result.effective_df[0] == pytest.approx(25**2 / (3**4 / 5 + 4**4 / 10))
    assert result.effective_df[1] == pytest.approx(160**2 / (4**4 / 10))
    k = coverage_factor(0.95, result.effective_df)
    assert k[0] == pytest.approx(stats.t.ppf(0.975, result.effective_df[0]))


def test_coverage_factor_of_the_normal():
    assert coverage_factor(0.95) == pytest.approx(1.959963984540054)
    with pytest.raises(UncertaintyError, match="coverage is 95"):
        coverage_factor(95)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"method": "guess"}, "method 'guess' is not known; choose 'monte carlo' or 'linear'"),
        ({"sources": ["wind"]}, "source 'wind' is not known; choose from rounding"),
        ({"coverage": 1.2}, "coverage is 1.2"),
        ({"sources": ["sampling"]}, "density_g_per_cm3"),
        ({"sources": ["lost_powder"]}, "sample_mass_g"),
        ({"sources": ["run_to_run"]}, "run_to_run_percent"),
    ],
)
def test_refusals_say_what_to_add(one_run, options, words):
    with pytest.raises(UncertaintyError, match=words):
        propagate(one_run, **({"method": "linear"} | options))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"wind": True}, "setting 'wind' of the uncertainty table is not known"),
        ({"rounding": "yes"}, "setting 'rounding' .* is 'yes'; give true or false"),
        ({"run_to_run_percent": True}, "run_to_run_percent.* give a number"),
        ({"run_to_run_percent": -1.0}, "run_to_run_percent.* is -1.0; give a number from 0"),
        ({"sampling": True}, "sampling is on but the study states no density_g_per_cm3"),
    ],
)
def test_settings_of_the_study_are_checked(one_run, settings, words):
    with pytest.raises(UncertaintyError, match=words):
        propagate(replace(one_run, uncertainty=settings), method="linear")


def test_two_runs_of_one_name_are_refused(make_run, make_study):
    with pytest.raises(StudyError, match="two runs have this name"):
        propagate(make_study(make_run("x"), make_run("x")), method="linear")


def test_a_nearly_empty_bracket_is_doubted(make_run, make_study):
    study = make_study(make_run("x", (10.0, 15.0, 0.02, 15.0, 10.0), (0, 63, 90, 125, 180)))
    result = propagate(study, method="linear")
    assert result.linear_valid[0][1] is False
    assert any("doubtful" in note for note in notes_in_words(result.notes))


def test_resolution_of_a_display(one_run):
    """JCGM 100:2008, F.2.2.1 (from memory): u = d/√12; a net mass of two readings has √2 of it."""
    action = prepare(one_run, sources=["rounding"]).table.on_mass
    of_first_net = [
        part for part, place in zip(action.coefficient, action.place, strict=True) if place == 0
    ]
    assert len(of_first_net) == 2
    assert np.hypot(*of_first_net) == pytest.approx(0.00408, abs=5e-6)


def test_many_tolerances_are_a_range_in_the_note(make_run, make_study):
    apertures = tuple(np.r_[0.0, np.geomspace(45.0, 450.0, 11).round()])
    study = make_study(make_run("a", nets=(2.0,) * 12, apertures=apertures))
    notes = notes_in_words(propagate(study, method="linear").notes)
    note = next(one for one in notes if "tolerance of" in one)
    first, last = (f"{tolerance_um(um):.2g} at {um:g} µm" for um in (45.0, 450.0))
    assert note.endswith(f"(±µm: {first} to {last}).")


def _of_logs(rows):
    """Contributions of one run to ln D10, ln D50, ln D90, and its span left out."""
    matrix = sparse.csr_array(np.vstack([rows, np.zeros((1, 3))]))
    return Contributions(
        matrix=matrix,
        known=np.ones(4, dtype=bool),
        degrees_of_freedom=np.full(3, np.inf),
        source=np.zeros(3, dtype=np.intp),
    )


VALUE = np.array([[60.0, 100.0, 180.0, 1.2]])
ENDS = np.array([[[50.0, 98.0, 178.0]], [[62.0, 103.0, 196.0]]])


def test_the_ends_of_a_span_go_as_far_as_its_sizes_do():
    """By hand: parts of the span, in quadrature where sizes are independent."""
    found = span_ends(_of_logs(np.eye(3) * 0.01), VALUE, ENDS)[:, 0]
    below = [(62 - 60) / 100, 1.2 * (103 - 100) / 100, (180 - 178) / 100]
    above = [(60 - 50) / 100, 1.2 * (100 - 98) / 100, (196 - 180) / 100]
    assert found == pytest.approx([1.2 - np.hypot.reduce(below), 1.2 + np.hypot.reduce(above)])
    together = span_ends(
        _of_logs(np.array([[0.01, 0, 0], [0, 0.01, 0], [0.01, 0, 0]])), VALUE, ENDS
    )
    # one error moves D10 and D90 alike: what it adds to the span at one, it takes at the other
    assert together[0, 0] == pytest.approx(1.2 - np.hypot(below[2] - below[0], below[1]))
    assert together[1, 0] == pytest.approx(1.2 + np.hypot(above[2] - above[0], above[1]))


def test_the_ends_of_a_span_are_linear_where_those_of_its_sizes_are_symmetric():
    """Against the `uncertainties` library, with sizes that share errors."""
    rows = np.array([[0.004, 0.002, 0.0], [0.0, 0.003, 0.001], [-0.002, 0.0, 0.005]])
    size = VALUE[0, :3]
    low, middle, high = correlated_values(size, rows @ rows.T * np.outer(size, size))
    u = np.sqrt((rows**2).sum(axis=1)) * size
    found = span_ends(_of_logs(rows), VALUE, np.stack([size - u, size + u])[:, None])[:, 0]
    assert found == pytest.approx(
        [1.2 - ((high - low) / middle).s, 1.2 + ((high - low) / middle).s]
    )


def test_a_size_without_error_adds_nothing_to_the_ends_of_a_span():
    ends = np.array([[[60.0, 98.0, 180.0]], [[60.0, 103.0, 180.0]]])
    found = span_ends(_of_logs(np.diag([0.0, 0.01, 0.0])), VALUE, ends)[:, 0]
    assert found == pytest.approx([1.2 - 0.036, 1.2 + 0.024])


def test_a_span_is_never_below_zero():
    ends = np.array([[[50.0, 90.0, 55.0]], [[170.0, 110.0, 300.0]]])
    found = span_ends(_of_logs(np.eye(3) * 0.2), VALUE, ends)[:, 0]
    assert found[0] == 0
    assert found[1] > 2
