"""A fitted mixed model in words: what was fitted, and what state the fit is in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from psdstats.columns import signed
from psdstats.models.criterion import Criterion
from psdstats.models.design_fixed import FixedDesign
from psdstats.models.design_random import RandomDesign
from psdstats.models.engine import BatchFit

# rows beyond the fixed effects up to which tests miss their level: three variances or more, and
# two with a known covariance
_FEW_WITH_CELLS, _FEW_WITH_KNOWN = 20, 8

_TINY = 1e-10  # share of the largest below which a variance, or an eigenvalue of V, is as good as 0


def joined(items: Sequence[str]) -> str:
    """Items as a list in a sentence.

    Examples
    --------
    >>> joined(["time", "ball ratio", "group"])
    'time, ball ratio and group'
    """
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def fit_status(fit: BatchFit, random: RandomDesign, row: int = 0) -> str:
    """State of one fit: "converged", or what is not as it should be."""
    if not len(random.names):
        return "no variance estimated: known covariance only, degrees of freedom infinite"
    words = []
    theta, edge = fit.theta[row], fit.on_edge[row]
    inside_blocks = {i for block in fit.parts.blocks for i in block}
    for k, name in enumerate(random.names):
        if edge[k] and fit.parts.is_variance[k] and k not in inside_blocks:
            words.append(f"variance of {name} at zero")
        elif fit.free and fit.parts.is_variance[k] and theta[k] < 0:
            words.append(f"variance of {name} below zero")
    for first, second, cross in fit.parts.blocks:
        if not edge[cross]:
            continue
        zero = [random.names[k] for k in (first, second) if theta[k] <= 1e-12 * theta.max()]
        if zero:
            words.extend(f"variance of {name} at zero" for name in zero)
        else:
            sign = signed(np.sign(theta[cross]), "+g")
            words.append(
                f"correlation of {random.names[first]} and {random.names[second]} at {sign}"
            )
    if _is_nearly_singular(fit, row):
        words.append("covariance of the rows nearly singular: no test of this fit means anything")
    if not fit.converged[row]:
        words.append("not converged: the likelihood has no clear maximum")
    return "; ".join(words) or "converged"


def _is_nearly_singular(fit: BatchFit, row: int) -> bool:
    """Whether a known covariance of low rank is left almost alone, its residual being nearly 0."""
    known, theta = fit.parts.known, fit.theta[row]
    if known is None or not (fit.parts.is_variance & (theta < _TINY * theta.max())).any():
        return False
    one = known if known.ndim == 2 else known[row]
    values = np.linalg.eigvalsh(one + np.tensordot(theta, fit.parts.matrices, 1))
    return bool(values[0] < _TINY * values[-1])


def fit_sentence(
    response: str, fixed: FixedDesign, random: RandomDesign, fit: BatchFit, status: str
) -> str:
    """The model actually fitted, in one or two sentences."""
    terms = [_term_words(fixed, term.variables) for term in fixed.terms]
    name = (
        "Restricted maximum likelihood"
        if fit.criterion is Criterion.REML
        else ("Maximum likelihood")
    )
    text = f"{name} fit of {response} to {joined(terms) if terms else 'a common mean'}"
    parts = []
    for grouping in random.groupings:
        slopes = list(grouping.column_names[1:])
        what = f"a random intercept of {grouping.label} ({len(grouping.levels)} levels)"
        if slopes:
            link = "correlated" if grouping.cross is not None else "uncorrelated"
            what += f" with {link} slopes in {joined(slopes)}"
        parts.append(what)
    if "residual" in random.names:
        parts.append("a residual variance")
    if random.parts.known is not None:
        parts.append("the known covariance of the measurements")
    text += f", with {joined(parts)}; {fit.n_rows} rows."
    if fixed.added:
        text += f" Added because an interaction contains them: {joined(list(fixed.added))}."
    if status != "converged":
        text += f" State of the fit: {status}."
    return text


def _term_words(fixed: FixedDesign, variables: tuple[str, ...]) -> str:
    if len(variables) > 1:
        return f"the interaction {':'.join(variables)}"
    label = variables[0]
    if label in fixed.factors:
        return f"{label} ({len(fixed.factors[label].levels)} levels)"
    parts = fixed.numerics[label].parts
    return f"the trend {label}" + ("" if len(parts) == 1 else f" ({len(parts)} coefficients)")


def design_cautions(fit: BatchFit) -> tuple[str, ...]:
    """Sentences on designs in which the default tests miss their level.

    Figures are those of tests/calibration/results/mixed_models.md.  Complete designs without a
    known covariance are never concerned: their tests are exact.  Incomplete ones with several
    components and few rows have F tests that reject too rarely; small designs with a known
    covariance, complete or not, reject too often.

    Tried for the latter, and left since no cure helps in all of them (simulated, 5 % wanted): a
    reference law that mixes over the estimated share of the variance rejects in 0 to 4 %; p
    calibrated by a parametric bootstrap in 4.6 to 6.1 %, worse than without in two groups with
    cells; the bootstrap of the likelihood ratio in 3.3 to 6.6 %
    (tests/calibration/results/bootstrap_level.md).
    """
    q, beside = len(fit.parts.matrices), fit.n_rows - fit.design.shape[1]
    if not q:
        return ()
    if fit.parts.known is not None:
        return _cautions_with_known(fit, q, beside)
    if q > 2 and beside < _FEW_WITH_CELLS and not fit.strata_only:
        return (
            f"The design is incomplete and estimates {q} variances from {fit.n_rows} rows: F tests "
            f"of several levels together are cautious (they reject less often than stated); single "
            f"contrasts hold their level.",
        )
    return ()


def _cautions_with_known(fit: BatchFit, q: int, beside: int) -> tuple[str, ...]:
    variances = "one estimated variance" if q == 1 else f"{q} estimated variances"
    few = f"{fit.n_rows} runs for {variances} beside the known covariance"
    if q > 2 and beside <= _FEW_WITH_CELLS:
        if np.linalg.matrix_rank(fit.parts.matrices[0]) <= 2:
            return (
                f"Only {few}, with two groups: 95 % intervals of single contrasts cover about "
                f"92 %, and families of contrasts reject up to 9 % at 5 %.",
            )
        return (f"Only {few}: tests reject a little more often than stated (about 6 % at 5 %).",)
    if beside < _FEW_WITH_KNOWN:
        return (f"Only {few}: tests reject more often than stated (6 to 7 % at 5 %).",)
    return ()
