"""The uncertainty budget as a section: which source makes which share, and what to improve.

The page shows the sizes over all runs together and one difference between levels; every run and
every difference stands in full in the files.
"""

from __future__ import annotations

import pandas as pd

from psdstats.columns import column_words
from psdstats.output.content import Drawing, Page
from psdstats.output.figures.shares import shares_height_mm, uncertainty_shares
from psdstats.output.pages.parts import left_out_notes, notes_by_quantity
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.uncertainty.budget import Budget, combined_percent, typical_changes
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.sizes import notes_in_words

_NOW = "as it is"


def budget_page(budget: Budget, say: Numerals = PLAIN) -> Page:
    """Shares as a figure, then as tables, then what a change would buy."""
    return Page(
        heading="Where the uncertainty comes from",
        sentences=budget_sentences(budget, say),
        blocks=(shares_drawing(budget, say), *budget_tables(budget, say), *budget_files(budget)),
        notes=budget_notes(budget),
        notes_heading="Notes on the budget",
    )


def budget_sentences(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What the budget says of D50, in one sentence for the sizes and one for the difference."""
    sentences = []
    for part, is_run in ((_sizes(budget), True), (_difference(budget), False)):
        own = part[part["quantity"] == "D50"]
        if own.empty:
            continue
        largest = own.iloc[int(own["share"].to_numpy().argmax())]
        limited = float(own.loc[own["balance_limited"], "share"].sum())
        what = "of one run" if is_run else f"at {str(largest['label']).partition(', ')[2]}"
        basis = " (root mean square over the runs)" if is_run else ""
        sentences.append(
            f"D50 {what}: the measurement makes a standard uncertainty of "
            f"{say.significant(combined_percent(own)['D50'], 2)} %{basis}; "
            f"{largest['source']} makes {say.per_cent(float(largest['share']), decimals=1)} of the "
            f"variance, the balance {say.per_cent(limited, decimals=1)}."
        )
    return tuple(sentences)


def budget_notes(budget: Budget) -> tuple[str, ...]:
    """The assumptions of the budget; differences without one are counted, not listed."""
    notes = notes_in_words(budget.notes)
    keys = ["quantity", "level", "versus"]
    known = budget.differences.groupby(keys, sort=False)["share"].count() > 0
    counted = [
        (
            str(quantity),
            f"{int((~own).sum())} of {len(own)} differences by {column_words(budget.by)} have no "
            "budget, because a run is not bracketed by its sieves.",
        )
        for quantity, own in known.groupby(level="quantity", sort=False)
        if not own.all()
    ]
    left_out = left_out_notes(budget.sources_left_out)
    return (*notes, *notes_by_quantity(counted), *left_out)


def budget_tables(budget: Budget, say: Numerals = PLAIN) -> list[Table]:
    """The tables of the page: shares in the sizes, shares in a difference, what a change buys."""
    sizes, difference = _sizes(budget), _difference(budget)
    tables = []
    if not sizes.empty:
        tables.append(
            _shares_table(
                sizes,
                say,
                name="budget of sizes",
                caption="Share of each source in the variance of one run, mean over the runs.",
            )
        )
    if not difference.empty:
        tables.append(
            _shares_table(
                difference,
                say,
                name="budget of a difference",
                caption=f"Share of each source in the variance of a difference by "
                f"{column_words(budget.by)}.",
            )
        )
    tables.append(_what_if_table(budget))
    return tables


def budget_files(budget: Budget) -> list[Table]:
    """The whole budget, for files: every run, every difference, every change."""
    frames = {
        "budget runs": (budget.runs, "Share of each source in every size of every run."),
        "budget differences": (
            budget.differences,
            f"Share of each source in every difference by {column_words(budget.by)}.",
        ),
        "budget what if": (budget.what_if, "What one change would make of each uncertainty."),
    }
    return [
        Table(name=name, frame=frame, caption=caption, place=Place.FILES)
        for name, (frame, caption) in frames.items()
        if not frame.empty
    ]


def shares_drawing(budget: Budget, say: Numerals = PLAIN) -> Drawing:
    """Stacked shares of the variance, the balance first: sizes, then the difference."""
    frame = budget.shares_frame()
    with house_style():
        ax = new_axes(height_mm=shares_height_mm(max(frame["label"].nunique(), 1)))
        uncertainty_shares(frame, ax)
    return Drawing(
        name="uncertainty shares",
        figure=ax.figure,  # type: ignore[arg-type]
        caption="Where the uncertainty comes from: shares of the variance in the sizes of one run "
        f"(mean over the runs) and in a difference by {column_words(budget.by)}; the balance "
        "first.",
        alternative=" ".join(budget_sentences(budget, say))
        or "No size is bracketed by the sieves.",
    )


def _sizes(budget: Budget) -> pd.DataFrame:
    frame = budget.shares_frame()
    return frame[frame["scope"] == "run"]


def _difference(budget: Budget) -> pd.DataFrame:
    frame = budget.shares_frame()
    return frame[frame["scope"] == "difference"]


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
    return Table(
        name=name,
        frame=frame,
        caption=caption,
        columns=(
            Column(name="source", heading="source"),
            *(
                Column(
                    name=f"share_{quantity}",
                    heading=str(quantity),
                    show=Show.PER_CENT,
                    decimals=1,
                )
                for quantity in wide.columns
            ),
        ),
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
            rows.append({"scope": label, "change": change, **_cells(part, "u_then_percent")})
    frame = pd.DataFrame(rows)
    quantities = [name for name in frame.columns if str(name).startswith("u_")]
    return Table(
        name="what a change would buy",
        frame=frame,
        caption="What a change would buy: standard uncertainty in per cent (root mean square over "
        "the runs, or over the differences).",
        columns=(
            Column(name="scope", heading="uncertainty of"),
            Column(name="change", heading="with", show=Show.WORDS),
            *(
                Column(name=name, heading=_quantity(name), unit="%", show=Show.NUMBER, decimals=2)
                for name in quantities
            ),
        ),
        row_headings=2,
        place=Place.FIRST,
    )


def _cells(part: pd.DataFrame, column: str) -> dict[str, float]:
    values = part.set_index("quantity")[column]
    return {f"u_{quantity}_percent": float(value) for quantity, value in values.items()}


def _quantity(column: str) -> str:
    return column.removeprefix("u_").removesuffix("_percent")
