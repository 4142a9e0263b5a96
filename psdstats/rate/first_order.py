"""Share of each run coarser than each sieve, with the variance the balance gives it.

Shares are of the sum of the net masses of a run; apertures are nominal, µm.  A run enters for a
sieve while the mass above it is at least 20 times its standard uncertainty; a run that holds no
powder never does.

First-order loss of the mass above each sieve, and its rate against size.

R_j(t), the share of a run coarser than sieve j, is taken as R_j(0) exp(−K_j t): K_j in 1/min is the
slope of −ln R_j against milling time t in min.  For the coarsest class that is the first-order law
of breakage itself; for finer sieves it is a description that must be checked, since R_j is fed
from above (cumulative first-order law, common practice, no source).  K against aperture is put as a
power, K = K_ref (x/x_ref)^α.

The known part of the variance of ln R_j is that of the two readings of each class (resolution and
repeatability of the balance).  Run-to-run variation is estimated about the lines: a run that is
finer or coarser shifts its curve along ln x, so ln R_j scatters by the slope of ln R against ln x,
more the less is left.  Groups are fixed blocks with a line each, and the rate is the mean of
theirs.  How far groups differ in rate is found from all sieves together that groups have in common,
relative to the rate, where one has three groups or more, with one degree of freedom less than
there are groups; every sieve carries it, those of one group in full.  A study of two groups, or
one, cannot tell it: its rates are those of these groups as they ran.

Whether one rate will do is asked of the bend of ln R with time.  A bend is *equivalent* to none
where the interval of the change of the rate from start to end lies within `SAME_RATE_PERCENT`, and
*cannot be told* where it holds both none and that much: few runs say little, never that nothing is
there.  The p of the sieves of a series are adjusted together (Holm).

The rates of several sieves come from the same runs, so their errors are related; the interval of α
therefore comes from the groups (each group's α, then their spread) where there are three or more,
and otherwise only describes the scatter about the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from psdstats.comparison.benches import indicators
from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark
from psdstats.frozen import Array
from psdstats.limits import LEVEL
from psdstats.models.contrasts import adjust_p
from psdstats.models.engine import CovarianceParts
from psdstats.models.posterior import Mixture, left_over, mixture, variance_posterior
from psdstats.models.verdicts import judge
from psdstats.rate.run_sizes import RateRemark, by_level, runs_without_level
from psdstats.student import critical_t
from psdstats.study.records import Run, Study

LEAST_OVER_U = 20.0
LEAST_RUNS = 4
LEAST_GROUPS = 3  # from which the spread of their rates is counted
ALIKE = 0.1  # of the mean variance of ln R, which every run has (own rule, no source)
LEAST_TIMES = 3
SAME_RATE_PERCENT = 25.0
"""Change of a rate from start to end below which one rate describes it (own rule, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Oversize:
    """The runs that hold a weighable mass above one sieve.

    Parameters
    ----------
    series : str
        Level of the factor, or empty.
    aperture_um : float
        Nominal aperture.
    rows : DataFrame
        group, time_min, share and u_share of each run.
    """

    series: str
    aperture_um: float
    rows: pd.DataFrame

    @property
    def enough(self) -> bool:
        """Whether there are runs and times enough for a rate."""
        return len(self.rows) >= LEAST_RUNS and self.rows["time_min"].nunique() >= LEAST_TIMES

    @cached_property
    def time_min(self) -> Array:
        """Milling times, (n,)."""
        return self.rows["time_min"].to_numpy(dtype=float)

    @cached_property
    def ln_share(self) -> Array:
        """The ln R of the runs, (n,)."""
        return np.asarray(np.log(self.rows["share"].to_numpy(dtype=float)))

    @cached_property
    def known(self) -> Array:
        """Covariance (n, n) that the balance gives ln R."""
        relative = self.rows["u_share"] / self.rows["share"]
        return np.asarray(np.diag(relative.to_numpy(dtype=float) ** 2))

    @cached_property
    def variance(self) -> Array:
        """Variance of ln R by a shift of one along ln x, (n,), at least `ALIKE` of its mean.

        By the mean slope of each time; alike in all runs where no neighbouring sieve shows a slope.
        """
        slope = self.rows.groupby("time_min")["slope"].transform("mean").to_numpy(dtype=float)
        if not np.isfinite(slope).all():
            return np.ones(len(slope))
        return np.asarray(slope**2 + ALIKE * np.mean(slope**2))

    @cached_property
    def blocks(self) -> Array:
        """Indicators of the groups, (n, groups)."""
        return indicators(pd.factorize(self.rows["group"])[0].astype(np.intp))

    @cached_property
    def lines(self) -> Array:
        """The line of each group that has two times or more, falling with time, (n, lines)."""
        held = [len(np.unique(self.time_min[column > 0])) > 1 for column in self.blocks.T]
        return np.asarray(-self.blocks[:, held] * self.time_min[:, None])


def oversize_of(study: Study, *, at_each: Sequence[str] = ()) -> list[Oversize]:
    """Shares above every aperture, coarsest first, level by level of a factor."""
    rows = {run.name: _run_rows(study, run) for run in study.runs if run.total_g > 0}
    found = []
    for label, runs in by_level(study.runs_frame(), at_each):
        held = [rows[name] for name in runs["run"] if name in rows]
        frame = pd.concat(held, ignore_index=True) if held else pd.DataFrame()
        for aperture_um in sorted(set(frame.get("aperture_um", ())), reverse=True):
            part = frame[frame["aperture_um"] == aperture_um]
            used = (part["share"] > 0) & (part["share"] >= LEAST_OVER_U * part["u_share"])
            found.append(Oversize(series=label, aperture_um=aperture_um, rows=part[used]))
    return found


def _run_rows(study: Study, run: Run) -> pd.DataFrame:
    """Share above each sieve of a run and its standard uncertainty from the balance."""
    balance = study.balances[run.balance]
    one_net = 2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2)
    readings = sorted(run.readings, key=lambda reading: -reading.aperture_um)
    above = np.arange(1, len(readings))  # classes above each sieve
    share = np.cumsum([reading.net_g for reading in readings])[:-1] / run.total_g
    spread = (1 - share) ** 2 * above + share**2 * (len(readings) - above)
    u_share, slope = np.sqrt(one_net * spread / run.total_g**2), np.full(len(share), np.nan)
    aperture_um = np.array([reading.aperture_um for reading in readings[:-1]])
    seen = (share > 0) & (share >= LEAST_OVER_U * u_share)
    if seen.sum() > 1:
        slope[seen] = -np.gradient(np.log(share[seen]), np.log(aperture_um[seen]))
    return pd.DataFrame(
        {
            "group": run.group,
            "time_min": run.milling_time_min,
            "aperture_um": aperture_um,
            "share": share,
            "u_share": u_share,
            "slope": slope,
        }
    )


