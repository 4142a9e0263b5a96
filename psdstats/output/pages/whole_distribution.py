"""Did the whole distribution change, and in which size classes; fitted distributions of every run.

Shares in per cent of mass; goodness of fit, parameters, percentiles, fineness class.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import column_words
from psdstats.comparison.whole import CurvePoints, StudyFits, WholeComparison
from psdstats.output import table as col
from psdstats.output.content import Bullets, Drawing, Page, drawing_of, page_of
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.groups import class_changes, fit_misfit
from psdstats.output.figures.marks import drawn, room_for
from psdstats.output.table import Place, Table, table_of
from psdstats.words import sizes as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import FIGURES, sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_MOST_PANELS = 4


@page_of.register
def whole_page(whole: WholeComparison, say: Numerals = PLAIN) -> Page:
    """Verdict, figures of the classes, and how far the answer rests on empty classes."""
    moved = [] if whole.to_frame().empty else [moved_table(whole, say)]
    tables = moved if whole.sensitivity.empty else [*moved, sensitivity_table(whole, say)]
    told = words.whole_sentences(whole, say)
    return Page(
        heading=words.whole_heading(whole.by),
        sentences=told,
        blocks=(
            *([] if whole.test is None else [Bullets(told)]),
            *class_drawings(whole, say),
            *tables,
        ),
        notes=_notes(whole, say),
        notes_heading=words.NOTES_HEADING,
    )


def _notes(whole: WholeComparison, say: Numerals) -> tuple[str, ...]:
    """What was merged, replaced or left out; nothing where there is no test to explain."""
    found = () if whole.test is None else whole.notes
    return tuple(dict.fromkeys(sentence(note, say) for note in found))


def moved_table(whole: WholeComparison, say: Numerals = PLAIN) -> Table:
    """Change of every class between every pair of levels, stack by stack."""
    several, frame = len(whole.parts) > 1, whole.to_frame()
    frame["p_shown"] = [
        words.permutation_p(float(p), one.smallest_p, say)
        for part in whole.parts
        for one in part.moved
        for p in one.p_adjusted
    ]
    change = f"change ({say(100 * whole.level)} % interval)"
    return table_of(
        f"moved classes by {column_words(whole.by)}",
        frame,
        (
            *(col.fields(stack="sieves of") if several else ()),
            col.written("low", "from"),
            col.written("high", "to"),
            col.Column("class", "size class"),
        ),
        (col.interval("change_percent", change, "points"), *col.fields(p_shown="p", moved="moved")),
        say,
        key="moved classes",
        place=Place.FILES,
        by=whole.by,
        level=whole.level,
    )


def sensitivity_table(whole: WholeComparison, say: Numerals = PLAIN) -> Table:
    """The permutation test with the replacement of empty classes halved and doubled."""
    least = 0.0 if whole.test is None else whole.test.smallest_p
    told = [words.permutation_p(float(p), least, say) for p in whole.sensitivity["p"]]
    return table_of(
        f"whole distribution by {column_words(whole.by)}",
        whole.sensitivity.assign(p_shown=told),
        col.numbers(1, delta_factor=words.REPLACEMENT),
        (
            *col.fields(empty_classes="empty classes"),
            *col.numbers(None, pseudo_f="pseudo-F"),
            *col.shares(1, r_squared="share of the variation"),
            *col.fields(p_shown="p"),
        ),
        key="whole distribution",
        place=Place.FIRST,
    )


def class_drawings(whole: WholeComparison, say: Numerals = PLAIN) -> list[Drawing]:
    """Changes of the classes, a panel for each family of stacks; none where nothing was judged."""
    several = len(whole.parts) > 1
    parts = [part for part in whole.parts if part.moved]
    if not parts:
        return []
    shown = parts[:_MOST_PANELS]
    frames = [
        pd.concat([one.to_frame() for one in part.moved], ignore_index=True) for part in shown
    ]

    def draw() -> Axes:
        across = min(len(shown), 2)
        down = -(-len(shown) // across)
        panels = new_panels(down, across, height_mm=20.0 + 42.0 * down, say=say)
        every = [ax for row in panels for ax in row]
        for ax, part, frame in zip(every, shown, frames, strict=False):
            class_changes(frame, ax)
            ax.set_title(drawn(part.name, most=room_for(ax, 1)) if several else "")
            ax.set(**({} if ax in every[-across:] else {"xlabel": ""}))
            ax.set(**({} if ax in [row[0] for row in panels] else {"ylabel": ""}))
        for ax in every[len(shown) :]:
            ax.set_axis_off()
        joint_key(panels)
        return every[0]

    return [
        drawing_of(
            "moved classes",
            draw,
            words.moved_drawing_caption(whole, len(shown), say),
            words.moved_alternative(
                {
                    part.name if several else "": frame
                    for part, frame in zip(shown, frames, strict=True)
                },
                say,
            ),
        )
    ]


def fits_page(
    fits: StudyFits,
    points: Sequence[CurvePoints],
    runs: pd.DataFrame,
    fineness: pd.DataFrame,
    say: Numerals = PLAIN,
) -> Page:
    """How well each distribution fits, and the fineness class."""
    return Page(
        heading=words.FITS_HEADING,
        sentences=(*words.fit_sentences(fits), words.fineness_sentence(fineness)),
        blocks=(
            *([misfit_drawing(fits, points, runs, say)] if fits.fits else []),
            families_table(fits, say),
            parameters_table(fits),
            fitted_sizes_table(fits),
            fineness_table_of(fineness),
        ),
    )


def families_table(fits: StudyFits, say: Numerals = PLAIN) -> Table:
    """Goodness of fit, family by family."""
    frame = fits.families_frame()
    frame["per_df"] = frame["chi_squared"] / frame["df"].where(frame["df"] > 0)
    return table_of(
        "fitted families",
        _titled(frame),
        col.fields(family="distribution"),
        (
            *col.fields(fitted="runs fitted", described="described", refused="not fitted"),
            *col.numbers(None, chi_squared="χ²"),
            *col.counts("df"),
            *col.numbers(None, per_df="χ²/df"),
        ),
        say,
        place=Place.FIRST,
        least=0.05,
    )


def parameters_table(fits: StudyFits) -> Table:
    """Parameters of every fit with their intervals."""
    frame = _titled(fits.to_frame())
    frame["parameter"] = frame["parameter"].replace(words.PARAMETERS)
    return table_of(
        "fitted parameters",
        frame,
        col.fields("run", family="distribution", parameter="parameter"),
        (
            col.interval("value", "value (interval)"),
            *col.fields(p="p of the fit"),
            *col.numbers(2, "points", misfit_percent="misfit"),
            "status",
        ),
    )


def fitted_sizes_table(fits: StudyFits) -> Table:
    """Percentiles of the fitted curves, extrapolated ones marked."""
    frame = _titled(fits.sizes_frame())
    frame["quantity"] = [f"D{100 * level:g}" for level in frame["level"]]
    frame["note"] = np.where(frame["extrapolated"].astype(bool), "extrapolated", "")
    ends = {"lower": "lower_um", "upper": "upper_um"}
    return table_of(
        "fitted sizes",
        frame,
        col.fields("run", family="distribution", quantity="size"),
        (col.interval("size_um", "value (interval)", "µm", **ends), "note"),
    )


def fineness_table_of(frame: pd.DataFrame) -> Table:
    """Fineness class of every run by the step rule."""
    shown = frame.assign(step_shown_um=frame["step_um"].where(np.isfinite(frame["step_um"])))
    named = col.fields(classes="class of powder", scheme="scheme", source="source")
    columns = (*col.numbers(None, "µm", step_shown_um="step size"), *named)
    return table_of("fineness", shown, ("run",), columns)


def misfit_drawing(
    fits: StudyFits, points: Sequence[CurvePoints], runs: pd.DataFrame, say: Numerals = PLAIN
) -> Drawing:
    """Distance of every measured point from the fitted curve, one panel a family."""
    frame = _titled(fits.misfit_frame(points, runs))
    parts = list(frame.groupby("family", sort=False))

    def draw() -> Axes:
        panels = new_panels(len(parts), height_mm=22.0 + 43.0 * len(parts), say=say)
        for (ax,), (family, part) in zip(panels, parts, strict=True):
            fit_misfit(part, ax)
            ax.set_title(str(family))
            ax.set_xlabel("sieve aperture / µm" if ax is panels[-1][0] else "")
        joint_key(panels)
        return panels[0][0]

    return drawing_of(
        "misfit of fitted curves",
        draw,
        FIGURES["misfit of fitted curves"],
        words.fit_sentences(fits),
    )


def _titled(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(
        family=[words.FAMILIES.get(str(name), str(name)) for name in frame["family"]]
    )
