"""Do the groups agree: a verdict a group, precision at each condition, consistency, outliers.

Sizes in µm.  Precision, consistency and outliers are found at each milling time (and further
condition) with the columns by which the agreement of the groups was judged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.columns import GROUP, RUN, TIME, column_words
from psdstats.comparison.analysis import Analysis
from psdstats.comparison.consistency import (
    Intraclass,
    consistency,
    intraclass_correlation,
    outliers,
)
from psdstats.comparison.groups import GroupAgreement, GroupRemark, group_agreement, sizes_by_run
from psdstats.comparison.precision import Precision, Scale, precision
from psdstats.findings import Remark, Verdict
from psdstats.output.content import Block, Drawing, Page
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.effects import effect_ratios, ratios_height_mm
from psdstats.output.figures.groups import group_consistency
from psdstats.output.figures.marks import drawn
from psdstats.output.pages.parts import drawing_of, number_column
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation
from psdstats.words import groups as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SDS = {"repeatability": "s_r", "between": "s_L", "reproducibility": "s_R"}


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupResults:
    """Results on the groups of one study in one quantity.

    Parameters
    ----------
    agreement : GroupAgreement
        Each group against the others, with the joint covariance.
    precision : Precision
        Repeatability, between-group and reproducibility SD at each condition.
    consistency : DataFrame
        Mandel's h and k.
    outliers : DataFrame
        Cochran's and Grubbs' tests.
    intraclass : Intraclass or None
        Intraclass correlations, or why there are none; None where they were not asked for.
    left_out : tuple of Remark
        Runs without a condition, which have no place in the tables of precision, consistency and
        outliers.
    """

    agreement: GroupAgreement
    precision: Precision
    consistency: pd.DataFrame
    outliers: pd.DataFrame
    intraclass: Intraclass | None
    left_out: tuple[Remark, ...] = ()

    @property
    def quantity(self) -> str:
        """What is compared."""
        return self.agreement.quantity

    @property
    def conditions(self) -> tuple[str, ...]:
        """Columns that define a condition."""
        return self.agreement.conditions

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What the tables leave out, and intraclass correlations that there are not."""
        obstacle = None if self.intraclass is None else self.intraclass.obstacle
        return self.left_out if obstacle is None else (obstacle, *self.left_out)


def collect_groups(
    study: Study,
    propagation: Propagation,
    *,
    quantity: str = "D50",
    scale: Scale | str = Scale.LOG,
    margin_percent: float | None = None,
    level: float = 0.95,
    intraclass: bool = True,
    analysis: Analysis | None = None,
) -> GroupResults:
    """Ask the library for everything about the groups of a study."""
    agreement = group_agreement(
        study,
        propagation,
        quantity=quantity,
        margin_percent=margin_percent,
        level=level,
        analysis=analysis,
    )
    frame, at = sizes_by_run(study, propagation, quantity=quantity), list(agreement.conditions)
    columns = {"value": quantity, "group": GROUP}
    return GroupResults(
        agreement=agreement,
        precision=precision(frame, **columns, level=at, scale=scale, coverage=level),
        consistency=consistency(frame, **columns, level=at, scale=scale),
        outliers=outliers(frame, **columns, level=at, scale=scale),
        intraclass=intraclass_correlation(frame, **columns, level=at, scale=scale)
        if intraclass
        else None,
        left_out=tuple(
            GroupRemark.WITHOUT_CONDITION(
                runs=tuple(frame.loc[frame[name].isna(), RUN]), column=name
            )
            for name in at
            if frame[name].isna().any()
        ),
    )


def stated_margin(study: Study) -> float | None:
    """The difference too small to matter that the study states, per cent."""
    value = study.compare.get("margin_percent")
    return float(value) if isinstance(value, int | float) else None


