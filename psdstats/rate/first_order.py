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
repeatability of the balance); run-to-run and group variation are estimated.  The rates of several
sieves come from the same runs, so their errors are related; the interval of α therefore comes from
the groups (each group's α, then their spread) where there are three or more, and otherwise only
describes the scatter about the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark
from psdstats.frozen import Array
from psdstats.models.engine import fit_batch
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.verdicts import judge
from psdstats.rate.curve_fit import covariance_parts
from psdstats.rate.run_sizes import (
    RateRemark,
    RunSizes,
    by_level,
    run_sizes,
    runs_without_level,
)
from psdstats.student import critical_t
from psdstats.study.records import Run, Study

LEAST_OVER_U = 20.0
LEAST_RUNS = 4
LEAST_TIMES = 3


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
    def data(self) -> RunSizes:
        """The shares R as the rate models take them; ``ln_size`` holds ln R."""
        return run_sizes(
            self.rows["time_min"],
            self.rows["share"],
            group=self.rows["group"],
            known_covariance=np.diag((self.rows["u_share"] / self.rows["share"]) ** 2),
        )


def oversize_of(study: Study, *, by: str | None = None) -> list[Oversize]:
    """Shares above every aperture, coarsest first, level by level of a factor."""
    rows = {run.name: _run_rows(study, run) for run in study.runs if run.total_g > 0}
    found = []
    for label, runs in by_level(study.runs_frame(), by):
        frame = pd.DataFrame([row for name in runs["run"] for row in rows.get(name, ())])
        for aperture_um in sorted(set(frame.get("aperture_um", ())), reverse=True):
            part = frame[frame["aperture_um"] == aperture_um]
            used = (part["share"] > 0) & (part["share"] >= LEAST_OVER_U * part["u_share"])
            found.append(Oversize(series=label, aperture_um=aperture_um, rows=part[used]))
    return found


def _run_rows(study: Study, run: Run) -> list[dict[str, object]]:
    """Share above each sieve of a run and its standard uncertainty from the balance."""
    balance = study.balances[run.balance]
    one_net = 2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2)
    readings = sorted(run.readings, key=lambda reading: -reading.aperture_um)
    total = run.total_g
    rows: list[dict[str, object]] = []
    above = 0.0
    for number, reading in enumerate(readings[:-1], start=1):
        above += reading.net_g
        share = above / total
        below = len(readings) - number
        variance = one_net * ((1 - share) ** 2 * number + share**2 * below) / total**2
        rows.append(
            {
                "run": run.name,
                "group": run.group,
                "time_min": run.milling_time_min,
                "aperture_um": reading.aperture_um,
                "share": share,
                "u_share": float(np.sqrt(variance)),
            }
        )
    return rows


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
        half_life_min, curvature_p, verdict.
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


def loss_rates(study: Study, *, by: str | None = None, level: float = 0.95) -> LossRates:
    """Rate of loss of the mass above each sieve."""
    if not 0 < level < 1:
        raise ModelError(f"The confidence level is {level}; give a number between 0 and 1.")
    oversize = oversize_of(study, by=by)
    notes = [RateRemark.EMPTY_RUN(run=run.name) for run in study.runs if run.total_g <= 0]
    notes += runs_without_level(study.runs_frame(), by)
    rows: list[dict[str, object]] = []
    findings: list[Finding] = []
    exponents: dict[str, SizeExponent] = {}
    for series in dict.fromkeys(one.series for one in oversize):
        own = [one for one in oversize if one.series == series]
        found: list[tuple[Oversize, float]] = []
        for one in (each for each in own if each.enough):
            rate, row = _sieve_rate(one.data, level)
            finding = _change_of_rate(one.data, series, one.aperture_um)
            findings.append(finding)
            told = {"curvature_p": finding.numbers.p, "verdict": str(finding.verdict)}
            rows.append({"series": series, "aperture_um": one.aperture_um} | row | told)
            found.append((one, rate))
        bare = tuple(one.aperture_um for one in own if not one.enough)
        exponents[series] = _exponent(found, level)
        if bare:
            notes.append(RateRemark.TOO_FEW_ABOVE(series=series, aperture_um=bare))
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


