"""Fixed and random designs: coding, names, term hypotheses, and what is refused."""

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import ModelError
from psdstats.models import Factor, MixedModel, RandomSlope, Trend
from psdstats.models.design_columns import asked_contrasts, build_fixed, cell_means
from psdstats.models.design_random import build_random, known_covariance


def test_names_and_treatment_coding(crossed):
    design = build_fixed(crossed, ["time", "ball", ("time", "ball")], ["time"])
    assert design.names == [
        "(Intercept)",
        "time[5]",
        "time[10]",
        "ball[5:1]",
        "time[5]:ball[5:1]",
        "time[10]:ball[5:1]",
    ]
    row = crossed.index[(crossed["time"] == 10) & (crossed["ball"] == "5:1")][0]
    assert design.matrix[row].tolist() == [1, 0, 1, 1, 0, 1]


def test_interactions_bring_their_margins(crossed):
    design = build_fixed(crossed, [("time", "ball")], ["time"])
    assert design.added == ("time", "ball")
    assert [term.label for term in design.terms] == ["time", "ball", "time:ball"]


def test_a_list_is_an_interaction_too(crossed):
    model = MixedModel(
        crossed,
        response="y",
        fixed=[["time", "ball"]],
        random=["group"],
        factors=["time"],
    )
    fit = model.fit()
    assert fit.test(["time", "ball"]) == fit.test(("ball", "time"))
    pairs = fit.contrasts(["time", "ball"], kind="interaction")
    assert pairs.contrasts == fit.contrasts(("time", "ball"), kind="interaction").contrasts


def test_level_order_of_categoricals_and_numbers():
    frame = pd.DataFrame(
        {
            "ratio": pd.Categorical(["high", "low", "low", "high"], ["low", "high", "unused"]),
            "time": [10.0, 2.0, 10.0, 2.0],
        }
    )
    design = build_fixed(frame, ["ratio", Factor("time")])
    assert design.factors["ratio"].levels == ("low", "high")
    assert design.factors["time"].levels == ("2", "10")


@pytest.mark.parametrize(
    ("form", "expected"),
    [
        ("linear", [[0.0], [4.0], [9.0]]),
        ("sqrt", [[0.0], [2.0], [3.0]]),
        ("log1p", np.log1p([[0.0], [4.0], [9.0]]).tolist()),
        ("quadratic", [[0.0, 0.0], [4.0, 16.0], [9.0, 81.0]]),
    ],
)
def test_trends(form, expected):
    frame = pd.DataFrame({"t": [0, 4, 9]})
    design = build_fixed(frame.loc[[0, 1, 2, 2]], [Trend("t", form)])
    assert design.matrix[:3, 1:].tolist() == expected


def test_hypotheses_are_differences_of_cell_means(crossed):
    design = build_fixed(crossed, [("time", "ball")], ["time"])
    cells, weights = cell_means(design, ["time", "ball"])
    beta = np.random.default_rng(1).normal(size=6)
    means = dict(zip(zip(cells["time"], cells["ball"], strict=True), weights @ beta, strict=True))
    difference = np.mean([means["10", b] - means["0", b] for b in ("5:1", "10:1")])
    assert design.hypothesis("time")[1] @ beta == pytest.approx(difference)
    within = asked_contrasts(design, "time", kind="against first", by="ball")
    assert within.contrasts[0].label == "5 - 0 at 10:1"
    assert within.weights[0] @ beta == pytest.approx(means["5", "10:1"] - means["0", "10:1"])
    both = asked_contrasts(design, ("time", "ball"), kind="interaction")
    change = (means["10", "5:1"] - means["10", "10:1"]) - (means["0", "5:1"] - means["0", "10:1"])
    assert both.weights[1] @ beta == pytest.approx(change)


def test_test_does_not_depend_on_the_reference_level(crossed):
    """Marginal hypotheses are about means, not about coefficients."""
    other = crossed.assign(ball=pd.Categorical(crossed["ball"], ["5:1", "10:1"]))
    tests = [
        MixedModel(f, response="y", fixed=[("time", "ball")], random=["group"], factors=["time"])
        .fit()
        .test("time")
        for f in (crossed, other)
    ]
    assert tests[0].f == pytest.approx(tests[1].f, rel=1e-9)
    assert tests[0].df_den == pytest.approx(tests[1].df_den, rel=1e-8)


def test_component_names_and_matrices(crossed):
    design = build_random(crossed, ["group", ("group", "time"), RandomSlope("group", "time")])
    assert design.names == (
        "group",
        "group[time]",
        "group[(Intercept), time]",
        "group:time",
        "residual",
    )
    assert design.parts.blocks == ((0, 1, 2),)
    t = crossed["time"].to_numpy(dtype=float)
    same = (crossed["group"].to_numpy()[:, None] == crossed["group"].to_numpy()).astype(float)
    assert np.array_equal(design.parts.matrices[1], same * np.outer(t, t))


