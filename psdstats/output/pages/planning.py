"""Plans of balance, sample and sieves: words, tables and figures."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from psdstats.output.content import Drawing
from psdstats.output.figures.panels import joint_key, new_panels
from psdstats.output.figures.planned_uncertainty import uncertainty_against_sample
from psdstats.output.figures.stack import expected_undersize
from psdstats.output.pages.number_columns import number_column
from psdstats.output.pages.parts import PageParts
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.planning import PrecisionPlan, StackChoice

__all__ = [
    "precision_drawing",
    "precision_parts",
    "precision_tables",
    "stack_drawing",
    "stack_parts",
    "stack_table",
]

_POINTS = 61  # along a curve


def precision_parts(plan: PrecisionPlan) -> PageParts:
    """What the command shows for a wanted uncertainty."""
    tables = precision_tables(plan)
    return PageParts(
        sentences=plan.sentences(),
        tables=tables,
        first=tables[:1],
        drawings=(precision_drawing(plan),),
    )


def precision_tables(plan: PrecisionPlan) -> tuple[Table, Table]:
    """Uncertainty for each resolution and sample mass; the smallest sample for each resolution."""
    quantity, wanted = plan.quantity, f"{plan.wanted_percent:g} %"
    parts = [
        Column(name=f"u_{part}_percent", heading=part, unit="%", show=Show.NUMBER, decimals=2)
        for part in ("balance", "particles", "sieves")
    ]
    frame, need = plan.to_frame(), plan.needs_frame()
    resolution = Column(name="resolution_g", heading="resolution", unit="g")
    grid = Table(
        name="planned uncertainty",
        frame=frame,
        caption=f"Standard uncertainty of {quantity} of one run and of its change between two runs "
        "on the same sieves.",
        columns=(
            resolution,
            number_column(frame["sample_g"], name="sample_g", heading="sample", unit="g"),
            Column(name="u_percent", heading=f"u of {quantity}", unit="%", show=Show.NUMBER,
                   decimals=2),
            *parts,
            Column(name="enough", heading=f"≤ {wanted}"),
            Column(name="u_change_percent", heading="u of a change", unit="%", show=Show.NUMBER,
                   decimals=2),
            Column(name="enough_for_change", heading=f"change ≤ {wanted}"),
        ),
        row_headings=2,
        notes=(
            "Balance, particles and sieves are the parts of u. Splitting of the sample, losses and "
            "run-to-run variation of the mill are not counted.",
        ),
    )  # fmt: skip
    needs = Table(
        name="smallest sample",
        frame=need,
        caption=f"Smallest sample for a standard uncertainty of {wanted} of {quantity}.",
        columns=(
            resolution,
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
    return grid, needs


def precision_drawing(plan: PrecisionPlan) -> Drawing:
    """Uncertainty against sample mass, one line a resolution: one run, and a change."""
    with house_style():
        panels = new_panels(1, 2, height_mm=88.0)
        kinds = ((False, f"{plan.quantity} of one run"), (True, f"change of {plan.quantity}"))
        seen = pd.concat([_curves(plan, change=change) for change, _ in kinds])["u_percent"]
        for ax, (change, title) in zip(panels[0], kinds, strict=True):
            uncertainty_against_sample(
                _curves(plan, change=change),
                ax,
                wanted_percent=plan.wanted_percent,
                around=(float(seen.min()), float(seen.max())),
                label="standard uncertainty / %" if ax is panels[0][0] else "",
            )
            ax.set_title(title)
        joint_key(panels)
    return Drawing(
        name="planned uncertainty",
        figure=panels[0][0].figure,  # type: ignore[arg-type]
        caption="Standard uncertainty against sample mass for each balance resolution; dashed: "
        "the uncertainty aimed at.",
        alternative=" ".join(plan.sentences()),
    )


def stack_parts(choice: StackChoice) -> PageParts:
    """What the command shows for a stack of sieves."""
    table = stack_table(choice)
    whole = Table(
        name="expected masses",
        frame=choice.to_frame(),
        caption="Expected share and mass on every sieve (pan: aperture 0), powder by powder.",
    )
    return PageParts(
        sentences=choice.sentences(),
        tables=(table, whole),
        first=(table,),
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


def stack_drawing(choice: StackChoice) -> Drawing:
    """Expected undersize of every powder over the apertures chosen."""
    apertures = np.array(choice.aperture_um)
    ends = (
        min(apertures.min(), *(powder.d10_um for powder in choice.powders)) / 1.5,
        max(apertures.max(), *(powder.d90_um for powder in choice.powders)) * 1.5,
    )
    curve = _undersize(choice, np.geomspace(*ends, 161))
    with house_style():
        ax = new_axes(height_mm=95.0)
        expected_undersize(
            curve, ax, apertures_um=choice.aperture_um, points=_undersize(choice, apertures)
        )
    return Drawing(
        name="stack",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Undersize expected of each powder; dotted: the sieves chosen (µm along the top).",
        alternative=" ".join(choice.sentences()),
    )


def _undersize(choice: StackChoice, size_um: np.ndarray) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {"powder": one.name, "size_um": size_um, "undersize": one.undersize(size_um)}
            )
            for one in choice.powders
        ],
        ignore_index=True,
    )


def _curves(plan: PrecisionPlan, *, change: bool) -> pd.DataFrame:
    low, high = min(plan.sample_g), max(plan.sample_g)
    masses = sorted({*np.geomspace(low / 1.5, high * 1.5, _POINTS).tolist(), *plan.sample_g})
    return pd.DataFrame(_curve_rows(plan, masses, change=change))


def _curve_rows(
    plan: PrecisionPlan, masses: list[float], *, change: bool
) -> Iterator[dict[str, object]]:
    for d in plan.resolution_g:
        for mass in masses:
            yield {
                "series": f"{d:g} g",
                "sample_g": mass,
                "u_percent": plan.u_percent(d, mass, change=change),
                "marked": mass in plan.sample_g,
            }
