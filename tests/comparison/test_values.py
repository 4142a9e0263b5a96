"""Sizes in hand, and any positive response: as a study with the same values, and as statsmodels."""

import json

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.formula.api as smf
from psdstats_datasets import demo_study

import psdstats
from psdstats.comparison.answers import condition_means
from psdstats.comparison.compare import compare_values
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.result import Route
from psdstats.comparison.values import analyse_values, values_of_frame
from psdstats.errors import ModelError, StudyError

STRENGTH = pd.DataFrame(
    {"binder": list("aabbcc"), "strength": [9.8, 10.1, 12.2, 12.0, 9.9, 9.7], "batch": range(6)}
)


def sizes_of(comparison, names):
    """Run table with the values of a comparison, bounds as cells say them, and covariances."""
    frame, measured = comparison.analysis.study.runs_frame(), comparison.analysis.measured()
    covariance = {}
    for name in names:
        at = measured.quantities.index(name)
        value, placed = measured.value[:, at], comparison.analysis[name].response
        joint = pd.DataFrame(placed.placed_known, index=placed.placed["run"]).set_axis(
            placed.placed["run"], axis=1
        )
        frame[f"{name}_um" if name != "span" else name] = [repr(float(one)) for one in value]
        covariance[name] = joint.loc[frame["run"], frame["run"]] * np.outer(value, value)
    return frame, covariance


def assert_same(found, other, rel=1e-12):
    ours, theirs = found.to_frame(), other.to_frame()
    numbers = theirs.select_dtypes("number").columns
    assert ours["verdict"].tolist() == theirs["verdict"].tolist()
    assert ours[numbers].to_numpy() == pytest.approx(
        theirs[numbers].to_numpy(), rel=rel, abs=1e-12, nan_ok=True
    )


def test_values_and_covariance_of_a_study_are_answered_as_the_study_is():
    study = psdstats.read_study(demo_study("one_bench"))
    names = ["D50", "D90", "span"]
    found = psdstats.compare(study, quantities=names)
    frame, covariance = sizes_of(found, names)
    shuffled = frame.sample(frac=1.0, random_state=3)  # the matrices are taken by the runs
    assert_same(compare_values(shuffled, covariance=covariance), found)
    (own,) = compare_values(frame, "D90", covariance=covariance["D90"]).results
    assert own.courses[0].stop.ending is found["D90"].courses[0].stop.ending
    assert own.courses[0].at_least == pytest.approx(
        found["D90"].courses[0].at_least, rel=1e-12, nan_ok=True
    )


def test_groups_and_times_with_a_planted_covariance(planted):
    """The planted comparison is of a study; `test` leaves out the simulated level."""
    rows = [
        {"group": group, "milling_time_min": time}
        for group in ("Alder", "Birch", "Cedar")
        for time in (0.0, 6.0, 24.0)
        for _ in range(2)
    ]
    rng = np.random.default_rng(5)
    root = rng.normal(0.0, 0.002, (len(rows), len(rows)))
    covariance = root @ root.T
    ln_size = 5.0 - 0.02 * np.array([row["milling_time_min"] for row in rows])
    ln_size = ln_size + rng.normal(0.0, 0.03, len(rows))
    study = planted(rows, ln_size, covariance, test="kenward-roger")
    frame = pd.DataFrame(rows).assign(D50=np.exp(ln_size))
    given = covariance * np.outer(frame["D50"], frame["D50"])
    found = compare_values(frame, covariance=given, test="kenward-roger")
    assert found.plan.within == study.plan.within
    assert_same(found, study)
    u = np.sqrt(np.diag(given))
    apart = compare_values(frame.assign(u_D50=u), test="kenward-roger")
    per_cent = frame.assign(u_D50_percent=100.0 * u / frame["D50"])
    assert_same(compare_values(per_cent, test="kenward-roger"), apart)
    assert_same(compare_values(frame, covariance=np.diag(u**2), test="kenward-roger"), apart)


