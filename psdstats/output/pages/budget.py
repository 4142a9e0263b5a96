"""The uncertainty budget as a section: which source makes which share, and what to improve.

The page shows the sizes over all runs together and one difference between levels; every run and
every difference stands in full in the files.  Then decisions on limits by that uncertainty: the
answer, a table a limit, the rule and what it rests on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial, reduce
from operator import add

import numpy as np
import pandas as pd

from psdstats.columns import QUANTITIES, RUN, UNITS, column_words, unit_of
from psdstats.errors import SizeError, UncertaintyError
from psdstats.output import table as col
from psdstats.output.content import Drawing, Page, Paragraph, page_of, panel_of
from psdstats.output.figures.shares import bars_of, shares_height_mm, uncertainty_shares
from psdstats.output.table import Column, Place, Table, table_of
from psdstats.sieves.standards import Sieve, tolerance_um
from psdstats.study.records import Study
from psdstats.study.save import described
from psdstats.uncertainty.budget import Budget, combined_percent
from psdstats.uncertainty.conformity import LimitResult, Specification
from psdstats.uncertainty.propagation import Propagation
from psdstats.words import budget as words
from psdstats.words.numbers import MISSING, PLAIN, Numerals, decimals_for
from psdstats.words.remarks import NOTES, capital
from psdstats.words.report import left_out_notes
from psdstats.words.sizes import notes_in_words, size_sentence

_NOW = "as it is"
_OF_BALANCES = (
    "resolution_g", "repeatability_g", "repeatability_weighings", "linearity_g", "slope_u",
    "drift_g", "accuracy_class", "verification_interval_g", "certificate",
)  # fmt: skip
_OF_SIEVES = (
    "nominal_um", "aperture_um", "traceable_to", "expanded_uncertainty_um", "coverage_factor",
    "effective_u_um", "degrees_of_freedom", "tolerance_um",
)  # fmt: skip
_HEADINGS = {
    "repeatability_weighings": "of weighings", "slope_u": "u of slope", "accuracy_class": "class",
    "verification_interval_g": "e", "traceable_to": "traceable to", "coverage_factor": "k",
    "expanded_uncertainty_um": "U", "effective_u_um": "u", "degrees_of_freedom": "ν",
    "tolerance_um": "tolerance", "nominal_um": "nominal", "aperture_um": "aperture",
}  # fmt: skip


@page_of.register
def budget_page(budget: Budget, say: Numerals = PLAIN) -> Page:
    """Sources of u as a figure; their shares and what a change would buy as tables."""
    *own, changes = budget_tables(budget, say)
    return Page(
        heading=words.HEADING,
        lead=words.budget_lead(budget, say),
        sentences=words.budget_sentences(budget, say),
        blocks=(*shares_drawings(budget, say), changes, *own, *budget_files(budget)),
        notes=budget_notes(budget, say),
        notes_heading=words.NOTES_HEADING,
        behind=words.BEHIND,
    )


def budget_notes(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The assumptions of the budget; differences without one are counted, not listed."""
    return (
        *notes_in_words(budget.notes, say),
        *words.without_budget(budget),
        *left_out_notes(budget.sources_left_out),
    )


def budget_tables(budget: Budget, say: Numerals = PLAIN) -> list[Table]:
    """The tables of the page: shares in the sizes, shares in a difference, what a change buys."""
    frame = words.labelled_shares(budget.to_frame(), say)
    parts = (("run", "budget of sizes"), ("difference", "budget of a difference"))
    tables = [
        _shares_table(frame[frame["scope"] == scope], say, name=name, by=budget.by)
        for scope, name in parts
        if (frame["scope"] == scope).any()
    ]
    return [*tables, _what_if_table(budget)]


def budget_files(budget: Budget) -> list[Table]:
    """The whole budget, for files: every run, every difference, every change."""
    frames = {
        "budget runs": (budget.runs, Place.FILES),
        "budget inputs": (budget.inputs, Place.CSV),
        "budget differences": (budget.differences, Place.FILES),
        "budget what if": (budget.what_if, Place.FILES),
    }
    return [
        table_of(name, frame, place=place, by=budget.by)
        for name, (frame, place) in frames.items()
        if not frame.empty
    ]


