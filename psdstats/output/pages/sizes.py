"""Sizes with their uncertainty as a section: table, undersize curves, sizes against time.

Mean sizes, spread and specific surface of every run; sizes in µm, surface in m²/g.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import QUANTITIES, TIME, UNITS, column_words
from psdstats.distribution.moments import study_moments
from psdstats.errors import SizeError
from psdstats.models.design_columns import level_text
from psdstats.output.content import Block, Drawing, Page, Paragraph
from psdstats.output.figures.axes import new_panels
from psdstats.output.figures.marks import drawn
from psdstats.output.figures.sizes import cumulative_undersize, size_against_time
from psdstats.output.pages.parts import drawing_of, number_column
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.study.records import Study
from psdstats.uncertainty.bootstrap import bootstrap_sizes
from psdstats.uncertainty.propagation import Propagation
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words import sizes as words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.report import left_out_notes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZES = QUANTITIES[:3]
_MOST_PANELS = 3
_COVERAGE = 0.95  # of bootstrap intervals


def sizes_table(propagation: Propagation, runs: pd.DataFrame, say: Numerals = PLAIN) -> Table:
    """One row a run: D10, D50, D90 and span with U or interval, and the balance's share."""
    frame = propagation.to_frame()
    wide = runs[["run", "group", TIME]].copy()
    columns = [
        Column(name="run", heading="run"),
        *([] if _names_tell_group(wide) else [Column(name="group", heading="group")]),
        time_column(wide[TIME]),
    ]
    for quantity in propagation.quantities:
        own = frame[frame["quantity"] == quantity].set_index("run").loc[wide["run"]]
        columns.append(_add_quantity(wide, quantity, own))
    wide["coverage"], wide["method"] = propagation.coverage, str(propagation.method)
    share = frame[frame["quantity"] == "D50"].set_index("run").loc[wide["run"], "balance_share"]
    wide["balance_share_D50"] = share.to_numpy()
    columns.append(
        Column(
            name="balance_share_D50", heading="balance", show=Show.PER_CENT, decimals=1, spare=True
        )
    )
    return Table(
        name="sizes",
        frame=wide,
        caption=words.SIZES_CAPTION,
        columns=tuple(columns),
        notes=(words.sizes_note(propagation, say),),
        place=Place.FIRST,
    )


def _add_quantity(wide: pd.DataFrame, quantity: str, own: pd.DataFrame) -> Column:
    """Add value (or bound), u, U, k, limits, side of one quantity; the column that shows it."""
    name = quantity if quantity == "span" else f"{quantity}_um"
    below = own["status"] == "below the finest sieve"
    above = own["status"] == "above the coarsest sieve"
    bound = own["bound_upper"].where(below, own["bound_lower"])
    is_bound = (below | above) & np.isfinite(bound)
    below, above = below & is_bound, above & is_bound  # an infinite bound says nothing
    if quantity == "span":  # outwards to two decimals: still a bound, and readable
        bound = (np.ceil(100 * bound) / 100).where(below, np.floor(100 * bound) / 100)
    wide[name] = own["value"].where(~is_bound, bound).to_numpy()
    for column in ("u", "expanded", "lower", "upper"):
        wide[f"{column}_{name}"] = own[column].to_numpy()
    for column in ("k", "effective_df"):
        wide[f"{column}_{quantity}"] = own[column].to_numpy()
    wide[f"side_{name}"] = below.map({True: "<", False: ""}).where(~above, ">").to_numpy()
    return Column(
        name=name,
        heading=quantity,
        unit="" if quantity == "span" else "µm",
        show=Show.MEASURED,
        u=f"u_{name}",
        expanded=f"expanded_{name}",
        lower=f"lower_{name}",
        upper=f"upper_{name}",
        side=f"side_{name}",
    )


