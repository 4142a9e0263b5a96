"""Tables of the rate of milling; times in min, sizes in µm, rates in 1/min.

Size against milling time: which curve, when to stop, loss above each sieve, withdrawn powder.

Times in min, sizes in µm.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.errors import ModelError
from psdstats.output.content import Block, Bullets, Drawing, Note, Section
from psdstats.output.figures.rate import loss_against_size, size_rate
from psdstats.output.pages.parts import PageParts, number_column, said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Show, Table
from psdstats.rate.curve_fit import CurveFit
from psdstats.rate.first_order import LossRates, loss_rates
from psdstats.rate.fit_rate import RateResult
from psdstats.rate.rate_words import minutes
from psdstats.study.records import Study

_SCATTER = "standard deviation"


def stopping_table(result: RateResult) -> Table:
    """Times to the target and to the margin, with intervals that may be open."""
    frame = _titled(result.stopping_frame())
    frame["time_shown"] = [
        None if pd.isna(time) else minutes(time).removesuffix(" min") for time in frame["time_min"]
    ]
    frame["shown"] = [_reach(row) for row in frame.to_dict("records")]
    frame["question"] = [
        f"{result.quantity} at {row['asked']:g} µm"
        if row["asked_unit"] == "µm"
        else f"less than {row['asked']:g} % left to gain"
        for row in frame.to_dict("records")
    ]
    return Table(
        name="when to stop",
        frame=frame,
        caption="When to stop milling.",
        columns=(
            *_series_columns(frame),
            Column(name="question", heading="wanted", show=Show.WORDS),
            Column(name="time_shown", heading="milling time", unit="min", show=Show.WORDS),
            Column(
                name="shown",
                heading=f"{100 * result.level:g} % interval",
                unit="min",
                show=Show.WORDS,
            ),
            Column(name="beyond_last_time", heading="extrapolated"),
        ),
        row_headings=len(_series_columns(frame)) + 1,
        notes=(
            "An interval with > is open: the data do not bound the time. It holds for every curve "
            "not ruled out. A time beyond those measured is extrapolated: it rests on the form of "
            "the curve alone.",
        ),
    )


def parameters_table(result: RateResult) -> Table:
    """What the chosen curve says of itself."""
    frame = _titled(result.parameters_frame())
    frame = frame[~frame["parameter"].str.startswith(_SCATTER)]
    return Table(
        name="rate parameters",
        frame=frame,
        caption=f"Curve of {result.quantity} against milling time.",
        columns=(
            *_series_columns(frame),
            Column(name="parameter", heading="parameter", show=Show.WORDS),
            Column(name="unit", heading="unit"),
            Column(
                name="value",
                heading=f"value ({100 * result.level:g} % interval)",
                show=Show.MEASURED,
                lower="lower",
                upper="upper",
            ),
        ),
        row_headings=len(_series_columns(frame)) + 1,
        notes=("The intervals hold if this curve is the right one.",),
    )


def scatter_table(result: RateResult) -> Table:
    """How far groups and runs lie from the chosen curve."""
    frame = _titled(result.parameters_frame())
    frame = frame[frame["parameter"].str.startswith(_SCATTER)]
    wide = frame.pivot_table(
        index="series", columns="parameter", values="value", aggfunc="first", sort=False
    ).reset_index()
    names = dict.fromkeys(frame["parameter"])
    return Table(
        name="rate scatter",
        frame=wide,
        caption=f"Scatter of {result.quantity} about the curve beyond what the weighings explain, "
        "standard deviations.",
        columns=(
            *_series_columns(wide),
            *(
                Column(
                    name=name,
                    heading=name.removeprefix(_SCATTER).strip(),
                    unit="%",
                    show=Show.NUMBER,
                    decimals=1,
                )
                for name in names
            ),
        ),
        row_headings=len(_series_columns(wide)),
        notes=("A figure of 0.0 means that the data show none, not that there is none.",),
    )


def choice_table(result: RateResult) -> Table:
    """The curves compared by their information criterion."""
    frame = _titled(result.choice_frame())
    criterion = "AICc" if all(one.choice.corrected for one in result.series) else "AIC"
    return Table(
        name="rate curves",
        frame=frame,
        caption=f"Curves compared for {result.quantity}.",
        columns=(
            *_series_columns(frame),
            Column(name="curve", heading="curve"),
            Column(name="parameters", heading="parameters", show=Show.COUNT),
            Column(name="criterion", heading=criterion, show=Show.NUMBER, decimals=1),
            Column(name="difference", heading="difference", show=Show.NUMBER, decimals=1),
            Column(name="weight", heading="weight", show=Show.PER_CENT),
        ),
        row_headings=len(_series_columns(frame)) + 1,
        notes=(
            "The smaller the criterion the better; a curve within 4 of the best is not ruled out, "
            "one more than 10 above it has no support.",
        ),
    )


def loss_table(loss: LossRates) -> Table:
    """Rate of loss above each sieve."""
    frame = _titled(loss.frame)
    return Table(
        name="loss above each sieve",
        frame=frame,
        caption="First-order loss of the mass above each sieve.",
        columns=(
            *_series_columns(frame),
            number_column(frame["aperture_um"], name="aperture_um", heading="above", unit="µm"),
            Column(
                name="rate_per_min",
                heading=f"rate ({100 * loss.level:g} % interval)",
                unit="1/min",
                show=Show.MEASURED,
                lower="lower_per_min",
                upper="upper_per_min",
            ),
            Column(name="half_life_min", heading="half gone after", unit="min", show=Show.NUMBER),
            Column(name="runs", heading="runs", show=Show.COUNT),
            Column(name="curvature_p", heading="p of a bend", show=Show.P_VALUE),
            Column(name="verdict", heading="first order?"),
        ),
        row_headings=len(_series_columns(frame)) + 1,
        notes=("The rates of the sieves come from the same runs, so their errors are related.",),
    )


def residuals_table(result: RateResult) -> Table:
    """Size of every run, the fitted size, and what lies between them."""
    frame = _titled(result.points_frame())
    times = frame[TIME]
    return Table(
        name=f"rate residuals {result.quantity}",
        frame=frame,
        caption=f"{result.quantity} of every run, the fitted size, and the residual.",
        columns=(
            *_series_columns(frame),
            Column(name="run", heading="run"),
            Column(name="group", heading="group"),
            number_column(times, name=TIME, heading="milling time", unit="min"),
            Column(name="size_um", heading="size", unit="µm", show=Show.NUMBER),
            Column(name="fitted_um", heading="fitted", unit="µm", show=Show.NUMBER),
            Column(
                name="residual_percent", heading="residual", unit="%", show=Show.SIGNED, decimals=1
            ),
        ),
        row_headings=len(_series_columns(frame)) + 1,
    )


def withdrawal_table(result: RateResult) -> Table:
    """Powder left and ball-to-powder ratio after every sample of every charge."""
    frame = result.withdrawal_frame()
    times = frame[TIME]
    return Table(
        name="ball-to-powder ratio",
        frame=frame,
        caption="Powder left in the jar after each sample, and what that does to the "
        "ball-to-powder ratio.",
        columns=(
            Column(name="charge", heading="charge"),
            number_column(times, name=TIME, heading="sample at", unit="min"),
            Column(name="withdrawn_g", heading="taken in all", unit="g", show=Show.NUMBER),
            Column(name="left_g", heading="left", unit="g", show=Show.NUMBER),
            Column(name="ball_to_powder", heading="balls to powder", show=Show.NUMBER, decimals=2),
            Column(name="change_percent", heading="change", unit="%", show=Show.SIGNED, decimals=1),
        ),
        row_headings=2,
    )


def _reach(row: Mapping[Hashable, Any]) -> str:
    """The interval of a time with the digits that the sentences use; open ends stay open."""
    if row["excluded"] and pd.isna(row["time_min"]):
        return "never"
    low = minutes(float(row["lower_min"])).removesuffix(" min")
    if row["upper_open"]:
        return f"> {low}"
    return f"{low} to {minutes(float(row['upper_min'])).removesuffix(' min')}"


def _series_columns(frame: pd.DataFrame) -> list[Column]:
    """A column that names the series, where there is more than one."""
    named = (frame["series"] != "").any()
    return [Column(name="series", heading="series")] if named else []


def _titled(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(series=frame["series"].astype(str).str.replace("_", " "))


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
