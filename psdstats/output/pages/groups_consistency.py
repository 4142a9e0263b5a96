"""Mandel's h and k as table, figure and words, and the tests of Cochran and Grubbs."""

from __future__ import annotations

import pandas as pd

from psdstats.output.content import Drawing
from psdstats.output.figures.consistency import group_consistency
from psdstats.output.figures.names import drawn
from psdstats.output.figures.panels import joint_key, new_panels
from psdstats.output.pages.groups_results import (
    GroupResults,
    condition_columns,
    place_words,
)
from psdstats.output.style import house_style
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show

__all__ = [
    "consistency_drawing",
    "consistency_sentences",
    "consistency_table",
    "outliers_table",
]

_TIME = "milling_time_min"
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
    )


def consistency_drawing(results: GroupResults) -> Drawing | None:
    """Panels of h above panels of k, side by side for each further condition; None without."""
    table = results.consistency.to_frame()
    kinds = [letter for letter in ("h", "k") if table[letter].notna().any()]
    if not kinds or _TIME not in table.columns:
        return None
    further = [name for name in results.conditions if name != _TIME]
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