@pytest.mark.parametrize(
    ("groups", "replicates", "cell", "drift", "lost"),
    [(2, 2, 0.0, 0.0, False), (4, 1, 0.0, 0.0, False), (2, 2, 0.08, 0.0, False),
     (4, 2, 0.0, 0.04, True)],
)  # fmt: skip
def test_the_interval_of_a_mean_holds_that_of_the_groups_as_they_ran(
    groups, replicates, cell, drift, lost
):
    """Groups 10 % apart, of which two cannot show how far another lies; scatter 2 %, seed 7.

    Over 200 sets at four times; Monte Carlo error 1.5 for one time, less for all.  Cells scatter
    beside what ran; a group that missed the last two times had its own drift there.
    """
    rng, held, half = np.random.default_rng(7), [], []
    cells = [(g, t) for g in range(groups) for t in range(4) for _ in range(replicates)]
    cells = [(g, t) for g, t in cells if not (lost and g == 0 and t > 1)]
    group, time = np.array(cells).T
    rows = pd.DataFrame({"group": [f"g{g}" for g in group], "milling_time_min": 10.0 * time})
    for _ in range(200):
        place, along = rng.normal(0.0, 0.1, groups), rng.normal(0.0, drift, groups)
        beside = rng.normal(0.0, cell, (groups, 4))
        ln_size = 5.0 - 0.3 * time + place[group] + along[group] * time + beside[group, time]
        frame = rows.assign(D50=np.exp(ln_size + rng.normal(0.0, 0.02, len(cells))))
        values = values_of_frame(frame, ["D50"])
        means = condition_means(analyse_values(values, plan_comparison(values))["D50"])
        assert means["milling_time_min"].tolist() == ["0", "10", "20", "30"]
        lower, upper = means[["lower", "upper"]].to_numpy().T
        true = 5.0 - 0.3 * np.arange(4) + place.mean() + along.mean() * np.arange(4)
        held.append((lower <= true) & (true <= upper))
        half.append((upper - lower) / 2)
    assert np.mean(held, axis=0).min() >= 0.91
    assert 0.93 <= np.mean(held) <= 0.995
    if not cell and not lost:
        assert np.median(half) < 0.04


def test_means_of_one_shared_error_are_the_values():
    """Nothing but an error that all runs share: no direction of the design is lost in it."""
    size = np.linspace(100.0, 120.0, 12)
    frame = pd.DataFrame({"medium": [f"m{k:02d}" for k in range(12)], "D50": size})
    shared = np.full((12, 12), 4.0)
    (found,) = compare_values(frame, "D50", by="medium", covariance=shared).results
    assert found.means["value"].to_numpy() == pytest.approx(size, rel=1e-5)


def test_means_of_charges_end_where_the_change_does():
    """Two charges of one group and one of another, which has no run at the end."""
    rows = [
        (charge[0], charge, time, np.exp(5.0 + level - 0.02 * time))
        for charge, level in (("a1", 0.0), ("a2", 0.01), ("b1", 0.2))
        for time in (0, 10, 20, 40)
        if (charge, time) != ("b1", 40)
    ]
    frame = pd.DataFrame(rows, columns=["group", "charge", "milling_time_min", "D50"])
    (found,) = compare_values(frame, "D50", test="kenward-roger").results
    means = found.means["value"].to_numpy()
    assert np.log(means[-1] / means[0]) == pytest.approx(-0.8, abs=0.002)


def test_one_way_against_statsmodels_on_an_open_dataset():
    """Pain threshold by hair colour, as pingouin has it: ratios, their intervals, the F test."""
    frame = pingouin.read_dataset("anova").rename(
        columns={"Hair color": "hair", "Pain threshold": "threshold", "Subject": "run"}
    )
    found = compare_values(frame, "threshold", by="hair", test="kenward-roger")["threshold"]
    fit = smf.ols("np.log(threshold) ~ C(hair)", frame).fit()
    levels = sorted(frame["hair"].unique())
    rows = found.to_frame()[found.to_frame()["low"] == levels[0]].set_index("high")
    for level in levels[1:]:
        name = f"C(hair)[T.{level}]"
        ends = np.exp([fit.params[name], *fit.conf_int().loc[name]])
        own = rows.loc[level, ["ratio", "ratio_lower_single", "ratio_upper_single"]]
        assert own.to_numpy(dtype=float) == pytest.approx(ends, rel=1e-9)
    (test,) = found.tests
    assert (test.f, test.p_plain) == pytest.approx((fit.fvalue, fit.f_pvalue), rel=1e-8)
    sd = found.fit.variance_components.iloc[0] ** 0.5
    assert sd == pytest.approx(fit.mse_resid**0.5, rel=1e-8)