@dataclass(frozen=True, kw_only=True)
class SizeExponent:
    """How the rate of loss depends on size.

    Parameters
    ----------
    exponent, lower, upper : float or None
        α and its interval; None where fewer than three sieves have a rate.
    reference_um, rate_at_reference_per_min : float or None
        x_ref, the geometric middle of the apertures, and K there.
    basis : Remark
        What the interval rests on.
    """

    basis: Remark
    exponent: float | None = None
    lower: float | None = None
    upper: float | None = None
    reference_um: float | None = None
    rate_at_reference_per_min: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class LossRates:
    """Rates of first-order loss of one study or one level of a factor.

    Parameters
    ----------
    frame : DataFrame
        One row a sieve: series, aperture_um, rate_per_min, lower_per_min, upper_per_min, df, runs,
        groups, half_life_min, curvature_p, verdict.
    findings : tuple of Finding
        One a sieve, in the order of the rows: whether its rate changes with time.
    exponents : dict of str to SizeExponent
        By series.
    level : float
        Confidence level.
    notes : tuple of Remark
        What was left out.
    """

    frame: pd.DataFrame
    findings: tuple[Finding, ...]
    exponents: dict[str, SizeExponent]
    level: float
    notes: tuple[Remark, ...]


def loss_rates(study: Study, *, at_each: Sequence[str] = (), level: float = 0.95) -> LossRates:
    """Rate of loss of the mass above each sieve, at each level of further factors."""
    LEVEL.require("level", level, ModelError)
    oversize = oversize_of(study, at_each=at_each)
    notes = [RateRemark.EMPTY_RUN(run=run.name) for run in study.runs if run.total_g <= 0]
    notes += runs_without_level(study.runs_frame(), at_each)
    enough = [one for one in oversize if one.enough]
    rates = [_rates(one) for one in enough]
    between = _between(rates)
    groups = max((len(one.estimate) for one in rates), default=LEAST_GROUPS + 1) - 1
    if groups < LEAST_GROUPS:
        notes.append(RateRemark.RATES_OF_FEW_GROUPS(groups=groups))
    rows, findings = list[dict[str, object]](), list[Finding]()
    exponents: dict[str, SizeExponent] = {}
    for series in dict.fromkeys(one.series for one in oversize):
        own = [pair for pair in zip(enough, rates, strict=True) if pair[0].series == series]
        means = [float(found.estimate[0]) for _, found in own]
        told = _changes_of_rate([one for one, _ in own], means, level)
        for (one, found), finding in zip(own, told, strict=True):
            rows.append(
                {"series": series, "aperture_um": one.aperture_um}
                | _sieve_row(one, found, between, level)
                | {"curvature_p": finding.numbers.p, "verdict": str(finding.verdict)}
            )
        findings += told
        exponents[series] = _exponent([one for one, _ in own], means, level)
        bare = [one.aperture_um for one in oversize if one.series == series and not one.enough]
        if bare:
            notes.append(RateRemark.TOO_FEW_ABOVE(series=series, aperture_um=tuple(bare)))
    if not rows:
        raise ModelError(
            "No sieve holds a weighable mass in four runs of three times, so no rate of loss can "
            "be found; sample more times."
        )
    return LossRates(
        frame=pd.DataFrame(rows),
        findings=tuple(findings),
        exponents=exponents,
        level=level,
        notes=tuple(notes),
    )


