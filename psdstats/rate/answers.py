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
from psdstats.rate.curves import CURVES, Constraint, CurveFit, CurveName, fit_curve
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

    def exp(self) -> OpenInterval:
        """The same of exp(value); an open lower end is zero, an open upper one infinite."""
        return replace(
            self,
            value=None if self.value is None else float(np.exp(self.value)),
            lower=0.0 if self.lower_open else float(np.exp(self.lower)),
            upper=np.inf if self.upper_open else float(np.exp(self.upper)),
        )


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
    estimate, direction = float(fit.beta[position]), np.eye(fit.curve.size)[position]

    def put(beta: Array, _: Array, value: Array) -> None:
        beta[:, position] = value

    reach = {"ln_start": 30 * float(fit.plain(direction)) + 1, "ln_rate": 8.0}.get(name)
    return Property(
        fit=fit,
        constraint=Constraint(fit.curve, position, put),
        value=estimate,
        start=estimate,
        ends=(estimate - reach, estimate + reach) if reach else fit.curve.shape_range,
        gradient=lambda _: direction,
    )


def limit_size(fit: CurveFit) -> Property:
    """Limit D∞ of the size, as ln of µm; open below where the data show no limit."""
    _require_limit(fit)
    share = max(float(fit.beta[2]), LEAST_SHARE)
    estimate = float(fit.beta[0] + np.log(share))

    def put(beta: Array, slope: Array, value: Array) -> None:
        """Set ln D₀ to ln D∞ − ln s, s being kept off zero."""
        s = np.maximum(beta[:, 2], 1e-9)
        beta[:, 2] = s
        beta[:, 0] = value - np.log(s)
        slope[:, 0, 1] = -1 / s

    return Property(
        fit=fit,
        constraint=Constraint(fit.curve, 0, put),
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
    curve, target = fit.curve, float(np.log(target_um))

    def put(beta: Array, slope: Array, value: Array) -> None:
        """Set ln D₀ to ln D − φ(T)."""
        at = value[:, None]
        beta[:, 0] = target - curve.fall(at, beta)[:, 0]
        slope[:, 0, :] = -curve.gradient(at, beta)[:, 0, 1:]

    return _time(
        fit,
        Constraint(curve, 0, put),
        _crossing_time(fit, target),
        lambda time: curve.gradient(np.array([time]), fit.beta)[0],
    )


def time_to_margin(fit: CurveFit, margin_percent: float) -> Property:
    """Milling time (min) after which the size is within a margin of its limit.

    `margin_percent` is the remaining change over the limit size; the value is None where the
    fitted limit is zero.
    """
    MARGIN_PERCENT.require("margin_percent", margin_percent, ModelError)
    _require_limit(fit)
    margin = margin_percent / 100
    rate, share = float(np.exp(fit.beta[1])), float(fit.beta[2])
    value = None
    if share > LEAST_SHARE:
        value = max(float(np.log((1 - share) / (share * margin)) / rate), 0.0)
        value = None if value > _far(fit) else value
    inner = max(share, LEAST_SHARE)

    def put(beta: Array, slope: Array, value: Array) -> None:
        """Set s to 1/(1 + margin · exp(k T)), which solves (1 − s) exp(−k T)/s = margin."""
        grown = np.exp(beta[:, 1]) * value
        s = 1 / (1 + margin * np.exp(np.minimum(grown, 500.0)))
        beta[:, 2] = s
        slope[:, 2, 1] = -s * (1 - s) * grown

    return _time(
        fit,
        Constraint(fit.curve, 2, put),
        value,
        lambda time: np.array([0.0, -rate * time, -1 / (inner * (1 - inner))]),
    )


def _time(
    fit: CurveFit, constraint: Constraint, value: float | None, gradient: Callable[[float], Array]
) -> Property:
    """A milling time, searched up to far beyond the last one, in even steps of ln(1 + t/unit)."""
    unit = float(fit.data.times[fit.data.times > 0].min())
    return Property(
        fit=fit,
        constraint=constraint,
        value=value,
        start=_far(fit) if value is None else value,
        ends=(0.0, _far(fit)),
        gradient=gradient,
        scale=(lambda t: np.asarray(np.log1p(t / unit)), lambda u: np.asarray(unit * np.expm1(u))),
    )


def _require_limit(fit: CurveFit) -> None:
    if fit.curve.name is not CurveName.LIMIT:
        raise ModelError(
            f"the curve {str(fit.curve.name)!r} has no limit; fit {str(CurveName.LIMIT)!r} for one."
        )


def _far(fit: CurveFit) -> float:
    return FAR * float(fit.data.time_min.max())


def _crossing_time(fit: CurveFit, target: float) -> float | None:
    """Time at which the fitted curve, which never rises, reaches ln D = target."""
    low, high = 0.0, _far(fit)
    start, end = fit.log_size(np.array([low, high]))
    if start <= target or end > target:
        return 0.0 if start <= target else None
    for _ in range(200):
        middle = 0.5 * (low + high)
        above = bool(fit.log_size(np.array([middle]))[0] > target)
        low, high = (middle, high) if above else (low, middle)
    return high


def check_fit(fit: CurveFit) -> Finding:
    """Compare the fitted curve with free means at every time; "changed": the sizes leave it.

    The estimate is the largest deviation of a time's mean from the curve, on the log scale.
    """
    data, times = fit.data, fit.data.times
    gaps, p, _ = misfit(fit)
    worst = int(np.abs(gaps).argmax())
    obstacles = []
    if np.isnan(p):
        obstacles = [RateRemark.NO_TIME_TO_SPARE(times=len(times), parameters=fit.curve.size)]
    elif data.about_courses and p >= REJECTED:
        obstacles = [RateRemark.NO_REPEATS()]
    finding = judge(
        Contrast(high=fit.curve.name),
        Numbers(estimate=float(gaps[worst]), p=p, p_adjusted=p),
        kind=FindingKind.RATE,
        obstacles=obstacles,
    )
    largest = RateRemark.LARGEST_GAP(time_min=float(times[worst]))
    return replace(finding, reasons=(*finding.reasons, largest))


def misfit(fit: CurveFit) -> tuple[Array, float, float]:
    """How far the means of the times lie from a curve, linear at the solution.

    Mean of each time over the groups minus the curve (ln), the p of no misfit and −2 ln E
    exp(−q/2), q being c'C⁻¹c at each point of the posterior; NaN and 0 where the curve passes every
    mean.
    """
    data, whitener = fit.data, fit.data.whitener
    means = np.linalg.pinv(whitener @ data.at_times) @ whitener
    gaps = means @ data.ln_size - fit.log_size(data.times)
    outside = left_over(fit.curve.gradient(data.times, fit.beta)[:, : fit.kept]).T
    if not len(outside):
        return gaps, np.nan, 0.0
    found = data.over_spread(outside @ gaps, outside @ means)
    solved = np.linalg.solve(found.covariance, found.centre[..., None])[..., 0]
    squares = np.einsum("hq,hq->h", found.centre, solved)
    weight = data.spread.weight
    likelihood = weight @ np.exp(-0.5 * (squares - squares.min()))
    p = float(weight @ special.chdtrc(len(outside), squares))
    return gaps, p, float(squares.min() - 2 * np.log(likelihood))


REJECTED, RULED_OUT = 0.05, 0.01
CLOSE = 4.0  # by simulation: below it the intervals of the best curve alone are too narrow


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """One curve in the comparison.

    Parameters
    ----------
    fit : CurveFit
        The curve as it was fitted.
    deviance : float
        Its misfit.
    p : float
        p of no misfit; NaN where the curve passes every mean.
    """

    fit: CurveFit
    deviance: float
    p: float

    @property
    def name(self) -> CurveName:
        """The curve."""
        return self.fit.curve.name

    @property
    def criterion(self) -> float:
        """Misfit with the penalty for its parameters."""
        return self.deviance + 2 * self.fit.curve.size

    @property
    def rejected(self) -> bool:
        """Whether the sizes leave the curve."""
        return self.p < REJECTED


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveChoice:
    """Curves compared.

    Parameters
    ----------
    candidates : tuple of Candidate
        The curves, put best first: those that are not rejected, by their criterion, then the
        others; last of all one that the comparison of the trial contradicts.
    changed : bool
        Whether that shows that the size changed.
    """

    candidates: tuple[Candidate, ...]
    changed: bool = False

    def __post_init__(self) -> None:
        ordered = sorted(
            self.candidates,
            key=lambda one: (one.name in self._contradicted, one.rejected, one.criterion),
        )
        object.__setattr__(self, "candidates", tuple(ordered))

    @property
    def _contradicted(self) -> set[CurveName]:
        return {CurveName.NO_CHANGE} if self.changed else set()

    @property
    def best(self) -> CurveName:
        """The curve that is chosen."""
        return self.candidates[0].name

    @property
    def fits(self) -> tuple[CurveFit, ...]:
        """The best curve and those near its criterion that nothing speaks against, best first."""
        first, *others = self.candidates
        near = [one for one in others if one.criterion - first.criterion <= CLOSE]
        near = [one for one in near if not one.p < RULED_OUT and one.name not in self._contradicted]
        return (first.fit, *(one.fit for one in near))

    @property
    def not_ruled_out(self) -> tuple[CurveName, ...]:
        """Their names."""
        return tuple(one.curve.name for one in self.fits)

    def to_frame(self) -> pd.DataFrame:
        """One row a curve: parameters, deviance, criterion, difference, weight, p of no misfit."""
        frame = pd.DataFrame(
            {
                "curve": [str(one.name) for one in self.candidates],
                "parameters": [one.fit.curve.size for one in self.candidates],
                "deviance": [one.deviance for one in self.candidates],
                "criterion": [one.criterion for one in self.candidates],
            }
        )
        gap = frame["criterion"] - frame["criterion"].min()
        weight = np.exp(-gap / 2)
        p = [one.p for one in self.candidates]
        return frame.assign(difference=gap, weight=weight / weight.sum(), p=p)


def choose_curve(
    data: RunSizes, names: Sequence[CurveName | str] = tuple(CurveName), *, changed: bool = False
) -> CurveChoice:
    """Compare curves on one set of sizes; `changed`: the comparison shows that the size changed."""
    n = len(data.ln_size)
    curves = [CURVES[_named(name)] for name in names]
    fits = [fit_curve(curve, data) for curve in curves if curve.size < min(n, len(data.times) + 1)]
    if not fits:
        raise ModelError(f"{n} runs are too few for any of the curves asked for.")
    found = []
    for fit in fits:
        _, p, deviance = misfit(fit)
        found.append(Candidate(fit=fit, deviance=deviance, p=p))
    return CurveChoice(candidates=tuple(found), changed=changed)


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