def _line(data: RunSizes) -> Array:
    return np.column_stack([np.ones_like(data.time_min), -data.time_min])


def _direction(
    data: RunSizes, design: Array, least_df: float = 0.0
) -> tuple[float, float, float, float]:
    """Last coefficient of ln R with its standard error, degrees of freedom and p of zero."""
    terms = ("level", "rate", "run") if data.groups >= 3 else ("level", "run")
    parts = covariance_parts(data, terms[data.groups < 2 :], data.time_min)
    fit = fit_batch(data.ln_size, design, parts)
    adjusted = adjusted_covariance(fit, drop_edges=True)
    test = kenward_roger(fit, adjusted, np.eye(design.shape[1])[-1])
    error = float(np.sqrt(adjusted.adjusted[0, -1, -1]))
    return float(fit.beta[0, -1]), error, max(float(test.df_den[0]), least_df), float(test.p[0])


def _sieve_rate(data: RunSizes, level: float) -> tuple[float, dict[str, object]]:
    """Rate of one sieve, and what its row of the table says beside series and aperture."""
    runs = len(data.time_min)
    rate, error, df, _ = _direction(
        data, _line(data), float(data.groups - 1 if data.groups > 1 else runs - 2)
    )
    reach = error * float(critical_t(1 - level, df))
    return rate, {
        "rate_per_min": rate,
        "lower_per_min": rate - reach,
        "upper_per_min": rate + reach,
        "df": df,
        "runs": runs,
        "half_life_min": float(np.log(2) / rate) if rate > 0 else None,
    }


def _change_of_rate(data: RunSizes, series: str, aperture_um: float) -> Finding:
    """Whether ln R bends: the square of time over its largest value, beside the line."""
    numbers, obstacles = Numbers(), [RateRemark.TOO_FEW_TIMES()]
    if len(data.time_min) > LEAST_RUNS and len(data.times) > LEAST_TIMES:
        bent = np.column_stack([_line(data), (data.time_min / data.time_min.max()) ** 2])
        bend, error, df, p = _direction(data, bent)
        reach = error * float(critical_t(0.05, df))
        ends = {"lower": bend - reach, "upper": bend + reach}
        numbers = Numbers(estimate=bend, **ends, u=error, df=df, p=p, p_adjusted=p)
        obstacles = []
    return judge(
        Contrast(high=f"{aperture_um:g}", where=series),
        numbers,
        kind=FindingKind.LOSS,
        obstacles=obstacles,
    )


def _exponent(found: list[tuple[Oversize, float]], level: float) -> SizeExponent:
    usable = [(one, rate) for one, rate in found if rate > 0]
    if len(usable) < 3:
        return SizeExponent(basis=RateRemark.FEW_SIEVES())
    ln_x = np.log([one.aperture_um for one, _ in usable])
    ln_k = np.log([rate for _, rate in usable])
    slope, error = _slope(ln_x, ln_k)
    df, basis = len(usable) - 2.0, RateRemark.ABOUT_THE_LINE()
    by_group = _group_exponents([one for one, _ in usable])
    if len(by_group) >= 3:
        slope = float(by_group.mean())
        error, df = float(by_group.std(ddof=1) / np.sqrt(len(by_group))), len(by_group) - 1.0
        basis = RateRemark.BETWEEN_GROUPS(groups=len(by_group))
    reach = error * float(critical_t(1 - level, df))
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
            time, y = one.data.time_min[mine], one.data.ln_size[mine]
            if len(np.unique(time)) >= LEAST_TIMES:
                rates.append(-_slope(time, y)[0])
                ln_x.append(np.log(one.aperture_um))
        if len(rates) >= 3 and min(rates) > 0:
            found.append(_slope(np.array(ln_x), np.log(rates))[0])
    return np.array(found)


def _slope(x: Array, y: Array) -> tuple[float, float]:
    """Least-squares slope and its standard error."""
    centred = x - x.mean()
    spread = float((centred**2).sum())
    slope = float((centred * y).sum() / spread)
    rest = y - y.mean() - slope * centred
    df = len(x) - 2
    error = float(np.sqrt((rest**2).sum() / df / spread)) if df > 0 else float("nan")
    return slope, error
