"""What fitted curves say: which of them the data prefer, whether it describes the sizes, and when.

Times in min, sizes in µm.

A property of a curve (parameter, limit, time to a size, time to a margin) has an interval by
profile: a value is inside where S(value) − S(best) ≤ t²·c, S being the weighted sum of squares with
the variances held at their estimates, t the critical value of Student's distribution with
Kenward–Roger degrees of freedom (with one group that of `critical_value`), and c the Kenward–Roger
inflation of the variance.  In a linear model that is exactly the Kenward–Roger interval; in a
curved one it follows the curve, and it stays open where the data do not bound the value.

Curves are compared by AICc = −2 ℓ + 2 m + 2 m (m + 1)/(n − m − 1), ℓ the maximum likelihood of the
linearised model, m all parameters and variances, n runs (C. M. Hurvich and C.-L. Tsai, Biometrika
76 (1989) 297; reading of the differences after K. P. Burnham and D. R. Anderson, Model Selection
and Multimodel Inference, 2002; both from memory): within 4 of the best a curve is not ruled out,
beyond 10 it has no support.  Where n is too small for the correction all curves are compared by
AIC, and the choice is called provisional.

A curve is checked against one mean per time, under the same variances and the same known
covariance, by a Kenward–Roger F test of what the means hold beyond the curve (linear at the
solution).  It needs repeats: two runs or more at some time.  Without them scatter and lack of fit
cannot be told apart.

Over all curves that the data do not rule out an interval reaches from the lowest to the highest end
of the single ones, so that it holds the truth as often as it says whichever of them is near the
truth (simulated: `tests/calibration/rate_studies.py`).  The first of the fits gives the estimate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers
from psdstats.frozen import Array
from psdstats.models.engine import fit_batch
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.verdicts import judge
from psdstats.rate.curve_fit import CurveFit, covariance_parts, fit_curve, random_terms
from psdstats.rate.curves import (
    CURVES,
    Constraint,
    CurveName,
    at_limit,
    held,
    through,
    within_margin,
)
from psdstats.rate.run_sizes import RateRemark, RunSizes

Scale = tuple[Callable[[Array], Array], Callable[[Array], Array]]
POINTS = 25
ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class OpenInterval:
    """An estimate with its interval, whose ends may be open.

    Parameters
    ----------
    value : float or None
        Estimate; None where the fitted curve has none.
    lower, upper : float
        Ends of the interval; the ends of the range searched where it is open.
    lower_open, upper_open : bool
        Whether the data leave that end unbounded.
    df : float
        Degrees of freedom of the variance behind the interval.
    level : float
        Confidence level.
    excluded : bool
        Whether no value at all is compatible with the data.
    """

    value: float | None
    lower: float
    upper: float
    df: float
    level: float
    lower_open: bool = False
    upper_open: bool = False
    excluded: bool = False

    @property
    def never(self) -> bool:
        """Whether the data rule out that the curve ever gets there."""
        return self.excluded and self.value is None


@dataclass(frozen=True, kw_only=True, eq=False)
class Property:
    """Something a fitted curve says, and how to hold it fixed.

    Parameters
    ----------
    fit : CurveFit
        The fit.
    constraint : Constraint
        Holds the property.
    value : float or None
        Its estimate.
    start : float
        Where to search from: the estimate, or the end of the range nearest to the data's answer.
    ends : tuple of (float, float)
        Range searched; beyond it the interval counts as open.
    gradient : callable
        From a value, the derivatives in β of a function that is zero where the property has that
        value.
    scale : pair of callables
        From the value to an even scale for the search, and back.
    """

    fit: CurveFit
    constraint: Constraint
    value: float | None
    start: float
    ends: tuple[float, float]
    gradient: Callable[[float], Array]
    scale: Scale = (np.asarray, np.asarray)

    def excess(self, values: Array, *, level: float) -> Array:
        """How much worse than allowed the curve is at each value; inside at 0 and below."""
        costs = self.fit.search.best(self.constraint, values)[1]
        gradients, place = np.unique(
            [self.gradient(float(value)) for value in values], axis=0, return_inverse=True
        )
        allowed = np.array([self._allowed(one, level)[0] for one in gradients])
        return np.asarray(costs - self.fit.cost - allowed[place.ravel()])

    def interval(self, *, level: float = 0.95) -> OpenInterval:
        """The values inside, around the estimate."""
        df = self._allowed(self.gradient(self.start), level)[1]
        if self.excess(np.array([self.start]), level=level)[0] > 0:
            return OpenInterval(
                value=self.value,
                lower=self.start,
                upper=self.start,
                df=df,
                level=level,
                excluded=True,
            )
        lower, upper = (self._crossing(end, level) for end in self.ends)
        return OpenInterval(
            value=self.value,
            lower=self.ends[0] if lower is None else lower,
            upper=self.ends[1] if upper is None else upper,
            lower_open=lower is None,
            upper_open=upper is None,
            df=df,
            level=level,
        )

    def _allowed(self, gradient: Array, level: float) -> tuple[float, float]:
        """Allowed rise of the sum of squares, and the degrees of freedom behind it."""
        _, inflation, df = self.fit.spread(gradient)
        return self.fit.critical(df, level) ** 2 * inflation, df

    def _crossing(self, end: float, level: float) -> float | None:
        """First value from the start towards an end that is outside; None if none is."""
        forward, back = self.scale
        low, high = (float(u) for u in forward(np.array([self.start, end])))
        if low == high:
            return None
        for _ in range(ROUNDS):
            points = np.linspace(low, high, POINTS)[1:]
            outside = np.flatnonzero(self.excess(back(points), level=level) > 0)
            if outside.size == 0:
                return None
            first = int(outside[0])
            low, high = (low if first == 0 else float(points[first - 1])), float(points[first])
        return float(back(np.array([0.5 * (low + high)]))[0])


FAR = 100.0  # how many times the longest milling time is searched
LEAST_SHARE = 1e-3  # a limit below a thousandth of the start counts as none


def parameter(fit: CurveFit, name: str) -> Property:
    """One parameter of the curve on its own scale (ln D₀, ln k or s)."""
    position = fit.curve.parameters.index(name)
    estimate = float(fit.beta[position])
    error = fit.spread(np.eye(fit.curve.size)[position])[0]
    ends = {
        "ln_start": (estimate - 30 * error - 1, estimate + 30 * error + 1),
        "ln_rate": (estimate - 8.0, estimate + 8.0),
    }.get(name, fit.curve.shape_range)
    return Property(
        fit=fit,
        constraint=held(fit.curve, position),
        value=estimate,
        start=estimate,
        ends=ends,
        gradient=lambda _: np.eye(fit.curve.size)[position],
    )


def limit_size(fit: CurveFit) -> Property:
    """Limit D∞ of the size, as ln of µm; open below where the data show no limit."""
    _require_limit(fit)
    share = max(float(fit.beta[2]), LEAST_SHARE)
    estimate = float(fit.beta[0] + np.log(share))
    return Property(
        fit=fit,
        constraint=at_limit(fit.curve),
        value=estimate if fit.beta[2] > LEAST_SHARE else None,
        start=estimate,
        ends=(float(fit.beta[0] + np.log(LEAST_SHARE)), float(fit.beta[0]) + 1.0),
        gradient=lambda _: np.array([1.0, 0.0, 1 / share]),
    )


def time_to_target(fit: CurveFit, target_um: float) -> Property:
    """Milling time (min) at which the curve reaches a size.

    The value is None where the fitted curve never gets there, 0 where it starts there.
    """
    if not 0 < target_um < np.inf:
        raise ModelError(f"the target size is {target_um:g} µm; give a size above zero.")
    if fit.curve.name is CurveName.NO_CHANGE:
        raise ModelError("a size that does not change reaches no target; choose another curve.")
    target = float(np.log(target_um))
    far = _far(fit)
    value = _crossing_time(fit, target, far)
    return Property(
        fit=fit,
        constraint=through(fit.curve, target),
        value=value,
        start=far if value is None else value,
        ends=(0.0, far),
        gradient=lambda time: fit.curve.gradient(np.array([time]), fit.beta)[0],
        scale=_time_scale(fit),
    )


def time_to_margin(fit: CurveFit, margin_percent: float) -> Property:
    """Milling time (min) after which the size is within a margin of its limit.

    `margin_percent` is the remaining change over the limit size; the value is None where the
    fitted limit is zero.
    """
    if not 0 < margin_percent < np.inf:
        raise ModelError(f"the margin is {margin_percent:g} %; give one above zero.")
    _require_limit(fit)
    margin, far = margin_percent / 100, _far(fit)
    rate, share = float(np.exp(fit.beta[1])), float(fit.beta[2])
    value = None
    if share > LEAST_SHARE:
        value = max(float(np.log((1 - share) / (share * margin)) / rate), 0.0)
        value = None if value > far else value
    inner = max(share, LEAST_SHARE)
    return Property(
        fit=fit,
        constraint=within_margin(fit.curve, margin),
        value=value,
        start=far if value is None else value,
        ends=(0.0, far),
        gradient=lambda time: np.array([0.0, -rate * time, -1 / (inner * (1 - inner))]),
        scale=_time_scale(fit),
    )


def _require_limit(fit: CurveFit) -> None:
    if fit.curve.name is not CurveName.LIMIT:
        raise ModelError(
            f"the curve {str(fit.curve.name)!r} has no limit; fit {str(CurveName.LIMIT)!r} for one."
        )


def _far(fit: CurveFit) -> float:
    return FAR * float(fit.data.time_min.max())


def _crossing_time(fit: CurveFit, target: float, far: float) -> float | None:
    """Time at which the fitted curve, which never rises, reaches ln D = target."""
    ends = fit.log_size(np.array([0.0, far]))
    if ends[0] <= target:
        return 0.0
    if ends[1] > target:
        return None
    low, high = 0.0, far
    for _ in range(200):
        middle = 0.5 * (low + high)
        if fit.log_size(np.array([middle]))[0] > target:
            low = middle
        else:
            high = middle
    return high


def _time_scale(fit: CurveFit) -> Scale:
    """Even steps in ln(1 + t/shortest time)."""
    unit = float(fit.data.times[fit.data.times > 0].min())
    return (lambda t: np.asarray(np.log1p(t / unit)), lambda u: np.asarray(unit * np.expm1(u)))


def check_fit(fit: CurveFit) -> Finding:
    """Compare the fitted curve with free means at every time; "changed": the sizes leave it.

    The estimate is the largest deviation of a time's mean from the curve, on the log scale.
    """
    data, times = fit.data, fit.data.times
    indicators = (data.time_min[:, None] == times).astype(float)
    curve_at = fit.log_size(times)
    gaps = (indicators.T @ data.ln_size) / indicators.sum(axis=0) - curve_at
    worst = int(np.abs(gaps).argmax())
    p, obstacles = np.nan, [RateRemark.NO_REPEATS()]
    if len(times) <= fit.batch.design.shape[1]:
        obstacles = [RateRemark.NO_TIME_TO_SPARE(times=len(times), parameters=fit.curve.size)]
    elif len(data.ln_size) > len(times):
        p, obstacles = _misfit(fit, indicators, curve_at), []
    finding = judge(
        Contrast(high=fit.curve.name),
        Numbers(estimate=float(gaps[worst]), p=p, p_adjusted=p),
        kind=FindingKind.RATE,
        obstacles=obstacles,
    )
    largest = RateRemark.LARGEST_GAP(time_min=float(times[worst]))
    return replace(finding, reasons=(*finding.reasons, largest))


def _misfit(fit: CurveFit, indicators: Array, curve_at: Array) -> float:
    """The p of the F test that the means per time lie on the curve, linear at the solution."""
    data, kept = fit.data, fit.batch.design.shape[1]
    gradient = fit.curve.gradient(data.times, fit.beta)[:, :kept]
    outside = np.linalg.svd(gradient.T)[2][kept:]
    at_runs = fit.curve.gradient(data.time_min, fit.beta)
    rate = at_runs[:, 1] if fit.curve.size > 1 else np.zeros(len(at_runs))
    terms = random_terms(data, fit.curve, "rate" in fit.variance)
    means = fit_batch(data.ln_size, indicators, covariance_parts(data, terms, rate))
    test = kenward_roger(
        means, adjusted_covariance(means, drop_edges=True), outside, at=outside @ curve_at
    )
    p = float(test.p[0])
    if not np.isfinite(p):
        raise ModelError(
            "The residual check of the rate model has no answer; the groups hold too few runs."
        )
    return p


CLOSE = 4.0  # by simulation: below it the intervals of the best curve alone are too narrow
NO_SUPPORT = 10.0


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One curve in the comparison.

    Parameters
    ----------
    name : CurveName
        The curve.
    parameters : int
        Parameters and variances estimated.
    minus_two_log_likelihood, criterion : float
        Fit, and fit with the penalty for its parameters.
    """

    name: CurveName
    parameters: int
    minus_two_log_likelihood: float
    criterion: float


