"""The bench plan day by day: words, table, bars, calendar file, cautions."""

from __future__ import annotations

from psdstats.output.content import Drawing
from psdstats.output.figures.panels import joint_key, new_panels
from psdstats.output.figures.timeline import bench_bars, bench_bars_height_mm
from psdstats.output.pages.number_columns import number_column
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.planning_cautions import cautions_text
from psdstats.output.style import house_style
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import Timeline

__all__ = ["CALENDAR", "timeline_drawing", "timeline_parts", "timeline_table"]

CALENDAR = "bench-plan.ics"
_MOST_DAYS = 5  # drawn
_LATE = (
    "9 in 10 by: when the step has ended on 9 of 10 simulated days, hands-on steps taking longer "
    "or shorter than planned and their order kept."
)


def timeline_parts(plan: Timeline, *, attended_only: bool = False) -> PageParts:
    """What the command shows; the cautions always.

    Parameters
    ----------
    plan : Timeline
        The plan.
    attended_only : bool, default=False
        Whether the calendar holds only the steps that need a person.

    Returns
    -------
    PageParts
    """
    table = timeline_table(plan)
    return PageParts(
        sentences=plan.sentences(),
        tables=(table,),
        first=(table,),
        drawings=(timeline_drawing(plan),),
        cautions=plan.cautions,
        texts={
            CALENDAR: plan.to_icalendar(attended_only=attended_only),
            "cautions.txt": cautions_text(plan.cautions),
        },
    )


def timeline_table(plan: Timeline) -> Table:
    """One row a step in order of time."""
    frame = plan.to_frame()
    varies = any(day.variation.spread_percent > 0 for day in plan.days)
    frame["from"] = frame["start"].dt.strftime("%H:%M")
    frame["to"] = frame["end"].dt.strftime("%H:%M")
    frame["who"] = frame["attended"].map({True: "hands on", False: "by itself"})
    frame["late"] = frame["late_end"].dt.strftime("%H:%M")
    frame["late_end"] = frame["late_end"].dt.strftime("%Y-%m-%dT%H:%M")
    frame["start"] = frame["start"].dt.strftime("%Y-%m-%dT%H:%M")
    frame["end"] = frame["end"].dt.strftime("%Y-%m-%dT%H:%M")
    return Table(
        name="bench plan",
        frame=frame,
        caption="Steps at the bench in order of time.",
        columns=(
            *([Column(name="day", heading="day", show=Show.COUNT)] if len(plan.days) > 1 else []),
            Column(name="from", heading="from"),
            Column(name="to", heading="to"),
            *([Column(name="late", heading="9 in 10 by")] if varies else []),
            Column(name="step", heading="step"),
            Column(name="charge", heading="charge"),
            number_column(
                frame["sample_time_min"], name="sample_time_min", heading="sample at", unit="min"
            ),
            Column(name="who", heading="needs you"),
            Column(name="uses", heading="keeps busy"),
        ),
        row_headings=3 if len(plan.days) > 1 else 2,
        notes=(_LATE,) if varies else (),
    )


def timeline_drawing(plan: Timeline) -> Drawing:
    """Bars by what is kept busy, one panel a day."""
    days = plan.days[:_MOST_DAYS]
    frame = plan.uses_frame()
    longest = max(max(day.length_min, day.variation.late_end_min) for day in days)
    with house_style():
        panels = new_panels(len(days), height_mm=bench_bars_height_mm(len(days)))
        for number, ((ax,), day) in enumerate(zip(panels, days, strict=True), start=1):
            own = frame[frame["day"] == number]
            bench_bars(
                own,
                ax,
                start=(day.start.hour, day.start.minute),
                end_min=longest,
                late_min=day.variation.late_end_min if day.variation.spread_percent > 0 else None,
            )
            if len(days) > 1:
                ax.set_title(f"day {number}: {', '.join(day.charges)}")
                ax.set_xlabel("time of day" if number == len(days) else "")
        if len(days) > 1:
            joint_key(panels)
    cut = f"; the first {_MOST_DAYS} of {len(plan.days)} days" if len(plan.days) > len(days) else ""
    return Drawing(
        name="bench plan",
        figure=panels[0][0].figure,  # type: ignore[arg-type]
        caption=f"What person, mill, shaker and sieves do over the day{cut}; "
        "dashed: when 9 of 10 simulated days have ended.",
        alternative=" ".join(plan.sentences()),
    )
