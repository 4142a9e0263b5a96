"""What fitted curves say: which of them the data prefer, whether it describes the sizes, and when.

Times in min, sizes in µm.

A property of a curve (parameter, limit, time to a size, time to a margin) has an interval by
profile: a value is inside where S(value) − S(best) ≤ T², S being the weighted sum of squares at the
middle of the posterior of the variances and T half the interval of that direction over the whole
posterior, in standard errors at the middle.  In a linear model that is exactly the interval of the
mixture (Student's t where nothing is known); in a curved one it follows the curve, and it stays
open where the data do not bound the value.

A curve is checked against one free mean a time, under the same spread: q = c'C⁻¹c for the
deviations c of the means from the curve that no change of its parameters takes up, C their
covariance, and p the mean of the tails of chi-squared over the posterior.  Of single runs, whose
spread is that about smooth courses, only a curve less free than those can be found wrong.

Curves are compared by −2 ln E exp(−q/2) + 2 p, E the mean over the posterior and p the parameters:
Akaike's criterion for a spread that does not follow from the curve, so that one which leaves the
sizes cannot pay for it with a larger variance (with ν degrees of freedom and nothing known the
first term is ν ln(1 + S/(ν s²))). Within 4 of the best a curve is not ruled out (reading after K.
P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference, 2002, from memory). A curve
that the check rejects is never chosen while another is not, and is ruled out where p is below 1 %;
where the comparison of the trial shows that the size changed, no change is ruled out.

Over all curves that the data do not rule out an interval reaches from the lowest to the highest end
of the single ones, so that it holds the truth as often as it says whichever of them is near the
truth (simulated: `tests/calibration/rate_studies.py`).  The first of the fits gives the estimate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers
from psdstats.frozen import Array
from psdstats.limits import MARGIN_PERCENT, SIZE_UM
from psdstats.models.posterior import left_over
from psdstats.models.verdicts import judge
from psdstats.rate.curve_fit import CurveFit, fit_curve
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
        allowed = self.fit.allowed(gradients, level)
        return np.asarray(costs - self.fit.cost - allowed[place.ravel()])

    def interval(self, *, level: float = 0.95) -> OpenInterval:
        """The values inside, around the estimate."""
        df = float(self.fit.directions(self.gradient(self.start)[None]).df[0])
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
    error = float(fit.plain(np.eye(fit.curve.size)[position]))
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
    SIZE_UM.require("target_um", target_um, ModelError)
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
    MARGIN_PERCENT.require("margin_percent", margin_percent, ModelError)
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
    misfit = Misfit.of(fit)
    worst = int(np.abs(misfit.gaps).argmax())
    obstacles = []
    if not len(misfit.squares):
        obstacles = [RateRemark.NO_TIME_TO_SPARE(times=len(times), parameters=fit.curve.size)]
    elif data.about_courses and misfit.p >= REJECTED:
        obstacles = [RateRemark.NO_REPEATS()]
    finding = judge(
        Contrast(high=fit.curve.name),
        Numbers(estimate=float(misfit.gaps[worst]), p=misfit.p, p_adjusted=misfit.p),
        kind=FindingKind.RATE,
        obstacles=obstacles,
    )
    largest = RateRemark.LARGEST_GAP(time_min=float(times[worst]))
    return replace(finding, reasons=(*finding.reasons, largest))


@dataclass(frozen=True, kw_only=True, eq=False)
class Misfit:
    """How far the means of the times lie from a curve.

    Parameters
    ----------
    gaps : ndarray, shape (times,)
        Mean of each time over the groups minus the curve, ln.
    squares : ndarray, shape (h,) or (0,)
        q = c'C⁻¹c at every point of the posterior; empty where the curve passes every mean.
    p : float
        p of no misfit; NaN where there is nothing to judge by.
    deviance : float
        −2 ln E exp(−q/2).
    """

    gaps: Array
    squares: Array
    p: float
    deviance: float

    @staticmethod
    def of(fit: CurveFit) -> Misfit:
        """The misfit of a fitted curve, linear at the solution."""
        data, kept = fit.data, fit.kept
        whitener = data.whitener
        means = np.linalg.pinv(whitener @ data.at_times) @ whitener
        gaps = means @ data.ln_size - fit.log_size(data.times)
        gradient = fit.curve.gradient(data.times, fit.beta)[:, :kept]
        outside = left_over(gradient).T
        if not len(outside):
            return Misfit(gaps=gaps, squares=np.empty(0), p=np.nan, deviance=0.0)
        found = data.over_spread(outside @ gaps, outside @ means)
        squares = np.einsum(
            "hq,hq->h",
            found.centre,
            np.linalg.solve(found.covariance, found.centre[..., None])[..., 0],
        )
        weight = data.spread.weight
        tail = special.chdtrc(len(outside), squares)
        likelihood = weight @ np.exp(-0.5 * (squares - squares.min()))
        return Misfit(
            gaps=gaps,
            squares=squares,
            p=float(weight @ tail),
            deviance=float(squares.min() - 2 * np.log(likelihood)),
        )


REJECTED, RULED_OUT = 0.05, 0.01
CLOSE = 4.0  # by simulation: below it the intervals of the best curve alone are too narrow


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One curve in the comparison.

    Parameters
    ----------
    name : CurveName
        The curve.
    parameters : int
        Parameters estimated.
    deviance, criterion : float
        Misfit, and misfit with the penalty for its parameters.
    p : float
        p of no misfit; NaN where the curve passes every mean.
    """

    name: CurveName
    parameters: int
    deviance: float
    criterion: float
    p: float = np.nan

    @property
    def rejected(self) -> bool:
        """Whether the sizes leave the curve."""
        return self.p < REJECTED