def _rates(one: Oversize) -> Mixture:
    """Rates of loss above one sieve: their mean over the groups, then that of each group."""
    lines = one.lines
    if not left_over(np.hstack([one.blocks, lines])).shape[1]:  # too few runs for a line each
        lines = lines.sum(axis=1, keepdims=True)
    groups = lines.shape[1]
    rows = np.hstack([np.zeros((groups, one.blocks.shape[1])), np.eye(groups)])
    wanted = np.vstack([rows.mean(axis=0), rows])
    return _judged(one, np.hstack([one.blocks, lines]), wanted)


def _judged(one: Oversize, design: Array, wanted: Array) -> Mixture:
    """Contrasts of the coefficients of ln R over what its scatter may be."""
    runs = np.diag(one.variance)[None]
    parts = CovarianceParts(matrices=runs, is_variance=np.ones(1, dtype=bool), known=one.known)
    posterior = variance_posterior(one.ln_share, design, parts)
    return mixture(one.ln_share, design, parts, wanted, posterior)


def _between(rates: list[Mixture]) -> tuple[float, int] | None:
    """Relative SD between groups of one rate, with its degrees of freedom; None of few groups."""
    relative = [
        one.estimate[1:] / one.estimate[0]
        for one in rates
        if len(one.estimate) > 2 and one.estimate[0] > 0
    ]
    if not relative or max(map(len, relative)) < LEAST_GROUPS:
        return None
    variances = [float(np.var(one, ddof=1)) for one in relative]
    return float(np.sqrt(np.mean(variances))), max(map(len, relative)) - 1


def _sieve_row(
    one: Oversize, found: Mixture, between: tuple[float, int] | None, level: float
) -> dict[str, object]:
    """What the row of one sieve says beside series and aperture."""
    rate, groups = float(found.estimate[0]), len(found.estimate) - 1
    reach, df = float(found.half_width(1 - level)[0]), float(found.df[0])
    if between is not None:
        # the spread of the groups' rates holds that of runs; of one group it comes on top
        sd = abs(rate) * between[0] / np.sqrt(groups)
        own = float(found.se[0]) if groups == 1 else 0.0
        spread = float(np.hypot(sd, own)) * float(critical_t(1 - level, between[1]))
        reach, df = (spread, float(between[1])) if spread > reach else (reach, df)
    return {
        "rate_per_min": rate,
        "lower_per_min": rate - reach,
        "upper_per_min": rate + reach,
        "df": df,
        "runs": len(one.rows),
        "groups": groups,
        "half_life_min": float(np.log(2) / rate) if rate > 0 else None,
    }