def groups_sentences(results: GroupResults, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The answer in words: one sentence a group, what it rests on, which group stands apart."""
    found = words.agreement_sentences(results.agreement, say)
    return tuple(dict.fromkeys([*found, *_consistency_sentences(results, say)]))


def _consistency_sentences(results: GroupResults, say: Numerals) -> tuple[str, ...]:
    return words.consistency_sentences(
        results.consistency, results.outliers, results.conditions, say
    )


def groups_page(results: GroupResults, say: Numerals = PLAIN) -> Page:
    """Verdicts, ratios and precision; the longer tables are left to the files."""
    longer = [consistency_table(results), outliers_table(results)]
    if results.intraclass is not None:
        longer.append(intraclass_table(results.intraclass, results.quantity))
    blocks: list[Block] = [
        agreement_drawing(results.agreement, say),
        agreement_table(results.agreement, say),
        conditions_table(results, say),
        precision_table(results, say),
        *consistency_drawings(results, say),
    ]
    return Page(
        heading=words.HEADING,
        sentences=groups_sentences(results, say),
        blocks=tuple(one for one in (*blocks, *longer) if _holds_something(one)),
        notes=tuple(sentence(remark, say) for remark in results.remarks),
        notes_heading="Notes on the groups",
    )


def _holds_something(block: Block) -> bool:
    return not (isinstance(block, Table) and block.frame.empty)


def _condition_columns(results: GroupResults) -> list[Column]:
    """The columns that name a condition, for any table of these results."""
    frame = results.precision.table
    return [
        number_column(
            frame[name],
            name=name,
            heading=column_words(name),
            unit="min" if name == TIME else "",
        )
        for name in results.conditions
    ]


def _plain(name: str, heading: str = "", *, decimals: int = 2) -> Column:
    return Column(name=name, heading=heading or name, show=Show.NUMBER, decimals=decimals)


def agreement_table(agreement: GroupAgreement, say: Numerals = PLAIN) -> Table:
    """One row a group: on average, in rate, at how many conditions it differs, verdict."""
    interval = f"({say(100 * agreement.level)} % interval)"
    pairs = [
        column
        for name, prefix in (("average", ""), ("rate", "rate_"))
        for column in (
            Column(
                name=f"{prefix}difference_percent",
                heading=f"{name} {interval}",
                unit="%",
                show=Show.MEASURED,
                lower=f"{prefix}lower_percent",
                upper=f"{prefix}upper_percent",
            ),
            Column(name=f"{prefix}p_adjusted", heading="p", show=Show.P_VALUE),
        )
    ]
    return Table(
        name="group agreement",
        frame=agreement.to_frame(),
        caption=words.agreement_caption(agreement),
        columns=(
            Column(name="group", heading="group"),
            *pairs,
            Column(name="differs_at", heading="differs at", show=Show.COUNT),
            Column(name="verdict", heading="verdict"),
        ),
        notes=(words.agreement_note(agreement.level, say),),
        place=Place.FIRST,
    )


def agreement_drawing(agreement: GroupAgreement, say: Numerals = PLAIN) -> Drawing:
    """Ratio of each group to the others with joint intervals."""
    averages = [one.average for one in agreement.answers]
    verdicts = [str(one.verdict) if one else Verdict.CANNOT_BE_TOLD.value for one in averages]
    ratios = agreement.to_frame().drop(columns="quantity").assign(verdict=verdicts)
    margin = agreement.margin_percent

    def draw() -> Axes:
        return effect_ratios(
            ratios,
            new_axes(height_mm=ratios_height_mm(len(ratios)), say=say),
            margin=None if margin is None else 1 + margin / 100,
            label=words.ratio_label(agreement.quantity),
        )

    return drawing_of(
        "group agreement",
        draw,
        words.agreement_drawing_caption(agreement, say),
        words.agreement_sentences(agreement, say),
    )


def precision_table(results: GroupResults, say: Numerals = PLAIN) -> Table:
    """Repeatability, between-group and reproducibility SD at each condition with intervals."""
    found, frame = results.precision, results.precision.to_frame()
    unit = "" if results.quantity == "span" else "µm"
    percent = found.scale is Scale.LOG
    suffix, factor = ("percent", 100.0) if percent else ("value", 1.0)
    columns = [
        *_condition_columns(results),
        Column(name="results", heading="results", show=Show.COUNT, spare=True),
        Column(name="mean", heading="mean", unit=unit, show=Show.NUMBER, spare=True),
    ]
    for name, heading in _SDS.items():
        for end in ("", "_lower", "_upper"):
            frame[f"{name}_{suffix}{end}"] = factor * frame[f"{name}_sd{end}"]
        columns.append(
            Column(
                name=f"{name}_{suffix}",
                heading=heading,
                unit="%" if percent else unit,
                show=Show.MEASURED,
                lower=f"{name}_{suffix}_lower",
                upper=f"{name}_{suffix}_upper",
            )
        )
    return Table(
        name="group precision",
        frame=frame,
        caption=words.precision_caption(results.quantity, found.coverage, say),
        columns=tuple(columns),
        row_headings=len(results.conditions),
        notes=words.precision_notes(found, results.conditions, say),
        place=Place.FIRST,
    )


def consistency_table(results: GroupResults) -> Table:
    """Mandel's h and k of every group at every condition, with limits."""
    indicators = [
        column
        for letter in ("h", "k")
        for column in (
            _plain(letter),
            *(_plain(f"{letter}_limit_{one}", f"{letter} at {one} %") for one in (5, 1)),
        )
    ]
    return Table(
        name="group consistency",
        frame=results.consistency,
        caption=words.consistency_caption(results.quantity),
        columns=(
            *_condition_columns(results),
            Column(name="group", heading="group"),
            *indicators,
            Column(name="finding", heading="finding"),
        ),
        row_headings=len(results.conditions) + 1,
        notes=(words.CONSISTENCY_NOTE,),
        place=Place.FILES,
    )


def outliers_table(results: GroupResults) -> Table:
    """Cochran's test of the largest scatter and Grubbs' test of the farthest mean."""
    return Table(
        name="group outliers",
        frame=results.outliers,
        caption=words.outliers_caption(results.quantity),
        columns=(
            *_condition_columns(results),
            Column(name="test", heading="test"),
            Column(name="group", heading="suspect"),
            _plain("statistic", decimals=3),
            _plain("critical_5", "at 5 %", decimals=3),
            _plain("critical_1", "at 1 %", decimals=3),
            Column(name="p", heading="p", show=Show.P_VALUE),
            Column(name="finding", heading="finding"),
        ),
        row_headings=len(results.conditions) + 1,
        notes=(words.OUTLIERS_NOTE,),
        place=Place.FILES,
    )


def conditions_table(results: GroupResults, say: Numerals = PLAIN) -> Table:
    """Difference of each group from the others at each condition, with verdict and scores."""
    frame = results.agreement.by_condition
    return Table(
        name="group differences by condition",
        frame=frame,
        caption=words.conditions_caption(results.quantity),
        columns=()
        if frame.empty
        else (
            *_condition_columns(results),
            Column(name="group", heading="group"),
            Column(
                name="difference_percent",
                heading=f"difference ({say(100 * results.agreement.level)} % interval)",
                unit="%",
                show=Show.MEASURED,
                lower="lower_percent",
                upper="upper_percent",
            ),
            Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
            Column(name="verdict", heading="verdict"),
            _plain("zeta"),
            _plain("e_n", "E_n"),
            Column(name="finding", heading="finding", spare=True),
        ),
        row_headings=len(results.conditions) + 1,
        notes=(words.SCORES_NOTE,),
    )


def intraclass_table(found: Intraclass, quantity: str) -> Table:
    """Intraclass correlations with their 95 % intervals."""
    return Table(
        name="intraclass correlation",
        frame=found.table,
        caption=words.intraclass_caption(quantity),
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
        notes=(words.INTRACLASS_NOTE,),
        place=Place.FILES,
    )


def consistency_drawings(results: GroupResults, say: Numerals = PLAIN) -> list[Drawing]:
    """Panels of h above panels of k, side by side for each further condition; empty without."""
    table = results.consistency
    kinds = [letter for letter in ("h", "k") if table[letter].notna().any()]
    if not kinds or TIME not in table.columns:
        return []
    further = [name for name in results.conditions if name != TIME]
    parts = [("", table)]
    if further:
        cells = [part for _, part in table.groupby(further, sort=True)]
        parts = [(words.place_words(part.iloc[0].to_dict(), further, say), part) for part in cells]

    def draw() -> Axes:
        panels = new_panels(len(kinds), len(parts), height_mm=20.0 + 58.0 * len(kinds), say=say)
        for row, letter in zip(panels, kinds, strict=True):
            for ax, (title, part) in zip(row, parts, strict=True):
                if part[letter].notna().any():
                    group_consistency(part, ax, indicator=letter)
                else:  # a cell without replicates has no k
                    ax.set_axis_off()
                ax.set_title(drawn(title) if row is panels[0] else "")
                if ax is not row[0]:
                    ax.set_ylabel("")
        joint_key(panels)
        return panels[0][0]

    drawing = drawing_of(
        "group consistency",
        draw,
        words.consistency_drawing_caption(results.quantity),
        _consistency_sentences(results, say),
    )
    return [drawing]
