"""The uncertainty budget as a section: which source makes which share, and what to improve.

The page shows the sizes over all runs together and one difference between levels; every run and
every difference stands in full in the files.
"""

from __future__ import annotations

import pandas as pd

from psdstats.columns import QUANTITIES
from psdstats.output.content import Drawing, Page
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.pages.parts import drawing_of
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.uncertainty.budget import Budget, combined_percent, typical_changes
from psdstats.words import sizes as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.report import left_out_notes

_NOW = "as it is"


def budget_page(budget: Budget, say: Numerals = PLAIN) -> Page:
    """Shares as a figure, then as tables, then what a change would buy."""
    return Page(
        heading=words.BUDGET_HEADING,
        sentences=words.budget_sentences(budget, say),
        blocks=(shares_drawing(budget, say), *budget_tables(budget, say), *budget_files(budget)),
        notes=budget_notes(budget, say),
        notes_heading="Notes on the budget",
    )


def budget_notes(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The assumptions of the budget; differences without one are counted, not listed."""
    return (
        *words.notes_in_words(budget.notes, say),
        *words.without_budget(budget),
        *left_out_notes(budget.sources_left_out),
    )


def budget_tables(budget: Budget, say: Numerals = PLAIN) -> list[Table]:
    """The tables of the page: shares in the sizes, shares in a difference, what a change buys."""
    frame = words.labelled_shares(budget.shares_frame(), say)
    captions = words.budget_captions(budget.by)
    parts = (("run", "budget of sizes"), ("difference", "budget of a difference"))
    tables = [
        _shares_table(frame[frame["scope"] == scope], say, name=name, caption=captions[name])
        for scope, name in parts
        if (frame["scope"] == scope).any()
    ]
    return [*tables, _what_if_table(budget)]


def budget_files(budget: Budget) -> list[Table]:
    """The whole budget, for files: every run, every difference, every change."""
    captions = words.budget_captions(budget.by)
    frames = {
        "budget runs": budget.runs,
        "budget differences": budget.differences,
        "budget what if": budget.what_if,
    }
    return [
        Table(name=name, frame=frame, caption=captions[name], place=Place.FILES)
        for name, frame in frames.items()
        if not frame.empty
    ]


def shares_drawing(budget: Budget, say: Numerals = PLAIN) -> Drawing:
    """Stacked shares of the variance, the balance first: sizes, then the difference."""
    frame = words.labelled_shares(budget.shares_frame(), say)
    height_mm = shares_height_mm(max(frame["label"].nunique(), 1))
    name = "uncertainty shares"
    return drawing_of(
        name,
        lambda: uncertainty_shares(frame, new_axes(height_mm=height_mm, say=say)),
        words.budget_captions(budget.by)[name],
        " ".join(words.budget_sentences(budget, say)) or words.NO_SIZE,
    )


def _shares_table(part: pd.DataFrame, say: Numerals, *, name: str, caption: str) -> Table:
    wide = part.pivot_table(index="source", columns="quantity", values="share", sort=False)
    labels = part.drop_duplicates("quantity").set_index("quantity")["label"]
    frame = pd.DataFrame({"source": wide.index})
    for quantity in wide.columns:
        frame[f"share_{quantity}"] = wide[quantity].to_numpy()
    combined = combined_percent(part)
    notes = [
        f"{labels[quantity]}: u = {say.significant(combined[quantity], 2)} %."
        for quantity in wide.columns
    ]
    shares = (
        Column(name=f"share_{quantity}", heading=str(quantity), show=Show.PER_CENT, decimals=1)
        for quantity in wide.columns
    )
    return Table(
        name=name,
        frame=frame,
        caption=caption,
        columns=(Column(name="source", heading="source"), *shares),
        notes=(" ".join(notes),),
        place=Place.FIRST,
    )


def _what_if_table(budget: Budget) -> Table:
    rows = []
    whole = typical_changes(budget)
    for scope, label in (("run", "size of one run"), ("difference", "difference")):
        own = whole[whole["scope"] == scope]
        if own.empty:
            continue
        now = own[own["change"] == own["change"].iloc[0]]
        rows.append({"scope": label, "change": _NOW, **_cells(now, "u_now_percent")})
        for change, part in own.groupby("change", sort=False):
            told = words.CHANGES.get(str(change), str(change))
            rows.append({"scope": label, "change": told, **_cells(part, "u_then_percent")})
    quantities = [name for name in QUANTITIES if any(f"u_{name}_percent" in row for row in rows)]
    return Table(
        name="what a change would buy",
        frame=pd.DataFrame(rows),
        caption=words.CHANGES_CAPTION,
        columns=(
            Column(name="scope", heading="uncertainty of"),
            Column(name="change", heading="with"),
            *(
                Column(
                    name=f"u_{name}_percent",
                    heading=name,
                    unit="%",
                    show=Show.NUMBER,
                    decimals=2,
                )
                for name in quantities
            ),
        ),
        row_headings=2,
        place=Place.FIRST,
    )


def _cells(part: pd.DataFrame, column: str) -> dict[str, float]:
    values = part.set_index("quantity")[column]
    return {f"u_{quantity}_percent": float(value) for quantity, value in values.items()}
