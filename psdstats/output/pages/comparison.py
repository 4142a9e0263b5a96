"""A comparison as a section: verdicts, tests, effects as ratios, variance components."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.columns import UNITS, column_words
from psdstats.comparison.result import Comparison
from psdstats.findings import ContrastKind, Finding
from psdstats.output.content import Answer, Block, Bullets, Drawing, Page, Section
from psdstats.output.figures.effects import effect_ratios, ratios_height_mm
from psdstats.output.pages.parts import drawing_of
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.words import comparison as words
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHOWN = 2  # families of contrasts on the page


def comparison_answers(comparison: Comparison, say: Numerals = PLAIN) -> tuple[Answer, ...]:
    """The answers for the top of a page: last level against the first, or every pair of a few."""
    found = []
    for result in comparison.results:
        lead = words.leading(result)
        if lead[0].subject.family is ContrastKind.AGAINST_FIRST:
            lead = [own[-1] for own in words.each_where(lead).values()]
        found += [
            Answer(one.verdict.value, words.finding_sentence(one, comparison.plan, say))
            for one in lead
        ]
    return tuple(found)


def _of_family(comparison: Comparison, family: str) -> list[Finding]:
    findings = (one for result in comparison.results for one in result.findings)
    return [one for one in findings if one.subject.family == family]


def _effects(comparison: Comparison, family: str) -> pd.DataFrame:
    """Effects of a family with contrasts in words, and the level of ``at_each`` as a column."""
    found = _of_family(comparison, family)
    frame = comparison.to_frame(family)
    frame["contrast"] = [words.contrast_words(one.subject) for one in found]
    return frame.rename(columns={"where": comparison.plan.at_each or "where"})


def effects_table(
    comparison: Comparison, family: str, place: Place = Place.REPORT, say: Numerals = PLAIN
) -> Table:
    """Effects of one family, every quantity."""
    plan = comparison.plan
    per_cent = partial(Column, unit="%", decimals=1, spare=True)
    columns = [
        Column(name="quantity", heading="quantity"),
        *([Column(name=plan.at_each, heading=column_words(plan.at_each))] if plan.at_each else []),
        Column(
            name="contrast",
            heading="contrast",
            unit=UNITS.get(plan.by, ""),
        ),
        Column(
            name="ratio",
            heading=f"ratio ({say(100 * comparison.level)} % interval)",
            show=Show.RATIO,
            lower="ratio_lower",
            upper="ratio_upper",
        ),
        per_cent(name="change_percent", heading="change", show=Show.SIGNED),
        Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
        per_cent(
            name="detectable_decrease_percent", heading="detectable decrease", show=Show.NUMBER
        ),
        Column(name="verdict", heading="verdict"),
    ]
    return Table(
        name=f"effects {family}",
        frame=_effects(comparison, family),
        caption=words.effects_caption(comparison, family),
        columns=tuple(columns),
        row_headings=3 if plan.at_each else 2,
        notes=(words.effects_note(comparison, say),),
        place=place,
    )


def tests_table(comparison: Comparison) -> Table:
    """One F test a quantity."""
    terms = [
        " and ".join(map(column_words, test.term))
        for result in comparison.results
        for test in result.tests
    ]
    return Table(
        name="tests",
        frame=comparison.tests_frame().assign(term=terms),
        caption=words.question(comparison, "anything at all"),
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
    named: dict[str, str] = {}
    for result in comparison.results:
        if result.fit is not None:
            named |= words.component_words(result.fit, comparison.plan)
    frame["component"] = frame["component"].map(named)
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
    return Table(
        name="variance components",
        frame=wide.reset_index(),
        caption=words.VARIANCES,
        columns=tuple(columns),
        notes=(words.BELOW_ZERO,) if is_below else (),
        place=Place.FIRST,
    )


def ratio_drawing(
    comparison: Comparison, family: str, quantities: Iterable[str], say: Numerals = PLAIN
) -> Drawing:
    """Ratios with simultaneous intervals on a log axis."""
    names, plan = tuple(quantities), comparison.plan
    found = [one for one in _of_family(comparison, family) if one.subject.quantity in names]
    frame = comparison.to_frame(family)
    frame = frame[frame["quantity"].isin(names)]
    frame = frame.assign(contrast=[words.ratio_label(one.subject, plan) for one in found])
    margin = None if plan.margin_percent is None else 1 + plan.margin_percent / 100

    def draw() -> Axes:
        ax = new_axes(height_mm=ratios_height_mm(len(frame)), say=say)
        return effect_ratios(frame, ax, margin=margin, label=words.RATIO_AXIS)

    return drawing_of(
        f"effect ratios {family}",
        draw,
        words.ratios_caption(comparison, family, say),
        words.ratios_alternative(found, plan, say),
    )


def comparison_page(comparison: Comparison, say: Numerals = PLAIN) -> Page:
    """Tests, effects of the first families as figure and table, variances; the rest in files."""
    blocks: list[Block] = []
    if not comparison.tests_frame().empty:
        blocks.append(tests_table(comparison))
    quantities = [result.quantity for result in comparison.results]
    families = comparison.families
    for family in families[:_SHOWN]:
        blocks.append(ratio_drawing(comparison, family, quantities, say))
        place = Place.FIRST if family == families[0] else Place.REPORT
        blocks.append(effects_table(comparison, family, place, say))
    variances = variance_table(comparison)
    if variances is not None:
        blocks.append(variances)
    blocks += [effects_table(comparison, one, Place.FILES, say) for one in families[_SHOWN:]]
    models = words.models_fitted(comparison, say)
    return Page(
        heading=words.question(comparison),
        answers=comparison_answers(comparison, say),
        sentences=words.headlines(comparison, say),
        blocks=tuple(blocks),
        notes=words.notes(comparison, say),
        notes_heading="Notes on the comparison",
        sections=(Section(heading="Models fitted", blocks=(Bullets(models),)),),
    )
