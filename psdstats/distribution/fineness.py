"""Fineness class of a powder by the pharmacopoeia's step rule.

The rule takes the smallest aperture (µm) through which at least half of the mass passes.  It is one
of the sieves used, not an interpolated size: it is called step size here and must not be read as
D50.  Class limits and their sources are data of `psdstats.sieves` (`fineness_classes`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import TIME
from psdstats.distribution.curves import cumulative_undersize
from psdstats.errors import SizeError
from psdstats.sieves.standards import FinenessClass, fineness_classes
from psdstats.study.records import Study

_ROUNDING = 1e-12  # an undersize this little below the share is a rounding error of a sum


@dataclass(frozen=True, kw_only=True)
class Fineness:
    """Fineness by the step rule.

    Parameters
    ----------
    step_um : float
        Smallest aperture through which the share passes; inf where it passes none.
    classes : tuple of str
        Classes that agree with the weighings; one where the stack decides.
    scheme, source : str
        Whose classes, and where they stand.
    sentence : str
        The finding in words.
    """

    step_um: float
    classes: tuple[str, ...]
    scheme: str
    source: str
    sentence: str


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
        sentence=_sentence(fitting, step, aperture, share),
    )


def _overlaps(one: FinenessClass, low: float, high: float) -> bool:
    """Whether a step size anywhere in [low, high] can belong to the class (over, up to]."""
    top = float("inf") if one.up_to_um is None else one.up_to_um
    return high > one.over_um and low <= top


def _sentence(
    fitting: tuple[FinenessClass, ...], step: float, aperture: np.ndarray, share: float
) -> str:
    names, passed = " or ".join(one.name for one in fitting), f"{100 * share:g} %"
    if np.isinf(step):
        found = f"no sieve used passes {passed}, so the step size is above {aperture[-1]:g} µm"
    elif step == aperture[0]:
        found = f"the finest sieve used passes {passed}, so the step size is at most {step:g} µm"
    else:
        found = f"step size {step:g} µm (smallest aperture used that passes {passed})"
    text = f"{names} powder ({fitting[0].scheme}): {found}"
    if len(fitting) > 1:
        text += "; the stack does not tell these classes apart"
    return text


def fineness_table(study: Study, *, scheme: str = "Ph. Eur.") -> pd.DataFrame:
    """Fineness of every run."""
    rows = []
    for run in study.runs:
        found = fineness(
            [reading.aperture_um for reading in run.readings[1:]],
            cumulative_undersize(run),
            scheme=scheme,
        )
        rows.append(
            {
                "run": run.name,
                TIME: run.milling_time_min,
                "step_um": found.step_um,
                "classes": " or ".join(found.classes),
                "scheme": found.scheme,
                "source": found.source,
                "sentence": found.sentence,
            }
        )
    return pd.DataFrame(rows)