def test_blocks_against_statsmodels_on_an_open_dataset():
    """Performance of subjects in two conditions at three times: subjects are blocks."""
    frame = pingouin.read_dataset("rm_anova2")
    frame = frame.rename(columns={"Performance": "score", "Subject": "subject"})
    found = compare_values(
        frame, "score", by="Time", group="subject", also=["Metric"], leave_out=["cell", "drift"],
        test="kenward-roger",
    )["score"]  # fmt: skip
    fit = smf.ols("np.log(score) ~ C(Time) + C(Metric) + C(subject)", frame).fit()
    name = "C(Time)[T.Pre]"
    (row,) = found.to_frame().to_dict("records")
    ends = np.exp([fit.params[name], *fit.conf_int().loc[name]])
    assert [row["ratio"], row["ratio_lower"], row["ratio_upper"]] == pytest.approx(ends, rel=1e-8)
    assert row["p"] == pytest.approx(fit.pvalues[name], rel=1e-7)


def test_long_tables_frames_and_own_names_say_the_same():
    wide = STRENGTH.rename(columns={"strength": "D50_um"}).assign(u_D50_um=0.1, run=list("pqrstu"))
    base = compare_values(wide, by="binder")
    long = wide.rename(columns={"D50_um": "value", "u_D50_um": "u"}).assign(quantity="D50")
    assert_same(compare_values(long, by="binder"), base)
    named = wide.rename(columns={"D50_um": "d(50), µm", "u_D50_um": "su", "run": "no"})
    assert_same(compare_values(named, u="su", run="no", by="binder"), base)
    assert base.analysis.study.runs[0].factors == {"binder": "a", "batch": 0.0}


def test_other_frames_are_read_as_pandas_frames_are():
    pytest.importorskip("pyarrow")
    import pyarrow

    table = pyarrow.Table.from_pandas(STRENGTH)
    assert_same(compare_values(table, "strength"), compare_values(STRENGTH, "strength"))


def test_what_is_no_size_moves_either_way_unless_a_way_is_stated():
    times = pd.DataFrame(
        {"minutes": [0, 0, 8, 8, 16, 16], "surface": [1.0, 1.02, 1.5, 1.48, 2.1, 2.05]}
    )
    (course,) = compare_values(times, "surface", time="minutes")["surface"].courses
    assert course.stop is None
    rising = compare_values(times, "surface", time="minutes", direction="rising")
    (course,) = rising["surface"].courses
    assert course.shown == (True, True)
    assert "surface rose from 1.0" in rising.summary()
    assert "µm" not in rising.summary()


def test_a_bound_in_a_cell_decides_as_a_size_beyond_the_sieves_does():
    frame = pd.DataFrame(
        {
            "milling_time_min": [0, 0, 12, 12, 24, 24],
            "D10": ["150", "152", "103", "101", "<53", "51 to 53"],
        }
    )
    (course,) = compare_values(frame)["D10"].courses
    assert course.fallen.verdict.value == "changed"
    assert np.log(151 / 53) - 0.2 < course.at_least[-1] < np.log(151 / 53)
    other = frame.assign(side_D10=["", "", "", "", "<", ""])
    other.loc[4, "D10"] = "53"
    assert compare_values(other)["D10"].courses[0].at_least == course.at_least


def test_a_bound_on_one_side_tells_no_direction():
    """Span may have gone anywhere below its bound, however sure other runs went up."""
    rng = np.random.default_rng(0)
    rows = [(group, time) for group in "ABCD" for time in (0, 12, 24) for _ in range(2)]
    frame = pd.DataFrame(rows, columns=["group", "milling_time_min"])
    span = [f"{0.9 + 0.02 * time + rng.normal(0.0, 0.01):.3f}" for _, time in rows]
    is_open = frame["group"].isin(["C", "D"]) & (frame["milling_time_min"] == 24)
    frame["span"] = np.where(is_open, "<1.5", span)
    (course,) = compare_values(frame)["span"].courses
    assert course.fallen.numbers.lower == -np.inf
    assert course.fallen.verdict.value == "cannot be told"