def curves_table(bands: pd.DataFrame) -> Table:
    """Cumulative undersize of every run at every aperture."""
    return Table(
        name="undersize",
        frame=bands,
        caption=words.UNDERSIZE_CAPTION,
        columns=(
            Column(name="run", heading="run"),
            Column(name="sieve", heading="sieve"),
            Column(name="aperture_um", heading="aperture", unit="µm", show=Show.NUMBER),
            Column(
                name="undersize",
                heading="undersize",
                show=Show.MEASURED,
                u="u",
                lower="lower",
                upper="upper",
            ),
        ),
        row_headings=2,
        place=Place.FILES,
    )


def size_drawing(means: pd.DataFrame, say: Numerals = PLAIN, *, caption: str) -> Drawing:
    """D10, D50 and D90 against milling time."""
    frame = means[means["quantity"].isin(_SIZES)].copy()
    frame[TIME] = frame[TIME].astype(float)
    return drawing_of(
        "sizes against milling time",
        lambda: size_against_time(frame, new_axes(height_mm=105.0, say=say)),
        caption,
        words.course(frame, say),
    )


def undersize_drawing(
    bands: pd.DataFrame, runs: pd.DataFrame, group: str, say: Numerals = PLAIN
) -> Drawing:
    """Cumulative undersize curves of one group by milling time, a panel each for a few settings."""
    own = runs[runs["group"] == group]
    factor = _panel_factor(own)
    parts = [("", own)]
    if factor is not None:
        parts = [(f"{column_words(factor)} {level_text(v)}", p) for v, p in own.groupby(factor)]

    def draw() -> Axes:
        (panels,) = new_panels(1, len(parts), height_mm=95.0, say=say)
        for ax, (title, part) in zip(panels, parts, strict=True):
            cumulative_undersize(bands[bands["run"].isin(part["run"])], ax)
            ax.set_title(drawn(title))
            if ax is not panels[0]:
                ax.set_ylabel("")
        return panels[0]

    named = group if len(set(runs["group"])) > 1 else ""
    caption, alternative = words.undersize_captions(
        own[TIME].unique().tolist(), len(own), named, say
    )
    return drawing_of(f"undersize {group}", draw, caption, alternative)


def _panel_factor(runs: pd.DataFrame) -> str | None:
    """The first factor with two or three levels, each milled for more than one time."""
    for name in runs.columns[list(runs.columns).index("balance") + 1 :]:
        times = runs.groupby(name)[TIME].nunique()
        if 2 <= len(times) <= _MOST_PANELS and times.min() > 1:
            return str(name)
    return None


def sizes_page(
    propagation: Propagation,
    runs: pd.DataFrame,
    bands: pd.DataFrame,
    means: pd.DataFrame,
    say: Numerals = PLAIN,
) -> Page:
    """Sizes of every run, the curves they come from, and their course over time."""
    blocks: list[Block] = [
        Paragraph(words.sizes_introduction(propagation.rule)),
        size_drawing(means, say, caption=words.course_caption(propagation.coverage, say)),
        sizes_table(propagation, runs, say),
    ]
    blocks += [undersize_drawing(bands, runs, group, say) for group in dict.fromkeys(runs["group"])]
    return Page(
        heading="Sizes",
        sentences=(words.balance_sentence(propagation, say),),
        blocks=(*blocks, curves_table(bands)),
        notes=sizes_notes(propagation, say),
        notes_heading="Notes on the sizes",
        texts={"sentences.txt": words.size_sentences(propagation, say)},
    )


def ratios_page(
    found: RatioIntervals, levels: Sequence[object], by: str, say: Numerals = PLAIN
) -> Page:
    """Ratios of the mean sizes at later levels to those at the first (`level_pairs`)."""
    named = [level_text(level) for level in levels for _ in found.quantities]
    frame = found.to_frame().drop(columns=["high", "low"])
    frame.insert(0, by, named)
    table = Table(
        name="size ratios",
        frame=frame,
        caption=words.ratios_caption(by, found.coverage, say),
        columns=(
            Column(name=by, heading=column_words(by), unit=UNITS.get(by, "")),
            Column(name="quantity", heading="quantity"),
            Column(name="ratio", heading="ratio", show=Show.RATIO, lower="lower", upper="upper"),
            Column(name="share_unbracketed", heading="open draws", show=Show.PER_CENT),
        ),
        row_headings=2,
        notes=(words.RATIOS_NOTE,),
        place=Place.FIRST,
    )
    return Page(heading="Ratios", blocks=(table,), notes=words.notes_in_words(found.notes, say))


