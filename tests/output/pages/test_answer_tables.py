"""Tables of the answers on one trial, from records made by hand."""

import importlib.util
import math
from dataclasses import replace
from pathlib import Path

import pytest

from psdstats.output.pages.answer_sheet import _percent
from psdstats.output.pages.comparison import (
    bench_tables,
    courses_table,
    factors_table,
)

_records = Path(__file__).parents[2] / "words" / "trial_records.py"
_spec = importlib.util.spec_from_file_location("trial_records", _records)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)


def _row(table, **named):
    (row,) = (
        dict(zip([one.heading for one in table.columns], cells, strict=True))
        for row, cells in zip(table.rows(), table.grid(), strict=True)
        if all(row[name] == value for name, value in named.items())
    )
    return row


def test_a_course_shows_where_it_went_and_when_to_stop():
    own = made.COURSES["fell, since the first time after the start"]
    row = _row(courses_table(made.PLAN, [own]), quantity="D50")
    assert row == {
        "size": "D50",
        "ball ratio": "10",
        "from": "252.1",
        "to": "105.2",
        "ratio (95 % interval)": "0.417 (0.387 to 0.445)",
        "at least": "55 %",
        "since": "6",
        "when to stop": "still falling",
        "verdict": "changed",
    }


def test_a_size_below_the_sieves_stays_a_bound():
    table = courses_table(made.PLAN, [made.COURSES["fell below the finest sieve"]])
    row = _row(table, quantity="D10")
    assert (row["from"], row["to"]) == ("150.4", "< 53")
    assert row["ratio (95 % interval)"] == "< 0.3571"
    assert (row["at least"], row["verdict"]) == ("64 %", "changed")
    (frame_row,) = table.rows()
    assert frame_row["end_upper"] == pytest.approx(53.0)
    assert math.isnan(frame_row["end_value"])


def test_span_has_no_direction_and_one_level_needs_no_column():
    own = [made.course("span", where="", ending=None), made.course(where="", ending=made.LEFT)]
    table = courses_table(made.PLAN, own)
    assert "at" not in [one.heading for one in table.columns]
    assert _row(table, quantity="span")["when to stop"] == ""
    assert _row(table, quantity="D50")["when to stop"] == "from 24 min"
    none = made.course(ending=made.LEFT, verdict=made.Verdict.NOT_SHOWN, **made.NONE_SHOWN)
    row = _row(courses_table(made.PLAN, [none]), quantity="D50")
    assert row["when to stop"] == "no gain shown"


def test_verdict_of_the_end_is_that_of_the_ordered_test():
    """One side at the end is shown, though the interval of two sides holds no change as well."""
    own = made.course(
        numbers=made.ratio(0.98, 0.955, 1.005),
        verdict=made.Verdict.NOT_SHOWN,
        ending=made.OPEN,
    )
    assert _row(courses_table(made.PLAN, [own]), quantity="D50")["verdict"] == "changed"


def test_the_control_stands_before_the_times_it_controls():
    table = factors_table([made.FACTORS["matters from a time on"]])
    assert list(table.frame["time_min"]) == [0.0, 6.0, 24.0, 48.0]
    assert list(table.frame["role"]) == ["control", "", "", ""]
    assert list(table.frame["verdict"]) == ["not shown", "not shown", "changed", "changed"]
    last = table.frame.iloc[-1]
    assert last["change_percent"] == pytest.approx(-17.9)
    assert (last["ratio_lower"], last["ratio_upper"]) == pytest.approx((0.798, 0.846))


def test_groups_are_shown_at_each_condition_in_rate_and_on_average():
    *_, table = bench_tables([made.ALDER, made.AVERAGE])
    assert list(table.frame["condition"]) == [
        "0 min, ball ratio 10",
        "48 min, ball ratio 10",
        "last to first time",
        "48 min, ball ratio 10",
        "average",
    ]
    assert not any(math.isnan(one) for one in table.frame["ratio"])


def test_no_records_no_table():
    assert courses_table(made.PLAN, []) is None
    assert factors_table([]) is None
    assert bench_tables([]) == []


def test_a_note_on_span_stands_where_there_is_a_span():
    alone = courses_table(made.PLAN, [made.course(where="", ending=made.LEFT)])
    beside = courses_table(
        made.PLAN,
        [made.course("span", where="", ending=None), made.course(where="", ending=made.LEFT)],
    )
    assert ["Span has no unit" in str(one.notes) for one in (alone, beside)] == [False, True]


def test_the_file_of_page_one_holds_the_bound_that_the_page_shows():
    own = made.COURSES["fell below the finest sieve"]
    for gain, percent in ((0.7, -50.3), (0.0, 0.0)):
        told = _percent(replace(own, at_least=(math.nan, math.nan, 0.0, gain)), "0")
        assert told["0_upper_percent"] == pytest.approx(percent, abs=0.05)
        assert told["0_lower_percent"] == -100.0
