"""Size against milling time: which curve, when to stop, loss above each sieve, withdrawn powder.

Times in min, sizes in µm.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.output.content import Block, Bullets, Drawing, Note, Section
from psdstats.output.figures.loss import loss_against_size
from psdstats.output.figures.rate import size_rate
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.rate_tables import (
    choice_table,
    loss_table,
    parameters_table,
    residuals_table,
    scatter_table,
    stopping_table,
    withdrawal_table,
)
from psdstats.output.pages.wording import said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.rate import LossRates, RateResult, loss_rates
from psdstats.rate.curve_fit import CurveFit
from psdstats.study import Study

__all__ = [
    "collect_loss",
    "loss_drawing",
    "rate_drawings",
    "rate_factor",
    "rate_files",
    "rate_notes",
    "rate_parts",
    "rate_section",
    "rate_sentences",
    "rate_tables",
]

MOST_BEYOND = 3.0  # a time further out than this many times the last one is not drawn


def rate_factor(study: Study) -> str | None:
    """The factor whose levels get a curve each: the one that the study's comparison sets aside.

    None where it sets aside none or several, or where that one does not differ between runs.
    """
    also = study.compare.get("also")
    frame = study.runs_frame()
    if not isinstance(also, list | tuple) or len(also) != 1 or also[0] not in frame.columns:
        return None
    return str(also[0]) if len(set(frame[also[0]])) > 1 else None


def collect_loss(
    study: Study, *, by: str | None, level: float
) -> tuple[LossRates | None, tuple[str, ...]]:
    """Rates of loss above the sieves, or None and the reason as a note."""
    try:
        return loss_rates(study, by=by, level=level), ()
    except ModelError as reason:
        return None, said_once([str(reason)])


def rate_sentences(result: RateResult, loss: LossRates | None = None) -> tuple[str, ...]:
    """The answer in words: curve, check, when to stop, loss above the sieves, withdrawn powder."""
    return said_once([*result.sentences(), *(() if loss is None else loss.sentences())])


def rate_notes(result: RateResult, loss: LossRates | None = None) -> tuple[str, ...]:
    """What was assumed or left out."""
    return said_once([*result.notes, *(() if loss is None else loss.notes)])


def rate_tables(result: RateResult, loss: LossRates | None = None) -> list[Table]:
    """Every table: when to stop first, where it was asked."""
    return [
        *([] if result.stopping_frame().empty else [stopping_table(result)]),
        parameters_table(result),
        scatter_table(result),
        choice_table(result),
        *([] if loss is None else [loss_table(loss)]),
        *([] if result.withdrawal_frame().empty else [withdrawal_table(result)]),
    ]


def rate_parts(
    result: RateResult, loss: LossRates | None = None, *, notes: tuple[str, ...] = ()
) -> PageParts:
    """What the command shows: answer, every table, figures."""
    tables = rate_tables(result, loss)
    return PageParts(
        sentences=rate_sentences(result, loss),
        tables=(*tables, *rate_files(result)[:1]),
        first=tuple(tables[: 1 if result.stopping_frame().empty else 2]),
        drawings=(*rate_drawings(result), *loss_drawings(loss)),
        notes=(*rate_notes(result, loss), *notes),
    )


def rate_section(
    result: RateResult, loss: LossRates | None = None, *, notes: tuple[str, ...] = ()
) -> Section:
    """Answer, figures and the tables a reader needs; the longer ones are in `rate_files`."""
    blocks: list[Block] = [Bullets(rate_sentences(result, loss)), *rate_drawings(result)]
    files = [table.name for table in rate_files(result, loss)]
    blocks += [table for table in rate_tables(result, loss) if table.name not in files]
    blocks += loss_drawings(loss)
    blocks += [Note(note) for note in (*rate_notes(result, loss), *notes)]
    return Section(heading="How fast does it grind?", blocks=tuple(blocks))


def rate_files(result: RateResult, loss: LossRates | None = None) -> list[Table]:
    """The tables that the section leaves to the files: sizes and residuals, loss, charges."""
    return [
        residuals_table(result),
        *([] if loss is None else [loss_table(loss)]),
        *([] if result.withdrawal_frame().empty else [withdrawal_table(result)]),
    ]


def rate_drawings(result: RateResult) -> list[Drawing]:
    """One figure a series: sizes, curve with band, target and the time at which it is reached."""
    points, stopping = result.points_frame(), result.stopping_frame()
    drawings = []
    for one in result.series:
        own = stopping[
            (stopping["series"] == one.label) & (stopping["question"] == "time to target")
        ]
        last = float(one.fit.data.time_min.max())
        until = _until(own, last)
        curve = one.curve_frame(points=151, level=result.level, until_min=until)
        with house_style():
            ax = new_axes(height_mm=92.0)
            size_rate(
                curve,
                points[points["series"] == one.label],
                ax,
                quantity=result.quantity,
                target_um=result.target_um,
                reached_min=None if own.empty else _reached(own.iloc[0].to_dict()),
                measured_until_min=last,
            )
        label = f" ({one.label.replace('_', ' ')})" if one.label else ""
        drawings.append(
            Drawing(
                name=f"rate {result.quantity} {one.label}".strip(),
                figure=ax.figure,  # type: ignore[arg-type]
                caption=f"{result.quantity} against milling time{label}: {one.fit.curve.phrase} "
                f"with its {100 * result.level:g} % band{_over(one.fits)}; one mark a run"
                f"{'; dashed: beyond the times measured' if until > last else ''}.",
                alternative=" ".join(said_once([one.choice.sentence, one.check.sentence])),
            )
        )
    return drawings


def loss_drawings(loss: LossRates | None) -> list[Drawing]:
    """The figure of the loss above the sieves; none where no sieve has lost anything."""
    if loss is None or not (loss.frame["rate_per_min"] > 0).any():
        return []
    return [loss_drawing(loss)]


def loss_drawing(loss: LossRates) -> Drawing:
    """Rate of loss against aperture, with the fitted power of size."""
    names = {series: series.replace("_", " ") for series in loss.exponents}
    powers = {
        names[series]: (one.exponent, one.reference_um, one.rate_at_reference_per_min)
        for series, one in loss.exponents.items()
        if one.exponent is not None
        and one.reference_um is not None
        and one.rate_at_reference_per_min is not None
    }
    with house_style():
        ax = new_axes(height_mm=92.0)
        loss_against_size(
            loss.frame.assign(series=loss.frame["series"].map(names)), ax, powers=powers
        )
    return Drawing(
        name="loss above each sieve",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Rate of first-order loss of the mass above each sieve, with "
        f"{100 * loss.level:g} % intervals; line: power of size. Empty marks: not first order.",
        alternative=" ".join(said_once(loss.sentences())),
    )


def _over(fits: tuple[CurveFit, ...]) -> str:
    return ", which holds for every curve not ruled out" if len(fits) > 1 else ""


def _until(own: pd.DataFrame, last_min: float) -> float:
    """How far the curve is drawn: past the time to the target and its interval, if not far out."""
    if own.empty:
        return last_min
    time, upper = own[["time_min", "upper_min"]].astype(float).iloc[0]
    near = [one for one in (1.1 * time, 1.05 * upper) if one <= MOST_BEYOND * last_min]
    return float(max([last_min, *near]))


def _reached(row: Mapping[Hashable, Any]) -> tuple[float, float, float] | None:
    """Time to the target with its limits; None where the curve never reaches it."""
    if row["excluded"] and pd.isna(row["time_min"]):
        return None
    value = row["time_min"]
    upper = np.inf if row["upper_open"] else float(row["upper_min"])
    return (np.nan if pd.isna(value) else float(value), float(row["lower_min"]), upper)
