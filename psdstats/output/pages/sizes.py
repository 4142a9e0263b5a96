"""Sizes with their uncertainty as a section: table, undersize curves, sizes against time.

Mean sizes, spread and specific surface of every run; sizes in µm, surface in m²/g.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import BALANCE, CHARGE, GROUP, QUANTITIES, TIME, UNITS, column_words, unit_of
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import Comparison, condition_sizes
from psdstats.distribution.moments import study_moments
from psdstats.errors import SizeError
from psdstats.models.design_columns import level_text
from psdstats.output import table as col
from psdstats.output.content import Drawing, Page, Paragraph, drawing_of
from psdstats.output.figures.sizes import size_panels
from psdstats.output.figures.undersize import undersize_panels
from psdstats.output.table import Column, Place, Table, table_of
from psdstats.study.records import Study, Trial
from psdstats.uncertainty.bootstrap import bootstrap_sizes
from psdstats.uncertainty.law import MOST_AT_ONCE
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.propagation import Propagation, mean_sizes
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words import sizes as words
from psdstats.words.numbers import PLAIN, Numerals, decimals_for
from psdstats.words.remarks import level_label
from psdstats.words.report import left_out_notes

if TYPE_CHECKING:
    from psdstats.output.collect import Results

_SIZES = QUANTITIES[:3]
_MOST_ROWS = 6  # levels of a factor with panels of their own
_COVERAGE = 0.95  # of bootstrap intervals


def sizes_table(propagation: Propagation, runs: pd.DataFrame, say: Numerals = PLAIN) -> Table:
    """One row a run: D10, D50, D90 and span with U or interval, and the balance's share.

    Charge and factors stand in the files, so that these can be compared by themselves.
    """
    frame = propagation.to_frame()
    charge = [CHARGE] if runs[CHARGE].notna().any() else []
    wide = runs[["run", "group", TIME, *charge, *_factors(runs)]].copy()
    columns = [
        *(() if _names_tell_group(wide) else col.fields("group")),
        *(
            [col.written(TIME, "milling time", "min")]
            if propagation.sources or wide[TIME].any()
            else []
        ),
    ]
    for quantity in propagation.quantities:
        own = frame[frame["quantity"] == quantity].set_index("run").loc[wide["run"]]
        columns.append(_add_quantity(wide, quantity, own))
    wide["coverage"], wide["method"] = propagation.coverage, str(propagation.method)
    note = words.in_hand_note(propagation, say)
    if propagation.sources:
        note = words.sizes_note(propagation, say)
        share = frame[frame["quantity"] == "D50"].set_index("run").loc[wide["run"], "balance_share"]
        wide["balance_share_D50"] = share.to_numpy()
        columns += col.spare(*col.shares(1, balance_share_D50="balance"))
    key = "sizes" if propagation.sources else "values"
    notes = (note,) if note else ()
    return table_of("sizes", wide, ("run",), columns, key=key, notes=notes, place=Place.FIRST)


def _file_name(quantity: str) -> str:
    """A column of a quantity in a file."""
    return f"{quantity}_um" if unit_of(quantity) else quantity


def _measured(quantity: str, *more: str, head: str = "") -> Column:
    """The column of a quantity that was added with u, U and bounds, and ``more`` of its numbers."""
    name = _file_name(quantity)
    own = Column(name, f"{head} {quantity}".strip(), unit_of(quantity), show=col.Show.MEASURED)
    behind: dict[str, Any] = {one: f"{one}_{name}" for one in ("u", "expanded", "side", *more)}
    return replace(own, **behind)


def _add_quantity(wide: pd.DataFrame, quantity: str, own: pd.DataFrame) -> Column:
    """Add value (or bound), u, U, k, limits, side of one quantity; the column that shows it."""
    name = _file_name(quantity)
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
    return _measured(quantity, "lower", "upper")


def curves_table(bands: pd.DataFrame) -> Table:
    """Cumulative undersize of every run at every aperture."""
    undersize = col.interval("undersize", "undersize")
    columns = (*col.numbers(None, "µm", aperture_um="aperture"), replace(undersize, u="u"))
    return table_of("undersize", bands, ("run", "sieve"), columns, place=Place.FILES)


def covariance_tables(propagation: Propagation) -> tuple[Table, ...]:
    """Joint covariance of each size over all runs, for machines; none of very many runs."""
    if len(propagation.runs) > MOST_AT_ONCE:
        return ()
    head = next(name for name in ("run", "name of run") if name not in propagation.runs)
    return tuple(
        table_of(
            f"covariance {quantity}",
            propagation.covariance(quantity).rename_axis(index=head).reset_index(),
            key="covariance",
            place=Place.CSV,
            quantity=quantity,
            unit=", µm²" if unit_of(quantity) else "",
        )
        for quantity in propagation.quantities
    )


def means_table(comparison: Comparison, say: Numerals = PLAIN) -> Table:
    """Mean sizes at each condition, time by time, levels of further factors below each other."""
    plan, found = comparison.plan, condition_sizes(comparison)
    keys = ["at", "level"]
    wide = found[keys].drop_duplicates().reset_index(drop=True)
    at, factor = _axes_of(plan)
    columns, is_untold = [], found["value"].notna() & found["lower"].isna()
    for quantity, own in found.groupby("quantity", sort=False):
        name = _file_name(str(quantity))
        rows = wide[keys].merge(own, on=keys, how="left")
        u = ((rows["upper"] - rows["lower"]) / 4).where(
            rows["value"].notna() & (rows["side"] == "")
        )
        places = decimals_for(float(u.median())) if u.median() > 0 else 1
        cells = rows.to_dict("records")
        wide[f"{name}_text"] = [words.mean_cell(row, places, say) for row in cells]
        for column in ("value", "lower", "upper", "side"):
            wide[f"{name}_{column}"] = rows[column].to_numpy()
        unit = unit_of(str(quantity))
        columns.append(Column(f"{name}_text", str(quantity), unit))
    heads = [Column("at", column_words(at), UNITS.get(at, ""))]
    if factor:
        wide["level_text"] = [level_label(level, factor) for level in wide["level"]]
        heads += col.fields(level_text=column_words(factor))
    return table_of(
        "mean sizes of conditions",
        wide,
        heads,
        columns,
        say,
        notes=None if is_untold.any() else (),
        is_front=True,
        what=plan.what,
        level=comparison.level,
        bounds="" if plan.in_hand else words.BOUNDS,
    )


def _axes_of(plan: ComparisonPlan) -> tuple[str, str]:
    """The column along which means are shown, and the factor whose levels have their own."""
    return (TIME, plan.by) if plan.where == TIME else (plan.by, str(plan.where or ""))


def conditions_page(propagation: Propagation, runs: pd.DataFrame, say: Numerals = PLAIN) -> Page:
    """Means over the runs of each condition, by the measurement alone; empty without replicates."""
    by = [TIME, *_milled_factors(runs)]
    coverage = propagation.coverage
    found = mean_sizes(propagation, runs, by, coverage=coverage)
    if found["n_runs"].max() < 2:
        return Page(heading="")
    wide = found[[*by, "n_runs"]].drop_duplicates().reset_index(drop=True)
    k = coverage_factor(coverage)
    for quantity in propagation.quantities:
        own = found[found["quantity"] == quantity].reset_index(drop=True)
        name = _file_name(quantity)
        half = (own["upper"] - own["lower"]).where(own["side"] == "") / 2
        wide[name] = own["value"]
        wide[f"u_{name}"], wide[f"expanded_{name}"] = half / k, half
        wide[f"side_{name}"] = own["side"]
    heads = [col.written(name, column_words(name), UNITS.get(name, "")) for name in by]
    sizes = (_measured(one, head=words.PLAIN_MEAN) for one in propagation.quantities)
    columns = [*col.fields(n_runs="runs"), *sizes]
    table = table_of(
        "mean sizes by condition", wide, heads, columns, say, place=Place.FIRST, coverage=coverage
    )
    return Page(heading="", blocks=(table,))


def sizes_drawing(found: Results, say: Numerals = PLAIN, *, height_mm: float = 75.0) -> Drawing:
    """D10, D50 and D90 of what was found against milling time, side by side."""
    return course_drawing(found.study, found.propagation, found.compared, say, height_mm=height_mm)


def course_drawing(
    study: Trial,
    propagation: Propagation,
    comparison: Comparison | None = None,
    say: Numerals = PLAIN,
    *,
    height_mm: float = 75.0,
) -> Drawing:
    """Runs, means and what lies beyond the sieves against milling time, a panel for each size.

    A line per level of the further factors; where nothing was compared by time, per level of the
    first factor milled for more than one time, through the means of the runs.
    """
    runs = study.runs_frame()
    means, factor = _drawn_means(comparison, propagation, runs)
    dots = _drawn_runs(comparison, propagation, runs, factor, str(means.attrs["at"]))
    apertures = [
        [one.aperture_um for one in run.readings if one.aperture_um > 0] for run in study.runs
    ]
    beyond = (0.0, np.inf)
    if all(apertures):
        beyond = max(map(min, apertures)), min(map(max, apertures))
    unit = unit_of(str(means["quantity"].iloc[0]))
    return drawing_of(
        "sizes against milling time",
        lambda: size_panels(means, dots, say, height_mm=height_mm, beyond=beyond, unit=unit),
        words.course_caption(means, factor),
        words.course(means, say),
    )


def _drawn_quantities(propagation: Propagation) -> list[str]:
    """Sizes that are drawn, D10, D50 and D90 first; of values that are none, the first few."""
    known = sorted(propagation.quantities, key=lambda one: one not in _SIZES)
    sizes = [one for one in known if unit_of(one)]
    return (sizes or known)[: len(_SIZES)]


def _drawn_means(
    comparison: Comparison | None, propagation: Propagation, runs: pd.DataFrame
) -> tuple[pd.DataFrame, str]:
    """Means as they are drawn, and the factor whose levels have a line each ("" for none).

    Of the comparison where it knows the time, or where there is one time alone; else of runs.
    """
    has_times = len(set(runs[TIME])) > 1
    if comparison is not None and (not has_times or TIME in comparison.plan.factors):
        at, factor = _axes_of(comparison.plan)
        found = condition_sizes(comparison)
    else:
        factor = _line_factor(runs, comparison) if has_times else ""
        at = TIME if has_times else GROUP
        found = mean_sizes(propagation, runs, [*([factor] if factor else []), at])
        level = found[factor].map(level_text) if factor else ""
        found = found.assign(level=level, at=found[at].map(level_text))
        found = found.drop(columns=["lower", "upper"])
    found = found[found["quantity"].isin(_drawn_quantities(propagation))]
    times = found["at"].astype(float) if at == TIME else found["at"]
    labels = [level_label(one, factor) for one in found["level"]]
    found = found.assign(**{TIME: times, "level": labels}).reset_index(drop=True)
    found.attrs["at"] = at
    return found, factor


def _line_factor(runs: pd.DataFrame, comparison: Comparison | None) -> str:
    """The factor that was compared, else the first whose levels were milled for several times."""
    if comparison is not None and comparison.plan.by in runs.columns:
        return comparison.plan.by
    return next(iter(_milled_factors(runs)), "")


def _drawn_runs(
    comparison: Comparison | None,
    propagation: Propagation,
    runs: pd.DataFrame,
    factor: str,
    at: str,
) -> pd.DataFrame:
    """Sizes of single runs with the level and place they are drawn at; none without a place."""
    named = runs if comparison is None else comparison.plan.with_where(runs)
    named = named.set_index("run")
    own = propagation.to_frame()
    own = own[own["quantity"].isin(_drawn_quantities(propagation))]
    place = named.loc[own["run"], at]
    level = named.loc[own["run"], factor] if factor else place
    known = (place.notna() & level.notna()).to_numpy()
    where = place.astype(float) if at == TIME else place.map(level_text)
    labels = [level_label(level_text(one), factor) if factor else "" for one in level]
    found: pd.DataFrame = own.assign(**{TIME: where.to_numpy(), "level": labels})[known]
    return found


def undersize_drawing(bands: pd.DataFrame, runs: pd.DataFrame, say: Numerals = PLAIN) -> Drawing:
    """Cumulative undersize curves of all runs, a panel for each group and level of a factor."""
    named = runs.set_index("run").loc[bands["run"]]
    factor = next((one for one, count in _milled_factors(runs).items() if count <= _MOST_ROWS), "")
    several = len(set(runs[GROUP])) > 1
    level = named[factor].map(level_text) if factor else pd.Series("", named.index)
    frame = bands.assign(
        group=named[GROUP].to_numpy() if several else "",
        level=[level_label(one, factor) for one in level],
    )
    return drawing_of(
        "undersize",
        lambda: undersize_panels(frame, say),
        words.undersize_caption(several, factor),
        words.undersize_alternative(frame, say),
    )


def _factors(runs: pd.DataFrame) -> list[str]:
    names = list(runs.columns)
    return names[names.index(BALANCE) + 1 :] if BALANCE in names else []


def _milled_factors(runs: pd.DataFrame) -> dict[str, int]:
    """Factors whose levels were each milled for more than one time, and how many levels."""
    counts: dict[str, int] = {}
    for name in _factors(runs):
        times = runs.groupby(name)[TIME].nunique()
        if len(times) > 1 and times.min() > 1:
            counts[str(name)] = len(times)
    return counts


def sizes_page(
    propagation: Propagation,
    runs: pd.DataFrame,
    bands: pd.DataFrame,
    say: Numerals = PLAIN,
    *,
    comparison: Comparison | None = None,
) -> Page:
    """Means of the conditions; behind them sizes of every run and the curves they come from."""
    means = () if comparison is None else (means_table(comparison, say),)
    return Page(
        heading=words.SIZES_HEADING,
        behind=words.EVERY_RUN_HEADING,
        lead=() if comparison is None else (words.MEANS_LEAD,),
        sentences=(words.balance_sentence(propagation, say),),
        blocks=(
            *means,
            Paragraph(words.sizes_introduction(propagation.rule)),
            sizes_table(propagation, runs, say),
            undersize_drawing(bands, runs, say),
            curves_table(bands),
            *covariance_tables(propagation),
        ),
        notes=sizes_notes(propagation, say),
        notes_heading="Notes on the sizes",
        texts={"sentences.txt": words.size_sentences(propagation, say)},
    )


def in_hand_page(comparison: Comparison, runs: pd.DataFrame, say: Numerals = PLAIN) -> Page:
    """Means of the conditions of values in hand; behind them the value of every run."""
    measured = comparison.analysis.measured()
    return Page(
        heading=words.values_heading(comparison.plan.what),
        behind=words.IN_HAND_HEADING,
        blocks=(means_table(comparison, say), sizes_table(measured, runs, say)),
    )


def ratios_page(
    found: RatioIntervals, levels: Sequence[object], by: str, say: Numerals = PLAIN
) -> Page:
    """Ratios of the mean sizes at later levels to those at the first (`level_pairs`)."""
    frame = found.to_frame().drop(columns=["high", "low"])
    frame.insert(0, by, [level_text(level) for level in levels for _ in found.quantities])
    table = table_of(
        "size ratios",
        frame,
        (Column(by, column_words(by), UNITS.get(by, "")), "quantity"),
        (col.ratio("ratio", ends=""), *col.shares(None, share_unbracketed="open draws")),
        say,
        place=Place.FIRST,
        by=by,
        coverage=found.coverage,
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
    level = Column("level", column_words(by), UNITS.get(by, ""))
    table = table_of(
        "bootstrap",
        whole,
        ("quantity", level, *col.fields(versus="over")),
        (
            *col.numbers(3, estimate="mean or ratio", lower="from", upper="to"),
            *col.counts(n_units="units"),
            *col.fields(status="interval"),
        ),
        say,
        place=Place.FIRST,
        coverage=_COVERAGE,
        units=words.units_words(unit),
    )
    return Page(heading="Bootstrap", blocks=(table,))


def sizes_notes(propagation: Propagation, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What was assumed, and what the uncertainties and the files leave out."""
    runs = len(propagation.runs)
    return (
        *words.notes_in_words(propagation.notes, say),
        *left_out_notes(propagation.sources_left_out),
        *([words.covariance_left(runs, MOST_AT_ONCE)] if runs > MOST_AT_ONCE else []),
    )


def _names_tell_group(runs: pd.DataFrame) -> bool:
    """Whether a column of groups would say nothing new beside the names of the runs."""
    pairs = zip(runs["run"].str.lower(), runs["group"].str.lower(), strict=True)
    return len(set(runs["group"])) == 1 or all(run.startswith(group) for run, group in pairs)


def moments_page(study: Study) -> Page:
    """Means and spread of every run as a table, or a note why there are none."""
    try:
        frame = study_moments(study)
    except SizeError as reason:
        return Page(heading="Mean sizes", notes=(words.no_means(reason),))
    means = {
        "surface_mean_um": "surface (Sauter) mean",
        "mass_mean_um": "mass mean",
        "arithmetic_sd_um": "standard deviation",
        "geometric_mean_um": "geometric mean",
    }
    surface = col.numbers(4, "m²/g", specific_surface_m2_per_g="specific surface")
    stated = bool(frame["specific_surface_m2_per_g"].notna().all())
    columns = (*col.numbers(1, "µm", **means), *col.numbers(3, geometric_sd="geometric SD"))
    table = table_of("mean sizes", frame, ("run",), (*columns, *(surface if stated else ())))
    return Page(heading="Mean sizes", blocks=(table,))
