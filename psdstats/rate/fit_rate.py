"""Size against milling time: which curve, how fast, when to stop.

ln of a percentile against milling time in min, one curve a level of the further factors; runs,
measurement covariance and spread are those of the analysis of the trial.  Times in min, sizes in
µm, rates in 1/min.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import QUANTITIES, TIME
from psdstats.comparison.analysis import Analysis, QuantityAnalysis, Spread, analyse
from psdstats.comparison.answers import answer
from psdstats.comparison.plan import plan_comparison
from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Remark, Stop, Verdict
from psdstats.limits import LEVEL, MARGIN_PERCENT, MASS_G, SIZE_UM
from psdstats.present import Shown
from psdstats.rate.answers import (
    CurveChoice,
    OpenInterval,
    band,
    check_fit,
    choose_curve,
    hull,
    limit_size,
    margin_over,
    parameter,
    targets_over,
)
from psdstats.rate.curves import CurveFit, CurveName
from psdstats.rate.run_sizes import (
    RateRemark,
    RunSizes,
    Withdrawal,
    set_aside,
    sizes_by_level,
    withdrawals,
)
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.propagation import Propagation

UNITS = {"start size": "µm", "rate constant": "1/min", "limit size": "µm", "power shape": "1"}


@dataclass(frozen=True, kw_only=True, eq=False)
class RateSeries:
    """Size against time at one level of a factor.

    Parameters
    ----------
    choice : CurveChoice
        Comparison of the curves.
    check : Finding
        Whether the sizes leave it.
    parameters : dict of str to OpenInterval
        What the curve says of itself, by name; `UNITS` has the units.
    targets : dict of CurveName to OpenInterval
        Time to the target size by every curve not ruled out; empty where not asked or not possible.
    margin : OpenInterval or None
        Time to within the margin of the limit, where asked and possible.
    stop : Stop or None
        The answer of the comparison at the times sampled, where a margin was asked and the sizes
        leave the curve.
    """

    choice: CurveChoice
    check: Finding
    parameters: dict[str, OpenInterval]
    targets: dict[CurveName, OpenInterval]
    margin: OpenInterval | None
    stop: Stop | None = None

    @property
    def fit(self) -> CurveFit:
        """The curve used."""
        return self.choice.fits[0]

    @property
    def sizes(self) -> RunSizes:
        """The sizes."""
        return self.fit.data

    @property
    def target(self) -> OpenInterval | None:
        """Time to the target size, over every curve not ruled out."""
        return hull(self.targets) if self.targets else None

    @property
    def label(self) -> str:
        """The level, or empty."""
        return self.sizes.label

    @property
    def last_min(self) -> float:
        """Last time measured."""
        return float(self.sizes.times[-1])

    def change(self, quantity: str) -> Finding:
        """Whether the size changes with milling time, by the curves that are not ruled out."""
        tried = [one.name for one in self.choice.candidates]
        verdict = Verdict.CANNOT_BE_TOLD
        if CurveName.NO_CHANGE in tried and len(tried) > 1:
            left = CurveName.NO_CHANGE in self.choice.not_ruled_out
            verdict = Verdict.NOT_SHOWN if left else Verdict.CHANGED
        times = self.sizes.times
        return Finding(
            kind=FindingKind.RATE,
            subject=Contrast(
                high=f"{times[-1]:g}", low=f"{times[0]:g}", where=self.label, quantity=quantity
            ),
            verdict=verdict,
        )


def parameter_intervals(fit: CurveFit, *, level: float) -> dict[str, OpenInterval]:
    """Start size, rate and shape of a curve with profile intervals, by name."""
    asked = {"start size": parameter(fit, "ln_start")}
    if fit.curve.size > 1:
        asked["rate constant"] = parameter(fit, "ln_rate")
    if fit.curve.name is CurveName.LIMIT:
        asked["limit size"] = limit_size(fit)
    found = {name: one.interval(level=level).exp() for name, one in asked.items()}
    if fit.curve.name is CurveName.POWER:
        found["power shape"] = parameter(fit, "power_shape").interval(level=level)
    return found


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class RateResult(Shown):
    """Curves of size against time and what they say.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    series : tuple of RateSeries
        One a level of the further factors, or one in all.
    at_each : tuple of str
        These factors.
    target_um, margin_percent : float or None
        As asked.
    level : float
        Confidence level of all intervals.
    spread : Spread
        Standard deviations of the analysis, of all levels together.
    withdrawals : dict of str to Withdrawal
        By charge, where the charge was stated.
    notes : tuple of Remark
        Assumptions and what was left out.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.rate.fit_rate import fit_rate
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> result = fit_rate(study)
    >>> [len(one.parameters) for one in result.series]
    [3]
    """

    quantity: str
    series: tuple[RateSeries, ...]
    at_each: tuple[str, ...]
    target_um: float | None
    margin_percent: float | None
    level: float
    spread: Spread
    withdrawals: dict[str, Withdrawal]
    notes: tuple[Remark, ...]

    def to_frame(self) -> pd.DataFrame:
        """Parameters of every series.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> result.to_frame()[["parameter", "unit"]]
               parameter   unit
        0     start size     µm
        1  rate constant  1/min
        2    power shape      1
        """
        fields = ("value", "lower", "upper", "lower_open", "upper_open", "df")
        rows = [
            {"series": series.label, "parameter": name, "unit": UNITS[name]}
            | {field: getattr(one, field) for field in fields}
            for series in self.series
            for name, one in series.parameters.items()
        ]
        return pd.DataFrame(rows)

    def scatter_frame(self) -> pd.DataFrame:
        """One row: the spread of the analysis, per cent, and the degrees of freedom of runs.

        ``cell_sd_percent`` is that of groups at one condition, ``drift_sd_percent`` that of a group
        a step of the milling times; NaN where not estimated.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> result.scatter_frame().columns.tolist()
        ['series', 'run_sd_percent', 'cell_sd_percent', 'drift_sd_percent', 'df']
        """
        found = self.spread
        sds = {
            f"{name}_sd_percent": [100 * getattr(found, name)] for name in ("run", "cell", "drift")
        }
        return pd.DataFrame({"series": [""], **sds, "df": [found.df]})

    def choice_frame(self) -> pd.DataFrame:
        """Comparison of the curves, series by series.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> result.choice_frame()[["curve", "parameters"]]
                         curve  parameters
        0            power law           3
        1  approach to a limit           3
        2        constant rate           2
        3            no change           1
        """
        return pd.concat(
            [one.choice.to_frame().assign(series=one.label) for one in self.series],
            ignore_index=True,
        )

    @property
    def stopping(self) -> tuple[tuple[RateSeries, str, float, OpenInterval], ...]:
        """Series, unit ("µm" for the target, "%" for the margin), what was asked, and the time."""
        return tuple(
            (one, unit, asked, found)
            for one in self.series
            for unit, asked, found in (
                ("µm", self.target_um, one.target),
                ("%", self.margin_percent, one.margin),
            )
            if found is not None and asked is not None
        )

    def stopping_frame(self) -> pd.DataFrame:
        """One row a series and question: time in min, its interval, open ends, extrapolated.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study, target_um=120)
        >>> result.stopping_frame()["upper_open"].tolist()
        [True]
        """
        return pd.DataFrame(
            [
                {
                    "series": series.label,
                    "question": "time to target" if unit == "µm" else "time to margin",
                    "asked": asked,
                    "asked_unit": unit,
                    "time_min": found.value,
                    "lower_min": found.lower,
                    "upper_min": float("inf") if found.upper_open else found.upper,
                    "lower_open": found.lower_open,
                    "upper_open": found.upper_open,
                    "excluded": found.excluded,
                    "beyond_last_time": found.value is None or found.value > series.last_min,
                    "df": found.df,
                }
                for series, unit, asked, found in self.stopping
            ]
        )

    def curve_frame(self, *, points: int = 101, until_min: float | None = None) -> pd.DataFrame:
        """Fitted sizes at even times with pointwise intervals: series, milling_time_min, ….

        Parameters
        ----------
        points : int, default=101
            Times of each series.
        until_min : float, optional
            Last time; the last one measured if left out.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> len(result.curve_frame(points=11))
        11
        """
        pieces = []
        for one in self.series:
            time = np.linspace(0, one.last_min if until_min is None else until_min, points)
            lower, upper = band(one.choice.fits, time, level=self.level)
            sizes = (("size_um", one.fit.log_size(time)), ("lower_um", lower), ("upper_um", upper))
            columns = {"series": one.label, TIME: time}
            with np.errstate(over="ignore"):  # a band that few runs leave open has no end
                pieces.append(pd.DataFrame(columns | {name: np.exp(ln) for name, ln in sizes}))
        return pd.concat(pieces, ignore_index=True)

    def points_frame(self) -> pd.DataFrame:
        """The sizes fitted, one row a run, with the fitted size and the residual in per cent.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> result.points_frame()["run"].tolist()
        ['mill-0', 'mill-6', 'mill-12', 'mill-24', 'mill-48']
        """
        pieces = []
        for one in self.series:
            fitted = one.fit.log_size(one.sizes.time_min)
            pieces.append(
                one.sizes.frame.assign(
                    series=one.label,
                    fitted_um=np.exp(fitted),
                    residual_percent=100 * np.expm1(one.sizes.ln_size - fitted),
                )
            )
        return pd.concat(pieces, ignore_index=True)

    def withdrawal_frame(self) -> pd.DataFrame:
        """Powder left and ball-to-powder ratio, charge by charge; empty without a stated charge.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.rate.fit_rate import fit_rate
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> result = fit_rate(study)
        >>> result.withdrawal_frame().empty
        True
        """
        pieces = [one.frame.assign(charge=name) for name, one in self.withdrawals.items()]
        return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def fit_rate(
    study: Study,
    *,
    quantity: str = "D50",
    at_each: Sequence[str] | str | None = None,
    leave_out: Sequence[str] | None = None,
    curve: CurveName | str | None = None,
    target_um: float | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
    powder_g: float | None = None,
    balls_g: float | None = None,
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | None = None,
    analysis: Analysis | None = None,
) -> RateResult:
    """Fit curves of size against milling time to a study.

    Parameters
    ----------
    study : Study
        The trial.
    quantity : {"D10", "D50", "D90"}
        Which size.
    at_each : str or sequence of str, optional
        Further factors whose levels get a curve each, added to those that are crossed with milling
        time.
    leave_out : sequence of str, optional
        Factors that get no curve of their own although they are crossed with milling time.
    curve : str or None
        Curve to use; None takes the one the information criterion prefers, with intervals that
        hold for every curve the criterion does not rule out.
    target_um : float or None
        Size to reach, µm.
    margin_percent : float or None
        How little of the limit size may be left to gain, per cent; None takes that of the study.
    level : float, default=0.95
        Confidence level.
    powder_g, balls_g : float or None
        Powder and balls charged, for the effect of withdrawn samples; the balls follow from the
        column ball_ratio where there is one.
    sources : iterable of (str or Source), optional
        Sources of uncertainty counted; default those the study switches on.
    propagation : Propagation or None
        Joint uncertainty of this study without the run-to-run source, whose sources and rule count.
    analysis : Analysis, optional
        That of the study by milling time, where it was made.

    Returns
    -------
    RateResult

    Raises
    ------
    ModelError
        If a column, quantity or curve is unknown, or the runs are too few.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.rate.fit_rate import fit_rate
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> result = fit_rate(study, target_um=120)
    >>> result.stopping_frame()[["question", "time_min", "beyond_last_time"]].round(0)
             question  time_min  beyond_last_time
    0  time to target      60.0              True
    """
    LEVEL.require("level", level, ModelError)
    stated = {"target_um": target_um, "margin_percent": margin_percent}
    for name, value in {**stated, "powder_g": powder_g, "balls_g": balls_g}.items():
        if value is not None:
            _ALLOWED.get(name, MASS_G).require(name, value, ModelError)
    if quantity not in QUANTITIES[:3]:
        raise ModelError(f"There is no size {quantity!r} to fit; choose D10, D50 or D90.")
    if propagation is not None:
        _same_runs(study, propagation)
    if analysis is None or analysis.plan.by != TIME or quantity not in analysis.quantities:
        plan = plan_comparison(
            study, by=TIME, at_each=at_each, leave_out=leave_out, margin_percent=margin_percent
        )
        prepared = partial(analyse, level=level, sources=sources, propagation=propagation)
        analysis = prepared(study, plan, quantities=[quantity])
    one = analysis[quantity]
    margin = one.plan.margin_percent if margin_percent is None else margin_percent
    parts = sizes_by_level(one)
    notes = [note for part in parts for note in part.notes]
    rule = study.rule if propagation is None else propagation.rule
    if quantity != "D50" and rule in ("semilog", "linear"):
        notes.append(RateRemark.TAIL(quantity=quantity, rule=str(rule)))
    if powder_g is None:
        notes.append(RateRemark.NO_CHARGE())
    choices = _choices(one, parts, curve)
    series = [_series(choice, target_um, margin, level) for choice in choices]
    if margin is not None and any(own.check.verdict is Verdict.CHANGED for own in series):
        stops = {course.where: course.stop for course in answer(one, ()).courses}
        series = [replace(own, stop=stops.get(own.sizes.where)) for own in series]
    return RateResult(
        quantity=quantity,
        series=tuple(series),
        at_each=one.plan.at_each,
        target_um=target_um,
        margin_percent=margin,
        level=level,
        spread=one.spread,
        withdrawals=withdrawals(study, powder_g=powder_g, balls_g=balls_g),
        notes=tuple(dict.fromkeys([*notes, *set_aside(study, one)])),
    )


_ALLOWED = {"target_um": SIZE_UM, "margin_percent": MARGIN_PERCENT}


def _same_runs(study: Study, propagation: Propagation) -> None:
    runs = tuple(run.name for run in study.runs)
    if propagation.runs != runs:
        first = next((one for one in runs if one not in propagation.runs), None)
        found = "in another order" if first is None else f"without {first}"
        raise ModelError(
            f"The propagation given is of other runs than the study ({len(propagation.runs)} runs "
            f"for {len(runs)}, {found}); make it from this study."
        )


def _choices(
    one: QuantityAnalysis, parts: Sequence[RunSizes], curve: CurveName | str | None
) -> list[CurveChoice]:
    """The curves of each level; no change is ruled out where the comparison shows one."""
    names = tuple(CurveName) if curve is None else (curve,)
    found = [choose_curve(part, names) for part in parts]
    if curve is not None or all(CurveName.NO_CHANGE not in own.not_ruled_out for own in found):
        return found
    shown = {
        course.where: course.fallen.verdict is Verdict.CHANGED for course in answer(one, ()).courses
    }
    return [
        replace(choice, changed=shown.get(part.where, False))
        for part, choice in zip(parts, found, strict=True)
    ]


def _series(
    choice: CurveChoice, target_um: float | None, margin_percent: float | None, level: float
) -> RateSeries:
    fits = choice.fits
    return RateSeries(
        choice=choice,
        check=check_fit(fits[0]),
        parameters=parameter_intervals(fits[0], level=level),
        targets={} if target_um is None else targets_over(fits, target_um, level=level),
        margin=None if margin_percent is None else margin_over(fits, margin_percent, level=level),
    )
