"""Whether a curve describes the sizes: residual check against free means at every time.

The curve is compared with one mean per time, under the same variances and the same known
covariance, by a Kenward–Roger F test of what the means hold beyond the curve (linear at the
solution).  It needs repeats: two runs or more at some time.  Without them scatter and lack of fit
cannot be told apart; only the scatter beyond the known measurement uncertainty is then tested.

Which curve the data prefer, by the small-sample information criterion, in plain words.

AICc = −2 ℓ + 2 m + 2 m (m + 1)/(n − m − 1), ℓ the maximum likelihood of the linearised model, m all
parameters and variances, n runs (C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989) 297; reading of
the differences after K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference,
2002; both from memory): within 4 of the best a curve is not ruled out, beyond 10 it has no
support.  Where n is too small for the correction all curves are compared by AIC,
and the choice is called provisional.

One answer from all curves that the data do not rule out: band, time to a target, to a margin.

The interval reaches from the lowest to the highest end of the intervals of the single curves, so
that it holds the truth as often as it says whichever of them is near the truth (simulated:
`tests/calibration/rate_studies.py`).  The first of the fits gives the estimate.  Times in min.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from psdstats.columns import signed
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.engine import fit_batch
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.wording import word_p
from psdstats.rate.curve_fit import CurveFit, covariance_parts, fit_curve, random_terms
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.profile import OpenInterval, time_to_margin, time_to_target
from psdstats.rate.run_sizes import RunSizes

DOUBT = 0.05


@dataclass(frozen=True, kw_only=True)
class FitCheck:
    """Result of a residual check.

    Parameters
    ----------
    verdict : str
        "describes the sizes", "does not describe the sizes" or "cannot be told".
    p : float or None
        Probability of such a misfit if the curve were right; None where not tested.
    largest_percent : float
        Largest deviation of a time's mean from the curve, per cent of size.
    at_time_min : float
        Where it is.
    sentence : str
        The finding in words.
    """

    verdict: str
    p: float | None
    largest_percent: float
    at_time_min: float
    sentence: str


def check_fit(fit: CurveFit) -> FitCheck:
    """Compare the fitted curve with free means at every time."""
    data = fit.data
    times = data.times
    indicators = (data.time_min[:, None] == times).astype(float)
    curve_at = fit.log_size(times)
    counts = indicators.sum(axis=0)
    gaps = (indicators.T @ data.ln_size) / counts - curve_at
    worst = int(np.abs(gaps).argmax())
    largest, at = 100 * float(np.expm1(gaps[worst])), float(times[worst])
    extra = len(times) - fit.batch.design.shape[1]
    where = f"the largest deviation of a time's mean is {signed(largest, '+.2g')} % at {at:g} min"
    if extra < 1:
        return FitCheck(
            verdict="cannot be told",
            p=None,
            largest_percent=largest,
            at_time_min=at,
            sentence=f"With {len(times)} times for {fit.curve.size} parameters "
            f"{fit.curve.phrase} passes every mean, so its form cannot be checked.",
        )
    if len(data.ln_size) == len(times):
        return FitCheck(
            verdict="cannot be told",
            p=None,
            largest_percent=largest,
            at_time_min=at,
            sentence=f"Without repeats the misfit of {fit.curve.phrase} cannot be told from "
            f"run-to-run variation; {where}.",
        )
    p = _misfit(fit, indicators, curve_at)
    wrong = p < DOUBT
    words = (
        f"{_upper(fit.curve.phrase)} does not describe the sizes ({word_p(p)})"
        if wrong
        else f"Nothing speaks against {fit.curve.phrase} ({word_p(p)})"
    )
    return FitCheck(
        verdict="does not describe the sizes" if wrong else "describes the sizes",
        p=p,
        largest_percent=largest,
        at_time_min=at,
        sentence=f"{words}; {where}.",
    )


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


def _upper(words: str) -> str:
    return words[0].upper() + words[1:]


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
    reduces_to : CurveName or None
        The simpler curve it has become, where its shape is at an end of its range.
    """

    name: CurveName
    parameters: int
    minus_two_log_likelihood: float
    criterion: float
    reduces_to: CurveName | None


@dataclass(frozen=True, kw_only=True)
class CurveChoice:
    """Curves compared.

    Parameters
    ----------
    candidates : tuple of Candidate
        The curves, best first.
    corrected : bool
        Whether the criterion is AICc, else AIC.
    sentence : str
        The finding in words.
    """

    candidates: tuple[Candidate, ...]
    corrected: bool
    sentence: str

    @property
    def best(self) -> CurveName:
        """The curve with the smallest criterion."""
        return self.candidates[0].name

    @property
    def not_ruled_out(self) -> tuple[CurveName, ...]:
        """The best curve and those within 4 of its criterion, best first."""
        best = self.candidates[0].criterion
        return tuple(one.name for one in self.candidates if one.criterion - best <= CLOSE)

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
        flat = fit.curve.size == 3 and fit.curve.parameters[2] in fit.at_edge
        candidates.append(
            Candidate(
                name=fit.curve.name,
                parameters=m,
                minus_two_log_likelihood=deviance,
                criterion=deviance + 2 * m + extra,
                reduces_to=CurveName.CONSTANT if flat and fit.beta[2] < 0.5 else None,
            )
        )
    ordered = tuple(sorted(candidates, key=lambda one: one.criterion))
    return CurveChoice(
        candidates=ordered, corrected=corrected, sentence=_sentence(ordered, corrected, n)
    )


def _named(name: CurveName | str) -> CurveName:
    try:
        return CurveName(name)
    except ValueError as error:
        known = ", ".join(CurveName)
        raise ModelError(f"There is no curve {name!r}; choose among {known}.") from error


def _sentence(ordered: tuple[Candidate, ...], corrected: bool, n: int) -> str:
    best = ordered[0]
    if len(ordered) == 1:
        return (
            f"Only {CURVES[best.name].phrase} was fitted, so the form was not chosen by the data."
        )
    words = [
        f"Of the curves tried, {CURVES[best.name].phrase} fits best for its number of parameters"
    ]
    near = [one for one in ordered[1:] if one.criterion - best.criterion <= CLOSE]
    far = [one for one in ordered[1:] if one.criterion - best.criterion > NO_SUPPORT]
    if near:
        words.append(
            f"; {_list(near)} {'is' if len(near) == 1 else 'are'} not ruled out, so sizes and "
            f"times are given with intervals that hold for {'both' if len(near) == 1 else 'each'}"
        )
    if far:
        words.append(f"; {_list(far)} {'has' if len(far) == 1 else 'have'} no support")
    if not corrected:
        words.append(f" ({n} runs are too few for more than a provisional choice)")
    return "".join(words) + "."


def _list(candidates: Sequence[Candidate]) -> str:
    names = [CURVES[one.name].phrase for one in candidates]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


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
            found[fit.curve.name] = _at_once(level) if reached else _never(level)
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


def _at_once(level: float) -> OpenInterval:
    return replace(_never(level), value=0.0, excluded=False)


def _never(level: float) -> OpenInterval:
    return OpenInterval(
        value=None,
        lower=0.0,
        upper=0.0,
        lower_open=False,
        upper_open=False,
        df=np.inf,
        level=level,
        excluded=True,
    )
