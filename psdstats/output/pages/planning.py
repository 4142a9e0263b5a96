"""Cautions as a text file that lies beside a plan.

Power of planned trials: what each design would show, as words, table and figure.

Plans of balance and sample: words, tables and figure.

Plans of sieves: words, tables and figure.

Ball masses, counts, powder and speed for one jar: words, table, figure, cautions.

The bench plan day by day: words, table, bars, calendar file, cautions.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from psdstats.columns import signed
from psdstats.output.content import Drawing, Page
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.bench import bench_bars, bench_bars_height_mm, jar_section
from psdstats.output.figures.planning import (
    expected_undersize,
    power_curves,
    uncertainty_against_sample,
)
from psdstats.output.pages.parts import number_column
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.planning.bench.charge import Jar, MillCharge
from psdstats.planning.bench.timeline import Timeline
from psdstats.planning.power import PowerResult
from psdstats.planning.precision_plan import PrecisionPlan
from psdstats.planning.stack_choice import StackChoice, StackTrial


def cautions_text(cautions: Iterable[str]) -> str:
    """Cautions as plain text, one a line.

    Examples
    --------
    >>> print(cautions_text(["Keep the guard closed."]), end="")
    Cautions
    - Keep the guard closed.
    """
    return "".join(["Cautions\n", *(f"- {caution}\n" for caution in cautions)])


def power_page(result: PowerResult) -> Page:
    """What the command shows."""
    return Page(
        heading="What would the trial show?",
        sentences=result.sentences(),
        blocks=(power_drawing(result), power_table(result), _curve_table(result)),
    )


def power_table(result: PowerResult) -> Table:
    """One row a design: runs, power, smallest change that is likely to be shown."""
    return Table(
        name="power",
        frame=result.to_frame(),
        caption=f"Power to show a change of {signed(result.change_percent, '+g')} % "
        f"({result.question}, level {result.alpha:g}).",
        columns=(
            Column(name="groups", heading="groups", show=Show.COUNT),
            Column(name="times", heading="times", show=Show.COUNT),
            Column(name="replicates", heading="replicates", show=Show.COUNT),
            Column(name="runs", heading="runs", show=Show.COUNT),
            Column(name="power", heading="power", show=Show.PER_CENT),
            Column(
                name="detectable_decrease_percent",
                heading=f"decrease shown in {100 * result.wanted_power:g} %",
                unit="%",
                show=Show.NUMBER,
                decimals=1,
            ),
        ),
        row_headings=3,
        notes=(f"{result.trials} simulated trials a design, seed {result.seed}.",),
        place=Place.FIRST,
    )


def power_drawing(result: PowerResult) -> Drawing:
    """Power against the true change, one curve a design."""
    with house_style():
        ax = new_axes(height_mm=95.0)
        power_curves(
            result.curve_frame(), ax, x_label="true change of size / %", wanted=result.wanted_power
        )
        if result.change_percent < 0:
            ax.invert_xaxis()
        ax.set_title("groups × times × replicates")
    return Drawing(
        name="power",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Chance of showing a change against its size, with the 95 % interval of the "
        "simulation; dashed: the power aimed at.",
        alternative=" ".join(result.sentences()),
    )


def _curve_table(result: PowerResult) -> Table:
    return Table(
        name="power curves",
        frame=result.curve_frame(),
        caption="Power against the true change, with its Monte Carlo standard error.",
    )


_PARTS = {
    "u_balance_percent": "balance",
    "u_particles_percent": "particles",
    "u_sieves_percent": "sieves",
}


def precision_page(plan: PrecisionPlan) -> Page:
    """What the command shows for a wanted uncertainty."""
    return Page(
        heading="Which balance and which sample?",
        sentences=plan.sentences(),
        blocks=(precision_drawing(plan), *precision_tables(plan)),
    )


def precision_tables(plan: PrecisionPlan) -> tuple[Table, Table, Table, Table]:
    """Simulated uncertainty of one run and of a change; its parts; the smallest samples."""
    frame = plan.to_frame()
    notes = (
        f"Simulated on {plan.trials} stacks with two samples each, seed {plan.seed}; ±: Monte "
        "Carlo standard error.  Splitting of the sample, losses and run-to-run variation of the "
        "mill are not counted.",
    )
    one = Table(
        name="planned uncertainty",
        frame=frame[[name for name in frame if "change" not in str(name)]],
        caption=f"Standard uncertainty of {plan.quantity} of one run.",
        columns=(
            *_asked(frame),
            *_compared("u", f"u of {plan.quantity}"),
            Column(name="enough", heading=f"≤ {plan.wanted_percent:g} %"),
            Column(name="share_open", heading="open", show=Show.PER_CENT),
        ),
        row_headings=2,
        notes=(*notes, "Open: samples whose percentile the sieves do not bracket."),
        place=Place.FIRST,
    )
    change = Table(
        name="planned uncertainty of a change",
        frame=frame[["resolution_g", "sample_g", *(one for one in frame if "change" in str(one))]],
        caption=f"Standard uncertainty of the change of {plan.quantity} between two runs on the "
        "same sieves.",
        columns=(
            *_asked(frame),
            *_compared("u_change", "u of a change"),
            Column(name="enough_for_change", heading=f"≤ {plan.wanted_percent:g} %"),
        ),
        row_headings=2,
        notes=notes,
        place=Place.FIRST,
    )
    return one, change, _law_table(plan, frame), _needs_table(plan)


def _compared(start: str, heading: str) -> tuple[Column, ...]:
    return (
        _number(f"{start}_percent", heading),
        _number(f"{start}_error_percent", "±"),
        _number(f"{start}_law_percent", "by the linear law"),
    )


def _law_table(plan: PrecisionPlan, frame: pd.DataFrame) -> Table:
    return Table(
        name="parts of the uncertainty",
        frame=frame[["resolution_g", "sample_g", "u_law_percent", *_PARTS]],
        caption=f"What balance, particles and sieves contribute to u of {plan.quantity} of one "
        "run, by the linear law.",
        columns=(
            *_asked(frame),
            _number("u_law_percent", f"u of {plan.quantity}"),
            *(_number(name, heading) for name, heading in _PARTS.items()),
        ),
        row_headings=2,
    )


def _needs_table(plan: PrecisionPlan) -> Table:
    return Table(
        name="smallest sample",
        frame=plan.needs_frame(),
        caption=f"Smallest sample for a standard uncertainty of {plan.wanted_percent:g} % of "
        f"{plan.quantity}, by the linear law.",
        columns=(
            Column(name="resolution_g", heading="resolution", unit="g"),
            Column(name="least_sample_g", heading="for one run", unit="g", show=Show.NUMBER),
            Column(
                name="least_sample_for_change_g",
                heading="for a change",
                unit="g",
                show=Show.NUMBER,
            ),
        ),
        notes=("∞: no sample is large enough.",),
    )


def _asked(frame: pd.DataFrame) -> tuple[Column, Column]:
    sample = number_column(frame["sample_g"], name="sample_g", heading="sample", unit="g")
    return Column(name="resolution_g", heading="resolution", unit="g"), sample


def _number(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading, unit="%", show=Show.NUMBER, decimals=2)


def precision_drawing(plan: PrecisionPlan) -> Drawing:
    """Uncertainty against sample mass, one line a resolution: one run, and a change."""
    with house_style():
        panels = new_panels(1, 2, height_mm=88.0)
        kinds = ((False, f"{plan.quantity} of one run"), (True, f"change of {plan.quantity}"))
        curves = {change: plan.law_frame(change=change) for change, _ in kinds}
        points = {change: plan.simulated_frame(change=change) for change, _ in kinds}
        seen = pd.concat([*curves.values(), *points.values()])["u_percent"]
        for ax, (change, title) in zip(panels[0], kinds, strict=True):
            uncertainty_against_sample(
                curves[change],
                ax,
                points=points[change],
                wanted_percent=plan.wanted_percent,
                around=(float(seen.min()), float(seen.max())),
                label="standard uncertainty / %" if ax is panels[0][0] else "",
            )
            ax.set_title(title)
        joint_key(panels)
    return Drawing(
        name="planned uncertainty",
        figure=panels[0][0].figure,  # type: ignore[arg-type]
        caption="Standard uncertainty against sample mass for each balance resolution: marks as "
        "simulated, with 95 % intervals of the simulation; lines by the linear law; dashed: the "
        "uncertainty aimed at.",
        alternative=" ".join(plan.sentences()),
    )


def stack_page(choice: StackChoice) -> Page:
    """What the command shows for a stack of sieves."""
    whole = Table(
        name="expected masses",
        frame=choice.to_frame(),
        caption="Expected share and mass on every sieve (pan: aperture 0), powder by powder.",
    )
    return Page(
        heading="Which sieves?",
        sentences=choice.sentences(),
        blocks=(stack_drawing(choice), stack_table(choice), *tried_tables(choice), whole),
    )


def stack_table(choice: StackChoice) -> Table:
    """One row a sieve from the top: expected mass of each powder, and the load limit."""
    frame = choice.to_frame()
    wide = frame.pivot_table(index="aperture_um", columns="powder", values="mass_g")
    wide = wide[[powder.name for powder in choice.powders]].sort_index(ascending=False)
    limits = frame.drop_duplicates("aperture_um").set_index("aperture_um")["load_limit_g"]
    shown = pd.DataFrame(
        {
            "sieve": [f"{aperture:g} µm" if aperture else "pan" for aperture in wide.index],
            **{f"mass_{name}_g": wide[name].to_numpy() for name in wide.columns},
            "load_limit_g": limits.loc[wide.index].to_numpy(dtype=float),
        }
    )
    return Table(
        name="stack",
        frame=shown,
        caption=f"The stack from the top, with the masses expected of {choice.sample_g:g} g.",
        columns=(
            Column(name="sieve", heading="sieve"),
            *(
                Column(
                    name=f"mass_{name}_g",
                    heading=str(name),
                    unit="g",
                    show=Show.NUMBER,
                    decimals=1,
                )
                for name in wide.columns
            ),
            Column(name="load_limit_g", heading="load limit", unit="g", show=Show.NUMBER),
        ),
        notes=(f"Load limit for frames of {choice.frame_diameter_mm:g} mm (ASTM C136, 8.3).",),
        place=Place.FIRST,
    )


def tried_tables(choice: StackChoice) -> tuple[Table, Table]:
    """What simulated samples do on the stack: their sizes, and their loads."""
    return _tried_sizes(choice.trial), _tried_loads(choice.trial)


def _tried_sizes(trial: StackTrial) -> Table:
    numbers = (
        ("u_percent", "u"),
        ("u_error_percent", "±"),
        ("u_change_percent", "u of a change"),
        ("interpolation_percent", "interpolation"),
    )
    return Table(
        name="sizes tried out",
        frame=trial.sizes_frame(),
        caption="Standard uncertainty of the sizes on this stack, of one run and of a change "
        "between two, and by how much interpolation misses the true size.",
        columns=(
            Column(name="powder", heading="powder"),
            Column(name="quantity", heading="size"),
            *(
                Column(name=name, heading=heading, unit="%", show=Show.NUMBER, decimals=2)
                for name, heading in numbers
            ),
            Column(name="share_open", heading="open", show=Show.PER_CENT),
        ),
        row_headings=2,
        notes=(
            f"Simulated on {trial.trials} stacks with two samples each, seed {trial.seed}: "
            f"{trial.weighing.words}.",
            "±: Monte Carlo standard error of u; open: samples without a size.",
        ),
        place=Place.FIRST,
    )


def _tried_loads(trial: StackTrial) -> Table:
    return Table(
        name="loads tried out",
        frame=trial.loads_frame(),
        caption="Share of simulated samples that overload a sieve, or put more than half into "
        "one class.",
        columns=(
            Column(name="powder", heading="powder"),
            Column(name="share_overloaded", heading="overloaded", show=Show.PER_CENT),
            Column(name="share_over_half", heading="over half", show=Show.PER_CENT),
        ),
        row_headings=1,
        place=Place.FIRST,
    )


def stack_drawing(choice: StackChoice) -> Drawing:
    """Expected undersize of every powder over the apertures chosen."""
    with house_style():
        ax = new_axes(height_mm=95.0)
        expected_undersize(
            choice.undersize_frame(),
            ax,
            apertures_um=choice.aperture_um,
            points=choice.undersize_frame(choice.aperture_um),
        )
    return Drawing(
        name="stack",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Undersize expected of each powder; dotted: the sieves chosen (µm along the top).",
        alternative=" ".join(choice.sentences()),
    )


def charge_page(charge: MillCharge, jar: Jar) -> Page:
    """What the command shows; the cautions always."""
    return Page(
        heading="How is the jar filled?",
        sentences=charge.sentences(),
        blocks=(charge_drawing(charge, jar), charge_table(charge)),
        cautions=charge.cautions,
        texts={"cautions.txt": cautions_text(charge.cautions)},
    )


def charge_table(charge: MillCharge) -> Table:
    """One row a ball size."""
    frame = charge.to_frame()
    stated = [
        number_column(frame[name], name=name, heading=heading, unit=unit)
        for name, heading, unit in (
            ("ball_diameter_mm", "ball", "mm"),
            ("density_g_per_cm3", "density", "g/cm³"),
            ("parts_by_mass", "parts by mass", ""),
        )
    ]
    return Table(
        name="charge",
        frame=frame,
        caption=f"Balls for one jar: {charge.ball_g:.1f} g with {charge.powder_g:.1f} g of powder.",
        columns=(
            *stated,
            Column(name="target_g", heading="wanted", unit="g", show=Show.NUMBER, decimals=1),
            Column(name="count", heading="balls", show=Show.COUNT),
            Column(name="mass_g", heading="mass", unit="g", show=Show.NUMBER, decimals=1),
            Column(
                name="critical_speed_rpm",
                heading="critical speed",
                unit="rpm",
                show=Show.NUMBER,
                decimals=1,
            ),
        ),
        notes=("Critical speed 42.3/√(D − d) rpm, lengths in metres (common practice).",),
        place=Place.FIRST,
    )


def charge_drawing(charge: MillCharge, jar: Jar) -> Drawing:
    """The jar in cross-section with its bed, and the balls to scale."""
    with house_style():
        ax = new_axes(height_mm=88.0)
        jar_section(
            ax,
            jar_mm=jar.diameter_mm,
            fill=charge.ball_fill,
            balls=[
                (ball.diameter_mm, count)
                for ball, count in zip(charge.balls, charge.count, strict=True)
            ],
            speed=f"{charge.speed_rpm:.1f} rpm, {100 * charge.speed_fraction:.0f} % of critical",
        )
    return Drawing(
        name="charge",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Cross-section of the jar at rest with its bed of balls, and each ball size to the "
        "same scale.",
        alternative=" ".join(charge.sentences()),
    )


CALENDAR = "bench-plan.ics"
_MOST_DAYS = 5  # drawn
_LATE = (
    "9 in 10 by: when the step has ended on 9 of 10 simulated days, hands-on steps taking longer "
    "or shorter than planned and their order kept."
)


def timeline_page(plan: Timeline, *, attended_only: bool = False) -> Page:
    """What the command shows; the cautions always."""
    return Page(
        heading="When is what done?",
        sentences=plan.sentences(),
        blocks=(timeline_drawing(plan), timeline_table(plan)),
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
            Column(name="uses", heading="keeps busy", spare=True),
        ),
        row_headings=3 if len(plan.days) > 1 else 2,
        notes=(_LATE,) if varies else (),
        place=Place.FIRST,
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