@dataclass(frozen=True, kw_only=True)
class CurveChoice:
    """Curves compared.

    Parameters
    ----------
    candidates : tuple of Candidate
        The curves, best first.
    corrected : bool
        Whether the criterion is AICc, else AIC.
    runs : int
        Runs fitted.
    """

    candidates: tuple[Candidate, ...]
    corrected: bool
    runs: int

    @property
    def best(self) -> CurveName:
        """The curve with the smallest criterion."""
        return self.candidates[0].name

    @property
    def not_ruled_out(self) -> tuple[CurveName, ...]:
        """The best curve and those within 4 of its criterion, best first."""
        best = self.candidates[0].criterion
        return tuple(one.name for one in self.candidates if one.criterion - best <= CLOSE)

    @property
    def without_support(self) -> tuple[CurveName, ...]:
        """The curves more than 10 from the best criterion."""
        best = self.candidates[0].criterion
        return tuple(one.name for one in self.candidates if one.criterion - best > NO_SUPPORT)

    def to_frame(self) -> pd.DataFrame:
        """One row a curve: parameters, −2 log likelihood, criterion, difference, weight."""
        values = np.array([one.criterion for one in self.candidates])
        gap = values - values.min()
        weight = np.exp(-gap / 2)
        return pd.DataFrame(
            {
                "curve": [str(one.name) for one in self.candidates],
                "parameters": [one.parameters for one in self.candidates],
                "minus_2_log_likelihood": [one.minus_two_log_likelihood for one in self.candidates],
                "criterion": values,
                "difference": gap,
                "weight": weight / weight.sum(),
            }
        )