@dataclass(frozen=True, kw_only=True)
class CurveChoice:
    """Curves compared.

    Parameters
    ----------
    candidates : tuple of Candidate
        The curves, best first: those that are not rejected, by their criterion, then the others.
    runs : int
        Runs fitted.
    changed : bool
        Whether the comparison of the trial shows that the size changed.
    """

    candidates: tuple[Candidate, ...]
    runs: int
    changed: bool = False

    @property
    def best(self) -> CurveName:
        """The curve that is chosen."""
        return self.candidates[0].name

    @property
    def not_ruled_out(self) -> tuple[CurveName, ...]:
        """The best curve and those near its criterion that nothing speaks against, best first."""
        first, *others = self.candidates
        near = [one for one in others if one.criterion - first.criterion <= CLOSE]
        near = [one for one in near if not one.p < RULED_OUT and not self._contradicted(one)]
        return (first.name, *(one.name for one in near))

    def _contradicted(self, one: Candidate) -> bool:
        return self.changed and one.name is CurveName.NO_CHANGE

    def to_frame(self) -> pd.DataFrame:
        """One row a curve: parameters, deviance, criterion, difference, weight, p of no misfit."""
        values = np.array([one.criterion for one in self.candidates])
        gap = values - values.min()
        weight = np.exp(-gap / 2)
        return pd.DataFrame(
            {
                "curve": [str(one.name) for one in self.candidates],
                "parameters": [one.parameters for one in self.candidates],
                "deviance": [one.deviance for one in self.candidates],
                "criterion": values,
                "difference": gap,
                "weight": weight / weight.sum(),
                "p": [one.p for one in self.candidates],
            }
        )


def choose_curve(
    data: RunSizes,
    names: Sequence[CurveName | str] = tuple(CurveName),
    *,
    changed: bool = False,
) -> CurveChoice:
    """Compare curves on one set of sizes; `changed`: the comparison shows that the size changed."""
    n = len(data.ln_size)
    curves = [CURVES[_named(name)] for name in names]
    fits = [fit_curve(curve, data) for curve in curves if curve.size < min(n, len(data.times) + 1)]
    if not fits:
        raise ModelError(f"{n} runs are too few for any of the curves asked for.")
    found = [_candidate(fit) for fit in fits]
    against = {CurveName.NO_CHANGE} if changed else set[CurveName]()
    ordered = sorted(found, key=lambda one: (one.name in against, one.rejected, one.criterion))
    return CurveChoice(candidates=tuple(ordered), runs=n, changed=changed)


def _candidate(fit: CurveFit) -> Candidate:
    misfit = Misfit.of(fit)
    return Candidate(
        name=fit.curve.name,
        parameters=fit.curve.size,
        deviance=misfit.deviance,
        criterion=misfit.deviance + 2 * fit.curve.size,
        p=misfit.p,
    )


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
        reach = fit.directions(fit.curve.gradient(time_min, fit.beta)).half_width(1 - level)
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
