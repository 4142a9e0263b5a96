"""Mean sizes, spread, specific surface and fineness class from class fractions.

Sizes in µm, density in g/cm³, specific surface in m²/g.  Mean sizes as in ISO 9276-2 (names from
memory): every class counts as particles of one size.  Each result says whether the pan took part
and whether the fractions that did were brought back to a sum of 1.

Also the fineness class by the pharmacopoeia's step rule: the smallest aperture (µm) through which
at least half of the mass passes.  It is one of the sieves used, not an interpolated size: it is
called step size here and must not be read as D50.  Class limits and their sources are data of
`psdstats.sieves`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import TIME, signed
from psdstats.distribution.curves import class_sizes_um, cumulative_undersize, study_arrays
from psdstats.errors import SizeError
from psdstats.frozen import Array
from psdstats.present import Shown
from psdstats.sieves.standards import FinenessClass, fineness_classes
from psdstats.study.records import Study


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Means and spread of one distribution by mass.

    Attributes
    ----------
    surface_mean_um : float
        Sauter (surface-volume) mean, 1/Σ(w/D), µm.
    mass_mean_um : float
        Σ(w D), µm.
    volume_mean_um : float
        Size of the particle of mean volume, (1/Σ(w/D³))^(1/3), µm.
    arithmetic_sd_um : float
        Standard deviation of size about its weighted mean, µm.
    geometric_mean_um, geometric_sd : float
        exp of mean and standard deviation of ln D, weighted.
    specific_surface_m2_per_g : float
        6/(Φ ρ) Σ(w/D); NaN without density.
    particles_per_g : float
        Σ(w/D³)/(f ρ); NaN without density and shape factor.
    fraction_counted : float
        Share of the mass in the classes that took part.
    renormalised : bool
        Whether their fractions were divided by that share.
    """

    surface_mean_um: float
    mass_mean_um: float
    volume_mean_um: float
    arithmetic_sd_um: float
    geometric_mean_um: float
    geometric_sd: float
    specific_surface_m2_per_g: float
    particles_per_g: float
    fraction_counted: float
    renormalised: bool


def moments(
    class_size_um: ArrayLike,
    fraction: ArrayLike,
    *,
    density_g_per_cm3: float | None = None,
    sphericity: float = 1.0,
    shape_factor: float | None = None,
    renormalise: bool = True,
) -> Moments:
    """Means and spread of classes of known size.

    Parameters
    ----------
    class_size_um : array_like, shape (n_classes,)
        Size that stands for each class, above 0, µm.
    fraction : array_like, shape (n_classes,)
        Mass fraction of each class, of the whole sample; leave out a class (the pan) to leave it
        out of the means.
    density_g_per_cm3 : float, optional
        Particle density.
    sphericity : float, default=1
        Surface of the sphere of equal volume over that of the particle, 0 to 1.
    shape_factor : float, optional
        Particle volume over the cube of its size.
    renormalise : bool, default=True
        Divide the fractions by their sum.  Textbook sums over screens without the pan leave them
        as they are.

    Returns
    -------
    Moments
        Means and deviations in µm, and the specific surface where a density is given.

    Raises
    ------
    SizeError
        If a value is out of range; names the index.

    Notes
    -----
    Standard deviations and the geometric mean always use fractions that sum to 1.

    Examples
    --------
    >>> moments([50, 200], [0.5, 0.5]).surface_mean_um
    80.0
    """
    size, weight = _checked(class_size_um, fraction)
    for name, value in (
        ("density_g_per_cm3", density_g_per_cm3),
        ("shape_factor", shape_factor),
        ("sphericity", sphericity),
    ):
        if value is not None and not 0 < value < np.inf:
            raise SizeError(f"{name} is {value!r}; give a number above 0.")
    whole = float(weight.sum())
    own = weight / whole
    used = own if renormalise else weight
    mean, ln_mean = float(own @ size), float(own @ np.log(size))
    inverse, inverse_cube = float(used @ (1 / size)), float(used @ size**-3.0)
    surface = count = np.nan
    if density_g_per_cm3 is not None:
        surface = 6 / (sphericity * density_g_per_cm3) * inverse
        if shape_factor is not None:
            # 1 cm³ = 10¹² µm³
            count = 1e12 * inverse_cube / (shape_factor * density_g_per_cm3)
    return Moments(
        surface_mean_um=1 / inverse,
        mass_mean_um=float(used @ size),
        volume_mean_um=inverse_cube ** (-1 / 3),
        arithmetic_sd_um=float(np.sqrt(own @ (size - mean) ** 2)),
        geometric_mean_um=float(np.exp(ln_mean)),
        geometric_sd=float(np.exp(np.sqrt(own @ (np.log(size) - ln_mean) ** 2))),
        specific_surface_m2_per_g=surface,
        particles_per_g=count,
        fraction_counted=whole,
        renormalised=renormalise,
    )