def choose_curve(
    data: RunSizes,
    names: Sequence[CurveName | str] = tuple(CurveName),
    *,
    random_rate: bool | None = None,
) -> CurveChoice:
    """Compare curves on one set of sizes."""
    n = len(data.ln_size)
    curves = [CURVES[_named(name)] for name in names]
    fits = [
        fit_curve(curve, data, criterion="ml", random_rate=random_rate)
        for curve in curves
        if curve.size < min(n, len(data.times) + 1)
    ]
    if not fits:
        raise ModelError(f"{n} runs are too few for any of the curves asked for.")
    counts = [len(fit.beta) + len(fit.variance) for fit in fits]
    corrected = n > max(counts) + 1
    candidates = []
    for fit, m in zip(fits, counts, strict=True):
        deviance = -2 * float(fit.batch.log_likelihood[0])
        extra = 2 * m * (m + 1) / (n - m - 1) if corrected else 0.0
        candidates.append(
            Candidate(
                name=fit.curve.name,
                parameters=m,
                minus_two_log_likelihood=deviance,
                criterion=deviance + 2 * m + extra,
            )
        )
    ordered = tuple(sorted(candidates, key=lambda one: one.criterion))
    return CurveChoice(candidates=ordered, corrected=corrected, runs=n)


def _named(name: CurveName | str) -> CurveName:
    try:
        return CurveName(name)
    except ValueError as error:
        known = ", ".join(CurveName)
        raise ModelError(f"There is no curve {name!r}; choose among {known}.") from error


