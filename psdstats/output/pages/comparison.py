"""A comparison as a section: verdicts, tests, effects as ratios, variance components."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import UNITS, column_words
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import Comparison
from psdstats.findings import BenchAnswer, Course, FactorAnswer, Finding, Numbers
from psdstats.output.content import Block, Bullets, Drawing, Page, Section
from psdstats.output.figures.effects import effect_ratios, ratios_height_mm
from psdstats.output.pages.parts import drawing_of, number_column
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.words import benches
from psdstats.words import comparison as words
from psdstats.words import courses as told
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHOWN = 2  # families of contrasts on the page


_VERDICT = Column(name="verdict", heading="verdict")
_CHANGE = Column(
    name="change_percent", heading="change", unit="%", show=Show.SIGNED, decimals=1, spare=True
)

_EQUIVALENCE = Column(
    name="ratio_equivalence_lower",
    upper="ratio_equivalence_upper",
    heading=words.EQUIVALENCE_INTERVAL,
    show=Show.RANGE,
    decimals=3,
    spare=True,
)


def _ratio_column(level: float, say: Numerals) -> Column:
    return Column(
        name="ratio",
        heading=f"ratio ({say(100 * level, '.3g')} % interval)",
        show=Show.RATIO,
        lower="ratio_lower",
        upper="ratio_upper",
    )


def _ratios(finding: Finding) -> dict[str, float]:
    """Ratio, limits and change of a finding, for a row of a frame."""
    own = finding.numbers
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        ratio, lower, upper = np.exp([own.estimate, own.lower, own.upper]).tolist()
    return {
        "ratio": ratio,
        "ratio_lower": lower,
        "ratio_upper": upper,
        "change_percent": 100.0 * (ratio - 1.0),
        "p": own.p_adjusted,
    }


def _end(name: str, quantity: str, own: Numbers, say: Numerals) -> dict[str, object]:
    """One end of a course, for a row of a frame: the size, or the bounds that hold it, and both."""
    with np.errstate(over="ignore"):
        value, lower, upper = np.exp([own.estimate, own.lower, own.upper]).tolist()
    numbers = {f"{name}_value": value, f"{name}_lower": lower, f"{name}_upper": upper}
    return {name: told.size_words(own, quantity, say), **numbers}


def courses_table(
    plan: ComparisonPlan, courses: Sequence[Course], say: Numerals = PLAIN
) -> Table | None:
    """From where to where each size went, since when, and when to stop; None without courses."""
    if not courses:
        return None
    rows = [
        {
            "quantity": one.quantity,
            "where": told.level_words(one.where, plan),
            **_end("start", one.quantity, one.start, say),
            **_end("end", one.quantity, one.end, say),
            **_ratios(one.fallen),
            "at_least": told.least_words(one, plan, say),
            "since_min": np.nan if one.since is None else float(one.since),
            "stop": told.stop_words(one, plan, say),
            "verdict": told.course_verdict(one).value,
        }
        for one in courses
    ]
    frame = pd.DataFrame(rows)
    stops = [one.stop.margin_percent for one in courses if one.stop is not None]
    level = courses[0].fallen.level
    named = [Column(name="where", heading="at")] if (frame["where"] != "").any() else []
    return Table(
        name="courses",
        frame=frame,
        caption=told.COURSES_CAPTION,
        columns=(
            Column(name="quantity", heading="quantity"),
            *named,
            Column(name="start", heading="from", unit="µm"),
            Column(name="end", heading="to", unit="µm"),
            _ratio_column(level, say),
            Column(name="at_least", heading="at least"),
            number_column(frame["since_min"], name="since_min", heading="since", unit="min"),
            Column(name="stop", heading="when to stop"),
            _VERDICT,
        ),
        row_headings=1 + len(named),
        notes=(told.courses_note(level, stops[0], say),) if stops else (),
        place=Place.FIRST,
    )


def factors_table(answers: Sequence[FactorAnswer], say: Numerals = PLAIN) -> Table | None:
    """Levels of further factors at each time, the control first; None where there are none."""
    if not answers:
        return None
    rows = [
        {
            "quantity": one.quantity,
            "factor": column_words(one.factor),
            "contrast": words.contrast_words(finding.subject),
            "time_min": float(finding.subject.where),
            "role": told.CONTROL if finding is one.control else "",
            **_ratios(finding),
            "verdict": finding.verdict.value,
        }
        for one in answers
        for finding in (one.control, *one.at)
        if finding.subject.where  # the levels may share no first time
    ]
    frame = pd.DataFrame(rows)
    return Table(
        name="factors",
        frame=frame,
        caption=told.FACTORS_CAPTION,
        columns=(
            Column(name="quantity", heading="quantity"),
            Column(name="factor", heading="factor"),
            Column(name="contrast", heading="levels"),
            number_column(frame["time_min"], name="time_min", heading="at", unit="min"),
            Column(name="role", heading="role", spare=True),
            _ratio_column(answers[0].control.level, say),
            _CHANGE,
            Column(name="p", heading="p", show=Show.P_VALUE),
            _VERDICT,
        ),
        row_headings=4,
        notes=(told.CONTROL_NOTE,),
        place=Place.FIRST,
    )


def benches_table(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> Table | None:
    """Each group against the others; None where there are none."""
    named = [
        (one, place, finding)
        for one in answers
        for place, finding in (
            *benches.conditions(one, say),
            (benches.RATE, one.rate),
            (benches.AVERAGE, one.average),
        )
        if finding is not None
    ]
    if not named:
        return None
    rows = [
        {
            "quantity": one.quantity,
            "group": one.group,
            "condition": place,
            **_ratios(finding),
            "verdict": finding.verdict.value,
        }
        for one, place, finding in named
    ]
    return Table(
        name="groups against the others",
        frame=pd.DataFrame(rows),
        caption=benches.BENCHES_CAPTION,
        columns=(
            Column(name="quantity", heading="quantity"),
            Column(name="group", heading="group"),
            Column(name="condition", heading="at"),
            _ratio_column(named[0][2].level, say),
            _CHANGE,
            Column(name="p", heading="p", show=Show.P_VALUE),
            _VERDICT,
        ),
        row_headings=3,
        notes=(benches.BENCHES_NOTE,),
    )


def _of_family(comparison: Comparison, family: str) -> list[Finding]:
    findings = (one for result in comparison.results for one in result.findings)
    return [one for one in findings if one.subject.family == family]


def _effects(comparison: Comparison, family: str) -> pd.DataFrame:
    """Effects of a family with contrasts in words, and the level of ``at_each`` as a column."""
    found = _of_family(comparison, family)
    frame = comparison.to_frame(family)
    frame["contrast"] = [words.contrast_words(one.subject) for one in found]
    return frame.rename(columns={"where": comparison.plan.where or "where"})


def effects_table(
    comparison: Comparison, family: str, place: Place = Place.REPORT, say: Numerals = PLAIN
) -> Table:
    """Effects of one family, every quantity."""
    plan = comparison.plan
    columns = [
        Column(name="quantity", heading="quantity"),
        *([Column(name=plan.where, heading=column_words(plan.where))] if plan.where else []),
        Column(name="contrast", heading="contrast", unit=UNITS.get(plan.by, "")),
        Column(
            name="ratio",
            heading=f"ratio ({say(100 * comparison.level)} % interval)",
            show=Show.RATIO,
            lower="ratio_lower",
            upper="ratio_upper",
        ),
        _CHANGE,
        Column(name="p_adjusted", heading="p", show=Show.P_VALUE),
        Column(
            name="detectable_low_percent",
            upper="detectable_high_percent",
            heading="detectable decrease",
            unit="%",
            show=Show.RANGE,
            decimals=1,
            spare=True,
        ),
        *([] if plan.margin_percent is None else [_EQUIVALENCE]),
        Column(name="verdict", heading="verdict"),
    ]
    return Table(
        name=f"effects {family}",
        frame=_effects(comparison, family),
        caption=words.effects_caption(comparison, family),
        columns=tuple(columns),
        row_headings=3 if plan.where else 2,
        notes=(words.effects_note(comparison, say),),
        place=place,
    )


def tests_table(comparison: Comparison) -> Table:
    """All levels at once, one row a test: the p that counts, then F with its own."""
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
            Column(name="p", heading="p", show=Show.P_VALUE),
            Column(name="f", heading="F", show=Show.NUMBER),
            Column(name="df_num", heading="df", show=Show.COUNT),
            Column(name="df_den", heading="df of the error", show=Show.NUMBER, decimals=1),
            Column(name="p_plain", heading="p of F", show=Show.P_VALUE),
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
    return drawing_of(
        f"effect ratios {family}",
        partial(_draw_ratios, frame, plan, say),
        words.ratios_caption(comparison, family, say),
        words.ratios_alternative(found, plan, say),
    )


def _draw_ratios(frame: pd.DataFrame, plan: ComparisonPlan, say: Numerals) -> Axes:
    margin = None if plan.margin_percent is None else 1 + plan.margin_percent / 100
    ax = new_axes(height_mm=ratios_height_mm(len(frame)), say=say)
    return effect_ratios(frame, ax, margin=margin, label=words.RATIO_AXIS)


def factor_drawings(comparison: Comparison, say: Numerals = PLAIN) -> list[Drawing]:
    """Ratios between levels of a further factor at each time; none without one."""
    plan = comparison.plan
    answers = [one for result in comparison.results for one in result.factors]
    found = [one for own in answers for one in (own.control, *own.at) if one.subject.where]
    if not found:
        return []
    frame = pd.DataFrame(
        {
            "quantity": one.subject.quantity,
            "contrast": words.ratio_label(one.subject, plan, at_time=True),
            **_ratios(one),
            "verdict": one.verdict.value,
        }
        for one in found
    )
    return [
        drawing_of(
            "factor ratios",
            partial(_draw_ratios, frame, plan, say),
            words.factor_ratios_caption(comparison, say),
            words.ratios_alternative(found, plan, say, at_time=True),
        )
    ]


def answer_tables(comparison: Comparison, say: Numerals = PLAIN) -> list[Table]:
    """What the answers rest on: courses, levels of further factors, groups."""
    results = comparison.results
    found = (
        courses_table(comparison.plan, [one for own in results for one in own.courses], say),
        factors_table([one for own in results for one in own.factors], say),
        benches_table([one for own in results for one in own.benches], say),
    )
    return [one for one in found if one is not None]


def comparison_page(comparison: Comparison, say: Numerals = PLAIN) -> Page:
    """Answers and what they rest on, effects of the first families, variances, tests last."""
    blocks: list[Block] = list(answer_tables(comparison, say))
    quantities = [result.quantity for result in comparison.results]
    families = comparison.families
    leads = not blocks
    blocks += factor_drawings(comparison, say)
    for family in families[:_SHOWN]:
        blocks.append(ratio_drawing(comparison, family, quantities, say))
        place = Place.FIRST if leads and family == families[0] else Place.REPORT
        blocks.append(effects_table(comparison, family, place, say))
    variances = variance_table(comparison)
    if variances is not None:
        blocks.append(variances)
    blocks += [effects_table(comparison, one, Place.FILES, say) for one in families[_SHOWN:]]
    if not comparison.tests_frame().empty:
        blocks.append(tests_table(comparison))
    models = words.models_fitted(comparison, say)
    return Page(
        heading=words.question(comparison),
        sentences=words.headlines(comparison, say),
        blocks=tuple(blocks),
        notes=words.notes(comparison, say),
        notes_heading="Notes on the comparison",
        sections=(Section(heading="Models fitted", blocks=(Bullets(models),)),),
    )
