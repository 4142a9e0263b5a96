"""Mean sizes, spread and specific surface of every run; sizes in µm, surface in m²/g."""

from __future__ import annotations

from psdstats.distribution.moments import study_moments
from psdstats.errors import SizeError
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.wording import said_once
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.study import Study

__all__ = ["moments_parts"]

_SIZES = {
    "surface_mean_um": "surface (Sauter) mean",
    "mass_mean_um": "mass mean",
    "arithmetic_sd_um": "standard deviation",
    "geometric_mean_um": "geometric mean",
}


def moments_parts(study: Study) -> PageParts:
    """Means and spread of every run as a table, or a note why there are none.

    Parameters
    ----------
    study : Study
        The weighings; the specific surface needs its density.

    Returns
    -------
    PageParts
    """
    try:
        frame = study_moments(study)
    except SizeError as reason:
        return PageParts(sentences=(), notes=said_once([f"No mean sizes are given: {reason}"]))
    surface = Column(
        name="specific_surface_m2_per_g",
        heading="specific surface",
        unit="m²/g",
        show=Show.NUMBER,
        decimals=4,
    )
    stated = bool(frame["specific_surface_m2_per_g"].notna().all())
    table = Table(
        name="mean sizes",
        frame=frame,
        caption="Mean sizes and spread of every run, from the masses of the classes.",
        columns=(
            Column(name="run", heading="run"),
            *(
                Column(name=name, heading=heading, unit="µm", show=Show.NUMBER, decimals=1)
                for name, heading in _SIZES.items()
            ),
            Column(name="geometric_sd", heading="geometric SD", show=Show.NUMBER, decimals=3),
            *([surface] if stated else []),
        ),
        notes=(
            "Every class counts as particles of one size, the geometric middle of its apertures; "
            "the pan at half the finest aperture. The means depend on that choice more than on "
            "the weighings, so they carry no uncertainty. Means as in ISO 9276-2 (names from "
            "memory); the specific surface is that of spheres.",
        ),
    )
    return PageParts(sentences=(), tables=(table,))
