"""Plans of sieves: words, tables and figure."""

from __future__ import annotations

import pandas as pd

from psdstats.output.content import Drawing
from psdstats.output.figures.stack import expected_undersize
from psdstats.output.pages.parts import PageParts
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import StackChoice, StackTrial

__all__ = ["stack_drawing", "stack_parts", "stack_table", "tried_tables"]


def stack_parts(choice: StackChoice) -> PageParts:
    """What the command shows for a stack of sieves."""
    table, tried = stack_table(choice), tried_tables(choice)
    whole = Table(
        name="expected masses",
        frame=choice.to_frame(),
        caption="Expected share and mass on every sieve (pan: aperture 0), powder by powder.",
    )
    return PageParts(
        sentences=choice.sentences(),
        tables=(table, *tried, whole),
        first=(table, *tried),
        drawings=(stack_drawing(choice),),
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
