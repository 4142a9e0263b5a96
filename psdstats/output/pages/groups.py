"""Do the groups agree: a verdict a group, precision at each condition, consistency, outliers."""

from __future__ import annotations

from dataclasses import replace

from psdstats.comparison.groups_intraclass import Intraclass
from psdstats.comparison.groups_result import GroupAgreement
from psdstats.comparison.precision_cells import Scale
from psdstats.output.content import Block, Bullets, Drawing, Note, Section, Verdict
from psdstats.output.figures.ratios import effect_ratios, ratios_height_mm
from psdstats.output.pages.groups_consistency import (
    consistency_drawing,
    consistency_sentences,
    consistency_table,
    outliers_table,
)
from psdstats.output.pages.groups_results import (
    GroupResults,
    condition_columns,
    place_words,
)
from psdstats.output.pages.parts import PageParts
from psdstats.output.pages.wording import as_sentence, said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show

__all__ = [
    "agreement_drawing",
    "agreement_table",
    "conditions_table",
    "groups_files",
    "groups_parts",
    "groups_section",
    "groups_sentences",
    "groups_tables",
    "groups_verdict",
    "intraclass_table",
    "precision_table",
]

_SDS = {
    "repeatability": "s_r",
    "between": "s_L",
    "reproducibility": "s_R",
}


def groups_sentences(results: GroupResults) -> tuple[str, ...]:
    """The answer in words: one sentence a group, what it rests on, which group stands apart."""
    found = [*results.agreement.sentences(), *consistency_sentences(results)]
    return said_once(found, begins_with_name=True)


def groups_tables(results: GroupResults) -> list[Table]:
    """Every table of the page, the verdicts first."""
    tables = [
        agreement_table(results.agreement),
        precision_table(results),
        consistency_table(results),
        outliers_table(results),
        conditions_table(results),
    ]
    if results.intraclass is not None:
        tables.append(intraclass_table(results.intraclass, results.quantity))
    return [table for table in tables if not table.frame.empty]


def groups_parts(results: GroupResults) -> PageParts:
    """What the command shows: verdicts, every table, both figures."""
    tables = groups_tables(results)
    consistency = consistency_drawing(results)
    drawings = [agreement_drawing(results.agreement)]
    return PageParts(
        sentences=groups_sentences(results),
        tables=tuple(tables),
        first=(tables[0], _narrowed(tables[1])),
        drawings=tuple(drawings if consistency is None else [*drawings, consistency]),
        notes=results.notes(),
    )


def groups_section(results: GroupResults) -> Section:
    """Verdicts, ratios and precision as a section; the longer tables are in `groups_files`."""
    blocks: list[Block] = [Bullets(groups_sentences(results))]
    blocks.append(agreement_drawing(results.agreement))
    blocks += [agreement_table(results.agreement), precision_table(results)]
    drawing = consistency_drawing(results)
    if drawing is not None:
        blocks.append(drawing)
    blocks += [Note(note) for note in results.notes()]
    return Section(
        heading="Do the groups agree?",
        blocks=tuple(blocks),
        verdicts=(groups_verdict(results.agreement),),
    )


def groups_verdict(agreement: GroupAgreement) -> Verdict:
    """Which groups stand where, in one sentence for the top of the page."""
    frame = agreement.to_frame()
    found = (
        f"{verdict}: {', '.join(map(str, own['group']))}"
        for verdict, own in frame.groupby("verdict", sort=False)
    )
    margin = agreement.margin_percent
    within = "" if margin is None else f" (margin ±{margin:g} %)"
    return Verdict(
        "groups",
        f"{agreement.quantity} of each group against the others{within}. "
        f"{as_sentence('; '.join(found))}",
    )


def groups_files(results: GroupResults) -> list[Table]:
    """The tables that the section leaves to the files."""
    return groups_tables(results)[2:]


def agreement_table(agreement: GroupAgreement) -> Table:
    """One row a group: its difference from the others with joint interval, scores, verdict."""
    level = f"{100 * agreement.level:g} %"
    when = "" if agreement.time_min is None else f" at {agreement.time_min:g} min"
    return Table(
        name="group agreement",
        frame=agreement.to_frame(),
        caption=f"{agreement.quantity} of each group against the mean of the others{when}.",
        columns=(
            Column(name="group", heading="group"),
            Column(name="runs", heading="runs", show=Show.COUNT),
            Column(
                name="difference_percent",
                heading=f"difference ({level} interval)",
                unit="%",
                show=Show.MEASURED,
                lower="lower_percent",
                upper="upper_percent",
            ),
            Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
            Column(name="zeta", heading="zeta", show=Show.NUMBER, decimals=2),
            Column(name="e_n", heading="E_n", show=Show.NUMBER, decimals=2),
            Column(name="verdict", heading="verdict"),
        ),
        notes=(
            f"Intervals and p hold for all groups together at {level}. Zeta is the difference over "
            "its standard uncertainty, E_n over twice that (ISO 13528, from memory); both use the "
            "joint covariance, so a sieve that groups share cancels and sieves of their own do "
            "not.",
        ),
    )


