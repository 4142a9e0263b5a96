"""Plans of balance and sample: words, tables and figure."""

from __future__ import annotations

import pandas as pd

from psdstats.output.content import Drawing
from psdstats.output.figures.panels import joint_key, new_panels
from psdstats.output.figures.planned_uncertainty import uncertainty_against_sample
from psdstats.output.pages.number_columns import number_column
from psdstats.output.pages.parts import PageParts
from psdstats.output.style import house_style
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import PrecisionPlan

__all__ = ["precision_drawing", "precision_parts", "precision_tables"]

_PARTS = {
    "u_balance_percent": "balance",
    "u_particles_percent": "particles",
    "u_sieves_percent": "sieves",
}


def precision_parts(plan: PrecisionPlan) -> PageParts:
    """What the command shows for a wanted uncertainty."""
    tables = precision_tables(plan)
    return PageParts(
        sentences=plan.sentences(),
        tables=tables,
        first=tables[:2],
        drawings=(precision_drawing(plan),),
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
