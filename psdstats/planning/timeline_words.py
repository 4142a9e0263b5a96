"""A bench plan in words, day by day."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from psdstats.planning.bench.timeline import Day


def day_sentences(number: int, day: Day, *, day_min: float | None) -> list[str]:
    """Length, hands-on time and saving of a day, how short it could be, and by when it ends."""
    attended = sum(one.step.duration_min for one in day.placed if one.step.attended)
    in_turn = sum(one.step.duration_min for one in day.placed)
    lines = [
        f"Day {number}: {len(day.charges)} charge{'s' * (len(day.charges) > 1)} "
        f"({', '.join(day.charges)}), {_hours(day.length_min)} from {day.start:%H:%M}, of "
        f"which {_hours(attended)} hands on; one step after another would take "
        f"{_hours(in_turn)}.",
        "No order of these steps with these charges in turn is shorter"
        + (
            "; the longest chain of steps allows no less."
            if day.length_min <= day.least_min + 1e-6
            else f" (the longest single chain takes {_hours(day.least_min)}; the person "
            "cannot be in two places)."
        ),
    ]
    if day.variation.spread_percent > 0:
        lines.append(_late(number, day, day_min))
    return lines


def _late(number: int, day: Day, day_min: float | None) -> str:
    found = day.variation
    late = day.start + timedelta(minutes=found.late_end_min)
    planned = day.start + timedelta(minutes=day.length_min)
    over = ""
    if day_min is not None:
        over = (
            f"; {100 * found.share_over(day_min):.2g} % of days are longer than {_hours(day_min)}"
        )
    return (
        f"If the hands-on steps vary by {found.spread_percent:g} % (standard deviation), day "
        f"{number} ends by {late:%H:%M} on 9 of 10 days (planned {planned:%H:%M}){over}; simulated "
        f"on {found.days} days, seed {found.seed}."
    )


def _hours(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"