def _changes_of_rate(sieves: list[Oversize], rates: list[float], level: float) -> list[Finding]:
    """Whether ln R bends above each sieve of a series, the p of all adjusted together."""
    bends = [_bend(one) for one in sieves]
    p = np.array([np.nan if one is None else one.p()[0] for one in bends])
    if np.isfinite(p).any():
        p[np.isfinite(p)] = adjust_p(p[np.isfinite(p)])
    return [
        _change_of_rate(one, rate, bend, float(adjusted), level)
        for one, rate, bend, adjusted in zip(sieves, rates, bends, p, strict=True)
    ]


def _bend(one: Oversize) -> Mixture | None:
    """Change of ln rate from start to end, times the rate: twice the bend over the last time."""
    last = one.time_min.max()
    design = np.hstack([one.blocks, one.lines, (one.time_min**2 / last)[:, None]])
    if len(np.unique(one.time_min)) <= LEAST_TIMES or not left_over(design).shape[1]:
        return None
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    return _judged(one, design, -2.0 * np.eye(design.shape[1])[-1:])


def _change_of_rate(
    one: Oversize, rate: float, bend: Mixture | None, adjusted: float, level: float
) -> Finding:
    """The estimate is the change of the rate from start to end over the mean rate."""
    numbers, obstacles, within = Numbers(), [RateRemark.TOO_FEW_TIMES()], False
    if bend is not None:
        scale = max(abs(rate), 1e-12)
        change, half = float(bend.estimate[0]) / scale, float(bend.half_width(1 - level)[0]) / scale
        numbers = Numbers(
            estimate=change,
            lower=change - half,
            upper=change + half,
            u=float(bend.se[0]) / scale,
            df=float(bend.df[0]),
            p=float(bend.p()[0]),
            p_adjusted=float(adjusted),
        )
        within = abs(change) + half < SAME_RATE_PERCENT / 100
        little = [RateRemark.LITTLE_SEEN(percent=SAME_RATE_PERCENT)]
        obstacles = [] if within or adjusted < 1 - level else little
    return judge(
        Contrast(high=f"{one.aperture_um:g}", where=one.series),
        numbers,
        kind=FindingKind.LOSS,
        level=level,
        margin_percent=SAME_RATE_PERCENT,
        within_margin=within,
        obstacles=obstacles,
    )


def _exponent(sieves: list[Oversize], rates: list[float], level: float) -> SizeExponent:
    usable = [one for one, rate in zip(sieves, rates, strict=True) if rate > 0]
    if len(usable) < 3:
        return SizeExponent(basis=RateRemark.FEW_SIEVES())
    ln_x = np.log([one.aperture_um for one in usable])
    ln_k = np.log([rate for rate in rates if rate > 0])
    (slope, _), spread = np.polyfit(ln_x, ln_k, 1, cov=True)
    error, df, basis = np.sqrt(spread[0, 0]), len(usable) - 2.0, RateRemark.ABOUT_THE_LINE()
    by_group = _group_exponents(usable)
    if len(by_group) >= 3:
        slope = float(by_group.mean())
        error, df = by_group.std(ddof=1) / np.sqrt(len(by_group)), len(by_group) - 1.0
        basis = RateRemark.BETWEEN_GROUPS(groups=len(by_group))
    reach = float(error * critical_t(1 - level, df))
    return SizeExponent(
        exponent=slope,
        lower=slope - reach,
        upper=slope + reach,
        reference_um=float(np.exp(ln_x.mean())),
        rate_at_reference_per_min=float(np.exp(ln_k.mean())),
        basis=basis,
    )


def _group_exponents(sieves: list[Oversize]) -> Array:
    """Exponent of each group that has a positive rate on three sieves or more."""
    found = []
    for group in dict.fromkeys(label for one in sieves for label in one.rows["group"]):
        rates, ln_x = [], []
        for one in sieves:
            mine = (one.rows["group"] == group).to_numpy()
            time, y = one.time_min[mine], one.ln_share[mine]
            if len(np.unique(time)) >= LEAST_TIMES:
                rates.append(-_slope(time, y))
                ln_x.append(np.log(one.aperture_um))
        if len(rates) >= 3 and min(rates) > 0:
            found.append(_slope(np.array(ln_x), np.log(rates)))
    return np.array(found)


def _slope(x: Array, y: Array) -> float:
    """Least-squares slope."""
    return float(np.polyfit(x, y, 1)[0])