def bootstrap_page(
    propagation: Propagation, runs: pd.DataFrame, by: str, say: Numerals = PLAIN, *, seed: int = 0
) -> Page:
    """Bootstrap means and ratios of every size; whole groups are resampled where there are some."""
    unit = "group" if by != "group" and len(set(runs["group"])) > 1 else None
    frames = []
    for column, quantity in enumerate(propagation.quantities):
        frame = runs.assign(size=propagation.value[:, column])
        found = bootstrap_sizes(
            frame, response="size", by=by, unit=unit, coverage=_COVERAGE, seed=seed
        )
        frames.append(found.assign(quantity=quantity))
    whole = pd.concat(frames, ignore_index=True)
    for name in ("level", "versus"):
        whole[name] = ["" if pd.isna(one) else level_text(one) for one in whole[name]]
    whole["status"] = [words.BOOTSTRAP_STATUS.get(one, one) for one in whole["status"]]
    table = Table(
        name="bootstrap",
        frame=whole,
        caption=words.bootstrap_caption(unit, _COVERAGE, say),
        columns=(
            Column(name="quantity", heading="quantity"),
            Column(name="level", heading=column_words(by), unit=UNITS.get(by, "")),
            Column(name="versus", heading="over"),
            *(
                Column(name=name, heading=heading, show=Show.NUMBER, decimals=3)
                for name, heading in (
                    ("estimate", "mean or ratio"),
                    ("lower", "from"),
                    ("upper", "to"),
                )
            ),
            Column(name="n_units", heading="units", show=Show.COUNT),
            Column(name="status", heading="interval"),
        ),
        row_headings=3,
        place=Place.FIRST,
    )
    return Page(heading="Bootstrap", blocks=(table,))


def sizes_notes(propagation: Propagation, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What was assumed, and what the uncertainties leave out."""
    return (
        *words.notes_in_words(propagation.notes, say),
        *left_out_notes(propagation.sources_left_out),
    )


def time_column(times: pd.Series) -> Column:
    """The column of milling times, with as many decimals as the times need."""
    return number_column(times, name=TIME, heading="milling time", unit="min")


def _names_tell_group(runs: pd.DataFrame) -> bool:
    """Whether a column of groups would say nothing new beside the names of the runs."""
    pairs = zip(runs["run"].str.lower(), runs["group"].str.lower(), strict=True)
    return len(set(runs["group"])) == 1 or all(run.startswith(group) for run, group in pairs)


_MEANS = {
    "surface_mean_um": "surface (Sauter) mean",
    "mass_mean_um": "mass mean",
    "arithmetic_sd_um": "standard deviation",
    "geometric_mean_um": "geometric mean",
}


def moments_page(study: Study) -> Page:
    """Means and spread of every run as a table, or a note why there are none."""
    try:
        frame = study_moments(study)
    except SizeError as reason:
        notes = (words.no_means(reason),)
        return Page(heading="Mean sizes", notes=notes)
    surface = Column(
        name="specific_surface_m2_per_g",
        heading="specific surface",
        unit="m²/g",
        show=Show.NUMBER,
        decimals=4,
    )
    stated = bool(frame["specific_surface_m2_per_g"].notna().all())
    table = Table(
        name="mean sizes",
        frame=frame,
        caption=words.MEANS_CAPTION,
        columns=(
            Column(name="run", heading="run"),
            *(
                Column(name=name, heading=heading, unit="µm", show=Show.NUMBER, decimals=1)
                for name, heading in _MEANS.items()
            ),
            Column(name="geometric_sd", heading="geometric SD", show=Show.NUMBER, decimals=3),
            *([surface] if stated else []),
        ),
        notes=(words.MEANS_NOTE,),
    )
    return Page(heading="Mean sizes", blocks=(table,))
