"""Did the whole distribution change, and in which size classes; shares in per cent of mass.

Fitted distributions of every run: goodness of fit, parameters, percentiles, fineness class.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words
from psdstats.comparison.moved_classes import MovedClasses
from psdstats.comparison.whole import StackPart, WholeComparison
from psdstats.comparison.whole_fits import CurvePoints, StudyFits
from psdstats.output.content import Block, Bullets, Drawing, Note, Section
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.groups import class_changes, fit_misfit
from psdstats.output.pages.parts import PageParts, as_sentence, said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Show, Table
from psdstats.words.numbers import signed


def whole_sentences(whole: WholeComparison) -> tuple[str, ...]:
    """The verdict, then which classes moved: from first to last time, or between every pair."""
    several = len(whole.parts) > 1
    lines = []
    for part in whole.parts:
        told = part.moved[-1:] if whole.by == TIME else part.moved
        said = map(_moved_sentence, told)
        lines += [f"{part.name}, {sentence}" if several else sentence for sentence in said]
    return (as_sentence(whole.verdict), *said_once(lines, begins_with_name=True))


def _moved_sentence(moved: MovedClasses) -> str:
    """How many classes moved, and which gained and lost the most; the figure shows them all."""
    if not moved.moved.any():
        return moved.sentence
    order = moved.change_percent.argsort()
    ends = (
        f"{word} {moved.names[at]} ({signed(float(moved.change_percent[at]), 1)} points)"
        for word, at in (("gained", order[-1]), ("lost", order[0]))
    )
    count = f"{int(moved.moved.sum())} of {len(moved.names)} size classes moved"
    return f"{moved.pair}: {count}; most {' and '.join(ends)}"


def whole_parts(whole: WholeComparison) -> PageParts:
    """What the command shows: verdict, classes that moved between the ends, all in tables."""
    tables = tuple(whole_tables(whole))
    return PageParts(
        sentences=whole_sentences(whole),
        tables=tables,
        first=tables[-1:],
        drawings=tuple(class_drawings(whole)),
        notes=_notes(whole),
    )


def whole_section(whole: WholeComparison) -> Section:
    """Verdict, figures of the classes, and how far the answer rests on empty classes."""
    blocks: list[Block] = [Bullets(whole_sentences(whole)), *class_drawings(whole)]
    if not whole.sensitivity.empty:
        blocks.append(sensitivity_table(whole))
    blocks += [Note(note) for note in _notes(whole)]
    return Section(
        heading=f"Did the whole distribution change with {column_words(whole.by)}?",
        blocks=tuple(blocks),
    )


def whole_tables(whole: WholeComparison) -> list[Table]:
    """The tables: every class and pair of levels, and the sensitivity of the test."""
    tables = [] if whole.moved_frame().empty else [moved_table(whole)]
    return tables if whole.sensitivity.empty else [*tables, sensitivity_table(whole)]


def moved_table(whole: WholeComparison) -> Table:
    """Change of every class between every pair of levels, stack by stack."""
    level = f"{100 * whole.level:g} %"
    several = len(whole.parts) > 1
    return Table(
        name=f"moved classes by {column_words(whole.by)}",
        frame=whole.moved_frame(),
        caption=f"Which size classes gained or lost mass with {column_words(whole.by)}, in "
        "percentage points of the sample.",
        columns=(
            *([Column(name="stack", heading="sieves of")] if several else []),
            Column(name="low", heading="from", show=Show.WORDS),
            Column(name="high", heading="to", show=Show.WORDS),
            Column(name="class", heading="size class", show=Show.WORDS),
            Column(
                name="change_percent",
                heading=f"change ({level} interval)",
                unit="points",
                show=Show.MEASURED,
                lower="lower",
                upper="upper",
            ),
            Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
            Column(name="moved", heading="moved"),
        ),
        row_headings=4 if several else 3,
        notes=(
            f"Intervals and p hold for all classes of one pair of levels together at {level}, by "
            "exchange of runs within groups. Where one class gains, others must lose.",
        ),
    )


def sensitivity_table(whole: WholeComparison) -> Table:
    """The permutation test with the replacement of empty classes halved and doubled."""
    return Table(
        name=f"whole distribution by {column_words(whole.by)}",
        frame=whole.sensitivity,
        caption="Permutation test of the whole distribution, and how far it rests on what is put "
        "in place of empty classes.",
        columns=(
            Column(
                name="delta_factor",
                heading="replacement, times the stated one",
                show=Show.NUMBER,
                decimals=1,
            ),
            Column(name="empty_classes", heading="empty classes", show=Show.COUNT),
            Column(name="pseudo_f", heading="pseudo-F", show=Show.NUMBER),
            Column(
                name="r_squared", heading="share of the variation", show=Show.PER_CENT, decimals=1
            ),
            Column(name="p", heading="p", show=Show.P_VALUE),
        ),
    )


def class_drawings(whole: WholeComparison) -> list[Drawing]:
    """One figure of changed classes for each family of stacks."""
    return [_drawing(whole, part) for part in whole.parts if part.moved]


def _notes(whole: WholeComparison) -> tuple[str, ...]:
    """What was merged, replaced or left out; nothing where there is no test to explain."""
    return () if whole.test is None else said_once(whole.notes)


def _drawing(whole: WholeComparison, part: StackPart) -> Drawing:
    frame = pd.concat([one.to_frame() for one in part.moved], ignore_index=True)
    several = len(whole.parts) > 1
    with house_style():
        ax = new_axes(height_mm=92.0)
        class_changes(frame, ax)
    return Drawing(
        name=f"moved classes {part.name}" if several else "moved classes",
        figure=ax.figure,  # type: ignore[arg-type]
        caption=f"Change of the size classes{f' of {part.name}' if several else ''} with "
        f"{100 * whole.level:g} % intervals that hold for all classes together; empty bars: no "
        "change shown.",
        alternative=" ".join(as_sentence(one.sentence) for one in part.moved),
    )


_TITLES = {
    "rosin-rammler-bennett": "Rosin–Rammler–Bennett",
    "log-normal": "log-normal",
    "gates-gaudin-schuhmann": "Gates–Gaudin–Schuhmann",
}


def fits_parts(
    fits: StudyFits, points: list[CurvePoints], runs: pd.DataFrame, fineness: pd.DataFrame
) -> PageParts:
    """What the command shows: how well each distribution fits, and the fineness class."""
    tables = (
        families_table(fits),
        parameters_table(fits),
        fitted_sizes_table(fits),
        fineness_table_of(fineness),
    )
    return PageParts(
        sentences=(*fit_sentences(fits), *fineness_sentences(fineness)),
        tables=tables,
        first=tables[:1],
        drawings=(misfit_drawing(fits, points, runs),) if fits.fits else (),
    )


def fit_sentences(fits: StudyFits) -> tuple[str, ...]:
    """How many runs each family describes within their uncertainty."""
    frame = fits.families_frame()
    lines = [
        f"{_TITLES.get(row['family'], row['family'])}: {row['described']} of {row['fitted']} runs "
        "lie within their measurement uncertainty of the fitted curve"
        + (f"; {row['refused']} could not be fitted." if row["refused"] else ".")
        for row in frame.to_dict("records")
    ]
    if not frame.empty and (frame["described"] < frame["fitted"]).all():
        lines.append(
            "No family describes every run, so sizes read from the sieves come before sizes read "
            "from a fitted curve."
        )
    return tuple(lines)


def families_table(fits: StudyFits) -> Table:
    """Goodness of fit, family by family."""
    frame = fits.families_frame()
    frame["per_df"] = frame["chi_squared"] / frame["df"].where(frame["df"] > 0)
    return Table(
        name="fitted families",
        frame=_titled(frame),
        caption="Goodness of fit of each distribution over all runs.",
        columns=(
            Column(name="family", heading="distribution"),
            Column(name="fitted", heading="runs fitted", show=Show.COUNT),
            Column(name="described", heading="described", show=Show.COUNT),
            Column(name="refused", heading="not fitted", show=Show.COUNT),
            Column(name="chi_squared", heading="χ²", show=Show.NUMBER),
            Column(name="df", heading="df", show=Show.COUNT),
            Column(name="per_df", heading="χ²/df", show=Show.NUMBER),
        ),
        notes=(
            "Described: the points of a run lie within their uncertainty of its curve (p of χ² at "
            "least 0.05). χ² weighs by the uncertainty of the measurement alone.",
        ),
    )


def parameters_table(fits: StudyFits) -> Table:
    """Parameters of every fit with their intervals."""
    frame = _titled(fits.to_frame())
    frame["parameter"] = frame["parameter"].str.replace("_um", ", µm").str.replace("_", " ")
    return Table(
        name="fitted parameters",
        frame=frame,
        caption="Parameters of the fitted distributions.",
        columns=(
            Column(name="run", heading="run"),
            Column(name="family", heading="distribution"),
            Column(name="parameter", heading="parameter"),
            Column(
                name="value",
                heading="value (interval)",
                show=Show.MEASURED,
                lower="lower",
                upper="upper",
            ),
            Column(name="p", heading="p of the fit", show=Show.P_VALUE),
            Column(
                name="misfit_percent", heading="misfit", unit="points", show=Show.NUMBER, decimals=2
            ),
            Column(name="status", heading="status"),
        ),
        row_headings=3,
        notes=("Misfit: scatter of the points about the curve beyond their uncertainty.",),
    )


def fitted_sizes_table(fits: StudyFits) -> Table:
    """Percentiles of the fitted curves, extrapolated ones marked."""
    frame = _titled(fits.sizes_frame())
    frame["quantity"] = [f"D{100 * level:g}" for level in frame["level"]]
    frame["note"] = frame["extrapolated"].map({True: "extrapolated", False: ""})
    return Table(
        name="fitted sizes",
        frame=frame,
        caption="Sizes read from the fitted curves; those outside the sieves are marked.",
        columns=(
            Column(name="run", heading="run"),
            Column(name="family", heading="distribution"),
            Column(name="quantity", heading="size"),
            Column(
                name="size_um",
                heading="value (interval)",
                unit="µm",
                show=Show.MEASURED,
                lower="lower_um",
                upper="upper_um",
            ),
            Column(name="note", heading="note"),
        ),
        row_headings=3,
    )


def fineness_table_of(frame: pd.DataFrame) -> Table:
    """Fineness class of every run by the step rule."""
    shown = frame.assign(step_shown_um=frame["step_um"].where(np.isfinite(frame["step_um"])))
    return Table(
        name="fineness",
        frame=shown,
        caption="Fineness class by the pharmacopoeia's step rule.",
        columns=(
            Column(name="run", heading="run"),
            Column(name="step_shown_um", heading="step size", unit="µm", show=Show.NUMBER),
            Column(name="classes", heading="class of powder"),
            Column(name="scheme", heading="scheme"),
            Column(name="source", heading="source"),
        ),
        notes=(
            "Step size: smallest aperture used through which half of the mass passes. It is a "
            "sieve, not an interpolated size, and not the D50.",
        ),
    )


def fineness_sentences(frame: pd.DataFrame) -> tuple[str, ...]:
    """How many runs fall into each class."""
    counts = frame["classes"].value_counts(sort=False)
    told = ", ".join(
        f"{name}: {count} run{'s' if count > 1 else ''}" for name, count in counts.items()
    )
    return (f"Fineness by the step rule ({frame['scheme'].iloc[0]}): {told}.",)


def misfit_drawing(fits: StudyFits, points: list[CurvePoints], runs: pd.DataFrame) -> Drawing:
    """Distance of every measured point from the fitted curve, one panel a family."""
    frame = _titled(fits.misfit_frame(points, runs))
    parts = list(frame.groupby("family", sort=False))
    with house_style():
        panels = new_panels(len(parts), height_mm=22.0 + 43.0 * len(parts))
        for (ax,), (family, part) in zip(panels, parts, strict=True):
            fit_misfit(part, ax)
            ax.set_title(str(family))
            ax.set_xlabel("sieve aperture / µm" if ax is panels[-1][0] else "")
        joint_key(panels)
    return Drawing(
        name="misfit of fitted curves",
        figure=panels[0][0].figure,  # type: ignore[arg-type]
        caption="Measured undersize less that of the fitted curve, in percentage points, every "
        "run by milling time.",
        alternative=" ".join(fit_sentences(fits)),
    )


def _titled(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(family=[_TITLES.get(str(name), str(name)) for name in frame["family"]])