def study_moments(study: Study) -> pd.DataFrame:
    """Moments of every run of a study, the pan counted; a net mass below zero counts as none."""
    arrays = study_arrays(study)
    size = class_sizes_um(arrays.aperture_um)
    held = np.clip(arrays.net_g, 0.0, None)
    fraction = held / held.sum(axis=1, keepdims=True)
    rows = []
    for row, run in enumerate(arrays.runs):
        keep = arrays.real[row]
        found = moments(
            size[row, keep],
            fraction[row, keep],
            density_g_per_cm3=study.density_g_per_cm3,
            shape_factor=study.shape_factor,
        )
        rows.append({"run": run, **asdict(found), "pan_included": True})
    return pd.DataFrame(rows)


def _checked(class_size_um: ArrayLike, fraction: ArrayLike) -> tuple[Array, Array]:
    size = np.asarray(class_size_um, dtype=float)
    weight = np.asarray(fraction, dtype=float)
    if size.ndim != 1 or size.shape != weight.shape or size.size == 0:
        raise SizeError(
            f"class_size_um has shape {size.shape} and fraction {weight.shape}; give one fraction "
            "for each class."
        )
    for name, values, wrong in (
        ("class_size_um", size, ~((size > 0) & np.isfinite(size))),
        ("fraction", weight, ~((weight >= 0) & (weight <= 1))),
    ):
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            rule = "sizes above 0 in µm" if name == "class_size_um" else "fractions from 0 to 1"
            raise SizeError(f"{name}[{at}] is {signed(values[at])}; {name} holds {rule}.")
    if not weight.sum() > 0:
        raise SizeError("fraction holds no mass; give at least one class above 0.")
    return size, weight


_ROUNDING = 1e-12  # an undersize this little below the share is a rounding error of a sum


@dataclass(frozen=True, kw_only=True, repr=False)
class Fineness(Shown):
    """Fineness by the step rule.

    Parameters
    ----------
    step_um : float
        Smallest aperture through which the share passes; inf where it passes none.
    classes : tuple of str
        Classes that agree with the weighings; one where the stack decides.
    scheme, source : str
        Whose classes, and where they stand.
    share : float
        Mass fraction that had to pass.
    finest_um, coarsest_um : float
        Apertures between which the stack can tell.
    """

    step_um: float
    classes: tuple[str, ...]
    scheme: str
    source: str
    share: float
    finest_um: float
    coarsest_um: float


def fineness(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    *,
    scheme: str = "Ph. Eur.",
    share: float = 0.5,
) -> Fineness:
    """Fineness class of one distribution.

    Parameters
    ----------
    aperture_um, undersize : array_like, shape (n,)
        Apertures used, µm, ascending, pan left out; mass fractions finer (0 to 1).
    scheme : {"Ph. Eur.", "USP"}, default="Ph. Eur."
        Whose classes.
    share : float, default=0.5
        Mass fraction that must pass.

    Returns
    -------
    Fineness
        Step size and class; several classes where the stack cannot tell them apart.

    Raises
    ------
    SizeError
        If lengths differ, apertures do not ascend or the scheme is not known.

    Notes
    -----
    USP <811>: the smallest sieve opening through which 50 % or more of the material passes.  Where
    even the finest sieve passes that much, or no sieve does, the powder may belong to any class
    beyond it, and all of these are given.

    Examples
    --------
    >>> found = fineness([125, 180, 355], [0.20, 0.55, 0.98])
    >>> found.step_um, found.classes
    (180.0, ('fine',))
    """
    aperture = np.asarray(aperture_um, dtype=np.float64)
    finer = np.asarray(undersize, dtype=np.float64)
    if aperture.shape != finer.shape or aperture.ndim != 1 or not len(aperture):
        raise SizeError(
            f"Apertures have shape {aperture.shape} and undersize {finer.shape}; give one "
            "undersize for each aperture."
        )
    if aperture[0] <= 0 or (np.diff(aperture) <= 0).any():
        raise SizeError(
            f"The apertures {aperture.tolist()} do not ascend from above 0; sort them and "
            "leave the pan out."
        )
    classes = fineness_classes(scheme)
    passing = np.flatnonzero(finer >= share - _ROUNDING)
    step = float(aperture[passing[0]]) if len(passing) else float("inf")
    low, high = step, step
    if not len(passing):
        low = float(np.nextafter(aperture[-1], np.inf))
    elif passing[0] == 0:
        low = 0.0
    fitting = tuple(one for one in classes if _overlaps(one, low, high))
    return Fineness(
        step_um=step,
        classes=tuple(one.name for one in fitting),
        scheme=scheme,
        source=fitting[0].source,
        share=share,
        finest_um=float(aperture[0]),
        coarsest_um=float(aperture[-1]),
    )


def _overlaps(one: FinenessClass, low: float, high: float) -> bool:
    """Whether a step size anywhere in [low, high] can belong to the class (over, up to]."""
    top = float("inf") if one.up_to_um is None else one.up_to_um
    return high > one.over_um and low <= top


def fineness_table(study: Study) -> pd.DataFrame:
    """Fineness of every run."""
    rows = []
    for run in study.runs:
        apertures = [reading.aperture_um for reading in run.readings[1:]]
        found = fineness(apertures, cumulative_undersize(run))
        rows.append(
            {
                "run": run.name,
                TIME: run.milling_time_min,
                "step_um": found.step_um,
                "classes": " or ".join(found.classes),
                "scheme": found.scheme,
                "source": found.source,
            }
        )
    return pd.DataFrame(rows)
