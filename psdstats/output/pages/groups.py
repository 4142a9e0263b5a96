"""Mandel's h and k as table, figure and words, and the tests of Cochran and Grubbs.

Do the groups agree: a verdict a group, precision at each condition, consistency, outliers.
"""

from __future__ import annotations

import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.consistency import Intraclass
from psdstats.comparison.groups_result import GroupAgreement
from psdstats.comparison.precision import Scale
from psdstats.output.content import Answer, Block, Drawing, Page
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.effects import effect_ratios, ratios_height_mm
from psdstats.output.figures.groups import group_consistency
from psdstats.output.figures.marks import drawn
from psdstats.output.pages.groups_results import (
    GroupResults,
    condition_columns,
    place_words,
)
from psdstats.output.pages.parts import as_sentence, said_once
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables.table import Column, Place, Show, Table

_MOST_NAMED = 4
_TESTS = {"Cochran": "Cochran's", "Grubbs": "Grubbs'"}


def consistency_sentences(results: GroupResults) -> tuple[str, ...]:
    """How many indicators lie beyond their limits and which, then what the two tests found."""
    table = results.consistency.to_frame()
    found = table[table["finding"] != ""]
    told = int(table[["h", "k"]].notna().to_numpy().sum())
    if not told:
        return ("Mandel's h and k cannot be told: h needs three groups, k two with replicates",)
    lines = [
        f"Of {told} values of Mandel's h and k {len(found) or 'none'} lie beyond the 5 % limit"
    ]
    if len(found):
        named = [
            f"{row['group']} at {place_words(row, results.conditions)} ({row['finding']})"
            for row in found.head(_MOST_NAMED).to_dict("records")
        ]
        more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
        lines[0] += f": {', '.join(named)}{more}; about {0.05 * told:.0f} would by chance alone"
    suspects = results.outliers[results.outliers["finding"].isin(["straggler", "outlier"])]
    for row in suspects.to_dict("records"):
        where = f"{row['group']} at {place_words(row, results.conditions)}"
        word = "an outlier" if row["finding"] == "outlier" else "a straggler"
        lines.append(
            f"{_TESTS[row['test']]} test calls {where} {word}; look for a cause, nothing was "
            "removed"
        )
    return tuple(lines)


def consistency_table(results: GroupResults) -> Table:
    """Mandel's h and k of every group at every condition, with limits."""
    limits = [
        Column(
            name=f"{letter}_limit_{percent}",
            heading=f"{letter} at {percent} %",
            show=Show.NUMBER,
            decimals=2,
        )
        for letter in ("h", "k")
        for percent in (5, 1)
    ]
    return Table(
        name="group consistency",
        frame=results.consistency.to_frame(),
        caption=f"Mandel's h (mean against the other means) and k (scatter against the pooled "
        f"scatter) of {results.quantity}, with their limits (ISO 5725-2).",
        columns=(
            *condition_columns(results),
            Column(name="group", heading="group"),
            Column(name="h", heading="h", show=Show.NUMBER, decimals=2),
            *limits[:2],
            Column(name="k", heading="k", show=Show.NUMBER, decimals=2),
            *limits[2:],
            Column(name="finding", heading="finding"),
        ),
        row_headings=len(results.conditions) + 1,
        notes=("The limits are exact for normal results of equal number.",),
        place=Place.FILES,
    )


def outliers_table(results: GroupResults) -> Table:
    """Cochran's test of the largest scatter and Grubbs' test of the farthest mean."""
    return Table(
        name="group outliers",
        frame=results.outliers,
        caption=f"Cochran's test of the largest scatter within a group and Grubbs' test of the "
        f"farthest group mean of {results.quantity} (ISO 5725-2).",
        columns=(
            *condition_columns(results),
            Column(name="test", heading="test"),
            Column(name="group", heading="suspect"),
            Column(name="statistic", heading="statistic", show=Show.NUMBER, decimals=3),
            Column(name="critical_5", heading="at 5 %", show=Show.NUMBER, decimals=3),
            Column(name="critical_1", heading="at 1 %", show=Show.NUMBER, decimals=3),
            Column(name="p", heading="p", show=Show.P_VALUE),
            Column(name="finding", heading="finding"),
        ),
        row_headings=len(results.conditions) + 1,
        notes=(
            "Straggler: beyond the 5 % value; outlier: beyond the 1 % value. Nothing is removed.",
        ),
        place=Place.FILES,
    )


