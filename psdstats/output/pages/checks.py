"""Checks: of the readings at the bench, followed through, and of the models of a comparison.

What changes without what is in doubt.  Then, for a reader who wants to see for himself: residuals
and their quantiles, what single groups do, what common tests say, the same fit by another package;
asked for by itself also intervals of the variances and resampled tests of one quantity, which take
seconds.  Numbers are on ln size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import QUANTITIES, listed, unit_of
from psdstats.comparison.analysis import CONDITION, QuantityAnalysis
from psdstats.comparison.beside import (
    LeftOut,
    conditions_without,
    left_out,
    resampled,
    without_runs,
)
from psdstats.comparison.result import Comparison
from psdstats.errors import ModelError
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.models.diagnostics import (
    CrossCheck,
    Refit,
    friedman_check,
    independent_refit,
    refit_without_known,
    repeated_measures_check,
    residual_table,
    why_apart,
)
from psdstats.models.judged import Question
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.resampling import bootstrap_test, permutation_test, variance_intervals
from psdstats.output import table as col
from psdstats.output.content import (
    Bullets,
    Drawing,
    Note,
    Page,
    Paragraph,
    drawing_of,
    page_of,
    panel_of,
)
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.bench import tare_course
from psdstats.output.figures.effects import residual_quantiles, residuals_against_fitted
from psdstats.output.table import Column, Place, Table, table_of
from psdstats.planning.attained import Attained
from psdstats.room import one_thread
from psdstats.study.flags import CheckReport, Flag, Severity
from psdstats.words import models
from psdstats.words import study as bench
from psdstats.words.comparison import component_words
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import FIGURES, fill, once_each
from psdstats.words.sheet import main_result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DRAWS = 99  # simulated trials, and arrangements, of a resampled test
_LARGEST = 3  # moves shown
_DRAWN = "D50"  # drawn where it was compared
_COMMON = {"anova": repeated_measures_check, "friedman": friedman_check}


def checks_table(report: CheckReport) -> Table:
    """One row a flag, worst first, with its limit and the source of the limit."""
    named = col.fields(says="found", remedy="what to do", source="source of the limit")
    return table_of(
        "checks",
        report.to_frame(),
        ("severity",),
        ("check", "run", "sieve", "file", *col.counts("row"), *named),
        place=Place.FILES,
    )


@page_of.register
def checks_page(
    report: CheckReport, compared: Comparison | None = None, say: Numerals = PLAIN
) -> Page:
    """What to look at and what changes without it; notes are only counted, and stand in files."""
    pressing = [own for own in report.findings if own[0].severity is not Severity.NOTE]
    pressing.sort(key=lambda own: not own[0].doubts)
    notes, off = len(report.of_severity(Severity.NOTE)), report.switched_off
    return Page(
        heading="Checks of the readings",
        behind=bench.FURTHER_NOTES,
        lead=_lead(report, compared, say),
        blocks=(
            _pressing_table(pressing, compared, say)
            if pressing
            else Paragraph(bench.NOTHING_FOUND),
            *([Paragraph(bench.notes_sentence(notes))] if notes else []),
            *([Note(bench.switched_off_sentence(off))] if off else []),
            checks_table(report),
        ),
    )


def _lead(report: CheckReport, compared: Comparison | None, say: Numerals) -> tuple[str, ...]:
    """How many readings are in doubt, and what all their runs together move."""
    runs = report.doubted_runs
    if not runs:
        return ()
    told = bench.moves_sentence(_points(compared, runs), say)
    return (bench.doubted_sentence(len(runs), told),)


def effect_page(report: CheckReport, compared: Comparison, say: Numerals = PLAIN) -> Page:
    """Each run in doubt, and those of one finding together: D50 and the main answer without it."""
    why: dict[tuple[str, ...], list[str]] = {}
    doubts = [own for own in report.findings if own[0].doubts and own[0].spot.run]
    for own in doubts:
        for run in bench.runs_of(own):
            why.setdefault((run,), []).append(own[0].check)
    for own in doubts:
        why.setdefault(tuple(bench.runs_of(own)), [own[0].check])
    why.setdefault(report.doubted_runs, [bench.ALL_IN_DOUBT])
    if not doubts:
        return Page(heading=bench.EFFECT, sentences=(bench.NO_DOUBT,))
    rows = [
        {"runs": listed(runs, bench.RUNS_NAMED), "check": ", ".join(dict.fromkeys(checks))}
        | _effect_row(compared, runs)
        for runs, checks in why.items()
    ]
    told = [
        bench.effect_sentence(runs, *_effect(compared, runs), compared.plan, say) for runs in why
    ]
    columns = _effect_columns(main_result(compared).quantity)
    frame = pd.DataFrame(rows, columns=[one.name for one in columns])
    table = table_of("runs in doubt", frame, columns[:1], columns[1:])
    return Page(heading=bench.EFFECT, sentences=tuple(told), blocks=(table,))


def _effect(compared: Comparison, runs: Sequence[str]) -> tuple[LeftOut | None, LeftOut | None]:
    """What moves the most without some runs: a size at their conditions, and the main answer."""
    quantity = main_result(compared).quantity
    sizes = sorted(conditions_without(compared, quantity, runs), key=lambda one: -one.moved)
    changes = [one for one in without_runs(compared, runs) if one.quantity == quantity]
    own = [one for one in changes if one.where in {size.where for size in sizes}]
    return next(iter(sizes), None), next(iter(own or changes), None)


def _effect_row(compared: Comparison, runs: Sequence[str]) -> dict[str, object]:
    """Sizes in µm and changes in per cent, with and without some runs."""
    row: dict[str, object] = {}
    for kind, one in zip(("size", "change"), _effect(compared, runs), strict=True):
        if one is None:
            continue
        row[f"{kind}_where"] = bench.where_moved(one, compared.plan)
        values = np.exp([one.effect, one.without])
        values = values if kind == "size" else 100.0 * (values - 1.0)
        row[kind], row[f"{kind}_without"] = map(float, values)
        row[f"{kind}_moves"] = one.percent if kind == "size" else float(np.diff(values)[0])
    return row


def _effect_columns(quantity: str) -> list[Column]:
    """Sizes and changes with and without some runs, and by how much they move."""
    unit = unit_of(quantity)
    sizes = {"size": "all runs", "size_without": "without"}
    return [
        *col.fields(runs="without", check="check", size_where=f"{quantity} at"),
        *col.numbers(1 if unit else 3, unit, **sizes),
        *col.changes(size_moves="moves"),
        *col.fields(change_where=f"change of {quantity}"),
        *col.changes(change="all runs", change_without="without"),
        *col.changes("points", change_moves="moves"),
    ]


def _points(compared: Comparison | None, runs: Sequence[str]) -> dict[str, float]:
    """How far the changes of each size move without some runs together, in points."""
    found: dict[str, float] = {}
    for one in () if compared is None else without_runs(compared, runs):
        found[one.quantity] = max(one.points, found.get(one.quantity, 0.0))
    order = {name: place for place, name in enumerate(QUANTITIES)}
    return dict(sorted(found.items(), key=lambda item: order[item[0]]))


def tare_drawings(history: pd.DataFrame, say: Numerals = PLAIN) -> list[Drawing]:
    """Tares over the runs, one drawing a group; none where no sieve was weighed empty twice."""
    drawings = []
    for group, own in history.groupby("group", sort=False):
        moved = own[own["is_outside"]]
        drawings.append(
            panel_of(
                f"tares {group}",
                partial(tare_course, own),
                fill(FIGURES["tares"], group=group),
                bench.tares_alternative(list(zip(moved["sieve"], moved["run"], strict=True))),
                height_mm=85.0,
                say=say,
            )
        )
    return drawings


def _pressing_table(
    pressing: Sequence[Sequence[Flag]], compared: Comparison | None, say: Numerals
) -> Table:
    """One row a finding."""
    return table_of(
        "to look at",
        pd.DataFrame([_row(own, compared, say) for own in pressing]),
        ("severity",),
        col.fields(
            where="where",
            says="found",
            remedy="what to do",
            size=bench.SIZE_WITHOUT,
            without=bench.WITHOUT,
        ),
        is_front=True,
    )


def _row(own: Sequence[Flag], compared: Comparison | None, say: Numerals) -> dict[str, str]:
    """One row: what was found where, what to do, and what moves without these runs."""
    first, runs = own[0], bench.runs_of(own)
    without = size = MISSING
    if first.check == "not_bracketed":
        without = bench.BOUNDED
    elif runs and first.doubts:
        without = bench.moved_words(_points(compared, runs), say)
        if compared is not None:
            size = bench.size_moved(_effect(compared, runs)[0], say)
    return {
        "severity": str(first.severity),
        "where": bench.where_of(own),
        "says": bench.says_of(own),
        "remedy": first.remedy,
        "size": size,
        "without": without,
    }


@dataclass(frozen=True, kw_only=True)
class ModelChecks:
    """What was found out about the mixed models of a comparison."""

    common: pd.DataFrame | None  # p of all levels at once, and common tests; None without groups
    remarks: tuple[tuple[str, Remark], ...]  # quantity, and where a common test parts from ours
    moved: tuple[LeftOut, ...]  # what the answers are without each run and group
    same: Mapping[str, Refit]  # the same models by another package
    bare: Mapping[str, Refit]  # without the known covariance, where there is one


@one_thread
def model_checks(comparison: Comparison, *, thorough: bool = False) -> ModelChecks | None:
    """Check every model fitted; None without any.

    The common tests are made of the quantity that is drawn, of all where it is thorough.
    """
    fits, group = _fits(comparison), _group(comparison)
    if not fits:
        return None
    tested = fits if thorough else {_drawn(fits): fits[_drawn(fits)]}
    common = None if group is None else _common_tests(comparison, tested, group)
    bare = {name: refit_without_known(fit) for name, fit in fits.items()}
    return ModelChecks(
        common=None if common is None else common[0],
        remarks=() if common is None else common[1],
        moved=tuple(left_out(comparison)),
        same={name: independent_refit(fit) for name, fit in fits.items()},
        bare={name: one for name, one in bare.items() if one is not None},
    )


@one_thread
def model_checks_page(
    comparison: Comparison,
    say: Numerals = PLAIN,
    *,
    checks: ModelChecks | None = None,
    thorough: bool = False,
) -> Page:
    """Checks of every quantity that a mixed model compared; no blocks where none did."""
    found = checks or model_checks(comparison, thorough=thorough)
    if found is None:
        return Page(heading=models.CHECKS_HEADING, notes=(models.NO_MODEL,))
    fits, by = _fits(comparison), comparison.plan.by
    drawn = _drawn(fits)
    drawings = [_residual_drawing(fits[drawn], drawn, _group(comparison), say)]
    tables = [] if found.common is None else [_common_table(found.common.copy(), by, say)]
    tables += _left_out_tables(found.moved)
    components = {name: component_words(fit, comparison.plan) for name, fit in fits.items()}
    refits, refitted = _refits(fits, found, components, say)
    tables += refits
    if thorough:
        own = fits[drawn]
        tables += [
            _variance_table(own, drawn, comparison.level, components[drawn], say),
            _resampled_table(own, drawn, by),
        ]
    told = (*refitted, *models.left_out_sentences(found.moved, say))
    return Page(
        heading=models.CHECKS_HEADING,
        sentences=told,
        blocks=(Bullets(told), *drawings, *tables),
        notes=once_each(found.remarks, say),
    )


def _fits(comparison: Comparison) -> dict[str, MixedModelFit]:
    """The fitted models by quantity."""
    return {one.quantity: one.fit for one in comparison.results if one.fit is not None}


def _group(comparison: Comparison) -> str | None:
    """The grouping that a common test can take."""
    return next((one for one in comparison.plan.within if isinstance(one, str)), None)


def _drawn(fits: Mapping[str, MixedModelFit]) -> str:
    """The quantity whose residuals are drawn."""
    return _DRAWN if _DRAWN in fits else next(iter(fits))


def _term(fit: MixedModelFit, by: str) -> str:
    """The term that holds the levels compared: whole conditions where some combinations lack."""
    return by if by in fit.model.factors else CONDITION


def _residual_drawing(
    fit: MixedModelFit, quantity: str, group: str | None, say: Numerals
) -> Drawing:
    """Standardised residuals against fitted values, and in order against normal quantiles."""
    known = [name for name in ("run", group) if name in fit.model.frame]
    named = fit.model.frame[known].reset_index(drop=True)
    named = named.rename(columns={group: "group"})
    table = pd.concat([residual_table(fit), named], axis=1)

    def draw() -> Axes:
        ((left, right),) = new_panels(1, 2, height_mm=62.0, say=say)
        residuals_against_fitted(table, left, fitted_label=f"fitted ln {quantity}")
        residual_quantiles(table, right)
        right.set_ylabel("")
        joint_key([[left, right]])
        return left

    largest = float(table["standardised"].abs().max())
    told = models.residuals_alternative(len(table), largest, say)
    return drawing_of(
        f"residuals {quantity}", draw, fill(FIGURES["residuals"], quantity=quantity), told
    )


def _common_tests(
    comparison: Comparison, fits: Mapping[str, MixedModelFit], group: str
) -> tuple[pd.DataFrame, tuple[tuple[str, Remark], ...]]:
    """P of all levels at once beside common tests, a column each, and where they part."""
    plan, alpha = comparison.plan, 1.0 - comparison.level
    rows: list[dict[str, object]] = []
    remarks: list[tuple[str, Remark]] = []
    for name, fit in fits.items():
        frame, ours = fit.model.frame, levels_p(comparison.analysis[name])
        wheres = [""] * len(frame) if plan.where is None else frame[plan.where].map(level_text)
        for where, p in ours.items():
            here = frame[np.array([one == where for one in wheres], dtype=bool)]
            row: dict[str, object] = {"quantity": name, "where": where, "p": p}
            for key, run_check in _COMMON.items():
                check = run_check(here, response=fit.model.response, within=plan.by, group=group)
                row |= {f"{key}_{column}": one for column, one in _common_row(check).items()}
                why = why_apart(
                    check,
                    p,
                    alpha=alpha,
                    measured=fit.random.parts.known is not None,
                    drifting="drift" in comparison.analysis[name].design.part_names,
                )
                remarks += [(name, one) for one in (*check.remarks, *why)]
            rows.append(row)
    return pd.DataFrame(rows), tuple(remarks)


def _common_row(check: CrossCheck) -> dict[str, float]:
    """Statistic, degrees of freedom and p of a common test; NaN where it is not available."""
    if check.table is None:
        return dict.fromkeys(("statistic", "df", "df_error", "p"), np.nan)
    one = check.table.iloc[0]
    return {
        "statistic": float(one.get("q", one["f"])),
        "df": float(one.get("df", one["df_num"])),
        "df_error": float(one["df_den"]) if "df" not in one else np.nan,
        "p": float(one.get("p_corrected", one["p"])),
    }


def levels_p(one: QuantityAnalysis) -> dict[str, float]:
    """Return p that nothing changes over the levels compared, at each further level."""
    cells, rows, jointly = one.design.cells, list[Array](), dict[str, tuple[int, ...]]()
    for where in dict.fromkeys(cell[1] for cell in cells):
        first, *others = [cell for cell in cells if cell[1] == where]
        if others:
            jointly[where] = tuple(range(len(rows), len(rows) + len(others)))
        rows += [one.design.mean_row(*each) - one.design.mean_row(*first) for each in others]
    if not rows:
        return {}
    judged = one.judge(Question(contrasts=np.array(rows), jointly=tuple(jointly.values())))
    return {where: float(judged.joint_p(k)) for k, where in enumerate(jointly)}


def _common_table(frame: pd.DataFrame, by: str, say: Numerals) -> Table:
    shown = {"p": models.OWN_TEST}
    for key in _COMMON:
        numbers = (frame[f"{key}_{one}"] for one in ("statistic", "df", "df_error"))
        told = [models.statistic_words(key, *row, say=say) for row in zip(*numbers, strict=True)]
        frame[f"{key}_told"] = told
        shown |= {f"{key}_told": models.COMMON_TESTS[key], f"{key}_p": "p"}
    heads = col.fields("quantity", **({"where": "at"} if frame["where"].any() else {}))
    return table_of("common tests", frame, heads, col.fields(**shown), by=by)


def _left_out_tables(found: Sequence[LeftOut]) -> list[Table]:
    """The three largest moves, and all of them in a file."""
    frame = pd.DataFrame(
        {
            "quantity": [one.quantity for one in found],
            "contrast": [models.contrast_words(one.high, one.low, one.where) for one in found],
            "column": [one.column for one in found],
            "left_out": [one.name for one in found],
            "change_percent": 100 * np.expm1([one.effect for one in found]),
            "change_without_percent": 100 * np.expm1([one.without for one in found]),
        }
    )
    known = frame[frame["change_without_percent"].notna()].head(_LARGEST).reset_index(drop=True)
    heads = col.fields("quantity", contrast="change", column="without", left_out="name")
    columns = col.changes(change_percent="with it", change_without_percent="without it")
    return [
        table_of(name, rows, heads, columns, place=place)
        for name, rows, place in (
            ("largest moves", known, Place.FIRST),
            ("without each run", frame, Place.FILES),
        )
        if len(rows)
    ]


def _refits(
    fits: Mapping[str, MixedModelFit],
    checks: ModelChecks,
    components: Mapping[str, Mapping[str, str]],
    say: Numerals,
) -> tuple[list[Table], tuple[str, ...]]:
    """The same models by another package, and without what that package cannot take."""
    same, without = checks.same, checks.bare
    tables = [_refit_table(fits, same, components)]
    if without:
        tables.append(_refit_table(fits, without, components, name="refit without measurement"))
    told = models.by_quantity((name, models.refit_sentence(one, say)) for name, one in same.items())
    return tables, (*told, *models.bare_refit_sentences(without, say))


def _refit_table(
    fits: Mapping[str, MixedModelFit],
    refits: Mapping[str, Refit],
    components: Mapping[str, Mapping[str, str]],
    *,
    name: str = "independent refit",
) -> Table:
    pieces = []
    for quantity, one in refits.items():
        told = models.refit_names(fits[quantity], components[quantity])
        pieces.append(one.table.assign(quantity=quantity, name=told[: len(one.table)]))
    shown = ("estimate", "refit")
    errors = {"standard_error": "standard error", "refit_standard_error": "refit's"}
    return table_of(
        name,
        pd.concat(pieces, ignore_index=True),
        col.fields("quantity", name="coefficient"),
        col.numbers(None, "", *shown, **errors),
        key="refit",
        place=Place.FILES,
    )


def _variance_table(
    fit: MixedModelFit, quantity: str, level: float, components: Mapping[str, str], say: Numerals
) -> Table:
    return table_of(
        f"variance intervals {quantity}",
        variance_intervals(fit, level=level).rename(components).reset_index(),
        col.fields(component="between"),
        col.numbers(None, estimate="variance", lower="from", upper="to"),
        say,
        key="variance intervals",
        quantity=quantity,
        level=level,
    )


def _resampled_table(fit: MixedModelFit, quantity: str, by: str) -> Table:
    """Bootstrap of the likelihood ratio, and permutation where rows can be exchanged."""
    term = _term(fit, by)
    drawn = bootstrap_test(fit, term, _DRAWS)
    rows = [{"test": "bootstrap", "p": drawn.p, "draws": drawn.draws}]
    try:
        mixed = permutation_test(fit, term, _DRAWS)
        if mixed.smallest_p <= 0.05:
            rows.append({"test": "permutation", "p": mixed.p, "draws": mixed.arrangements})
    except ModelError:  # no rows can be exchanged
        pass
    return table_of(
        f"resampled tests {quantity}",
        pd.DataFrame(rows),
        ("test",),
        col.fields("p", draws="trials or arrangements"),
        key="resampled tests",
        quantity=quantity,
        by=by,
    )


@page_of.register
def attained_page(found: Attained, say: Numerals = PLAIN) -> Page:
    """What answers attain in trials like a study."""
    frame = found.to_frame()
    frame["what"] = [models.ATTAINED[kind] for kind in frame["kind"]]
    again = pd.Series([not (one.kind.is_error or one.kind.is_coverage) for one in found.shares])
    return Page(
        heading=models.ATTAINED_HEADING,
        sentences=models.attained_sentences(found, say),
        blocks=tuple(
            table_of(
                name,
                frame[rows].reset_index(drop=True),
                col.fields("what", "quantity", where="at"),
                (
                    replace(*col.shares(1, share="trials"), unit="%"),
                    *col.shares(1, error="Monte Carlo error"),
                    *col.fields(trials="of"),
                ),
            )
            for name, rows in (("attained", ~again), ("found again", again))
        ),
        notes=(models.ATTAINED_NOTE,),
    )


def resampled_page(comparison: Comparison, *, seed: int = 0) -> Page:
    """An interval of every headline by resampling, beside that of the model."""
    found = resampled(comparison, seed=seed)
    frame = pd.DataFrame(
        {
            "quantity": [one.quantity for one in found],
            "contrast": [models.contrast_words(one.high, one.low, one.where) for one in found],
            "resampled": [models.UNITS[one.unit] for one in found],
            "units": [float(one.units) if one.units else np.nan for one in found],
            **{
                name: np.exp([getattr(one, name) for one in found])
                for name in ("effect", "lower", "upper", "model", "model_lower", "model_upper")
            },
        }
    )
    table = table_of(
        "resampled headlines",
        frame,
        col.fields("quantity", contrast="change"),
        (
            "resampled",
            *col.counts("units"),
            col.ratio("ratio", "effect", ends=""),
            col.ratio("by the model", "model", ends="model_"),
        ),
    )
    blocks = (table,) if found else ()
    return Page(heading=models.CHECKS_HEADING, blocks=blocks, notes=(models.RESAMPLED_UNITS_NOTE,))
