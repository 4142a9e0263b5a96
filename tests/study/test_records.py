"""Records check what they are given: a wrong tares text once changed covariances without a word."""

import copy
import json
import pickle
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.errors import StudyError
from psdstats.frozen import ReadOnly
from psdstats.sieves import Sieve
from psdstats.study import Balance, Reading, Run, Study, TareHandling, read_study
from psdstats.study.records import in_order
from psdstats.uncertainty import propagate


@pytest.fixture(scope="module")
def four_benches():
    return read_study(demo_study("four_benches"))


def reading(**changes):
    return Reading(**{"sieve": "A 90", "aperture_um": 90, "tare_g": 380, "gross_g": 400} | changes)


def run(**changes):
    given = {
        "name": "a-6", "group": "A", "milling_time_min": 6, "balance": "fine",
        "readings": [reading(sieve="pan", aperture_um=0), reading()],
    }  # fmt: skip
    return Run(**given | changes)


def study(**changes):
    given = {
        "title": "t", "runs": [run()], "sieves": {"A 90": Sieve(key="A 90", nominal_um=90)},
        "balances": {"fine": Balance(name="fine", resolution_g=0.01)},
    }  # fmt: skip
    return Study(**given | changes)


@pytest.mark.parametrize("value", ["400", " 4e2", 400, np.float32(400), Decimal("400.00")])
def test_numbers_become_floats(value):
    found = reading(gross_g=value).gross_g
    assert (found, type(found)) == (400.0, float)
    assert run(milling_time_min=value).milling_time_min == 400.0


def test_times_given_as_text_are_times():
    frame = study(runs=[run(name=time, milling_time_min=time) for time in ("6", "12")]).runs_frame()
    assert frame["milling_time_min"].tolist() == [6.0, 12.0]


WRONG = [float("nan"), float("inf"), -1, "-1", "412,3 g", "", None, True, [1.0], -np.inf]


@pytest.mark.parametrize("value", WRONG)
@pytest.mark.parametrize("field", ["aperture_um", "tare_g", "gross_g"])
def test_reading_refuses(field, value):
    with pytest.raises(StudyError, match=f"^Reading A 90, column {field}: .*Give "):
        reading(**{field: value})


@pytest.mark.parametrize("value", WRONG)
def test_run_refuses_a_time(value):
    with pytest.raises(StudyError, match=r"^Run a-6, column milling_time_min: .*Give "):
        run(milling_time_min=value)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("sample_mass_g", 0), ("group", ""), ("name", None), ("balance", " "), ("readings", "no"),
        ("readings", [1]), ("factors", {"group": "B"}), ("replicate", ""), ("readings", None),
        ("charge", ""), ("factors", {"charge": "1"}),
    ],
)  # fmt: skip
def test_run_refuses(field, value):
    with pytest.raises(StudyError, match=f"^Run.* column {field}: "):
        run(**{field: value})


@pytest.mark.parametrize("level", [None, True, float("nan"), [1]])
def test_run_refuses_a_level(level):
    with pytest.raises(StudyError, match="ball_ratio"):
        run(factors={"ball_ratio": level})


def test_levels_are_texts_or_floats():
    found = run(factors={"ball_ratio": np.int64(5), "mill": "5"}, replicate=1)
    assert found.factors == {"ball_ratio": 5.0, "mill": "5"}
    assert found.replicate == "1"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("resolution_g", 0), ("resolution_g", "fine"), ("repeatability_g", -1e-9), ("slope_u", 1),
        ("capacity_g", 0), ("linearity_g", float("nan")), ("name", ""),
        ("repeatability_weighings", 1), ("repeatability_weighings", 2.5), ("drift_g", -1),
        ("accuracy_class", "V"), ("verification_interval_g", 0), ("certificate", ""),
    ],
)  # fmt: skip
def test_balance_refuses(field, value):
    with pytest.raises(StudyError, match=f"^Balance.* column {field}: "):
        Balance(**{"name": "fine", "resolution_g": 0.01} | {field: value})


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("nominal_um", 0), ("nominal_um", "pan"), ("certified_um", -90), ("coverage_factor", 0),
        ("expanded_uncertainty_um", float("inf")), ("standard", "house rule"), ("key", " "),
        ("certificate_correlation", 1.01), ("certificate", " "), ("effective_um", 0),
        ("degrees_of_freedom", 0.9), ("reference_correlation", -0.1),
    ],
)  # fmt: skip
def test_sieve_refuses(field, value):
    given = {"key": "A 90", "nominal_um": 90, "certified_um": 90.2, "expanded_uncertainty_um": 1}
    with pytest.raises(StudyError, match=f"^Sieve.* column {field}: "):
        Sieve(**given | {field: value})


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"effective_um": 91}, "effective_u_um"), ({"effective_u_um": 0.3}, "effective_u_um"),
        ({"certificate_correlation": 0.5}, "certificate"),
        ({"reference_correlation": 1}, "reference"),
    ],
)  # fmt: skip
def test_what_goes_together_is_asked_for_together(given, field):
    with pytest.raises(StudyError, match=f"^Sieve A 90, column {field}: .*Give "):
        Sieve(key="A 90", nominal_um=90, **given)