def test_single_runs_without_any_uncertainty_cannot_be_told():
    frame = pd.DataFrame({"binder": ["a", "b"], "strength": [9.8, 12.2]})
    (result,) = compare_values(frame, "strength").results
    assert result.route is Route.NONE
    assert set(result.to_frame()["verdict"]) == {"cannot be told"}
    (told,) = compare_values(frame, "strength", covariance=np.diag([0.01, 0.01])).results
    assert told.route is Route.MEASUREMENT_ONLY


@pytest.mark.parametrize(
    ("columns", "options", "says"),
    [
        ({}, {"value": "strenght"}, "no column 'strenght' for the value; its columns are binder"),
        ({}, {}, "no column named like a size (D50, D50_um, span)"),
        ({}, {"value": "strength", "u": ["a", "b"]}, "1 quantities are compared and 2 columns"),
        ({"strength": [1, 2, 3, 4, 5, -6]}, {"value": "strength"},
         "row 5, column strength: the value is not above zero (found '-6')"),
        ({"u": [0.1] * 5 + [99.0]}, {"value": "strength", "u": "u"},
         "row 5, column u: this is no uncertainty of 9.7 (found '99')"),
        ({"u": [0.1] * 5 + [None]}, {"value": "strength", "u": "u"},
         "row 5, column u: the cell is empty"),
        ({"strength": ["9.8", "10,1", "12 MPa", "12", "9", "9"]}, {"value": "strength"},
         "row 2, column strength: this is not a number (found '12 MPa')"),
        ({}, {"value": "strength", "covariance": np.eye(3)}, "has the shape (3, 3), and there are"),
        ({}, {"value": "strength", "covariance": -np.eye(6)}, "a variance below zero"),
        ({}, {"value": "strength", "covariance": np.tri(6)}, "is not symmetric"),
        ({}, {"value": "strength", "covariance": pd.DataFrame(np.eye(6))}, "does not name run row"),
        ({"run": ["x"] * 6}, {"value": "strength"}, "run x is also in row 0"),
        ({"value": 1.0, "quantity": "D50"}, {}, "has one row a quantity and no column run"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_its_place(columns, options, says):
    with pytest.raises((ModelError, StudyError)) as refused:
        compare_values(STRENGTH.assign(**columns), **options)
    assert says in str(refused.value)


def test_a_report_of_sizes_in_hand_is_a_notebook_cell(tmp_path):
    """From a frame to the folder to hand in."""
    script = """
import pandas as pd, psdstats
frame = pd.DataFrame({"group": list("AABB") * 3, "milling_time_min": [0] * 4 + [12] * 4 + [48] * 4,
                      "D50": [250, 247, 255, 251, 180, 176, 184, 186, 131, 134, 138, 136]})
found = psdstats.compare_values(frame, "D50", margin_percent=5)
written = psdstats.report(found, folder, author="Invented Lab")
"""
    names = {"folder": tmp_path / "report"}
    exec(script, names)  # the cell as it is typed
    assert len(script.strip().splitlines()) <= 15
    page = names["written"].path.read_text(encoding="utf-8")
    assert names["written"].sheet.headline.startswith("In 48 min D50 fell from 250.7")
    assert "12 runs were given" in page
    assert "weighed empty" not in page
    record = json.loads((tmp_path / "report" / "provenance.json").read_text())
    assert list(record["inputs"]) == ["values (frame)"]
    assert record["options"]["by"] == "milling_time_min"


def test_a_column_of_u_without_a_name_is_that_of_the_one_quantity_and_never_a_factor():
    frame = pd.DataFrame({"milling_time_min": [0, 0, 6, 6], "D50": [250.0, 249.0, 220.0, 221.0]})
    named = compare_values(frame.assign(u_D50=2.0))
    for name in ("u", "u_um", "u [µm]"):
        found = compare_values(
            frame.assign(**{name: 2.0}).rename(columns={"milling_time_min": "time, min"})
        )
        assert found.plan.by == "milling_time_min"
        assert found.analysis["D50"].known == pytest.approx(named.analysis["D50"].known)
    two = frame.assign(D90=frame["D50"] * 2, u=2.0)
    with pytest.raises(ModelError, match="of which quantity it is the uncertainty"):
        compare_values(two)
