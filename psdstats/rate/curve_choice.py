"""Which curve the data prefer, by the small-sample information criterion, in plain words.

AICc = −2 ℓ + 2 m + 2 m (m + 1)/(n − m − 1), ℓ the maximum likelihood of the linearised model, m all
parameters and variances, n runs (C. M. Hurvich and C.-L. Tsai, Biometrika 76 (1989) 297; reading of
the differences after K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference,
2002; both from memory): within 4 of the best a curve is not ruled out, beyond 10 it has no
support.  Where n is too small for the correction all curves are compared by AIC,
and the choice is called provisional.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.rate.curve_fit import fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.run_sizes import RunSizes

__all__ = ["Candidate", "CurveChoice", "choose_curve"]

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
    """Compare curves on one set of sizes.

    Parameters
    ----------
    data : RunSizes
        The sizes.
    names : sequence of str
        Curves to compare; those with too many parameters for the runs are left out.
    random_rate : bool or None
        As in `fit_curve`.

    Returns
    -------
    CurveChoice

    Raises
    ------
    ModelError
        If a curve is unknown, or none can be fitted.
    """
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
