"""Pages of plans: power, balance and sample, sieves, mill charge, the day at the bench."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output import table as col
from psdstats.output.content import Drawing, Page, drawing_of, page_of, panel_of
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.bench import bench_bars, bench_bars_height_mm, jar_section
from psdstats.output.figures.planning import (
    expected_undersize,
    power_curves,
    uncertainty_against_sample,
)
from psdstats.output.table import Place, Table, table_of
from psdstats.planning.bench.charge import MillCharge
from psdstats.planning.bench.timeline import Timeline
from psdstats.planning.power import PowerResult
from psdstats.planning.precision_plan import PrecisionPlan
from psdstats.planning.stack_choice import StackChoice
from psdstats.words import planning as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import FIGURES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CALENDAR = "bench-plan.ics"
_MOST_DAYS = 5  # drawn
_HEIGHT_MM = 95.0


def cautions_text(cautions: tuple[str, ...]) -> str:
    """Cautions as plain text, one a line.

    Examples
    --------
    >>> print(cautions_text(("Keep the guard closed.",)), end="")
    Cautions
    - Keep the guard closed.
    """
    return "".join(["Cautions\n", *(f"- {caution}\n" for caution in cautions)])


_RESOLUTION = col.written("resolution_g", "resolution", "g")
_BETWEEN = "between sieves"
_FEW_DESIGNS = 2  # told one by one beside their table
_PARTS = {
    "u_balance_percent": "balance",
    "u_particles_percent": "particles",
    "u_sieves_percent": "apertures",
    "u_between_percent": _BETWEEN,
}


@page_of.register
def power_page(result: PowerResult, say: Numerals = PLAIN) -> Page:
    """What each planned trial would show."""
    told = words.power_sentences(result, say)

    def draw(ax: Axes) -> Axes:
        _power_curves(
            result.curve_frame(), ax, result, "true change of size / %", result.change_percent
        )
        if result.change_percent < 0:
            ax.invert_xaxis()
        return ax

    figure = panel_of("power", draw, FIGURES["power"], told, height_mm=_HEIGHT_MM, say=say)
    curves = [("power curves", result.curve_frame())]
    if result.margin_percent is not None:
        curves.append(("margin curves", result.margin_frame()))
    return Page(
        heading=words.POWER_HEADING,
        sentences=words.power_answer(result, say, most=_FEW_DESIGNS),
        notes=words.power_notes(result, say),
        blocks=(
            figure,
            *_left_drawing(result, told, say),
            _power_table(result, say),
            *(table_of(name, frame) for name, frame in curves),
        ),
    )


def _power_curves(
    frame: pd.DataFrame, ax: Axes, result: PowerResult, label: str, asked: float, **columns: str
) -> Axes:
    ax.set_title("groups × times × replicates")
    return power_curves(
        frame, ax, x_label=label, wanted=result.wanted_power, asked=asked, **columns
    )


def _left_drawing(result: PowerResult, told: tuple[str, ...], say: Numerals) -> tuple[Drawing, ...]:
    """Power to show that less than a margin was left, where that was asked."""
    asked = result.margin_percent
    if asked is None:
        return ()
    frame = result.margin_frame()
    drawing = panel_of(
        "power of little left",
        lambda ax: _power_curves(frame, ax, result, "margin / %", asked, x="margin_percent"),
        FIGURES["power of little left"],
        told,
        height_mm=_HEIGHT_MM,
        say=say,
    )
    return (drawing,)


def _power_table(result: PowerResult, say: Numerals) -> Table:
    way = "decrease" if result.change_percent < 0 else "increase"
    often = f"in {say(100 * result.wanted_power)} %"
    detectable = {f"detectable_{way}_percent": f"{way} shown {often}"}
    left: list[col.Column] = []
    if result.margin_percent is not None:
        left += col.shares(None, power_left=f"under {say(result.margin_percent)} % left shown")
        left += col.fields(enough_left="enough")
        left += col.numbers(1, "%", smallest_margin_percent=f"margin shown {often}")
    table = table_of(
        "power",
        result.to_frame(),
        ("groups", "times", "replicates"),
        (
            "runs",
            *col.shares(None, power=f"{say(result.change_percent, '+g')} % shown"),
            "enough",
            *col.numbers(1, "%", **detectable),
            *left,
        ),
        say,
        place=Place.FIRST,
        change=result.change_percent,
        question=words.power_question(result),
        left=words.left_words(result, say),
        alpha=result.alpha,
        trials=result.trials,
        seed=result.seed,
    )
    return replace(table, notes=(*table.notes, *words.drift_notes(result, say)))


@page_of.register
def precision_page(plan: PrecisionPlan, say: Numerals = PLAIN) -> Page:
    """Which balance and sample a wanted uncertainty asks for."""
    told = words.precision_sentences(plan, say)
    return Page(
        heading=words.PRECISION_HEADING,
        sentences=told,
        blocks=(precision_drawing(plan, told, say), *precision_tables(plan, say)),
    )


def precision_tables(plan: PrecisionPlan, say: Numerals = PLAIN) -> tuple[Table, ...]:
    """Simulated uncertainty of one run and of a change; its parts; the smallest samples."""
    frame, enough = plan.to_frame(), f"≤ {say(plan.wanted_percent)} %"
    u, of_change = f"u of {plan.quantity}", [name for name in frame if "change" in str(name)]
    needs, parts = plan.needs_frame(), ["u_law_percent", *_PARTS]
    least = {"least_sample_g": "for one run", "least_sample_for_change_g": "for the change"}
    return (
        _by_sample(
            "planned uncertainty",
            plan,
            frame.drop(columns=of_change),
            (*_compared("u", u), *col.fields(enough=enough), *col.shares(None, share_open="open")),
            say,
        ),
        _by_sample(
            "planned uncertainty of a change",
            plan,
            frame[["resolution_g", "sample_g", *of_change]],
            (
                *_compared("u_change", "u of the change"),
                *col.fields(enough_for_change=enough),
                *col.numbers(2, "%", u_change_alike_percent="like powders"),
            ),
            say,
        ),
        _by_sample(
            "parts of the uncertainty",
            plan,
            frame[["resolution_g", "sample_g", *parts]],
            col.numbers(2, "%", u_law_percent=u, **_PARTS),
            say,
            Place.REPORT,
        ),
        table_of(
            "smallest sample",
            needs,
            (_RESOLUTION,),
            col.numbers(None, "g", **least),
            say,
            wanted=plan.wanted_percent,
        ),
    )


def _by_sample(
    name: str,
    plan: PrecisionPlan,
    frame: pd.DataFrame,
    columns: Iterable[col.Column],
    say: Numerals,
    place: Place = Place.FIRST,
) -> Table:
    """Columns of the plan by resolution and sample."""
    sample = col.written("sample_g", "sample", "g")
    return table_of(
        name,
        frame,
        (_RESOLUTION, sample),
        columns,
        say,
        place=place,
        quantity=plan.quantity,
        sizes=plan.sizes_um,
        trials=plan.trials,
        seed=plan.seed,
    )


def _compared(start: str, heading: str) -> tuple[col.Column, ...]:
    """As simulated with its error, by the law, and what of it lies between the sieves."""
    named = {"": heading, "_error": "s.e.", "_law": "by the linear law", "_between": _BETWEEN}
    return col.numbers(2, "%", **{f"{start}{kind}_percent": told for kind, told in named.items()})


def precision_drawing(
    plan: PrecisionPlan, told: tuple[str, ...] = (), say: Numerals = PLAIN
) -> Drawing:
    """Uncertainty against sample mass, one line a resolution: one run, and a change."""

    def draw() -> Axes:
        panels = new_panels(1, 2, height_mm=88.0, say=say)
        name, to = plan.quantity, say(plan.sizes_um[1], ".4g")
        kinds = ((False, f"{name} of one run"), (True, f"change of {name} to {to} µm"))
        curves = {change: _named(plan.law_frame(change=change), say) for change, _ in kinds}
        points = {change: _named(plan.simulated_frame(change=change), say) for change, _ in kinds}
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
        return panels[0][0]

    return drawing_of("planned uncertainty", draw, FIGURES["planned uncertainty"], told)


def _named(frame: pd.DataFrame, say: Numerals) -> pd.DataFrame:
    """Series named by their resolution, with the reader's decimal sign."""
    return frame.assign(series=[f"{say(one)} g" for one in frame["resolution_g"]])