def run_budget_page(
    inputs: pd.DataFrame, sizes: Propagation, run: str, quantity: str, say: Numerals = PLAIN
) -> Page:
    """Every input of one size of one run, and the size as a report states it."""
    if run not in sizes.runs:
        raise UncertaintyError(
            f"run {run!r} is not in the study; it has {', '.join(sizes.runs)}. Give one of them."
        )
    frame = inputs[(inputs["run"] == run) & (inputs["quantity"] == quantity)].copy()
    frame["source"] = [words.source_words(one) for one in frame["source"]]
    frame["distribution"] = [words.DISTRIBUTIONS.get(one, MISSING) for one in frame["distribution"]]
    rounded = partial(Column, show=col.Show.MEASURED, u="u")

    def adds(name: str, unit: str) -> Column:
        """Contributions to one digit more than the uncertainty they make."""
        places = [decimals_for(one) + 1 for one in frame[name].iloc[-1:] if one > 0]
        return col.numbers(max([0, *places]), unit, **{name: "adds"})[0]

    unit = sizes.to_frame().set_index("quantity").loc[[quantity], "unit"].iloc[0]
    table = table_of(
        f"budget of one {quantity}",
        frame,
        ("source", "input"),
        (
            *col.counts(inputs="n"),
            rounded(name="estimate", heading="estimate"),
            rounded(name="u", heading="u"),
            "unit",
            "distribution",
            *col.counts(degrees_of_freedom="ν"),
            *col.spare(*col.numbers(None, sensitivity="c"), adds("u_percent", "%")),
            adds("u_size", unit if unit != "1" else ""),
            *col.shares(1, "share"),
        ),
        key="budget of one",
        place=Place.FIRST,
        run=run,
        quantity=quantity,
    )
    told = size_sentence(sizes, run, quantity, say)
    return Page(heading=words.HEADING, sentences=(told,), blocks=(table,))


