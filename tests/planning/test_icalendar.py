"""Calendar text against RFC 5545: line ends, folding at 75 octets, escapes, required fields."""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from psdstats.errors import PlanError
from psdstats.planning.bench import timeline
from psdstats.planning.bench.timeline import Event, calendar_text

NINE, TEN = datetime(2026, 1, 5, 9), datetime(2026, 1, 5, 10)


def read_back(text):
    """Unfold (RFC 5545 3.1) and split into property name and value."""
    lines = text.replace("\r\n ", "").split("\r\n")
    assert lines.pop() == ""
    return [tuple(line.split(":", 1)) for line in lines]


def unescaped(value):
    return re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nN" else m[1], value, flags=re.DOTALL)


@given(st.text(st.characters(min_codepoint=32, exclude_categories=("Cs",)), max_size=200))
def test_any_text_survives_escaping_and_folding(words):
    event = Event(start=NINE, end=TEN, summary="x" + words, description="line one\n" + words)
    text = calendar_text([event], name="t", stamp=NINE)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    values = dict(read_back(text))
    assert unescaped(values["SUMMARY"]) == "x" + words
    assert unescaped(values["DESCRIPTION"]) == "line one\n" + words


def test_required_properties_and_nesting():
    """RFC 5545 3.6: VERSION and PRODID once; 3.6.1: UID and DTSTAMP in every event."""
    plan = timeline([0, 6, 12], charges=2)
    pairs = read_back(plan.to_icalendar())
    assert pairs[0] == ("BEGIN", "VCALENDAR")
    assert pairs[-1] == ("END", "VCALENDAR")
    names = [name for name, _ in pairs]
    steps = len(plan.to_frame())
    assert names.count("VERSION") == names.count("PRODID") == 1
    for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"):
        assert names.count(name) == steps
    uids = [value for name, value in pairs if name == "UID"]
    assert len(set(uids)) == steps
    for name, value in pairs:
        if name in ("DTSTART", "DTEND"):
            datetime.strptime(value, "%Y%m%dT%H%M%S")
        if name == "DTSTAMP":
            datetime.strptime(value, "%Y%m%dT%H%M%SZ")


def test_every_step_appears_at_its_time():
    plan = timeline([0, 6], start=datetime(2026, 2, 2, 9, 15))
    starts = [v for n, v in read_back(plan.to_icalendar()) if n == "DTSTART"]
    assert starts == [f"{one:%Y%m%dT%H%M%S}" for one in plan.to_frame()["start"]]
    hands_on = plan.to_icalendar(attended_only=True)
    assert hands_on.count("BEGIN:VEVENT") == plan.to_frame()["attended"].sum()


def test_same_plan_same_bytes():
    assert timeline([0, 6], charges=2).to_icalendar() == timeline([0, 6], charges=2).to_icalendar()


def test_refusals():
    with pytest.raises(PlanError, match="nothing to put"):
        calendar_text([], name="t", stamp=NINE)
    with pytest.raises(PlanError, match="does not end after"):
        calendar_text([Event(start=TEN, end=NINE, summary="a")], name="t", stamp=NINE)
