"""Whether a curve describes the sizes: residual check against free means at every time.

The curve is compared with one mean per time, under the same variances and the same known
covariance, by a Kenward–Roger F test of what the means hold beyond the curve (linear at the
solution).  It needs repeats: two runs or more at some time.  Without them scatter and lack of fit
cannot be told apart; only the scatter beyond the known measurement uncertainty is then tested.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.engine import fit_batch
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.wording import word_p
from psdstats.rate.curve_fit import CurveFit, covariance_parts, random_terms
from psdstats.wording import signed

__all__ = ["FitCheck", "check_fit"]

Array = NDArray[np.float64]
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
    """Compare the fitted curve with free means at every time.

    Parameters
    ----------
    fit : CurveFit
        The fit.

    Returns
    -------
    FitCheck
    """
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
