"""Result of fitting rate curves to a study: frames for tables and figures, and sentences.

Times in min, sizes in µm, rates in 1/min.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.rate.curves import CurveName
from psdstats.rate.profile import OpenInterval
from psdstats.rate.rate_series import RateSeries
from psdstats.rate.rate_words import margin_sentence, target_sentence, unmoved_sentence
from psdstats.rate.withdrawal import Withdrawal

__all__ = ["RateResult"]


@dataclass(frozen=True, kw_only=True, eq=False)
class RateResult:
    """Curves of size against time and what they say.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    series : tuple of RateSeries
        One a level of the factor asked for, or one in all.
    target_um, margin_percent : float or None
        As asked.
    level : float
        Confidence level of all intervals.
    withdrawals : dict of str to Withdrawal
        By charge, where the charge was stated.
    notes : tuple of str
        Assumptions and what was left out.
    """

    quantity: str
    series: tuple[RateSeries, ...]
    target_um: float | None
    margin_percent: float | None
    level: float
    withdrawals: dict[str, Withdrawal]
    notes: tuple[str, ...]

    def parameters_frame(self) -> pd.DataFrame:
        """Parameters and spreads of every series."""
        return pd.concat([one.parameters_frame() for one in self.series], ignore_index=True)

    def choice_frame(self) -> pd.DataFrame:
        """Comparison of the curves, series by series."""
        return pd.concat(
            [one.choice.to_frame().assign(series=one.label) for one in self.series],
            ignore_index=True,
        )

    def stopping_frame(self) -> pd.DataFrame:
        """One row a series and question: time in min, its interval, open ends, extrapolated."""
        rows = []
        for one in self.series:
            last = float(one.fit.data.time_min.max())
            for question, unit, asked, found in (
                ("time to target", "µm", self.target_um, one.target),
                ("time to margin", "%", self.margin_percent, one.margin),
            ):
                if found is not None:
                    rows.append(_stopping_row(one.label, question, unit, asked, found, last))
        return pd.DataFrame(rows, columns=_STOPPING_COLUMNS)

    def curve_frame(self, *, points: int = 101, until_min: float | None = None) -> pd.DataFrame:
        """Fitted sizes at even times with pointwise intervals: series, milling_time_min, ….

        Parameters
        ----------
        points : int, default=101
            Times of each series.
        until_min : float, optional
            Last time; the last one measured if left out.
        """
        return pd.concat(
            [
                one.curve_frame(points=points, level=self.level, until_min=until_min)
                for one in self.series
            ],
            ignore_index=True,
        )

    def points_frame(self) -> pd.DataFrame:
        """The sizes fitted, one row a run, with the fitted size and the residual in per cent."""
        pieces = []
        for one in self.series:
            fitted = one.fit.log_size(one.fit.data.time_min)
            residual = 100 * np.expm1(one.fit.data.ln_size - fitted)
            frame = one.sizes.frame.assign(
                series=one.label, fitted_um=np.exp(fitted), residual_percent=residual
            )
            pieces.append(frame)
        return pd.concat(pieces, ignore_index=True)

    def withdrawal_frame(self) -> pd.DataFrame:
        """Powder left and ball-to-powder ratio, charge by charge; empty without a stated charge."""
        pieces = [one.frame.assign(charge=name) for name, one in self.withdrawals.items()]
        return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()

    def sentences(self) -> tuple[str, ...]:
        """The answer in words, series by series: when to stop, then the curve behind it."""
        lines: list[str] = []
        for one in self.series:
            prefix = f"{one.label}: " if one.label else ""
            last = float(one.fit.data.time_min.max())
            found = []
            if one.target is not None and self.target_um is not None:
                found.append(
                    target_sentence(
                        one.target,
                        quantity=self.quantity,
                        target_um=self.target_um,
                        last_min=last,
                        others=dict(list(one.targets.items())[1:]),
                    )
                )
            elif self.target_um is not None:
                below = float(np.exp(one.fit.beta[0])) <= self.target_um
                found.append(unmoved_sentence(self.quantity, self.target_um, below=below))
            if self.margin_percent is not None:
                found.append(self._margin_words(one, last))
            found += [one.choice.sentence, one.check.sentence]
            lines += [prefix + text for text in found]
        if self.withdrawals:
            raised = {
                name: float(one.frame["change_percent"].max())
                for name, one in self.withdrawals.items()
            }
            name = max(raised, key=lambda one: raised[one])
            lines.append(self.withdrawals[name].sentence)
            if len(self.withdrawals) > 1:
                lines.append(
                    f"That is charge {name}, the most affected of {len(self.withdrawals)}."
                )
        return tuple(lines)

    def _margin_words(self, one: RateSeries, last: float) -> str:
        margin = self.margin_percent or 0.0
        no_limit = [fit.curve.phrase for fit in one.fits if fit.curve.name is not CurveName.LIMIT]
        names = " or ".join(no_limit)
        if one.margin is None:
            return (
                f"No time can be given after which less than {margin:g} % is left to gain: "
                f"{names} has no limit."
            )
        return margin_sentence(
            one.margin,
            quantity=self.quantity,
            margin_percent=margin,
            last_min=last,
            without_limit=names,
        )


_STOPPING_COLUMNS = [
    "series",
    "question",
    "asked",
    "asked_unit",
    "time_min",
    "lower_min",
    "upper_min",
    "lower_open",
    "upper_open",
    "excluded",
    "beyond_last_time",
    "df",
]


def _stopping_row(
    label: str, question: str, unit: str, asked: float | None, found: OpenInterval, last: float
) -> dict[str, object]:
    return {
        "series": label,
        "question": question,
        "asked": asked,
        "asked_unit": unit,
        "time_min": found.value,
        "lower_min": found.lower,
        "upper_min": float("inf") if found.upper_open else found.upper,
        "lower_open": found.lower_open,
        "upper_open": found.upper_open,
        "excluded": found.excluded,
        "beyond_last_time": found.value is None or found.value > last,
        "df": found.df,
    }
