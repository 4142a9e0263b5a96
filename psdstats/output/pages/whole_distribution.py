"""Did the whole distribution change, and in which size classes; shares in per cent of mass."""

from __future__ import annotations

import pandas as pd

from psdstats.comparison.moved_classes import MovedClasses
from psdstats.comparison.whole import StackPart, WholeComparison
from psdstats.output.content import Block, Bullets, Drawing, Note, Section
from psdstats.output.figures.classes import class_changes
from psdstats.output.numbers import signed
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.wording import as_sentence, said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.wording import column_words

__all__ = [
    "class_drawings",
    "moved_table",
    "sensitivity_table",
    "whole_parts",
    "whole_section",
    "whole_sentences",
    "whole_tables",
]

_TIME = "milling_time_min"


def whole_sentences(whole: WholeComparison) -> tuple[str, ...]:
    """The verdict, then which classes moved: from first to last time, or between every pair."""
    several = len(whole.parts) > 1
    lines = []
    for part in whole.parts:
        told = part.moved[-1:] if whole.by == _TIME else part.moved
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