def model(frame, **changes):
    options = {"response": "y", "fixed": ["time", "ball"], "random": ["group"]} | changes
    return MixedModel(frame, **options)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"response": "z"}, "no column 'z'"),
        ({"response": "ball"}, "not numbers"),
        ({"fixed": ["nothing"]}, "no column 'nothing'"),
        ({"fixed": [Trend("ball")]}, "trend needs numbers"),
        ({"fixed": [Trend("time", "exponential")]}, "not one of linear"),
        ({"random": ["constant"]}, "one level only"),
        ({"fixed": ["constant"]}, "one level only"),
        ({"fixed": ["group"]}, "fixed or random, not both"),
        ({"random": ["row"]}, "cannot be told apart"),
        ({"random": [RandomSlope("group", "ball")]}, "combination of grouping and factor"),
        ({"known_covariance": np.eye(3)}, "shape"),
        ({"boundary": "never"}, "'zero'"),
        ({"fixed": [Factor("time"), "time_again"], "factors": ["time_again"]}, "time_again\\[5\\]"),
    ],
)
def test_what_cannot_be_fitted_is_named(crossed, changes, words):
    frame = crossed.assign(
        constant="same", row=[f"r{k}" for k in range(len(crossed))], time_again=crossed["time"]
    )
    with pytest.raises(ModelError, match=words):
        model(frame, **changes).fit()


def test_empty_cells_are_named(crossed):
    holes = crossed[~((crossed["time"] == 10) & (crossed["ball"] == "5:1"))]
    with pytest.raises(ModelError, match="time = 10 and ball = 5:1"):
        model(holes, fixed=[("time", "ball")], factors=["time"]).fit()
    assert model(holes, factors=["time"]).fit().status == ()


def test_gaps_are_named(crossed):
    frame = crossed.copy()
    frame.loc[3, "y"] = np.nan
    with pytest.raises(ModelError, match="no value in 1 rows"):
        model(frame).fit()


def test_saturated_fixed_part_is_refused():
    frame = pd.DataFrame({"y": [1.0, 2.0, 4.0], "time": [0, 5, 10]})
    with pytest.raises(ModelError, match="residual=False"):
        MixedModel(frame, response="y", fixed=["time"], factors=["time"]).fit()


def test_known_covariance_is_checked():
    with pytest.raises(ModelError, match="negative eigenvalue"):
        known_covariance([[1.0, 2.0], [2.0, 1.0]], pd.DataFrame(index=range(2)))
    with pytest.raises(ModelError, match="not symmetric"):
        known_covariance([[1.0, 0.5], [0.2, 1.0]], pd.DataFrame(index=range(2)))


def test_labelled_known_covariance_follows_its_labels(trial):
    """By a column of its name, or by the frame's index, a shuffled covariance changes nothing."""
    rng = np.random.default_rng(5)
    trial = trial.assign(run=[f"r{k}" for k in range(12)])
    factor = rng.normal(0, 0.02, (12, 12))
    known = factor @ factor.T
    options = {"response": "ln_d50", "fixed": ["time"], "random": ["group"], "factors": ["time"]}
    plain = MixedModel(trial, **options, known_covariance=known).fit().reml_log_likelihood
    order = rng.permutation(12)
    runs = pd.Index(trial["run"].to_numpy()[order], name="run")
    shuffled = pd.DataFrame(known[np.ix_(order, order)], runs, runs)
    indexed = trial.drop(columns="run").set_axis(trial["run"].to_list())
    for frame in (trial, indexed):
        found = MixedModel(frame, **options, known_covariance=shuffled).fit()
        assert found.reml_log_likelihood == pytest.approx(plain, rel=1e-12)
    unlabelled = pd.DataFrame(known)
    found = MixedModel(indexed, **options, known_covariance=unlabelled).fit()
    assert found.reml_log_likelihood == pytest.approx(plain, rel=1e-12)
    fewer = MixedModel(trial[:8], **options, known_covariance=shuffled).fit()
    by_hand = MixedModel(trial[:8], **options, known_covariance=known[:8, :8]).fit()
    assert fewer.reml_log_likelihood == pytest.approx(by_hand.reml_log_likelihood, rel=1e-12)


@pytest.mark.parametrize(
    ("labels", "words"),
    [(["a", "a"], "label 'a' twice"), (["a", "c"], "no row 'b'")],
)
def test_labels_that_do_not_fit_are_refused(labels, words):
    index = pd.Index(labels, name="run")
    with pytest.raises(ModelError, match=words):
        known_covariance(pd.DataFrame(np.eye(2), index, index), pd.DataFrame({"run": ["a", "b"]}))


def test_nothing_to_fit_and_a_covariance_of_other_rows(trial):
    options = {"response": "ln_d50", "fixed": ["time"], "random": ["group"]}
    with pytest.raises(ModelError, match="no rows"):
        MixedModel(trial[:0], **options).fit()
    with pytest.raises(ModelError, match="shape"):
        MixedModel(trial, **options, known_covariance=np.ones((2, 12, 12))).fit()