@page_of.register
def stack_page(choice: StackChoice, say: Numerals = PLAIN) -> Page:
    """Which sieves, what they would hold, and what simulated samples do on them."""
    told = words.stack_sentences(choice, say)

    def draw(ax: Axes) -> Axes:
        return expected_undersize(
            choice.undersize_frame(),
            ax,
            apertures_um=choice.aperture_um,
            points=choice.undersize_frame(choice.aperture_um),
        )

    return Page(
        heading=words.STACK_HEADING,
        sentences=told,
        blocks=(
            panel_of("stack", draw, FIGURES["stack"], told, height_mm=_HEIGHT_MM, say=say),
            stack_table(choice, say),
            *tried_tables(choice, say),
            table_of("expected masses", choice.to_frame()),
        ),
    )


def stack_table(choice: StackChoice, say: Numerals = PLAIN) -> Table:
    """One row a sieve from the top: expected mass of each powder, and the load limit."""
    frame = choice.to_frame()
    wide = frame.pivot_table(index="aperture_um", columns="powder", values="mass_g")
    wide = wide[[powder.name for powder in choice.powders]].sort_index(ascending=False)
    limits = frame.drop_duplicates("aperture_um").set_index("aperture_um")["load_limit_g"]
    shown = pd.DataFrame(
        {
            "sieve": [f"{say(one)} µm" if one else "pan" for one in wide.index],
            **{f"mass_{name}_g": wide[name].to_numpy() for name in wide.columns},
            "load_limit_g": limits.loc[wide.index].to_numpy(dtype=float),
        }
    )
    masses = {f"mass_{name}_g": str(name) for name in wide.columns}
    return table_of(
        "stack",
        shown,
        ("sieve",),
        (*col.numbers(1, "g", **masses), *col.numbers(None, "g", load_limit_g="load limit")),
        say,
        place=Place.FIRST,
        sample_g=choice.sample_g,
        frame_mm=choice.frame_diameter_mm,
    )


