"""Whether a size, or the share above a sieve, keeps to a limit: decisions after JCGM 106:2012.

Sizes and span are judged on their logarithm, shares as they are.  What is judged is the mean of a
condition where it was run more than once, else the run.  The measurement enters with its joint law,
asymmetric where the law of the curve is; run-to-run scatter is estimated from the replicates of all
conditions together and counts in means alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import ndtr

from psdstats import columns as col
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Indices
from psdstats.limits import GUARD_K, SHARE, SIZE_UM, SPAN, SPREAD
from psdstats.student import critical_t, upper_tail
from psdstats.study.aside import every_note
from psdstats.study.records import Run, Study
from psdstats.uncertainty.engine import undersize_contributions
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.linear import Contributions

_APART = (*col.BOOKKEEPING, col.SHAKING_TIME)  # they make no condition of their own
_RISK = 0.05  # largest risk of accepting what does not conform, where no guard band is stated
_SCORES = np.r_[0.0:4.0:0.03125, 4.0:12.5:0.5]  # at which the reach of a law is read off
_ROUNDING = 1e-9
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_BEYOND = 9.0  # standard deviations beyond which a normal law holds nothing


class Conformity(StrEnum):
    """What can be said of a size and its limits."""

    CONFORMING = "conforming"
    NOT_CONFORMING = "not conforming"
    CANNOT_BE_TOLD = "cannot be told"


class ConformityRemark(RemarkKind):
    """What to know of decisions on limits."""

    SCATTER = "run-to-run scatter"  # sd_percent (points for shares), degrees_of_freedom, is_share
    NO_REPLICATES = "measurement alone"  # conditions
    BY_BOUND = "decided by a bound"  # conditions
    NO_SIEVE = "sieve not used"  # runs, aperture_um


@dataclass(frozen=True, kw_only=True)
class Specification:
    """The limits of one quantity.

    Parameters
    ----------
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        What is limited; not read where a sieve is given.
    share_above_um : float or None
        Nominal aperture of the sieve, µm, where the mass share above it is limited.
    lower, upper : float or None
        Limits, µm for sizes, fractions for shares; at least one.
    guard_k : float or None
        Guard band in standard uncertainties, 0 for simple acceptance; by default so many that the
        limit would be passed with 5 % probability at its end.
    process : (float, float) or None
        Mean and standard deviation of what is made, in the unit of the limits: with them the
        risks of producer and consumer over all that is made.

    Raises
    ------
    UncertaintyError
        If there is no limit, or none can be kept.
    """

    quantity: str = "D50"
    share_above_um: float | None = None
    lower: float | None = None
    upper: float | None = None
    guard_k: float | None = None
    process: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.quantity not in col.QUANTITIES:
            known = ", ".join(col.QUANTITIES)
            raise UncertaintyError(f"quantity {self.quantity!r} is not known; choose from {known}.")
        limits = [one for one in (self.lower, self.upper) if one is not None]
        if not limits:
            raise UncertaintyError("there is no limit; give lower, upper or both.")
        allowed, what = (SPAN if self.quantity == "span" else SIZE_UM), "a limit"
        if self.is_share:
            allowed, what = SHARE, "the limit of a share (0.05 is 5 %)"
            SIZE_UM.require("the aperture of the share", self.share_above_um, UncertaintyError)
        for one in limits:
            allowed.require(what, one, UncertaintyError)
        if self.process is not None:
            allowed.require("the mean of the process", self.process[0], UncertaintyError)
            SPREAD.require(
                "the standard deviation of the process", self.process[1], UncertaintyError
            )
        if len(limits) > 1 and limits[0] >= limits[1]:
            raise UncertaintyError(
                f"the lower limit {limits[0]:g} is not below the upper {limits[1]:g}; swap them."
            )
        if self.guard_k is not None:
            GUARD_K.require("guard_k", self.guard_k, UncertaintyError)

    @property
    def is_share(self) -> bool:
        """Whether a mass share above a sieve is limited."""
        return self.share_above_um is not None

    @property
    def limits(self) -> Array:
        """Limits on the scale on which they are judged, (2,); -inf and inf where there is none."""
        ends = ((self.lower, -math.inf), (self.upper, math.inf))
        return np.array([none if one is None else float(self.scaled(one)) for one, none in ends])

    def scaled(self, value: Array | float) -> Array:
        """On the scale of judgement: logarithms of sizes, shares as they are."""
        with np.errstate(divide="ignore"):
            return np.asarray(value, dtype=float) if self.is_share else np.log(value)

    def unscaled(self, value: Array) -> Array:
        """Back in the unit of the limits."""
        return np.clip(value, 0.0, 1.0) if self.is_share else np.exp(value)


@dataclass(frozen=True, kw_only=True, eq=False)
class LimitResult:
    """Decisions on one specification.

    Attributes
    ----------
    specification : Specification
        The limits.
    table : DataFrame
        One row a condition: its columns of the run table, run (where there is one), runs, value,
        u (in the unit of the value), degrees_of_freedom, guard_k,
        accept_from, accept_to, verdict, probability (that it conforms), consumer_risk (that what
        was accepted does not), producer_risk (that what was found not conforming does),
        all_consumer_risk, all_producer_risk (over all that is made), bound_lower, bound_upper.
    conditions : tuple of str
        Columns that tell conditions apart.
    notes : tuple of (Remark or str)
        What was assumed.
    """

    specification: Specification
    table: pd.DataFrame
    conditions: tuple[str, ...]
    notes: tuple[Remark | str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Measured:
    """What is judged, of R runs, on the scale of judgement."""

    runs: tuple[Run, ...]
    value: Array  # (R,)
    bounds: Array  # (2, R)
    known: Contributions  # R rows
    reach: Array  # (2, S, R): how far the law of a run reaches below and above, at _SCORES
    notes: tuple[Remark | str, ...]


def specifications(study: Study) -> tuple[Specification, ...]:
    """The limits that study.toml states, one specification a quantity."""
    stated, found = study.limits, []
    for name in (*col.QUANTITIES, "share_above"):
        unit = "_um" if name in col.QUANTITIES[:3] else ""
        lower, upper = (stated.get(f"{name}_{side}{unit}") for side in ("lower", "upper"))
        if lower is not None or upper is not None:
            is_share = name == "share_above"
            found.append(
                Specification(
                    quantity="D50" if is_share else name,
                    share_above_um=stated["share_above_um"] if is_share else None,
                    lower=lower,
                    upper=upper,
                    guard_k=stated.get("guard_k"),
                )
            )
    return tuple(found)


def judge_limit(
    study: Study, specification: Specification, *, sources: Iterable[str | Source] | None = None
) -> LimitResult:
    """Whether every condition keeps to its limits, and with which probability.

    Parameters
    ----------
    study : Study
        The weighings.
    specification : Specification
        The limits.
    sources : iterable of str or Source, optional
        As in `propagate`.

    Returns
    -------
    LimitResult
        One decision a condition.

    Raises
    ------
    UncertaintyError
        If no stack has the sieve, or as `propagate`.

    Notes
    -----
    With a limit T above a value y of standard uncertainty u, a condition conforms where
    y ≤ T - k u, does not where y ≥ T + k u, and between cannot be told (guarded acceptance and
    guarded rejection, JCGM 106:2012, 8.3); it conforms with probability F((T - y)/u), F the normal
    or Student law (7.3).  In place of k u stands the quantile of the law of the curve where there
    is one.  The variance of the mean of n runs is that of the joint measurement plus σ²/n, with
    σ² the pooled variance of the replicates less what the measurement makes of it, and the degrees
    of freedom of JCGM 100, G.4.1.  An open size is judged by the bound that the sieves leave.
    """
    found = (_shares if specification.is_share else _sizes)(study, specification, sources)
    table = study.runs_frame().set_index(col.RUN).loc[[run.name for run in found.runs]]
    conditions = [str(name) for name in table if name not in _APART and table[name].notna().any()]
    groups = table.groupby(conditions, sort=False, dropna=False).ngroup()
    of_condition = np.asarray(groups, dtype=np.intp)
    samples: dict[tuple[object, ...], int] = {}
    of_unit = []  # runs of one sample, split, are one
    for number, run in zip(of_condition.tolist(), found.runs, strict=True):
        sample = (number, run.name if run.split is None else (run.replicate,))
        of_unit.append(samples.setdefault(sample, len(samples)))
    means = _means(found, np.array(of_unit, dtype=np.intp), of_condition)
    judged = _judge(specification, means)
    first, counts = table.drop_duplicates(conditions), np.bincount(of_condition)
    names = np.array(first.index, dtype=object)
    names[counts > 1] = None
    labels = first[conditions].assign(run=names, runs=counts)
    return LimitResult(
        specification=specification,
        table=labels.reset_index(drop=True).assign(**judged),
        conditions=tuple(conditions),
        notes=(*found.notes, *_remarks(specification, means, judged["verdict"], counts)),
    )


def _sizes(
    study: Study, specification: Specification, sources: Iterable[str | Source] | None
) -> _Measured:
    law, scaled = prepare(study, sources=sources), specification.scaled
    column, order = col.QUANTITIES.index(specification.quantity), law.order
    known = law.contributions.rows(len(col.QUANTITIES) * order + column)
    value = scaled(law.sizes.value[order, column])
    is_plain = law.curves is None or specification.quantity == "span"
    return _Measured(
        runs=law.runs,
        value=value,
        bounds=scaled(np.stack([law.sizes.lower, law.sizes.upper])[:, order, column]),
        known=known,
        reach=_plain_reach(known.u) if is_plain else _reach(law, column, value),
        notes=law.notes,
    )


def _plain_reach(u: Array) -> Array:
    return np.broadcast_to(_SCORES[:, None] * u, (2, len(_SCORES), len(u)))


def _reach(law: JointLaw, column: int, value: Array) -> Array:
    """How far the law of the curve of every run reaches, (2, S, R)."""
    shape, order = law.sizes.value.shape, law.order
    ends = np.stack([law.ends(np.full(shape, k))[:, order, column] for k in _SCORES], axis=1)
    return np.abs(np.log(ends) - value)


def _shares(
    study: Study, specification: Specification, sources: Iterable[str | Source] | None
) -> _Measured:
    law = prepare(study, sources=sources, rule="semilog")  # any rule: a share needs no size
    undersize, known = undersize_contributions(law.arrays, law.table)
    runs, rows, values = [], [], []
    for row, run in zip(law.order.tolist(), law.runs, strict=True):
        for place, reading in enumerate(one for one in run.readings if one.aperture_um > 0):
            if math.isclose(reading.aperture_um, specification.share_above_um or 0.0):
                runs.append(run)
                rows.append(undersize.shape[1] * row + place)
                values.append(1.0 - undersize[row, place])
    if not runs:
        apertures = {r.aperture_um for run in law.runs for r in run.readings if r.aperture_um > 0}
        raise UncertaintyError(
            f"no run was sieved at {specification.share_above_um:g} µm; choose one of the "
            f"apertures in use: {', '.join(f'{one:g}' for one in sorted(apertures))}."
        )
    above, own = np.array(values), known.rows(np.array(rows))
    left = tuple(run.name for run in law.runs if run not in runs)
    absent = ConformityRemark.NO_SIEVE(runs=left, aperture_um=specification.share_above_um)
    return _Measured(
        runs=tuple(runs),
        value=above,
        bounds=np.stack([above, above]),
        known=own,
        reach=_plain_reach(own.u),
        notes=(*every_note(study), *law.table.notes, *([absent] if left else [])),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Means:
    """Laws of C conditions on the scale of judgement."""

    value: Array  # (C,), NaN where open
    bounds: Array  # (2, C)
    u: Array
    freedom: Array
    reach: Array  # (2, S, C)
    scatter: float  # standard deviation from run to run; 0 without replicates
    scatter_df: int


def _means(found: _Measured, of_unit: Indices, of_condition: Indices) -> _Means:
    """Means of the samples of each condition, with the measurement and the scatter of samples."""
    to_unit, condition = _averaging(of_unit), of_condition[np.unique(of_unit, return_index=True)[1]]
    average = _averaging(condition)
    whole, counts = sparse.csr_array(average @ to_unit), np.bincount(condition)
    units = to_unit @ found.value
    value = average @ units
    known = np.isfinite(value)
    covariance = np.nan_to_num(found.known.contrasts(to_unit).covariance)
    # what the measurement makes of squared residuals: of n samples, n (own - shared) variances
    made = counts * (average @ np.diag(covariance) - (average @ covariance * average).sum(axis=1))
    scatter_df = int((counts - 1)[known].sum())
    squares = np.array([np.nansum((units - value[condition]) ** 2), made[known].sum()])
    pooled, noise = squares / scatter_df if scatter_df else (0.0, 0.0)
    variance = max(pooled - noise, 0.0)
    measured = found.known.contrasts(whole)
    shares = np.where(counts > 1, 1.0 / counts, 0.0)
    u = np.sqrt(measured.u**2 + shares * variance)
    typed = (shares * pooled * (variance > 0)) ** 2 / max(scatter_df, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = u**4 / (typed + measured.u**4 / measured.effective_df)
        ratio = measured.u / (whole @ found.known.u)
        bounds = np.stack([whole @ side for side in found.bounds])
    of_measurement = np.nan_to_num(found.reach) @ whole.T.toarray() * ratio
    return _Means(
        value=value,
        bounds=bounds,
        u=u,
        freedom=np.where(known, freedom, np.nan),
        reach=np.hypot(of_measurement, _SCORES[:, None] * np.sqrt(shares * variance)),
        scatter=math.sqrt(variance),
        scatter_df=scatter_df,
    )


def _averaging(of_group: Indices) -> sparse.csr_array:
    """Weights that average rows within groups, (groups, rows)."""
    rows = np.arange(len(of_group))
    return sparse.csr_array((1.0 / np.bincount(of_group)[of_group], (of_group, rows)))


def _judge(specification: Specification, means: _Means) -> dict[str, Array]:
    """Verdict, probability and risks of every condition."""
    freedom = np.where(np.isnan(means.freedom), np.inf, means.freedom)
    usual, limits = critical_t(2 * _RISK, freedom), specification.limits
    stated = specification.guard_k
    guard = usual if stated is None else np.full(freedom.shape, float(stated))
    score = np.stack([_scores(means, limits, side) for side in (0, 1)])
    inside, outside = upper_tail(-score, freedom), upper_tail(score, freedom)
    accepted = (score >= guard).all(axis=0)
    if stated is None:  # two limits close together share the risk
        accepted &= outside.sum(axis=0) <= _RISK + _ROUNDING
    rejected = ((score <= -guard) & (score < 0)).any(axis=0)
    verdicts = np.array(list(Conformity), dtype=object)
    verdict = verdicts[np.where(accepted, 0, np.where(rejected, 1, 2))]
    worse = np.argmin(inside, axis=0)  # small probabilities keep their digits
    known, at = ~np.isnan(means.value), np.arange(len(worse))
    probability = np.where(known, np.maximum(inside[worse, at] - outside[1 - worse, at], 0), np.nan)
    band = np.array(
        [[np.interp(k, _SCORES, one) for k, one in zip(guard, side.T, strict=True)]
         for side in means.reach]
    )  # fmt: skip
    accept = limits[:, None] + np.array([[1.0], [-1.0]]) * band
    everyone = np.array(
        [global_risks(specification, ends, u) for ends, u in zip(accept.T, means.u, strict=True)]
    )
    shown, value = specification.unscaled(accept), specification.unscaled(means.value)
    return {
        "value": value,
        "u": means.u * (1.0 if specification.is_share else value),
        "degrees_of_freedom": means.freedom,
        "guard_k": guard,
        "accept_from": np.where(np.isfinite(accept[0]), shown[0], np.nan),
        "accept_to": np.where(np.isfinite(accept[1]), shown[1], np.nan),
        "verdict": verdict,
        "probability": probability,
        "consumer_risk": np.where(known & accepted, outside.sum(axis=0), np.nan),
        "producer_risk": np.where(rejected, probability, np.nan),
        "all_consumer_risk": everyone[:, 0],
        "all_producer_risk": everyone[:, 1],
        "bound_lower": specification.unscaled(means.bounds[0]),
        "bound_upper": specification.unscaled(means.bounds[1]),
    }


def _scores(means: _Means, limits: Array, side: int) -> Array:
    """How many u every condition lies inside a limit, (C,); NaN where an open one may be both."""
    sign = (1.0, -1.0)[side]
    inside = sign * (means.value - limits[side])
    score = np.full(inside.shape, np.nan)
    for c in range(len(inside)):
        near, far = sign * means.bounds[[side, 1 - side], c]
        if np.isfinite(inside[c]):
            towards = means.reach[side if inside[c] >= 0 else 1 - side, :, c]
            score[c] = math.copysign(np.interp(abs(inside[c]), towards, _SCORES), inside[c])
        elif near >= sign * limits[side]:
            score[c] = np.inf
        elif far <= sign * limits[side]:
            score[c] = -np.inf
    return score


def global_risks(
    specification: Specification, accept: Sequence[float] | Array, u: float
) -> tuple[float, float]:
    """Risks of consumer and producer over all that is made (JCGM 106:2012, 9.5).

    Parameters
    ----------
    specification : Specification
        Limits and process; without a process (or u) the risks are NaN.
    accept : sequence of float
        Ends of the acceptance interval on the scale of judgement.
    u : float
        Standard uncertainty there.

    Returns
    -------
    (float, float)
        Probability that something made does not conform and is accepted, and that it conforms and
        is not accepted.

    Notes
    -----
    The joint law of what is made and what is found is bivariate normal; the inner integral is in
    closed form, the outer one by Gauss-Legendre rules between the places where it bends.
    """
    if specification.process is None or not u > 0:
        return math.nan, math.nan
    middle, spread = specification.process
    centre = float(specification.scaled(middle))
    sd = spread if specification.is_share else spread / middle
    ends = centre + _BEYOND * sd * np.array([-1.0, 1.0])
    bends = [edge + far * u for edge in accept for far in (-_BEYOND, -2.0, 0.0, 2.0, _BEYOND)]
    cuts = np.unique(np.clip([*ends, *specification.limits, *bends], *ends))
    half, mid = np.diff(cuts)[:, None] / 2, ((cuts[1:] + cuts[:-1]) / 2)[:, None]
    made = mid + half * _NODES
    low, high = ((edge - made) / u for edge in accept)
    accepted = ndtr(high) - ndtr(low)
    density = half * _WEIGHTS * np.exp(-(((made - centre) / sd) ** 2) / 2)
    density /= sd * math.sqrt(2 * math.pi)
    conforms = (made >= specification.limits[0]) & (made <= specification.limits[1])
    consumer, producer = accepted * ~conforms, (1.0 - accepted) * conforms
    return float((density * consumer).sum()), float((density * producer).sum())


def _remarks(
    specification: Specification, means: _Means, verdict: Array, counts: Indices
) -> list[Remark]:
    """What the decisions rest on."""
    remarks = []
    if means.scatter_df:
        remarks.append(
            ConformityRemark.SCATTER(
                sd_percent=100 * means.scatter,
                degrees_of_freedom=means.scatter_df,
                is_share=specification.is_share,
            )
        )
    if (counts == 1).any():
        remarks.append(ConformityRemark.NO_REPLICATES(conditions=int((counts == 1).sum())))
    bounded = np.isnan(means.value) & (verdict != Conformity.CANNOT_BE_TOLD)
    if bounded.any():
        remarks.append(ConformityRemark.BY_BOUND(conditions=int(bounded.sum())))
    return remarks
