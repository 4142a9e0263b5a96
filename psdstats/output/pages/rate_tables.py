"""Tables of the rate of milling; times in min, sizes in µm, rates in 1/min."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from psdstats.output.pages.number_columns import number_column
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.rate import LossRates, RateResult
from psdstats.rate.rate_words import minutes

__all__ = [
    "choice_table",
    "loss_table",
    "parameters_table",
    "residuals_table",
    "scatter_table",
    "stopping_table",
    "withdrawal_table",
]

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
    times = frame["milling_time_min"]
    return Table(
        name=f"rate residuals {result.quantity}",
        frame=frame,
        caption=f"{result.quantity} of every run, the fitted size, and the residual.",
        columns=(
            *_series_columns(frame),
            Column(name="run", heading="run"),
            Column(name="group", heading="group"),
            number_column(times, name="milling_time_min", heading="milling time", unit="min"),
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
    times = frame["milling_time_min"]
    return Table(
        name="ball-to-powder ratio",
        frame=frame,
        caption="Powder left in the jar after each sample, and what that does to the "
        "ball-to-powder ratio.",
        columns=(
            Column(name="charge", heading="charge"),
            number_column(times, name="milling_time_min", heading="sample at", unit="min"),
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