def usual_run(sizes: Propagation, quantity: str = "D50") -> str | None:
    """The run whose relative uncertainty of a size is in the middle; None where none has one."""
    column = sizes.quantities.index(quantity)
    relative = sizes.u[:, column] / sizes.value[:, column]
    known = np.flatnonzero(np.isfinite(relative))
    order = known[np.argsort(relative[known], kind="stable")]
    return sizes.runs[order[len(order) // 2]] if len(order) else None


def balances_table(study: Study) -> Table:
    """Balances used, with what is stated of them."""
    used = dict.fromkeys(run.balance for run in study.runs)
    frame = pd.DataFrame([described(study.balances[key]) | {"balance": key} for key in used])
    return _stated_table("balances", frame, ("balance", *_OF_BALANCES))


def sieves_table(study: Study) -> Table:
    """Sieves used, and what their apertures are traceable to."""
    used = {reading.sieve for run in study.runs for reading in run.readings}
    frame = pd.DataFrame([_stated(one) for key, one in study.sieves.items() if key in used])
    frame = frame.sort_values(["nominal_um", "sieve"], kind="stable")
    return _stated_table("sieves", frame, ("sieve", *_OF_SIEVES))


def _stated(sieve: Sieve) -> dict[str, object]:
    """What is stated of a sieve; the tolerance of its standard where nothing else bounds it."""
    found = described(sieve) | {"sieve": sieve.key, "aperture_um": sieve.best_um}
    if sieve.is_certified:
        what, name, _ = sieve.measured_with
        return found | {"traceable_to": name or what}
    found |= {"traceable_to": sieve.standard, "coverage_factor": None}
    try:
        return found | {"tolerance_um": tolerance_um(sieve.nominal_um, standard=sieve.standard)}
    except SizeError:
        return found


def _stated_table(name: str, frame: pd.DataFrame, names: Sequence[str]) -> Table:
    """The columns of those names that say anything."""
    own = frame[[one for one in names if one in frame and frame[one].dropna().astype(bool).any()]]
    columns = [
        one if one.name == "tolerance_um" else col.written(one.name, one.heading, one.unit)
        for one in col.columns_of(own)
    ]
    named = [replace(one, heading=_HEADINGS.get(one.name, one.heading)) for one in columns]
    return table_of(name, own, named[:1], named[1:])


def shares_drawings(budget: Budget, say: Numerals = PLAIN) -> list[Drawing]:
    """Bars as long as u of each size and of the difference; none where one source is all of it."""
    frame = words.labelled_shares(budget.to_frame(), say)
    if frame.empty or words.only_source(budget) is not None:
        return []
    bars = bars_of(frame)
    changes = words.noticed_changes(budget).assign(by=budget.by)
    changes = words.labelled_shares(changes, say)
    drawing = panel_of(
        "uncertainty shares",
        lambda ax: uncertainty_shares(frame, ax, changes=changes),
        words.shares_caption(budget, say),
        words.shares_alternative(bars, changes, say),
        height_mm=shares_height_mm(len(bars)),
        say=say,
        is_front=True,
    )
    return [drawing]


def _shares_table(part: pd.DataFrame, say: Numerals, *, name: str, by: str) -> Table:
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
    columns = col.shares(1, **{f"share_{quantity}": str(quantity) for quantity in wide.columns})
    return table_of(
        name, frame, ("source",), columns, notes=(" ".join(notes),), place=Place.FIRST, by=by
    )


def _what_if_table(budget: Budget) -> Table:
    rows = []
    whole = budget.changes_frame()
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
    columns = col.numbers(2, "%", **{f"u_{name}_percent": name for name in quantities})
    heads = col.fields(scope="uncertainty of", change="with")
    return table_of(
        "what a change would buy", pd.DataFrame(rows), heads, columns, place=Place.FIRST
    )


def _cells(part: pd.DataFrame, column: str) -> dict[str, float]:
    values = part.set_index("quantity")[column]
    return {f"u_{quantity}_percent": float(value) for quantity, value in values.items()}


def limits_page(results: Iterable[LimitResult], say: Numerals = PLAIN) -> Page:
    """Whether every condition keeps to every limit."""
    return reduce(add, (_limit_page(result, say) for result in results))


def _limit_page(result: LimitResult, say: Numerals) -> Page:
    told, rule = words.limit_sentences(result, say)
    return Page(
        heading=words.LIMITS_HEADING,
        lead=(told,),
        sentences=(told, rule),
        blocks=(Paragraph(rule), limit_table(result, say)),
        notes=notes_in_words(result.notes, say),
    )


def limit_table(result: LimitResult, say: Numerals = PLAIN) -> Table:
    """One row a condition: value, where it would be accepted, verdict, probability and risks."""
    limit, frame = result.specification, result.table.copy()
    is_open = frame["value"].isna()
    below = is_open & np.isfinite(frame["bound_upper"])
    bound = frame["bound_upper"].where(below, frame["bound_lower"])
    frame["value"] = frame["value"].where(~is_open, bound)
    frame["side"] = np.where(below, "<", np.where(is_open, ">", ""))
    frame["verdict"] = frame["verdict"].map(str)
    frame["risk"] = frame["consumer_risk"].fillna(frame["producer_risk"])
    shown = [name for name in result.conditions if len(frame[name].unique()) > 1]
    shown += [RUN] if frame[RUN].notna().any() else []
    named = [col.written(name, column_words(name), UNITS.get(name, "")) for name in shown]
    what = words.limit_words(limit, say)
    columns = [one for one in _limit_columns(limit) if frame[one.name].notna().any()]
    return table_of(
        what, frame, named, columns, key="limits", place=Place.FIRST, is_front=True,
        notes=None if limit.process else [NOTES["limits"]], limit=capital(what),
    )  # fmt: skip


def _limit_columns(limit: Specification) -> list[Column]:
    unit = "" if limit.is_share else unit_of(limit.quantity)
    measured = partial(Column, unit=unit, u="u", show=col.Show.MEASURED)
    value = "share" if limit.is_share else limit.quantity
    return [
        *col.spare(*col.fields("runs")),
        measured(name="value", heading=value, side="side"),
        measured(name="u", heading="u"),
        measured(name="accept_from", heading="accepted from", spare=True),
        measured(name="accept_to", heading="accepted to", spare=True),
        *col.fields("verdict"),
        *col.chances(1, "probability"),
        *col.spare(*col.chances(1, "risk")),
        *col.chances(2, all_consumer_risk="all: consumer", all_producer_risk="all: producer"),
    ]
