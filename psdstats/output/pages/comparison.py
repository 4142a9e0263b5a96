"""A comparison as a section: verdicts, tests, effects as ratios, variance components."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.result import Comparison
from psdstats.output.content import (
    Answer,
    Block,
    Bullets,
    Drawing,
    Page,
    Section,
)
from psdstats.output.figures.effects import effect_ratios, ratios_height_mm
from psdstats.output.pages.parts import columns_in_words, notes_by_quantity
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.words.numbers import PLAIN, Numerals

_LIMITS = ("ratio", "ratio_lower", "ratio_upper")
_FAMILIES = {
    "against first": "each level against the first",
    "successive": "each level against the one before",
    "all pairs": "every pair of levels",
}
_SHOWN = 2  # families of contrasts on the page


def comparison_answers(comparison: Comparison) -> tuple[Answer, ...]:
    """The answers for the top of a page: last level against the first, or every pair of a few."""
    found = []
    for result in comparison.results:
        families = list(dict.fromkeys(result.effects["family"]))
        rows = result.family(families[0])
        if families[0] == "against first":
            where = [_level(str(high), comparison)[1] for high in rows["high"]]
            rows = rows.groupby(where, sort=False).tail(1)
        found += [
            Answer(str(row["verdict"]), str(row["sentence"])) for row in rows.to_dict("records")
        ]
    return tuple(found)


def effects_table(comparison: Comparison, family: str, place: Place = Place.REPORT) -> Table:
    """Effects of one family, every quantity."""
    frame = _with_contrasts(comparison, family)
    each = comparison.plan.at_each
    level = f"{100 * comparison.level:g} %"
    columns = [
        Column(name="quantity", heading="quantity"),
        *([] if each is None else [Column(name=each, heading=_words(each))]),
        Column(name="contrast", heading="contrast", unit=_unit(comparison), show=Show.WORDS),
        Column(
            name="ratio",
            heading=f"ratio ({level} interval)",
            show=Show.RATIO,
            lower="ratio_lower",
            upper="ratio_upper",
        ),
        Column(
            name="change_percent",
            heading="change",
            unit="%",
            show=Show.SIGNED,
            decimals=1,
            spare=True,
        ),
        Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
        Column(
            name="detectable_decrease_percent",
            heading="detectable decrease",
            unit="%",
            show=Show.NUMBER,
            decimals=1,
            spare=True,
        ),
        Column(name="verdict", heading="verdict"),
    ]
    return Table(
        name=f"effects {family}",
        frame=frame,
        caption=f"Effect of {_words(comparison.plan.by)}, {_FAMILIES[family]}: ratios of sizes.",
        columns=tuple(columns),
        row_headings=2 if each is None else 3,
        notes=(
            f"Intervals hold at {level} and p is adjusted for all contrasts of one quantity in "
            "this table together. Detectable: the smallest decrease this trial would have shown "
            "with 80 % power.",
        ),
        place=place,
    )


def tests_table(comparison: Comparison) -> Table:
    """One F test a quantity."""
    return Table(
        name="tests",
        frame=comparison.tests_frame().assign(
            term=lambda found: [_words(str(term)) for term in found["term"]]
        ),
        caption=f"Did {_words(comparison.plan.by)} change anything at all?",
        columns=(
            Column(name="quantity", heading="quantity"),
            Column(name="term", heading="factor"),
            Column(name="f", heading="F", show=Show.NUMBER),
            Column(name="df_num", heading="df", show=Show.COUNT),
            Column(name="df_den", heading="df of the error", show=Show.NUMBER, decimals=1),
            Column(name="p", heading="p", show=Show.P_VALUE),
            Column(name="route", heading="rests on"),
        ),
    )


def variance_table(comparison: Comparison) -> Table | None:
    """Standard deviations of the random parts, in per cent of the size, a column a quantity."""
    frame = comparison.variance_frame()
    if frame.empty:
        return None
    frame["component"] = [_component(str(name)) for name in frame["component"]]
    wide = pd.DataFrame({"component": frame["component"].unique()}).set_index("component")
    columns = [Column(name="component", heading="between")]
    for quantity, own in frame.groupby("quantity", sort=False):
        values = own.set_index("component")
        wide[f"sd_{quantity}_percent"] = values["sd_percent"]
        wide[f"variance_{quantity}"] = values["variance"]
        columns.append(
            Column(
                name=f"sd_{quantity}_percent",
                heading=str(quantity),
                unit="%",
                show=Show.NUMBER,
                decimals=2,
            )
        )
    is_below = bool((frame["variance"] < 0.0).any())
    dash = ("A dash: the estimate of the variance is below zero, so none was seen.",)
    return Table(
        name="variance components",
        frame=wide.reset_index(),
        caption="What else varies: standard deviations beyond the measurement, per cent of size.",
        columns=tuple(columns),
        notes=dash if is_below else (),
        place=Place.FIRST,
    )


def ratio_drawing(
    comparison: Comparison, family: str, quantities: Iterable[str], say: Numerals = PLAIN
) -> Drawing:
    """Ratios with simultaneous intervals on a log axis."""
    names = tuple(quantities)
    whole = _with_contrasts(comparison, family)
    rows = whole[whole["quantity"].isin(names)]
    each = comparison.plan.at_each
    where = "" if each is None else ", " + _words(each) + " " + rows[each]
    frame = pd.DataFrame(
        {
            "quantity": rows["quantity"],
            "contrast": (rows["contrast"] + " " + _unit(comparison)).str.rstrip() + where,
            "ratio": rows["ratio"],
            "ratio_lower": rows["ratio_lower"],
            "ratio_upper": rows["ratio_upper"],
            "verdict": rows["verdict"],
        }
    )
    margin = comparison.plan.margin_percent
    shaded = "" if margin is None else f" Shaded: within the margin of {margin:g} %."
    with house_style():
        ax = new_axes(height_mm=ratios_height_mm(len(frame)), say=say)
        effect_ratios(
            frame,
            ax,
            margin=None if margin is None else 1 + margin / 100,
            label="ratio, first level over second",
        )
    return Drawing(
        name=f"effect ratios {family}",
        figure=ax.figure,  # type: ignore[arg-type]
        caption=f"Ratios, {_FAMILIES[family]}, with {100 * comparison.level:g} % simultaneous "
        f"intervals; left of 1 is smaller.{shaded}",
        alternative="; ".join(_finding(row, say) for row in frame.to_dict("records")) + ".",
    )


def comparison_page(comparison: Comparison, say: Numerals = PLAIN) -> Page:
    """Tests, effects of the first families as figure and table, variances; the rest in files."""
    blocks: list[Block] = []
    if not comparison.tests_frame().empty:
        blocks.append(tests_table(comparison))
    quantities = [result.quantity for result in comparison.results]
    families = _families(comparison)
    for family in families[:_SHOWN]:
        blocks.append(ratio_drawing(comparison, family, quantities, say))
        place = Place.FIRST if family == families[0] else Place.REPORT
        blocks.append(effects_table(comparison, family, place))
    variances = variance_table(comparison)
    if variances is not None:
        blocks.append(variances)
    blocks += [effects_table(comparison, one, Place.FILES) for one in families[_SHOWN:]]
    models = notes_by_quantity(
        ((one.quantity, one.model) for one in comparison.results), columns=_columns(comparison)
    )
    return Page(
        heading=f"Did {_words(comparison.plan.by)} change the size?",
        answers=comparison_answers(comparison),
        sentences=comparison.headlines,
        blocks=tuple(blocks),
        notes=comparison_notes(comparison),
        notes_heading="Notes on the comparison",
        sections=(Section(heading="Models fitted", blocks=(Bullets(models),)),),
    )


def comparison_notes(comparison: Comparison) -> tuple[str, ...]:
    """What had to be assumed, in words: of the whole comparison, then of the quantities."""
    columns = _columns(comparison)
    own = ((one.quantity, note) for one in comparison.results for note in one.notes)
    return (
        *(columns_in_words(note, columns) for note in comparison.notes),
        *notes_by_quantity(own, columns=columns),
    )


def _columns(comparison: Comparison) -> tuple[str, ...]:
    """Columns of the run table that sentences may name: those of the plan and of the models."""
    plan = comparison.plan
    within = (name for one in plan.within for name in ((one,) if isinstance(one, str) else one))
    fitted = (
        str(name)
        for one in comparison.results
        if one.fit is not None
        for name in one.fit.model.frame.columns
    )
    return tuple(dict.fromkeys([*plan.factors, *within, *fitted]))


def _families(comparison: Comparison) -> list[str]:
    return list(dict.fromkeys(comparison.to_frame()["family"]))


def _words(column: str) -> str:
    return column.replace(TIME, "milling time").replace("_", " ")


def _unit(comparison: Comparison) -> str:
    return "min" if comparison.plan.by == TIME else ""


def _level(text: str, comparison: Comparison) -> tuple[str, str]:
    """A level and, after it, the level of ``at_each`` where there is one: "48 at 5"."""
    if comparison.plan.at_each is None:
        return text, ""
    own, _, where = text.rpartition(" at ")
    return own, where


def _with_contrasts(comparison: Comparison, family: str) -> pd.DataFrame:
    """Effects of a family with contrasts in words, and the level of ``at_each`` as a column."""
    frame = comparison.to_frame(family)
    high = [_level(str(text), comparison) for text in frame["high"]]
    low = [_level(str(text), comparison)[0] for text in frame["low"]]
    frame["contrast"] = [f"{own} vs {other}" for (own, _), other in zip(high, low, strict=True)]
    if comparison.plan.at_each is not None:
        frame[comparison.plan.at_each] = [where for _, where in high]
    return frame


def _finding(row: Mapping[Hashable, object], say: Numerals) -> str:
    """One contrast for who cannot see the figure: "D50 48 vs 0 min: 0.532 (…), changed"."""
    limits = [float(row[name]) for name in _LIMITS]  # type: ignore[arg-type]
    shown = f"{say.ratio(*limits)}, " if np.isfinite(limits).all() else ""
    return f"{row['quantity']} {row['contrast']}: {shown}{row['verdict']}"


def _component(name: str) -> str:
    if name == "residual":
        return "runs"
    grouping, _, slope = name.removesuffix("]").partition("[order of ")
    words = " and ".join(_words(part) for part in grouping.split(":"))
    return f"{words}, drift a step of {_words(slope)}" if slope else words