def consistency_drawing(results: GroupResults) -> Drawing | None:
    """Panels of h above panels of k, side by side for each further condition; None without."""
    table = results.consistency.to_frame()
    kinds = [letter for letter in ("h", "k") if table[letter].notna().any()]
    if not kinds or TIME not in table.columns:
        return None
    further = [name for name in results.conditions if name != TIME]
    parts = _split(table, further)
    with house_style():
        panels = new_panels(len(kinds), len(parts), height_mm=20.0 + 58.0 * len(kinds))
        for row, letter in zip(panels, kinds, strict=True):
            for ax, (title, part) in zip(row, parts, strict=True):
                group_consistency(part, ax, indicator=letter)
                ax.set_title(drawn(title) if row is panels[0] else "")
                if ax is not row[0]:
                    ax.set_ylabel("")
        joint_key(panels)
    return Drawing(
        name="group consistency",
        figure=panels[0][0].figure,  # type: ignore[arg-type]
        caption=f"Mandel's indicators of {results.quantity} for each group, one bar a milling "
        "time; lines: limits exceeded by chance in 5 % and 1 %.",
        alternative=". ".join(consistency_sentences(results)) + ".",
    )


def _split(table: pd.DataFrame, further: list[str]) -> list[tuple[str, pd.DataFrame]]:
    """The table at each further condition, with that condition in words."""
    if not further:
        return [("", table)]
    parts = (part for _, part in table.groupby(further, sort=True))
    return [(place_words(part.iloc[0].to_dict(), further), part) for part in parts]


_SDS = {
    "repeatability": "s_r",
    "between": "s_L",
    "reproducibility": "s_R",
}


def groups_sentences(results: GroupResults) -> tuple[str, ...]:
    """The answer in words: one sentence a group, what it rests on, which group stands apart."""
    found = [*results.agreement.sentences(), *consistency_sentences(results)]
    return said_once(found, begins_with_name=True)


def groups_page(results: GroupResults) -> Page:
    """Verdicts, ratios and precision; the longer tables are left to the files."""
    drawing = consistency_drawing(results)
    blocks: list[Block] = [agreement_drawing(results.agreement)]
    blocks += [agreement_table(results.agreement), precision_table(results)]
    blocks += [] if drawing is None else [drawing]
    longer = [consistency_table(results), outliers_table(results), conditions_table(results)]
    if results.intraclass is not None:
        longer.append(intraclass_table(results.intraclass, results.quantity))
    return Page(
        heading="Do the groups agree?",
        answers=(groups_answer(results.agreement),),
        sentences=groups_sentences(results),
        blocks=(*blocks, *(table for table in longer if not table.frame.empty)),
        notes=results.notes(),
        notes_heading="Notes on the groups",
    )


def groups_answer(agreement: GroupAgreement) -> Answer:
    """Which groups stand where, in one sentence for the top of the page."""
    frame = agreement.to_frame()
    found = (
        f"{verdict}: {', '.join(map(str, own['group']))}"
        for verdict, own in frame.groupby("verdict", sort=False)
    )
    margin = agreement.margin_percent
    within = "" if margin is None else f" (margin ±{margin:g} %)"
    return Answer(
        "groups",
        f"{agreement.quantity} of each group against the others{within}. "
        f"{as_sentence('; '.join(found))}",
    )


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
        place=Place.FIRST,
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
        Column(name="results", heading="results", show=Show.COUNT, spare=True),
        Column(
            name="mean",
            heading="mean",
            unit=_unit(results.quantity),
            show=Show.NUMBER,
            spare=True,
        ),
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
        place=Place.FIRST,
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
        place=Place.FILES,
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
        place=Place.FILES,
    )


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
