"""First-order breakage of size classes in a batch mill.

The population balance of a batch mill with first-order breakage, on size classes counted from the
coarsest (i = 0) to the finest::

    dM_i/dt = -S_i M_i + sum_{j<i} b_ij S_j M_j

with the selection function ``S_i = s (x_i / x_ref)^a / (1 + (x_i / x_max)^L)`` (min⁻¹) and the
cumulative breakage function ``B_ij = φ r^γ + (1 − φ) r^β``, r being the upper edge of class i over
the lower edge of class j.  The finest class collects what breaks out of the grid and does not
break.  Sizes in µm, times in min, masses as fractions of the charge.

Sources, from memory: K. J. Reid, Chem. Eng. Sci. 20 (1965) 953 (batch grinding equation and its
closed solution); L. G. Austin, R. R. Klimpel and P. T. Luckie, Process Engineering of Size
Reduction: Ball Milling, 1984 (the two functions).

Not done: wet or continuous milling, slowing of breakage as fines build up, agglomeration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln

from psdstats.errors import SizeError
from psdstats.frozen import Array


@dataclass(frozen=True, kw_only=True)
class Breakage:
    """How fast a size breaks and what it breaks into.

    Parameters
    ----------
    rate_per_min : float
        Selection s at the reference size, min⁻¹; above 0.
    reference_um : float, default=250
        Reference size x_ref, µm.
    size_exponent : float, default=1
        Exponent a of the selection function.
    falloff_um : float or None
        Size x_max near which particles become too large to be nipped; None for no fall-off.
    falloff_exponent : float, default=3
        Exponent L of that fall-off.
    fines_share : float, default=0.3
        φ, the share of the breakage product that follows the flatter power; 0 to 1.
    fines_exponent : float, default=1.2
        γ, the slope of the product at the fine end.
    coarse_exponent : float, default=4
        β, the slope of the product at the coarse end.
    """

    rate_per_min: float
    reference_um: float = 250.0
    size_exponent: float = 1.0
    falloff_um: float | None = None
    falloff_exponent: float = 3.0
    fines_share: float = 0.3
    fines_exponent: float = 1.2
    coarse_exponent: float = 4.0

    def __post_init__(self) -> None:
        positive = ("rate_per_min", "reference_um", "fines_exponent", "coarse_exponent")
        for name in positive:
            if not getattr(self, name) > 0:
                raise SizeError(f"Breakage.{name} is {getattr(self, name)}; give a value above 0.")
        if not 0 <= self.fines_share <= 1:
            raise SizeError(
                f"Breakage.fines_share is {self.fines_share}; give a value from 0 to 1."
            )
        if self.falloff_um is not None and not self.falloff_um > 0:
            raise SizeError(
                f"Breakage.falloff_um is {self.falloff_um}; give a size above 0 or None."
            )


def size_edges(coarsest_um: float, finest_um: float, *, per_octave: int = 12) -> Array:
    """Edges of geometric size classes, falling from the coarsest.

    Shapes: gives (n_edges,).

    Examples
    --------
    >>> size_edges(400, 100, per_octave=1)
    array([400., 200., 100.])
    """
    if not coarsest_um > finest_um > 0:
        raise SizeError(
            f"The size grid runs from {coarsest_um} µm down to {finest_um} µm; "
            "give a coarsest size above the finest and both above 0."
        )
    if per_octave < 1:
        raise SizeError(f"per_octave is {per_octave}; ask for at least 1 class an octave.")
    count = int(np.ceil(per_octave * np.log2(coarsest_um / finest_um) - 1e-9))
    return np.asarray(coarsest_um * np.exp2(-np.arange(count + 1) / per_octave))


def breakage_rates(edges_um: ArrayLike, breakage: Breakage) -> Array:
    """Selection function of every class, the last class (below the last edge) being 0.

    Shapes: edges_um (n_edges,); gives (n_edges,).
    """
    edges = np.asarray(edges_um, dtype=float)
    size = np.sqrt(edges[:-1] * edges[1:])
    rate = breakage.rate_per_min * (size / breakage.reference_um) ** breakage.size_exponent
    if breakage.falloff_um is not None:
        rate /= 1.0 + (size / breakage.falloff_um) ** breakage.falloff_exponent
    return np.append(rate, 0.0)


def rate_matrix(edges_um: ArrayLike, breakage: Breakage) -> Array:
    """Lower triangular matrix A of dM/dt = A M.

    Shapes: edges_um (n,); gives (n, n).
    """
    edges = np.asarray(edges_um, dtype=float)
    n = edges.size
    ratio = edges[:, None] / edges[None, 1:]  # upper edge of class i over lower edge of class j
    share = breakage.fines_share
    power = share * ratio**breakage.fines_exponent + (1 - share) * ratio**breakage.coarse_exponent
    finer = np.zeros((n + 1, n))  # B_ij; below the finest class nothing is left
    finer[:n, : n - 1] = np.where(ratio < 1.0 - 1e-12, power, 1.0)
    product = finer[:-1] - finer[1:]  # b_ij
    rates = breakage_rates(edges, breakage)
    return np.asarray(product * rates - np.diag(rates))


def mill(feed: ArrayLike, edges_um: ArrayLike, breakage: Breakage, *, time_min: ArrayLike) -> Array:
    """Class masses of a charge after milling.

    Shapes: feed (n,), edges_um (n,), time_min (...); gives (..., n).

    Notes
    -----
    M(t) = exp(At) M(0) is summed as ``Σ_k Poisson(k; Λt) (I + A/Λ)^k M(0)`` with Λ the largest
    rate (uniformisation).  Every term is non-negative, so nothing cancels, and two classes with
    equal rates do no harm, where the closed solution of Reid (1965) divides by their difference.
    """
    start = np.asarray(feed, dtype=float)
    edges = np.asarray(edges_um, dtype=float)
    time = np.asarray(time_min, dtype=float)
    if start.shape != edges.shape:
        raise SizeError(
            f"The feed has {start.size} classes and the grid {edges.size}; "
            "give one mass for each edge, the last for what lies below the last edge."
        )
    if not np.all(np.isfinite(time) & (time >= 0)):
        raise SizeError(f"A milling time is {np.min(time)} min; give finite times from 0 upwards.")
    matrix = rate_matrix(edges, breakage)
    top_rate = float(-matrix.diagonal().min())
    events = top_rate * time.ravel()
    last = float(events.max(initial=0.0))
    count = int(last + 12 * np.sqrt(last) + 40)
    step = np.eye(edges.size) + matrix / top_rate
    powers = np.empty((count, edges.size))
    powers[0] = start
    for k in range(1, count):
        powers[k] = step @ powers[k - 1]
    return np.asarray(_poisson(events, count) @ powers).reshape(*time.shape, edges.size)


def _poisson(mean: Array, count: int) -> Array:
    """Poisson probabilities of 0 … count − 1 for each mean, shape (n_means, count)."""
    k = np.arange(count)
    safe = np.where(mean > 0, mean, 1.0)[:, None]
    weight = np.exp(k * np.log(safe) - safe - gammaln(k + 1))
    weight[mean == 0] = k == 0
    return np.asarray(weight)