def tried_tables(choice: StackChoice, say: Numerals = PLAIN) -> tuple[Table, Table]:
    """What simulated samples do on the stack: their sizes, and their loads."""
    trial = choice.trial
    u = {
        "u_percent": "u",
        "u_error_percent": "s.e.",
        "between_percent": _BETWEEN,
        "u_change_percent": "u of the change",
    }
    sizes = table_of(
        "sizes tried out",
        trial.sizes_frame(),
        col.fields("powder", quantity="size"),
        (*col.numbers(2, "%", **u), *col.shares(None, share_open="open")),
        say,
        place=Place.FIRST,
        trials=trial.trials,
        seed=trial.seed,
        weighing=words.weighing_words(trial.weighing, say),
    )
    loads = table_of(
        "loads tried out",
        trial.loads_frame(),
        ("powder",),
        col.shares(None, share_overloaded="overloaded", share_over_half="over half"),
        place=Place.FIRST,
    )
    return sizes, loads


@page_of.register
def charge_page(charge: MillCharge, say: Numerals = PLAIN) -> Page:
    """How the jar is filled; the cautions always."""
    told = words.charge_sentences(charge, say)
    share = say(100 * charge.speed_fraction, ".0f")

    def draw(ax: Axes) -> Axes:
        return jar_section(
            ax,
            jar_mm=charge.jar.diameter_mm,
            fill=charge.ball_fill,
            balls=[
                (ball.diameter_mm, count)
                for ball, count in zip(charge.balls, charge.count, strict=True)
            ],
            speed=f"{say(charge.speed_rpm, '.1f')} rpm, {share} % of critical",
        )

    drawing = panel_of("charge", draw, FIGURES["charge"], told, height_mm=88.0, say=say)
    return Page(
        heading=words.CHARGE_HEADING,
        sentences=told,
        blocks=(drawing, charge_table(charge)),
        cautions=words.MILL_CAUTIONS,
        texts={"cautions.txt": cautions_text(words.MILL_CAUTIONS)},
    )


