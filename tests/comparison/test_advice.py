"""What is advised follows from the records alone."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import pytest
from psdstats_datasets import demo_study

import psdstats
from psdstats.comparison.answers import AdviceRemark, advise, differs

_records = Path(__file__).parents[1] / "words" / "trial_records.py"
_spec = importlib.util.spec_from_file_location("trial_records", _records)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)


def _kinds(*arguments, **options):
    return [one.kind for one in advise(*arguments, **options)]


def test_a_stop_that_cannot_be_told_asks_for_runs_where_it_is_decided():
    (one,) = advise([made.course(ending=made.OPEN)])
    assert one == AdviceRemark.MORE_RUNS(before="24", last="48")
    (single,) = advise([made.course(ending=made.OPEN)], single_runs=True)
    assert single == AdviceRemark.REPEAT_LAST_TIMES(before="24", last="48", runs=3)


@pytest.mark.parametrize("single_runs", [False, True])
def test_a_stop_that_the_sieves_leave_open_asks_for_a_sieve_and_for_no_runs(single_runs):
    course = made.course(ending=made.BEYOND)
    (one,) = advise([course], single_runs=single_runs, open_um=(38.0, made.NAN))
    assert one == AdviceRemark.FINER_SIEVE(below_um=38.0)


def test_a_stop_that_drift_would_undo_asks_for_the_drift_and_for_no_runs():
    (one,) = advise([made.course(ending=made.UNDONE)], drift_unknown=True)
    assert one == AdviceRemark.KNOW_DRIFT()


def test_little_left_asks_for_nothing():
    assert advise([made.course(ending=made.LEFT)], balance=made.ENOUGH) == ()


def test_two_levels_that_still_fall_are_advised_once():
    courses = [made.course(where=one, ending=made.FALLING) for one in ("5", "10")]
    assert advise(courses) == (AdviceRemark.MILL_LONGER(last="48"),)


@pytest.mark.parametrize(
    ("ends", "remark"),
    [
        ({"end": made.below(53)}, AdviceRemark.FINER_SIEVE(below_um=45.0)),
        (
            {"start": made.Numbers(lower=7.0, upper=made.INF)},
            AdviceRemark.COARSER_SIEVE(above_um=1000.0),
        ),
    ],
    ids=["below", "above"],
)
def test_a_bound_asks_for_the_sieve_that_would_hold_it(ends, remark):
    """Of the runs, not of the mean: a trial's stacks end at different sieves."""
    (one,) = advise([made.course(ending=made.LEFT, **ends)], open_um=(45.0, 1000.0))
    assert one.kind is remark.kind
    assert one.data == remark.data


def test_where_no_course_is_left_the_sieve_is_advised_that_its_runs_ask_for():
    """Every D90 lies above the top sieve: what coarser sieves held is all on the one of 90 µm."""
    assert _kinds([], open_um=(made.NAN, 90.0)) == [AdviceRemark.COARSER_SIEVE]
    study = psdstats.read_study(demo_study("one_bench"))
    runs = tuple(replace(run, readings=_below(run.readings, 90.0)) for run in study.runs)
    d90, span = psdstats.compare(replace(study, runs=runs), quantities=["D90", "span"]).results
    assert not d90.courses
    (one,) = d90.advice
    assert (one.kind, one["above_um"]) == (AdviceRemark.COARSER_SIEVE, pytest.approx(90.0))
    assert span.advice == ()


def _below(readings, top_um):
    """Readings on a stack that ends at a sieve, which holds what the coarser ones held."""
    kept = [one for one in readings if one.aperture_um < top_um]
    (top,) = (one for one in readings if one.aperture_um == top_um)
    net_g = sum(one.net_g for one in readings if one.aperture_um >= top_um)
    return (*kept, replace(top, gross_g=top.tare_g + net_g))


def test_two_bounds_ask_for_one_sieve():
    courses = [made.course(end=made.below(um), ending=made.LEFT) for um in (53, 45)]
    (one,) = advise(courses, open_um=(45.0, made.NAN))
    assert one["below_um"] == pytest.approx(45.0)


def test_groups_that_differ_a_control_that_fails_and_a_poor_balance():
    found = _kinds(
        [],
        [made.FACTORS["differs before milling"]],
        made.BENCHES["one differs, at a condition and in rate"],
        made.POOR,
        drift_unknown=True,
        scatter_unknown=True,
    )
    assert found == [
        AdviceRemark.KNOW_RUN_TO_RUN,
        AdviceRemark.KNOW_DRIFT,
        AdviceRemark.LOOK_AT_GROUP,
        AdviceRemark.LOOK_AT_START,
        AdviceRemark.BETTER_BALANCE,
    ]


def test_a_group_differs_at_one_condition_in_rate_or_on_average():
    assert differs(made.ALDER)
    assert differs(made.AVERAGE)
    assert not differs(made.unclear("Cedar"))


def test_charges_that_may_drift_are_counted():
    (one,) = advise([], drift_unknown=True, charges=1)
    assert one == AdviceRemark.KNOW_DRIFT(charges=1)
