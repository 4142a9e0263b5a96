"""The result of a propagation: sizes of all runs with their joint uncertainty, and their means.

Means over runs are geometric, with the joint covariance, so that errors shared by the runs do not
average out.  Run-to-run variation is not in their limits; it belongs to the comparison of runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES, TIME, unit_of
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Indices, Still
from psdstats.present import Shown
from psdstats.uncertainty.linear import Contributions, coverage_factor
from psdstats.uncertainty.monte_carlo import JointMoments, numerical_tolerance


class Method(StrEnum):
    """How uncertainty is propagated: JCGM 101 draws or the JCGM 100 linear law.

    Examples
    --------
    >>> from psdstats.uncertainty import Method
    >>> [str(method) for method in Method]
    ['monte carlo', 'linear']
    """

    MONTE_CARLO = "monte carlo"
    LINEAR = "linear"

    @classmethod
    def _missing_(cls, value: object) -> Method:
        names = " or ".join(repr(str(known)) for known in cls)
        raise UncertaintyError(f"method {value!r} is not known; choose {names}.")


class PropagationRemark(RemarkKind):
    """What to know of a propagation."""

    LINEAR_DOUBTFUL = "linear interval doubtful"  # run, quantity
    HIDDEN_PEAK = "a class may hide a peak"  # runs, finer_um, coarser_um
    FLAT_STEP = "a level along a flat step"  # run, quantity
    BEYOND_SIEVES = "draws beyond the sieves"  # run, quantity, share
    NOT_SETTLED = "draws not settled"  # draws, digits, left, watched
    MANY_RUNS = "curves in blocks"  # runs
    RATIO_DOUBTFUL = "linear ratio doubtful"  # run, quantity
    RATIO_BEYOND_SIEVES = "draws of a ratio beyond"  # quantity, high, low, share


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws(Still):
    """What only draws can tell; arrays have the shape of the result.

    Attributes
    ----------
    draws : int
        Number of draws.
    settled : bool
        Whether the results have settled to their tolerance.
    shortest_lower, shortest_upper : ndarray
        Shortest coverage interval.
    tolerance : ndarray
        Numerical tolerance of u and of the ends.
    share_unbracketed : ndarray
        Share of draws without a value.
    """

    draws: int
    settled: bool
    shortest_lower: Array
    shortest_upper: Array
    tolerance: Array
    share_unbracketed: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class SizeDraws(Draws):
    """The same for the sizes of R runs, shape (R, 4).

    Attributes
    ----------
    mean : ndarray
        Averages of the draws.
    share_negative : ndarray, shape (R,)
        Share of draws with a net mass below zero.
    """

    mean: Array
    share_negative: Array

    def rows(self, order: Indices) -> SizeDraws:
        """The same with the runs in another order."""
        own: dict[str, Any] = vars(self)
        arrays = {name: one[order] for name, one in own.items() if isinstance(one, np.ndarray)}
        return replace(self, **(own | arrays))


@dataclass(frozen=True, kw_only=True, eq=False)
class Joint:
    """Joint covariance of C numbers, made when it is asked for, and for some of them.

    Attributes
    ----------
    of_logs : Contributions or JointMoments or ndarray
        What makes that of the logarithms: inputs, draws, or the matrix itself.
    of_values : JointMoments, optional
        The same of the values; by that of the logarithms, where left out.
    """

    of_logs: Contributions | JointMoments | Array
    of_values: JointMoments | None = None

    def rows(self, which: Indices | slice) -> Joint:
        """The same for some of the numbers."""
        logs, values = self.of_logs, self.of_values
        own = logs[which][:, which] if isinstance(logs, np.ndarray) else logs.rows(which)
        return Joint(of_logs=own, of_values=None if values is None else values.rows(which))

    def u_of_mean(self, which: Indices) -> float:
        """Standard uncertainty of the mean of the logarithms of some of the numbers."""
        own = self.rows(which).of_logs
        if isinstance(own, Contributions):
            return float(own.contrasts(np.full((1, len(which)), 1 / len(which))).u[0])
        return float(np.sqrt((own if isinstance(own, np.ndarray) else own.covariance).mean()))

    def covariance(self, value: Array, *, log: bool) -> Array:
        """Of the numbers with these values, or of their logarithms, (C, C); NaN where none is."""
        made = self.of_logs if log or self.of_values is None else self.of_values
        matrix = made if isinstance(made, np.ndarray) else made.covariance
        by = value if made is self.of_logs and not log else np.where(np.isnan(value), np.nan, 1.0)
        return np.asarray(matrix * np.outer(by, by))


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class DrawnOrLinear(Still, Shown):
    """A result of either method, and what it can be asked.

    What only draws can tell is NaN, 0 draws and settled in the linear law.

    Attributes
    ----------
    lower, upper, bound_lower, bound_upper, effective_df : ndarray
        Ends of the interval, what the sieves leave for it, degrees of freedom of the linear law.
    coverage, method, seed, sources, sources_left_out, rule, notes
        How it was done, and what to know of it.
    monte_carlo : Draws or None
        What only draws can tell.
    """

    lower: Array
    upper: Array
    bound_lower: Array
    bound_upper: Array
    coverage: float
    effective_df: Array
    method: Method
    seed: int = 0
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    rule: str
    notes: tuple[Remark | str, ...]
    monte_carlo: Draws | None = None

    @property
    def draws(self) -> int:
        """Number of draws; 0 in the linear law."""
        return 0 if self.monte_carlo is None else self.monte_carlo.draws

    @property
    def settled(self) -> bool:
        """Whether the draws reached their tolerance; True in the linear law."""
        return self.monte_carlo is None or self.monte_carlo.settled

    @property
    def k(self) -> Array:
        """Coverage factors of the linear law; NaN in Monte Carlo, which needs none."""
        factor = coverage_factor(self.coverage, self.effective_df)
        return factor if self.monte_carlo is None else np.full(factor.shape, np.nan)

    @property
    def shortest_lower(self) -> Array:
        """Lower end of the shortest coverage interval."""
        return self._drawn("shortest_lower")

    @property
    def shortest_upper(self) -> Array:
        """Upper end of the shortest coverage interval."""
        return self._drawn("shortest_upper")

    @property
    def tolerance(self) -> Array:
        """Numerical tolerance of u and of the ends."""
        return self._drawn("tolerance")

    @property
    def share_unbracketed(self) -> Array:
        """Share of draws without a value."""
        return self._drawn("share_unbracketed")

    @property
    def mean(self) -> Array:
        """Averages of the draws."""
        return self._drawn("mean")

    @property
    def share_negative(self) -> Array:
        """Share of draws with a net mass below zero, by run."""
        return self._drawn("share_negative")

    def _ravelled(self, *names: str) -> dict[str, Array]:
        """Columns of a table with one row a number."""
        return {name: getattr(self, name).ravel() for name in names}

    def _drawn(self, name: str) -> Array:
        if self.monte_carlo is None:
            shape = self.upper.shape
            return np.full(shape[:1] if name == "share_negative" else shape, np.nan)
        return np.asarray(getattr(self.monte_carlo, name))


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Propagation(DrawnOrLinear):
    """Sizes of R runs with joint uncertainty; arrays have shape (R, 4) unless stated.

    What only draws can tell (`draws`, `settled`, `share_unbracketed`, `shortest_lower`, …) may be
    asked of the result itself: NaN, 0 draws and settled in the linear law.

    Attributes
    ----------
    runs, quantities : tuple of str
        Run names; D10, D50, D90, span.
    groups : tuple of str
        Group of each run.
    milling_time_min : ndarray, shape (R,)
        Milling time of each run.
    value : ndarray
        Sizes in µm and span at the best estimates of all inputs; NaN where not bracketed.
    u : ndarray
        Standard uncertainties; NaN where there is no value.  In Monte Carlo, of the draws that
        have a value.
    lower, upper : ndarray
        Coverage interval: quantiles of the law of the curve for that k, or value ± k u by a rule
        (linear); with equal probability outside (Monte Carlo).
        An end beyond the sieves is open: 0, or inf.  Where the size has no value the linear
        interval is the open interval it lies in.
    coverage : float
        Coverage probability.
    effective_df : ndarray
        Welch-Satterthwaite degrees of freedom of the linear law.
    balance_share : ndarray
        Share of the linear variance that comes from the balance.
    source_share : ndarray, shape (R, 4, n_sources)
        Share of the linear variance of each source.
    joint : Joint
        Joint covariance of values and of their logarithms; row 4 r + q is quantity q of run r.
    status : tuple of tuple of str
        "bracketed", "below the finest sieve", "above the coarsest sieve"; "in one class" of a span
        where nothing tells D10 from D90.
    bound_lower, bound_upper : ndarray
        The value, or the open interval that holds it.
    linear_valid : ndarray of (bool or None)
        Whether the linear interval passes the comparison of JCGM 101, clause 8 (one digit of u),
        with its ends and u within 10 % of the Monte Carlo ones; None where no comparison was made.
        False in the linear method means a reason to doubt it is known.
    method : Method
        How it was done.
    seed : int
        Seed of the draws.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    rule : str
        Prescribed interpolation rule; empty where sizes are the powder's own.
    notes : tuple of (Remark or str)
        Assumptions and doubts; text is that of the study.
    monte_carlo : SizeDraws or None
        What only draws can tell; None in the linear law.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> sizes = psdstats.propagate(study, method="linear")
    >>> sizes.expanded[3].round(1), sizes.status[3]
    (array([5.2, 7.2, nan, nan]), ('bracketed', 'bracketed', 'bracketed', 'bracketed'))
    """

    runs: tuple[str, ...]
    groups: tuple[str, ...]
    milling_time_min: Array
    quantities: tuple[str, ...] = QUANTITIES
    value: Array
    u: Array
    balance_share: Array
    source_share: Array
    joint: Joint
    status: tuple[tuple[str, ...], ...]
    linear_valid: NDArray[np.object_]
    monte_carlo: SizeDraws | None = None

    @cached_property
    def expanded(self) -> Array:
        """Expanded uncertainty U = k u, half the interval, shape (R, 4).

        NaN where value ± U misses an end of the interval by more than one unit of the second
        significant digit of u: such a result is stated by its interval.
        """
        half = (self.upper - self.lower) / 2
        with np.errstate(invalid="ignore"):
            off = np.abs(self.lower + half - self.value)
            fits = (off <= 2 * numerical_tolerance(self.u)) & (half > 0)
        return np.where(fits, half, np.nan)

    @cached_property
    def k(self) -> Array:
        """Coverage factor U/u; NaN where no expanded uncertainty is stated."""
        return self.expanded / self.u

    @property
    def covariance_matrix(self) -> Array:
        """Joint covariance of all values, shape (4 R, 4 R); made anew at each call."""
        return self.joint.covariance(self.value.ravel(), log=False)

    @property
    def log_covariance_matrix(self) -> Array:
        """The same of their logarithms."""
        return self.joint.covariance(self.value.ravel(), log=True)

    def covariance(self, quantity: str, *, log: bool = False) -> pd.DataFrame:
        """Covariance of one quantity over all runs, labelled by run.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            Which quantity.
        log : bool, default=False
            Covariance of its logarithm, as a mixed model on ln D takes it.

        Returns
        -------
        DataFrame, shape (R, R)
            In µm² (1 for span), or without unit; NaN for runs without a value.

        Raises
        ------
        UncertaintyError
            Naming the quantities there are.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> sizes = psdstats.propagate(study, method="linear")
        >>> sizes.covariance("D50").round(1).loc["mill-0"].tolist()
        [24.5, 17.6, 7.5, 1.4, 0.3]
        """
        if quantity not in self.quantities:
            raise UncertaintyError(
                f"quantity {quantity!r} is not known; choose from {', '.join(self.quantities)}."
            )
        first = self.quantities.index(quantity)
        own = self.joint.rows(slice(first, None, len(self.quantities)))
        labels = pd.Index(self.runs, name="run")
        matrix = own.covariance(self.value[:, first], log=log)
        return pd.DataFrame(matrix, index=labels, columns=labels)

    def to_ufloats(self) -> pd.DataFrame:
        """Sizes as numbers that carry their uncertainty, and what they share, through arithmetic.

        Returns
        -------
        DataFrame, shape (R, 4)
            Runs by quantities; each cell a number of the package uncertainties, in µm (1 for span);
            NaN where a size has no value.

        Raises
        ------
        UncertaintyError
            If the package uncertainties is not installed.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> sizes = psdstats.propagate(study, method="linear").to_ufloats()
        >>> print(sizes.loc["mill-48", "D50"] / sizes.loc["mill-0", "D50"])
        0.534+/-0.016
        """
        try:
            from uncertainties import correlated_values
        except ImportError as missing:
            raise UncertaintyError(
                "to_ufloats needs the package uncertainties; install it with: "
                "pip install uncertainties"
            ) from missing
        values, covariance = self.value.ravel(), self.covariance_matrix
        known = np.isfinite(values) & np.isfinite(np.diag(covariance))
        cells = np.full(values.shape, np.nan, dtype=object)
        cells[known] = correlated_values(values[known], covariance[np.ix_(known, known)])
        runs, quantities = pd.Index(self.runs, name="run"), list(self.quantities)
        return pd.DataFrame(cells.reshape(self.value.shape), index=runs, columns=quantities)

    def to_frame(self) -> pd.DataFrame:
        """One row a run and quantity.

        Returns
        -------
        DataFrame
            run, group, milling_time_min, quantity, unit, value, u, u_percent, expanded (U = k u;
            NaN where the interval is not symmetric), k, effective_df, lower, upper, coverage,
            method, balance_share, status, bound_lower, bound_upper,
            share_unbracketed, linear_valid.  Sizes and their u are in µm, shares are fractions.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> sizes = psdstats.propagate(study, method="linear")
        >>> sizes.to_frame()[["run", "quantity", "value", "u", "unit"]].head(2).round(1)
              run quantity  value    u unit
        0  mill-0      D10  155.0  3.1   µm
        1  mill-0      D50  247.3  4.9   µm
        """
        n_runs, n_quantities = self.value.shape
        return pd.DataFrame(
            {
                "run": np.repeat(np.array(self.runs, dtype=object), n_quantities),
                "group": np.repeat(np.array(self.groups, dtype=object), n_quantities),
                TIME: np.repeat(self.milling_time_min, n_quantities),
                "quantity": list(self.quantities) * n_runs,
                "unit": [unit_of(one) or "1" for one in self.quantities] * n_runs,
                **self._ravelled("value", "u"),
                "u_percent": (100 * self.u / self.value).ravel(),
                **self._ravelled("expanded", "k", "effective_df", "lower", "upper"),
                "coverage": self.coverage,
                "method": str(self.method),
                **self._ravelled("balance_share"),
                "status": [one for row in self.status for one in row],
                **self._ravelled("bound_lower", "bound_upper", "share_unbracketed"),
                "linear_valid": pd.array(self.linear_valid.ravel().tolist(), dtype="boolean"),
            }
        )


def mean_sizes(
    propagation: Propagation, runs: pd.DataFrame, by: Sequence[str], *, coverage: float = 0.95
) -> pd.DataFrame:
    """Geometric mean of each quantity over the runs of each cell."""
    k = float(coverage_factor(coverage))
    with np.errstate(divide="ignore"):
        low, high = np.log(propagation.bound_lower), np.log(propagation.bound_upper)
    rows = []
    for column, quantity in enumerate(propagation.quantities):
        joint = propagation.joint.rows(slice(column, None, len(propagation.quantities)))
        for key, found in runs.groupby(list(by), sort=True).indices.items():
            index = np.asarray(found, dtype=np.intp)
            cell = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
            ends = float(low[index, column].mean()), float(high[index, column].mean())
            is_below, is_above = np.isneginf(ends[0]), np.isposinf(ends[1])
            half, centre, side = 0.0, np.nan, ""
            if np.isfinite(propagation.value[index, column]).all():
                centre, half = ends[0], k * joint.u_of_mean(index)
            elif is_below != is_above:
                centre, side = (ends[1], "<") if is_below else (ends[0], ">")
            limits = np.exp([centre, centre - half, centre + half]).tolist()
            rows.append(
                {**cell, "quantity": quantity, "n_runs": len(index)}
                | dict(zip(("value", "lower", "upper"), limits, strict=True))
                | {"side": side}
            )
    return pd.DataFrame(rows)
