"""Do the groups agree: each against the others, precision, what lies beyond usual limits.

Sizes in µm.  Precision, consistency and outliers are found at each milling time (and further
condition) with the columns by which the agreement of the groups was judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.columns import GROUP, RUN, TIME, column_words, unit_of
from psdstats.comparison.analysis import Analysis
from psdstats.comparison.benches import GroupRemark
from psdstats.comparison.consistency import (
    Intraclass,
    Suspect,
    consistency,
    intraclass_correlation,
    outliers,
)
from psdstats.comparison.groups import (
    GroupAgreement,
    Precision,
    Scale,
    group_agreement,
    group_precision,
    sizes_by_run,
)
from psdstats.findings import BenchAnswer, Remark, Verdict
from psdstats.output import table as col
from psdstats.output.content import Drawing, Page, drawing_of
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.groups import bench_deviations, deviation_reach
from psdstats.output.figures.marks import drawn, room_for
from psdstats.output.table import Column, Place, Table, table_of
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation
from psdstats.words import groups as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PANELS_A_ROW, _MOST_PANELS = 4, 12
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
    def groups(self) -> tuple[str, ...]:
        """Every group that has a result."""
        return tuple(dict.fromkeys(self.consistency["group"]))

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
        precision=group_precision(frame, **columns, level=at, scale=scale, coverage=level),
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


def groups_page(
    results: GroupResults, say: Numerals = PLAIN, *, others: Sequence[BenchAnswer] = ()
) -> Page:
    """Where groups differ as a figure and a table; behind it all differences and precision.

    `others` are the answers on other quantities: the caption names where those differ.
    """
    if len(results.groups) < 2:
        return Page(
            heading=words.HEADING,
            sentences=words.agreement_sentences(results.agreement, say),
            notes=tuple(sentence(remark, say) for remark in results.remarks),
            notes_heading=words.NOTES_HEADING,
        )
    agreement, icc = results.agreement, results.intraclass
    tables = [
        agreement_table(agreement, say),
        *([conditions_table(results, say)] if len(agreement.by_condition) else []),
        precision_table(results, say),
        suspects_table(results, say),
        consistency_table(results),
        outliers_table(results),
        *([] if icc is None else [intraclass_table(icc, results.quantity)]),
    ]
    return Page(
        heading=words.HEADING,
        lead=words.lead_sentences(agreement, say),
        sentences=words.agreement_sentences(agreement, say),
        blocks=(
            *deviations_drawings(results, say, others=others),
            *(one for one in tables if not one.frame.empty),
        ),
        notes=(
            *words.rests_on(agreement, say),
            *(sentence(remark, say) for remark in results.remarks),
        ),
        notes_heading=words.NOTES_HEADING,
        behind=words.BEHIND,
    )


def _conditions(results: GroupResults, *more: str) -> list[Column]:
    """The columns that name a condition, and what else names a row, of any of these tables."""
    named = [
        col.written(name, column_words(name), "min" if name == TIME else "")
        for name in results.conditions
    ]
    return [*named, *col.fields(*more)]


def agreement_table(agreement: GroupAgreement, say: Numerals = PLAIN) -> Table:
    """One row a group: in rate, on average, at how many conditions it differs, verdict."""
    pairs = [
        _difference(name, agreement.level, say, prefix)
        for name, prefix in ((words.RATE, "rate_"), (words.AVERAGE, ""))
    ]
    frame = agreement.to_frame()
    return table_of(
        "group agreement",
        frame,
        ("group",),
        (
            *(one for one in pairs if frame[one.name].notna().any()),
            *col.fields(differs_at="differs at"),
            "verdict",
        ),
        say,
        place=Place.FIRST,
        is_front=True,
        quantity=agreement.quantity,
        rate=words.rate_note(agreement, say),
        level=agreement.level,
    )


def _difference(what: str, level: float, say: Numerals, prefix: str = "") -> Column:
    """A difference from the others in per cent, with its interval."""
    return col.interval(
        f"{prefix}difference_percent",
        f"{what} ({say(100 * level)} % interval)",
        "%",
        lower=f"{prefix}lower_percent",
        upper=f"{prefix}upper_percent",
    )


def deviations_drawings(
    results: GroupResults, say: Numerals = PLAIN, *, others: Sequence[BenchAnswer] = ()
) -> list[Drawing]:
    """Each group against the others at each condition, a panel each; none without a difference."""
    agreement = results.agreement
    frame, at = agreement.by_condition, agreement.conditions
    if frame.empty:
        return []
    shown = _farthest(frame)
    frame = frame[frame[GROUP].isin(shown)]
    at = tuple(sorted(at, key=lambda name: frame[name].nunique() < 2))  # what varies comes first
    if frame[at[0]].nunique() < 2:  # all at one condition: groups beside each other
        parts, at = {"": frame}, (GROUP, *at[1:])
    else:
        names = (words.panel_title(agreement, group) for group in shown)
        parts = dict(zip(names, (frame[frame[GROUP] == group] for group in shown), strict=True))

    def draw() -> Axes:
        return _deviation_panels(parts, at, agreement, say)

    drawing = drawing_of(
        "deviation of each group",
        draw,
        words.deviations_caption(agreement, others, say, panels=len(shown)),
        words.deviations_alternative(frame, agreement, say),
    )
    return [replace(drawing, is_front=True)]


def _deviation_panels(
    parts: Mapping[str, pd.DataFrame], at: Sequence[str], agreement: GroupAgreement, say: Numerals
) -> Axes:
    """A panel for each part by its title, all on one scale."""
    margin = agreement.margin_percent
    reach = deviation_reach(pd.concat(parts.values()), margin)
    columns = min(len(parts), _PANELS_A_ROW)
    count = -(-len(parts) // columns)
    row_mm = max(46.0 - 8.0 * count, 26.0)
    panels = new_panels(count, columns, height_mm=26.0 + row_mm * count, say=say)
    every = [ax for row in panels for ax in row]
    for ax, (title, part) in zip(every, parts.items(), strict=False):
        bench_deviations(part, ax, conditions=at, margin_percent=margin, reach=reach)
        ax.set_title(drawn(title, most=room_for(ax, 1)))
        if ax not in [row[0] for row in panels]:
            ax.set_ylabel("")
    for ax in every[len(parts) :]:
        ax.set_axis_off()
    if len(at) > 1:
        joint_key(panels)
    return every[0]


def _farthest(frame: pd.DataFrame) -> list[str]:
    """The groups with a panel, in the order of the study: those farthest out where there are many.

    A difference that is shown counts before one that is not.
    """
    size = frame["difference_percent"].abs() + 1e6 * (frame["verdict"] == Verdict.CHANGED)
    most = size.groupby(frame[GROUP], sort=False).max().nlargest(_MOST_PANELS).index
    return [one for one in dict.fromkeys(frame[GROUP]) if one in most]


def precision_table(results: GroupResults, say: Numerals = PLAIN) -> Table:
    """Repeatability, between-group and reproducibility SD at each condition."""
    found, frame = results.precision, results.precision.to_frame()
    unit, suffix, factor, decimals = unit_of(results.quantity), "value", 1.0, None
    if found.scale is Scale.LOG:
        unit, suffix, factor, decimals = "%", "percent", 100.0, 1
    for name in _SDS:
        for end in ("", "_lower", "_upper"):
            frame[f"{name}_{suffix}{end}"] = factor * frame[f"{name}_sd{end}"]
    notes = words.precision_notes(found, results.conditions, say)
    if suspects_table(results).frame.empty:
        notes += (words.none_beyond(results.consistency),)
    return table_of(
        "group precision",
        frame,
        _conditions(results),
        col.numbers(decimals, unit, **{f"{name}_{suffix}": sign for name, sign in _SDS.items()}),
        notes=notes,
        place=Place.FIRST,
        quantity=results.quantity,
    )


def suspects_table(results: GroupResults, say: Numerals = PLAIN) -> Table:
    """What lies beyond the limits of Mandel's h and k, Cochran's and Grubbs' tests."""
    rows, own = [], results.consistency
    for letter in ("h", "k"):
        limits = {f"{letter}_limit_{one}": f"critical_{one}" for one in (5, 1)}
        beyond = own[own[letter].abs() > own[f"{letter}_limit_5"]]
        beyond = beyond.rename(columns={letter: "value", **limits})
        rows.append(beyond.assign(test=f"Mandel's {letter}"))
    tested = results.outliers
    tested = tested[tested["finding"].isin(list(Suspect))]
    tested = tested.assign(test=[words.TESTS[one] for one in tested["test"]])
    rows.append(tested.rename(columns={"statistic": "value"}))
    heads = _conditions(results, "group")
    shown = col.numbers(2, "", "value", critical_5="5 % limit", critical_1="1 % limit")
    columns = (*col.fields(test="indicator or test"), *shown)
    names = [one.name for one in (*heads, *columns)]
    count = words.indicators(own)
    return table_of(
        "beyond the limits",
        pd.concat([one.reindex(columns=names) for one in rows], ignore_index=True),
        heads,
        columns,
        say,
        quantity=results.quantity,
        count=count,
        chance=0.05 * count,
    )