def test_splits_of_one_sample_differ_in_nothing_else():
    one = run(split="1", factors={"ball_ratio": 5})
    assert run(split="2", factors={"ball_ratio": 5}, balance=one.balance).sample == one.sample
    for other in (
        {"replicate": "b"},
        {"charge": "7"},
        {"milling_time_min": 7},
        {"factors": {"ball_ratio": 10}},
    ):
        assert run(**{"split": "1", "factors": {"ball_ratio": 5}} | other).sample != one.sample


def test_a_certificate_without_aperture_is_refused():
    with pytest.raises(StudyError, match="certified_um: there is an expanded uncertainty"):
        Sieve(key="A 90", nominal_um=90, expanded_uncertainty_um=1)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("tares", "sometimes"), ("tares", None), ("rule", "spline"), ("shape_factor", 0),
        ("density_g_per_cm3", -2.7), ("runs", ["a-6"]), ("sieves", ["A 90"]), ("title", None),
        ("balances", {"fine": 0.01}), ("sieves", {"A 45": Sieve(key="A 90", nominal_um=90)}),
        ("notes", "one text"), ("compare", "by time"),
    ],
)  # fmt: skip
def test_study_refuses(field, value):
    with pytest.raises(StudyError, match=f"^Study t.*column {field}: |^Study, column title: |None"):
        study(**{field: value})


def test_study_refuses_names_that_do_not_meet():
    with pytest.raises(StudyError, match="Run a-6, column name: two runs have this name"):
        study(runs=[run(), run()])
    with pytest.raises(StudyError, match=r"Run a-6, column balance: .* Give one of other"):
        study(balances={"other": Balance(name="other", resolution_g=0.1)})
    with pytest.raises(StudyError, match="Reading A 90, column sieve: run a-6 uses a sieve"):
        study(sieves={})


def test_tares_given_as_text_share_their_error(four_benches):
    """`tares="once"` counted as "each run": the same covariances as the enum now."""
    assert study(tares="once").tares is TareHandling.ONCE
    each_run = replace(four_benches, runs=four_benches.runs[:3])
    given = replace(each_run, tares="once")
    assert given == replace(each_run, tares=TareHandling.ONCE)
    found, others = (propagate(one, method="linear").covariance("D50") for one in (given, each_run))
    assert not np.array_equal(found, others)


def test_mappings_are_read_only_and_travel(four_benches):
    for mapping in (four_benches.sieves, four_benches.runs[0].factors, four_benches.compare):
        assert isinstance(mapping, ReadOnly)
        for change in (
            lambda m: m.update(a=1), lambda m: m.pop("a"), lambda m: m.clear(),
            lambda m: m.setdefault("a", 1), lambda m: m.__setitem__("a", 1), lambda m: m.popitem(),
            lambda m: m.__delitem__("a"), lambda m: m.__ior__({"a": 1}),
        ):  # fmt: skip
            with pytest.raises(TypeError, match="read-only"):
                change(mapping)
    assert pickle.loads(pickle.dumps(four_benches)) == four_benches
    assert copy.deepcopy(four_benches) == four_benches
    assert json.loads(json.dumps(four_benches.compare))["margin_percent"] == 5


def test_a_study_does_not_change_with_what_it_was_made_from():
    given = {"tare_drift": {"false_alarm": 0.1}}
    made = study(checks=given)
    given["tare_drift"]["false_alarm"] = 0.5
    assert made.checks["tare_drift"]["false_alarm"] == 0.1


def test_names_with_raised_and_ringed_figures_have_an_order():
    """They are digits for Unicode and no numbers for Python."""
    names = ("b-10", "b-2", "b-1²", "①")
    ordered = in_order(study(runs=[run(name=name) for name in names]))
    assert [one.name for one in ordered.runs] == ["b-1²", "b-2", "b-10", "①"]