def band(fits: Sequence[CurveFit], time_min: Array, *, level: float) -> tuple[Array, Array]:
    """Pointwise limits of ln D at the given times, over all curves.

    Shapes: time_min (n,); gives (n,).
    """
    ends = []
    for fit in fits:
        spreads = [fit.spread(row) for row in fit.curve.gradient(time_min, fit.beta)]
        reach = np.array([error * fit.critical(df, level) for error, _, df in spreads])
        middle = fit.log_size(time_min)
        ends.append((middle - reach, middle + reach))
    lower, upper = np.array(ends).transpose(1, 0, 2)
    return lower.min(axis=0), upper.max(axis=0)


def targets_over(
    fits: Sequence[CurveFit], target_um: float, *, level: float
) -> dict[CurveName, OpenInterval]:
    """Time to a target size by every curve; empty where the best curve is no change.

    A size that does not change, where it is not ruled out, never reaches the target.
    """
    if fits[0].curve.size == 1:
        return {}
    found = {}
    for fit in fits:
        if fit.curve.size > 1:
            found[fit.curve.name] = time_to_target(fit, target_um).interval(level=level)
        else:
            reached = float(fit.beta[0]) <= np.log(target_um)
            found[fit.curve.name] = OpenInterval(
                value=0.0 if reached else None,
                lower=0.0,
                upper=0.0,
                df=np.inf,
                level=level,
                excluded=not reached,
            )
    return found


def hull(intervals: Mapping[CurveName, OpenInterval]) -> OpenInterval:
    """From the lowest to the highest end; open above where one curve never gets there."""
    best, *others = intervals.values()
    reached = [one for one in intervals.values() if not one.never]
    if not others or not reached:
        return best
    return replace(
        best,
        lower=min(one.lower for one in reached),
        upper=max(one.upper for one in reached),
        lower_open=any(one.lower_open for one in reached),
        upper_open=len(reached) < len(intervals) or any(one.upper_open for one in reached),
        excluded=False,
    )


def margin_over(
    fits: Sequence[CurveFit], margin_percent: float, *, level: float
) -> OpenInterval | None:
    """Time to within a margin of the limit; open above where a curve without limit remains.

    None where no curve that remains has a limit; without a value where the best one has none.
    """
    limited = [fit for fit in fits if fit.curve.name is CurveName.LIMIT]
    if not limited:
        return None
    found = time_to_margin(limited[0], margin_percent).interval(level=level)
    if len(fits) == 1 or found.excluded:
        return found
    value = found.value if fits[0] is limited[0] else None
    return replace(found, value=value, upper_open=True)