def consistency_table(results: GroupResults) -> Table:
    """Mandel's h and k of every group at every condition, with limits."""
    indicators = {
        f"{letter}{end}": f"{letter}{told}"
        for letter in ("h", "k")
        for end, told in (("", ""), ("_limit_5", " at 5 %"), ("_limit_1", " at 1 %"))
    }
    return table_of(
        "group consistency",
        results.consistency,
        _conditions(results, "group"),
        (*col.numbers(2, "", **indicators), "finding"),
        place=Place.FILES,
        quantity=results.quantity,
    )


def outliers_table(results: GroupResults) -> Table:
    """Cochran's test of the largest scatter and Grubbs' test of the farthest mean."""
    limits = {"critical_5": "at 5 %", "critical_1": "at 1 %"}
    return table_of(
        "group outliers",
        results.outliers,
        _conditions(results, "test"),
        (*col.fields(group="suspect"), *col.numbers(3, "", "statistic", **limits), "p", "finding"),
        place=Place.FILES,
        quantity=results.quantity,
    )


def conditions_table(results: GroupResults, say: Numerals = PLAIN) -> Table:
    """Difference of each group from the others at each condition, with verdict and scores."""
    return table_of(
        "group differences by condition",
        results.agreement.by_condition,
        _conditions(results, "group"),
        (
            _difference("difference", results.agreement.level, say),
            *col.fields(p_adjusted="p"),
            "verdict",
            *col.numbers(1, "", "zeta"),
        ),
        quantity=results.quantity,
    )


def intraclass_table(found: Intraclass, quantity: str) -> Table:
    """Intraclass correlations with their 95 % intervals."""
    return table_of(
        "intraclass correlation",
        found.table,
        ("kind",),
        (col.interval("icc", "correlation (95 % interval)"), "p"),
        place=Place.FILES,
        quantity=quantity,
    )
