"""Size against milling time: which curve, when to stop, loss above each sieve, withdrawn powder.

Times in min, sizes in µm, rates in 1/min.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.plan import plan_comparison
from psdstats.errors import ModelError
from psdstats.output import table as col
from psdstats.output.content import Bullets, Drawing, Page, page_of, panel_of
from psdstats.output.figures.rate import loss_against_size, size_rate
from psdstats.output.table import Place, Table, table_of
from psdstats.rate.answers import OpenInterval
from psdstats.rate.first_order import LossRates, loss_rates
from psdstats.rate.fit_rate import RateResult, RateSeries
from psdstats.study.records import Study
from psdstats.words import rate as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import phrases, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_BEYOND = 4.0  # a time further out than this many times the last one is not drawn
_CURVE_POINTS = 41
_SCATTER = phrases("scatter")


def rate_factor(study: Study) -> tuple[str, ...]:
    """The further factors whose levels get a curve each: those crossed with milling time."""
    return plan_comparison(study, by=TIME).at_each


def collect_loss(
    study: Study, *, at_each: Sequence[str], level: float
) -> tuple[LossRates | None, tuple[str, ...]]:
    """Rates of loss above the sieves, or None and the reason as a note."""
    try:
        return loss_rates(study, at_each=at_each, level=level), ()
    except ModelError as reason:
        return None, (str(reason),)


def _series(frame: pd.DataFrame, *heads: col.Column | str) -> tuple[col.Column | str, ...]:
    """A column that names the series, where there is more than one, in front of other headings."""
    return (*(["series"] if (frame["series"] != "").any() else ()), *heads)


def stopping_table(result: RateResult, say: Numerals = PLAIN) -> Table:
    """Times to the target and to the margin, with intervals that may be open."""
    frame = result.stopping_frame()
    frame["shown"] = [words.time_words(one, say) for *_, one in result.stopping]
    frame["question"] = [
        words.wanted(result.quantity, asked, unit, say) for _, unit, asked, _ in result.stopping
    ]
    return table_of(
        "when to stop",
        frame,
        _series(frame, *col.fields(question="wanted")),
        (col.Column("shown", "milling time", "min"), *col.fields(beyond_last_time="extrapolated")),
        say,
        place=Place.FIRST,
        is_front=True,
        level=result.level,
        groups=words.of_groups(result),
    )


def parameters_table(result: RateResult, say: Numerals = PLAIN) -> Table:
    """What the chosen curve says of itself."""
    frame, level = result.to_frame(), say(100 * result.level)
    table = table_of(
        "rate parameters",
        frame,
        _series(frame, "parameter"),
        ("unit", col.interval("value", f"value ({level} % interval)")),
        place=Place.REPORT if result.stopping else Place.FIRST,
        quantity=result.quantity,
    )
    shapes = (words.POWER_SHAPES,) if (frame["parameter"] == "power shape").any() else ()
    return replace(table, notes=(*table.notes, *shapes))


def scatter_table(result: RateResult, say: Numerals = PLAIN) -> Table:
    """The spread behind the intervals, that of the comparison."""
    frame = result.scatter_frame()
    terms = {f"{term}_sd_percent": heading for term, heading in _SCATTER.items()}
    shown = {name: heading for name, heading in terms.items() if frame[name].notna().any()}
    columns = (*col.numbers(1, "%", **shown), *col.numbers(0, df="degrees of freedom"))
    table = table_of(
        "rate scatter", frame, _series(frame), columns, say, quantity=result.quantity, none=0.0
    )
    return replace(table, row_headings=len(_series(frame)))


def choice_table(result: RateResult) -> Table:
    """The curves compared by their information criterion."""
    frame = result.choice_frame()
    return table_of(
        "rate curves",
        frame,
        _series(frame, "curve"),
        (
            "parameters",
            "p",
            *col.numbers(1, "", "criterion", "difference"),
            *col.shares(None, "weight"),
        ),
        quantity=result.quantity,
    )


def loss_table(loss: LossRates, say: Numerals = PLAIN) -> Table:
    """Rate of loss above each sieve."""
    frame, rate = loss.frame, f"rate ({say(100 * loss.level)} % interval)"
    above = col.written("aperture_um", "above", "µm")
    ends = {"lower": "lower_per_min", "upper": "upper_per_min"}
    return table_of(
        "loss above each sieve",
        frame,
        _series(frame, above),
        (
            col.interval("rate_per_min", rate, "1/min", **ends),
            *col.numbers(None, "min", half_life_min="half gone after"),
            *col.fields("runs", curvature_p="p of a bend", verdict="rate with time"),
        ),
        place=Place.FILES,
    )


def residuals_table(result: RateResult) -> Table:
    """Size of every run, the fitted size, and what lies between them."""
    frame = result.points_frame()
    return table_of(
        f"rate residuals {result.quantity}",
        frame,
        _series(frame, "run"),
        (
            "group",
            col.written(TIME, "milling time", "min"),
            *col.fields(size_um="size", fitted_um="fitted"),
            *col.changes(residual_percent="residual"),
        ),
        key="rate residuals",
        place=Place.FILES,
        quantity=result.quantity,
    )


def withdrawal_table(result: RateResult) -> Table:
    """Powder left and ball-to-powder ratio after every sample of every charge."""
    frame = result.withdrawal_frame()
    return table_of(
        "ball-to-powder ratio",
        frame,
        ("charge", col.written(TIME, "sample at", "min")),
        (
            *col.numbers(None, "g", withdrawn_g="taken in all", left_g="left"),
            *col.numbers(2, ball_to_powder="balls to powder"),
            *col.changes(change_percent="change"),
        ),
        place=Place.FILES,
    )


@page_of.register
def rate_page(
    result: RateResult,
    loss: LossRates | None = None,
    *,
    notes: tuple[str, ...] = (),
    say: Numerals = PLAIN,
) -> Page:
    """When to stop, then curves and the spread behind them; longer tables are left to the files."""
    remarks = dict.fromkeys([*result.notes, *(loss.notes if loss else ())])
    scatter, drawn_off = scatter_table(result, say), words.withdrawal_sentences(result, say)
    return Page(
        heading=words.HEADING,
        lead=words.lead_sentences(result, say) if result.stopping else (),
        sentences=(
            *(words.when_sentences(result, say) or words.lead_sentences(result, say)),
            *drawn_off,
        ),
        blocks=(
            rate_drawing(result, say),
            *([stopping_table(result, say)] if result.stopping else []),
            choice_table(result),
            parameters_table(result, say),
            *([scatter] if len(scatter.columns) > 1 else []),
            *loss_drawings(loss, say),
            *([Bullets(drawn_off)] if drawn_off else []),
            residuals_table(result),
            *([loss_table(loss, say)] if loss else []),
            *([withdrawal_table(result)] if result.withdrawals else []),
        ),
        notes=(
            *words.curve_sentences(result, say),
            *(words.loss_sentences(loss, say) if loss else ()),
            *(sentence(one, say) for one in remarks),
            *notes,
        ),
        notes_heading="Notes on the rate",
        behind=words.BEHIND,
    )


def rate_drawing(result: RateResult, say: Numerals = PLAIN) -> Drawing:
    """All levels in one: runs, curves with bands, target and the times at which it is reached.

    It stands before the appendix where it was asked when to stop.
    """
    last = max(one.last_min for one in result.series)
    until = max(_until(one) for one in result.series)
    found = {one.label: one.target for one in result.series if one.target is not None}
    found = {name: one for name, one in found.items() if not one.never}
    curve = result.curve_frame(points=_CURVE_POINTS, until_min=until)

    def draw(ax: Axes) -> Axes:
        return size_rate(
            curve,
            result.points_frame(),
            ax,
            quantity=result.quantity,
            target_um=result.target_um,
            reached_min={name: _reached(one) for name, one in found.items()},
            measured_until_min=last,
        )

    return panel_of(
        f"rate {result.quantity}",
        draw,
        words.drawing_caption(result, beyond=until > last, say=say),
        words.drawing_alternative(curve, found, result.quantity, say),
        height_mm=62.0,
        say=say,
        is_front=bool(result.stopping),
    )


def loss_drawings(loss: LossRates | None, say: Numerals = PLAIN) -> list[Drawing]:
    """Rate of loss against aperture with the fitted power of size; none where nothing is lost."""
    if loss is None or not (loss.frame["rate_per_min"] > 0).any():
        return []
    powers = {
        series: (one.exponent, one.reference_um, one.rate_at_reference_per_min)
        for series, one in loss.exponents.items()
        if one.exponent is not None
        and one.reference_um is not None
        and one.rate_at_reference_per_min is not None
    }
    return [
        panel_of(
            "loss above each sieve",
            lambda ax: loss_against_size(loss.frame, ax, powers=powers),
            words.loss_drawing_caption(loss, say),
            words.loss_sentences(loss, say),
            height_mm=62.0,
            say=say,
        )
    ]


def _until(series: RateSeries) -> float:
    """How far the curve is drawn: past the time to the target and its interval, if not far out."""
    target, last_min = series.target, series.last_min
    if target is None or target.never:
        return last_min
    ends = [1.1 * (target.value or 0.0), 1.3 * target.lower]
    ends += [] if target.upper_open else [1.05 * target.upper]
    return float(max([last_min, *(one for one in ends if one <= MOST_BEYOND * last_min)]))


def _reached(target: OpenInterval) -> tuple[float, float, float]:
    """Time to the target with its limits, infinite where open; NaN where the curve gives none."""
    upper = np.inf if target.upper_open else target.upper
    return np.nan if target.value is None else target.value, target.lower, upper