def agreement_drawing(agreement: GroupAgreement) -> Drawing:
    """Ratio of each group to the others with joint intervals."""
    ratios = agreement.to_frame().drop(columns="quantity")
    margin = agreement.margin_percent
    with house_style():
        ax = new_axes(height_mm=ratios_height_mm(len(ratios)))
        effect_ratios(
            ratios,
            ax,
            margin=None if margin is None else 1 + margin / 100,
            label=f"{agreement.quantity} over that of the other groups",
        )
    return Drawing(
        name="group agreement",
        figure=ax.figure,  # type: ignore[arg-type]
        caption=f"{agreement.quantity} of each group over the mean of the others, with "
        f"{100 * agreement.level:g} % intervals that hold for all groups together.",
        alternative=" ".join(
            said_once((one.sentence for one in agreement.findings), begins_with_name=True)
        ),
    )


def precision_table(results: GroupResults) -> Table:
    """Repeatability, between-group and reproducibility SD at each condition with intervals."""
    frame = results.precision.to_frame()
    percent = results.precision.scale is Scale.LOG
    suffix, factor = ("percent", 100.0) if percent else ("value", 1.0)
    unit = "%" if percent else _unit(results.quantity)
    columns = [
        *condition_columns(results),
        Column(name="results", heading="results", show=Show.COUNT),
        Column(name="mean", heading="mean", unit=_unit(results.quantity), show=Show.NUMBER),
    ]
    for name, heading in _SDS.items():
        for end, source in (("", ""), ("_lower", "_lower"), ("_upper", "_upper")):
            frame[f"{name}_{suffix}{end}"] = factor * frame[f"{name}_sd{source}"]
        columns.append(
            Column(
                name=f"{name}_{suffix}",
                heading=heading,
                unit=unit,
                show=Show.MEASURED,
                lower=f"{name}_{suffix}_lower",
                upper=f"{name}_{suffix}_upper",
            )
        )
    level = f"{100 * results.precision.coverage:g} %"
    statuses = [text for text in dict.fromkeys(frame["status"]) if text != "estimated"]
    return Table(
        name="group precision",
        frame=frame,
        caption=f"Precision of {results.quantity} at each condition (ISO 5725-2), with {level} "
        "intervals: s_r within a group (repeatability), s_L between groups, s_R both together "
        "(reproducibility).",
        columns=tuple(columns),
        row_headings=len(results.conditions),
        notes=(
            ("Per cent: 100 times the standard deviation of ln size. " if percent else "")
            + "They contain the scatter of the measurement as far as the results do not share it.",
            *(as_sentence(_where(results, text)) for text in statuses),
        ),
    )


def conditions_table(results: GroupResults) -> Table:
    """Difference of each group from the others at each condition, with scores."""
    return Table(
        name="group differences by condition",
        frame=results.agreement.by_condition,
        caption=f"{results.quantity} of each group against the mean of the others at each "
        "condition, with its own standard uncertainty.",
        columns=(
            *condition_columns(results),
            Column(name="group", heading="group"),
            Column(name="difference_percent", heading="difference", unit="%", show=Show.MEASURED,
                   u="u_percent"),
            Column(name="zeta", heading="zeta", show=Show.NUMBER, decimals=2),
            Column(name="e_n", heading="E_n", show=Show.NUMBER, decimals=2),
            Column(name="finding", heading="finding"),
        )
        if not results.agreement.by_condition.empty
        else (),
        row_headings=len(results.conditions) + 1,
        notes=(
            "|zeta| from 2 is called a warning signal, from 3 an action signal (ISO 13528, from "
            "memory).",
        ),
    )  # fmt: skip


def intraclass_table(found: Intraclass, quantity: str) -> Table:
    """Intraclass correlations with their 95 % intervals."""
    return Table(
        name="intraclass correlation",
        frame=found.to_frame(),
        caption=f"Intraclass correlation of the groups' means of {quantity} over the conditions.",
        columns=(
            Column(name="kind", heading="kind"),
            Column(
                name="icc",
                heading="correlation (95 % interval)",
                show=Show.MEASURED,
                lower="lower",
                upper="upper",
            ),
            Column(name="p", heading="p", show=Show.P_VALUE),
        ),
        notes=(
            "Times that differ much make it large whatever the groups do: weak evidence of "
            "agreement by itself.",
        ),
    )


def _narrowed(table: Table) -> Table:
    """The table of precision without the columns that a terminal has no room for."""
    columns = tuple(one for one in table.columns if one.name not in ("results", "mean"))
    return replace(table, columns=columns)


def _where(results: GroupResults, status: str) -> str:
    """A status with the conditions it holds at, unless it holds at all of them."""
    frame = results.precision.to_frame()
    mine = frame[frame["status"] == status]
    if len(mine) == len(frame):
        return status
    places = "; ".join(place_words(row, results.conditions) for row in mine.to_dict("records"))
    return f"At {places}: {status.removeprefix('estimated; ')}"


def _unit(quantity: str) -> str:
    return "" if quantity == "span" else "µm"
