"""Bootstrap interval of a mean over independent units.

Resampled are the units, one number each.

Fewer than eight units give no interval.  For normal data the percentile interval with n units has
half-width about z √((n-1)/n) s/√n, so at 95 % it misses the truth 19 times in 100 with four units,
12 with seven, 11 with eight, 8 with sixteen (Student's distribution; checked by simulation in the
tests).  References: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993 (from
memory).  The parametric bootstrap of the mixed model is in `psdstats.models`.

Bootstrap intervals for means and ratios of sizes over replicates or over groups.

Sizes enter as logarithms: means are geometric, differences are ratios.  Resampled are the
independent units: runs where nothing binds them, whole groups (clusters) where a group's runs are
alike.  A quantity is then a mean over units of one number each (see `bootstrap`).
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from itertools import combinations

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from psdstats.columns import TIME, signed
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.limits import LEVEL, RESAMPLES

LEAST_UNITS = 8
"""Fewest independent units for which an interval is given."""


class BootstrapMethod(StrEnum):
    """How the interval is read from the resamples."""

    PERCENTILE = "percentile"
    BCA = "bca"
    STUDENTISED = "studentised"

    @classmethod
    def _missing_(cls, value: object) -> BootstrapMethod:
        names = ", ".join(repr(str(one)) for one in cls)
        raise UncertaintyError(f"method {value!r} is not known; choose {names}.")


def bootstrap_interval(
    parts: list[Array],
    *,
    method: str | BootstrapMethod = BootstrapMethod.BCA,
    coverage: float = 0.95,
    resamples: int = 9_999,
    generator: np.random.Generator,
) -> tuple[float, float]:
    """Interval for mean(parts[0]) - mean(parts[1]) - …, each part resampled by itself.

    Notes
    -----
    BCa: bias from the share of resamples below the estimate, acceleration from the jackknife over
    all units.  Studentised: resampled t with the standard error of the resample.
    """
    signs = [1.0] + [-1.0] * (len(parts) - 1)
    centre = sum(sign * part.mean() for sign, part in zip(signs, parts, strict=True))
    draws = np.zeros(resamples)
    variance = np.zeros(resamples)
    for sign, part in zip(signs, parts, strict=True):
        picked = part[generator.integers(part.size, size=(resamples, part.size))]
        draws += sign * picked.mean(axis=1)
        variance += picked.var(axis=1, ddof=1) / part.size
    tail = np.array([(1 - coverage) / 2, (1 + coverage) / 2])
    if method == BootstrapMethod.STUDENTISED:
        error = np.sqrt(sum(part.var(ddof=1) / part.size for part in parts))
        known = variance > 0
        low, high = np.quantile((draws[known] - centre) / np.sqrt(variance[known]), tail)
        return float(centre - high * error), float(centre - low * error)
    if method == BootstrapMethod.BCA:
        tail = _bca_levels(parts, signs, draws, float(centre), tail)
    low, high = np.quantile(draws, tail)
    return float(low), float(high)


def _bca_levels(
    parts: list[Array], signs: list[float], draws: Array, centre: float, tail: Array
) -> Array:
    """Levels of the resampled distribution that BCa reads instead of the nominal ones."""
    below = (np.count_nonzero(draws < centre) + np.count_nonzero(draws <= centre)) / 2
    bias = ndtri(np.clip(below / draws.size, 0.5 / draws.size, 1 - 0.5 / draws.size))
    # influence of each unit on the result: its deviation over the number of units of its sample
    scaled = np.concatenate(
        [sign * (part - part.mean()) / part.size for sign, part in zip(signs, parts, strict=True)]
    )
    spread = (scaled**2).sum() ** 1.5
    acceleration = (scaled**3).sum() / (6 * spread) if spread > 0 else 0.0
    z = bias + ndtri(tail)
    return np.asarray(ndtr(bias + z / (1 - acceleration * z)))


def bootstrap_sizes(
    frame: pd.DataFrame,
    *,
    response: str,
    by: str = TIME,
    unit: str | None = None,
    method: str | BootstrapMethod = BootstrapMethod.BCA,
    coverage: float = 0.95,
    resamples: int = 9_999,
    seed: int = 0,
) -> pd.DataFrame:
    """Bootstrap geometric means at every level of a column, and ratios of every pair.

    Parameters
    ----------
    frame : DataFrame
        One row a run.
    response : str
        Column of sizes (or span), above 0.
    by : str, default="milling_time_min"
        Column whose levels are compared.
    unit : str, optional
        Column of the independent units, such as "group".  Within a unit the runs of a level are
        averaged and ratios are taken, so a unit must have both levels to count in a ratio.
        Without it every run is a unit and levels are resampled independently.
    method : {"bca", "percentile", "studentised"}, default="bca"
        Kind of interval.
    coverage : float, default=0.95
        Nominal coverage probability.
    resamples : int, default=9999
        Number of resamples.
    seed : int, default=0
        Seed; every row has a stream of its own.

    Returns
    -------
    DataFrame
        One row a mean, then one a ratio: kind ("mean" or "ratio"), level, versus, estimate, lower,
        upper, n_units, status.  Limits are NaN, with the reason in `status`, where there are fewer
        than `LEAST_UNITS` units or a run has no size.

    Raises
    ------
    UncertaintyError
        If a column is missing, an option is out of range or a size is not above 0.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.uncertainty import bootstrap_sizes
    >>> sizes = [250, 252, 248, 251, 249, 250]
    >>> frame = pd.DataFrame({"milling_time_min": [0.0] * 6, "D50": sizes})
    >>> bootstrap_sizes(frame, response="D50", resamples=999)["estimate"].round(1).tolist()
    [250.0]
    """
    way = BootstrapMethod(method)
    for name in (response, by, *(() if unit is None else (unit,))):
        if name not in frame.columns:
            raise UncertaintyError(
                f"column {name!r} is not in the frame; it has {', '.join(map(str, frame.columns))}."
            )
    LEVEL.require("coverage", coverage, UncertaintyError)
    RESAMPLES.require("resamples", resamples, UncertaintyError)
    sizes = frame[response].to_numpy(dtype=float)
    if (sizes <= 0).any():
        raise UncertaintyError(
            f"column {response!r} holds {signed(sizes.min())}; sizes are above 0."
        )
    rows = []
    for number, (name, parts) in enumerate(_samples(frame, response, by, unit)):
        n_units, known = min(map(len, parts)), all(np.isfinite(part).all() for part in parts)
        status, estimate, ends = "given", np.nan, (np.nan, np.nan)
        if n_units == 0:
            status = "no common unit"
        elif not known:
            status = "run without size"
        else:
            estimate = parts[0].mean() - sum(part.mean() for part in parts[1:])
            status = "too few units" if n_units < LEAST_UNITS else "given"
        if status == "given":
            ends = bootstrap_interval(
                parts,
                method=way,
                coverage=coverage,
                resamples=resamples,
                generator=np.random.default_rng([seed, number]),
            )
        sizes = np.exp([estimate, *ends]).tolist()
        found = dict(zip(("estimate", "lower", "upper"), sizes, strict=True))
        rows.append({**name, **found, "n_units": n_units, "status": status})
    return pd.DataFrame(rows)


def _samples(
    frame: pd.DataFrame, response: str, by: str, unit: str | None
) -> Iterator[tuple[dict[str, object], list[Array]]]:
    """Unit values on ln for each mean, then for each ratio."""
    table = pd.DataFrame(
        {
            "ln": np.log(frame[response].to_numpy(dtype=float)),
            "level": frame[by].to_numpy(),
            "unit": np.arange(len(frame)) if unit is None else frame[unit].to_numpy(),
        }
    )
    averaged = table.groupby(["level", "unit"], sort=True)["ln"].agg(lambda s: s.mean(skipna=False))
    levels = list(averaged.index.get_level_values("level").unique())
    of_level = {level: averaged.loc[level] for level in levels}
    for level, own in of_level.items():
        yield {"kind": "mean", "level": level, "versus": None}, [own.to_numpy(dtype=float)]
    for first, second in combinations(levels, 2):
        parts = [of_level[second], of_level[first]]
        if unit is not None:
            common = parts[0].index.intersection(parts[1].index)
            parts = [parts[0].loc[common] - parts[1].loc[common]]
        name = {"kind": "ratio", "level": second, "versus": first}
        yield name, [part.to_numpy(dtype=float) for part in parts]
