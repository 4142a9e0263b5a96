"""Ball masses, counts, powder and speed for one jar: words, table, figure, cautions."""

from __future__ import annotations

from psdstats.output.content import Drawing
from psdstats.output.figures.mill import jar_section
from psdstats.output.pages.number_columns import number_column
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.planning_cautions import cautions_text
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import Jar, MillCharge

__all__ = ["charge_drawing", "charge_parts", "charge_table"]


def charge_parts(charge: MillCharge, jar: Jar) -> PageParts:
    """What the command shows; the cautions always."""
    table = charge_table(charge)
    return PageParts(
        sentences=charge.sentences(),
        tables=(table,),
        first=(table,),
        drawings=(charge_drawing(charge, jar),),
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
