"""Write bench steps as an iCalendar text (RFC 5545), with nothing but the standard library.

Times are local ("floating", RFC 5545 3.3.5 form 1): the calendar shows them as bench time in any
zone.  Lines end with CR LF and are folded at 75 octets (3.1); text is escaped (3.3.11).  The same
events give the same bytes.  It writes events only: no alarms, no time zones, no recurrence.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b

from psdstats.planning.plan_error import PlanError

__all__ = ["Event", "calendar_text"]

FOLD_OCTETS = 75


@dataclass(frozen=True, kw_only=True)
class Event:
    """One entry of a calendar.

    Parameters
    ----------
    start, end : datetime
        Local times without a zone; the end later than the start (RFC 5545 3.6.1).
    summary : str
        One line.
    description : str
        Longer text.
    categories : tuple of str
        What the step keeps busy.
    """

    start: datetime
    end: datetime
    summary: str
    description: str = ""
    categories: tuple[str, ...] = ()


def calendar_text(events: Iterable[Event], *, name: str, stamp: datetime) -> str:
    """An iCalendar object holding the events in the order given.

    Parameters
    ----------
    events : iterable of Event
        At least one.
    name : str
        Title of the calendar.
    stamp : datetime
        Moment the calendar counts as made; taken as UTC (RFC 5545 3.8.7.2).

    Returns
    -------
    str
        Text with CR LF line ends; write it as UTF-8 without changing them.

    Raises
    ------
    PlanError
        Without events, or where an event does not end after it starts.

    Examples
    --------
    >>> nine, ten = datetime(2026, 1, 5, 9), datetime(2026, 1, 5, 10)
    >>> text = calendar_text([Event(start=nine, end=ten, summary="mill")], name="t", stamp=nine)
    >>> text.splitlines()[6]
    'DTSTART:20260105T090000'
    """
    events = tuple(events)
    if not events:
        raise PlanError("there is nothing to put into the calendar; plan at least one step.")
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//psdstats//bench timeline//EN",
    ]
    for number, event in enumerate(events):
        if event.end <= event.start:
            raise PlanError(f"{event.summary!r} does not end after it starts; change its times.")
        lines += _event_lines(event, name, number, stamp)
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _event_lines(event: Event, name: str, number: int, stamp: datetime) -> list[str]:
    identity = f"{name}\n{number}\n{event.start.isoformat()}\n{event.summary}"
    digest = blake2b(identity.encode(), digest_size=12).hexdigest()
    lines = [
        "BEGIN:VEVENT",
        f"UID:{digest}@psdstats.invalid",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%S}Z",
        f"DTSTART:{event.start:%Y%m%dT%H%M%S}",
        f"DTEND:{event.end:%Y%m%dT%H%M%S}",
        f"SUMMARY:{_escaped(event.summary)}",
    ]
    if event.description:
        lines.append(f"DESCRIPTION:{_escaped(event.description)}")
    if event.categories:
        lines.append("CATEGORIES:" + ",".join(_escaped(word) for word in event.categories))
    lines.append("END:VEVENT")
    return lines


def _escaped(text: str) -> str:
    for plain, written in (("\\", "\\\\"), (";", "\\;"), (",", "\\,")):
        text = text.replace(plain, written)
    shown = text.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return "".join(sign for sign in shown if sign == "\t" or ord(sign) >= 32)


def _folded(line: str) -> str:
    """Split after at most 75 octets, never inside a character; each further line by a blank."""
    pieces: list[str] = []
    piece, size = "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > FOLD_OCTETS:
            pieces.append(piece)
            piece, size = " ", 1
        piece += sign
        size += octets
    pieces.append(piece)
    return "\r\n".join(pieces)
