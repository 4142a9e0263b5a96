"""Power of planned trials: what each design would show, as words, table and figure."""

from __future__ import annotations

from psdstats.output.content import Drawing
from psdstats.output.figures.power import power_curves
from psdstats.output.pages.parts import PageParts
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import PowerResult
from psdstats.wording import signed

__all__ = ["power_drawing", "power_parts", "power_table"]


def power_parts(result: PowerResult) -> PageParts:
    """What the command shows."""
    table = power_table(result)
    return PageParts(
        sentences=result.sentences(),
        tables=(table, _curve_table(result)),
        first=(table,),
        drawings=(power_drawing(result),),
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