def charge_table(charge: MillCharge) -> Table:
    """One row a ball size."""
    ball = col.written("ball_diameter_mm", "ball", "mm")
    columns = (
        col.written("density_g_per_cm3", "density", "g/cm³"),
        col.written("parts_by_mass", "parts by mass"),
        *col.numbers(1, "g", target_g="wanted"),
        *col.fields(count="balls"),
        *col.numbers(1, "g", mass_g="mass"),
        *col.numbers(1, "rpm", critical_speed_rpm="critical speed"),
    )
    return table_of("charge", charge.to_frame(), (ball,), columns, place=Place.FIRST)


@page_of.register
def timeline_page(plan: Timeline, *, attended_only: bool = False, say: Numerals = PLAIN) -> Page:
    """When what is done; the cautions always."""
    told = words.timeline_sentences(plan, say)
    return Page(
        heading=words.TIMELINE_HEADING,
        sentences=told,
        blocks=(timeline_drawing(plan, told, say), timeline_table(plan)),
        cautions=words.BENCH_CAUTIONS,
        texts={
            CALENDAR: plan.to_icalendar(attended_only=attended_only),
            "cautions.txt": cautions_text(words.BENCH_CAUTIONS),
        },
    )


def timeline_table(plan: Timeline) -> Table:
    """One row a step in order of time."""
    frame = plan.to_frame()
    varies = any(day.variation.spread_percent > 0 for day in plan.days)
    for name, moment in (("from", "start"), ("to", "end"), ("late", "late_end")):
        frame[name] = frame[moment].dt.strftime("%H:%M")
        frame[moment] = frame[moment].dt.strftime("%Y-%m-%dT%H:%M")
    frame["who"] = frame["attended"].map({True: "hands on", False: "by itself"})
    day = col.fields("day") if len(plan.days) > 1 else ()
    return table_of(
        "bench plan",
        frame,
        (*day, "from", "to"),
        (
            *(col.fields(late="9 in 10 by") if varies else ()),
            "step",
            "charge",
            col.written("sample_time_min", "sample at", "min"),
            *col.fields(who="needs you"),
            *col.spare(*col.fields(uses="keeps busy")),
        ),
        notes=None if varies else (),
        place=Place.FIRST,
    )


def timeline_drawing(plan: Timeline, told: tuple[str, ...] = (), say: Numerals = PLAIN) -> Drawing:
    """Bars by what is kept busy, one panel a day."""
    days = plan.days[:_MOST_DAYS]
    frame = plan.uses_frame()
    longest = max(max(day.length_min, day.variation.late_end_min) for day in days)

    def draw() -> Axes:
        panels = new_panels(len(days), height_mm=bench_bars_height_mm(len(days)), say=say)
        for place, ((ax,), day) in enumerate(zip(panels, days, strict=True), start=1):
            bench_bars(
                frame[frame["day"] == place],
                ax,
                start=(day.start.hour, day.start.minute),
                end_min=longest,
                late_min=day.variation.late_end_min if day.variation.spread_percent > 0 else None,
            )
            if len(days) > 1:
                ax.set_title(f"day {place}: {', '.join(day.charges)}")
                ax.set_xlabel("time of day" if place == len(days) else "")
        if len(days) > 1:
            joint_key(panels)
        return panels[0][0]

    caption = words.timeline_caption(len(days), len(plan.days))
    return drawing_of("bench plan", draw, caption, told)
