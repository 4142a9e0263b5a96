"""A page of checks on the mixed models of a comparison, for a reader who wants to see for himself.

Residuals and their quantiles, what single groups do, what common tests say, the same fit by
another package; asked for by itself also intervals of the variances and resampled tests of one
quantity, which take seconds.  Numbers are on ln size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.comparison.analysis import CONDITION, QuantityAnalysis
from psdstats.comparison.beside import LeftOut, left_out, resampled
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
from psdstats.output.content import Bullets, Drawing, Page, drawing_of, page_of
from psdstats.output.figures.axes import joint_key, new_panels
from psdstats.output.figures.effects import residual_quantiles, residuals_against_fitted
from psdstats.output.table import Place, Table, table_of
from psdstats.planning.attained import Attained
from psdstats.room import one_thread
from psdstats.words import models as words
from psdstats.words.captions import FIGURES
from psdstats.words.comparison import component_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import fill, once_each

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DRAWS = 99  # simulated trials, and arrangements, of a resampled test
_LARGEST = 3  # moves shown
_DRAWN = "D50"  # drawn where it was compared
_COMMON = {"anova": repeated_measures_check, "friedman": friedman_check}


@dataclass(frozen=True, kw_only=True)
class ModelChecks:
    """What was found out about the mixed models of a comparison.

    Parameters
    ----------
    common : DataFrame or None
        One row a quantity and further level: p of all levels at once, and common tests beside it;
        None without groups.
    remarks : tuple of (str, Remark)
        Quantity, and where a common test parts from ours.
    moved : tuple of LeftOut
        What the answers are without each run and group.
    same, bare : mapping of str to Refit
        The same models by another package, and without the known covariance where there is one.
    """

    common: pd.DataFrame | None
    remarks: tuple[tuple[str, Remark], ...]
    moved: tuple[LeftOut, ...]
    same: Mapping[str, Refit]
    bare: Mapping[str, Refit]


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
        return Page(heading=words.CHECKS_HEADING, notes=(words.NO_MODEL,))
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
    told = (*refitted, *words.left_out_sentences(found.moved, say))
    return Page(
        heading=words.CHECKS_HEADING,
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
        ((left, right),) = new_panels(1, 2, height_mm=74.0, say=say)
        residuals_against_fitted(table, left, fitted_label=f"fitted ln {quantity}")
        residual_quantiles(table, right)
        right.set_ylabel("")
        joint_key([[left, right]])
        return left

    largest = float(table["standardised"].abs().max())
    told = words.residuals_alternative(len(table), largest, say)
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
    for key in _COMMON:
        frame[f"{key}_told"] = [
            words.statistic_words(key, *numbers, say=say)
            for numbers in zip(
                *(frame[f"{key}_{one}"] for one in ("statistic", "df", "df_error")), strict=True
            )
        ]
    columns = [
        column
        for key in _COMMON
        for column in (
            *col.fields(**{f"{key}_told": words.COMMON_TESTS[key]}, **{f"{key}_p": "p"}),
        )
    ]
    heads = col.fields("quantity", **({"where": "at"} if frame["where"].any() else {}))
    return table_of("common tests", frame, heads, (*col.fields(p=words.OWN_TEST), *columns), by=by)


def _left_out_tables(found: Sequence[LeftOut]) -> list[Table]:
    """The three largest moves, and all of them in a file."""
    frame = pd.DataFrame(
        {
            "quantity": [one.quantity for one in found],
            "contrast": [words.contrast_words(one.high, one.low, one.where) for one in found],
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
    told = words.by_quantity((name, words.refit_sentence(one, say)) for name, one in same.items())
    return tables, (*told, *words.bare_refit_sentences(without, say))


def _refit_table(
    fits: Mapping[str, MixedModelFit],
    refits: Mapping[str, Refit],
    components: Mapping[str, Mapping[str, str]],
    *,
    name: str = "independent refit",
) -> Table:
    pieces = []
    for quantity, one in refits.items():
        told = words.refit_names(fits[quantity], components[quantity])
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
    frame["what"] = [words.ATTAINED[kind] for kind in frame["kind"]]
    again = pd.Series([not (one.kind.is_error or one.kind.is_coverage) for one in found.shares])
    return Page(
        heading=words.ATTAINED_HEADING,
        sentences=words.attained_sentences(found, say),
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
        notes=(words.ATTAINED_NOTE,),
    )


def resampled_page(comparison: Comparison, *, seed: int = 0) -> Page:
    """An interval of every headline by resampling, beside that of the model."""
    found = resampled(comparison, seed=seed)
    frame = pd.DataFrame(
        {
            "quantity": [one.quantity for one in found],
            "contrast": [words.contrast_words(one.high, one.low, one.where) for one in found],
            "resampled": [words.UNITS[one.unit] for one in found],
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
    return Page(heading=words.CHECKS_HEADING, blocks=blocks, notes=(words.RESAMPLED_UNITS_NOTE,))
