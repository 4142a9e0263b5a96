"""A comparison as a section: verdicts, tests, effects as ratios, variance components."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import UNITS, column_words, common_unit
from psdstats.comparison.comparing import open_sizes
from psdstats.comparison.plan import ComparisonPlan, Direction
from psdstats.comparison.result import Comparison
from psdstats.findings import (
    BenchAnswer,
    ContrastKind,
    Course,
    FactorAnswer,
    Finding,
    Numbers,
    Verdict,
)
from psdstats.output.content import Block, Bullets, Drawing, Page, Section
from psdstats.output.figures.effects import course_effects, effect_ratios, ratios_height_mm
from psdstats.output.pages.parts import drawing_of, number_column, panel_of
from psdstats.output.tables.table import Column, Place, Show, Table, number, texts
from psdstats.words import benches
from psdstats.words import comparison as words
from psdstats.words import courses as told
from psdstats.words.figures import (
    change_words,
    changes_alternative,
    changes_caption,
    changes_labels,
    changes_titles,
    level_label,
    short_change,
)
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    pass

_MOST_RATIOS = 36  # contrasts in one figure
_MOST_ROWS = 52  # of the figure of changes, which has a page
_MOST_PAIRS = 3  # of levels of a further factor beside each other


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
    return {name: told.size_cell(own, quantity, say), **numbers}


def courses_table(
    plan: ComparisonPlan, courses: Sequence[Course], say: Numerals = PLAIN
) -> Table | None:
    """From where to where each size went, since when, and when to stop; None without courses."""
    if not courses:
        return None
    rows = [
        {
            "quantity": one.quantity,
            "where": one.where,
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
    level, where = courses[0].fallen.level, ", ".join(map(column_words, plan.at_each))
    named = [Column(name="where", heading=where)] if (frame["where"] != "").any() else []
    unit = common_unit(one.quantity for one in courses)
    return Table(
        name="courses",
        frame=frame,
        caption=told.COURSES_CAPTION.format(plan.what),
        columns=(
            Column(name="quantity", heading=plan.what),
            *named,
            Column(name="start", heading="from", unit=unit),
            Column(name="end", heading="to", unit=unit),
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
            *texts("quantity", "factor", contrast="levels"),
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
    """Each group against the others, everything, for the files; None where there are none."""
    frame, level = _bench_rows(answers, say)
    if frame.empty:
        return None
    return Table(
        name="groups against the others",
        frame=frame,
        caption=benches.BENCHES_CAPTION,
        columns=_bench_columns(level, say),
        row_headings=3,
        notes=(benches.BENCHES_NOTE,),
        place=Place.FILES,
    )


def changed_benches_table(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> Table | None:
    """Groups shown to differ from the others; None where there are none."""
    frame, level = _bench_rows(answers, say)
    if frame.empty or not (frame["verdict"] == Verdict.CHANGED).any():
        return None
    changed = frame[frame["verdict"] == Verdict.CHANGED]
    return Table(
        name="groups that differ",
        frame=changed,
        caption=words.differing_caption(len(changed), len(frame)),
        columns=_bench_columns(level, say)[:-1],
        row_headings=3,
        notes=(benches.BENCHES_NOTE,),
    )


def _bench_rows(answers: Sequence[BenchAnswer], say: Numerals) -> tuple[pd.DataFrame, float]:
    """One row a finding on groups, and the level of their intervals."""
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
    return pd.DataFrame(rows), named[0][2].level if named else 0.95


def _bench_columns(level: float, say: Numerals) -> tuple[Column, ...]:
    return (
        *texts("quantity", "group", condition="at"),
        _ratio_column(level, say),
        _CHANGE,
        Column(name="p", heading="p", show=Show.P_VALUE),
        _VERDICT,
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
            *texts("quantity", term="factor"),
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
        columns.append(number(f"sd_{quantity}_percent", str(quantity), "%", 2))
    is_below = bool((frame["variance"] < 0.0).any())
    return Table(
        name="variance components",
        frame=wide.reset_index(),
        caption=words.VARIANCES.format(comparison.plan.what),
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
    margin = None if plan.margin_percent is None else 1 + plan.margin_percent / 100

    return panel_of(
        f"effect ratios {family}",
        lambda ax: effect_ratios(
            frame, ax, margin=margin, label=words.RATIO_AXIS.format(plan.what)
        ),
        words.ratios_caption(comparison, family, say),
        words.ratios_alternative(found, plan, say),
        height_mm=ratios_height_mm(len(frame)),
        say=say,
        is_front=True,
    )


def _leading_drawing(comparison: Comparison, say: Numerals) -> Drawing | None:
    """The family that leads, of all sizes or of D50 alone, where that has room on a page."""
    family = comparison.families[0]
    found = [one.subject.quantity for one in _of_family(comparison, family)]
    for names in (tuple(dict.fromkeys(found)), ("D50",)):
        if 0 < sum(one in names for one in found) <= _MOST_RATIOS:
            return ratio_drawing(comparison, family, names, say)
    return None


def change_rows(comparison: Comparison, say: Numerals = PLAIN) -> pd.DataFrame:
    """Change of every size from the first to each later time, as it is drawn and told.

    One row a quantity, time and level of the further factors: that of the course at its last time,
    of the family against the first level before; a bound where runs lie beyond the sieves.
    """
    plan = comparison.plan
    found = []
    for result in comparison.results:
        opened = open_sizes(comparison, result.quantity)
        usual = {
            (one.subject.high, one.subject.where): one
            for one in result.findings
            if one.subject.family is ContrastKind.AGAINST_FIRST
        }
        for course in result.courses:
            for place, time in enumerate(course.times[1:]):
                is_open = {(time, course.where), (course.times[0], course.where)} & set(opened)
                ends, verdict = _change(course, place, usual.get((time, course.where)), plan)
                if is_open and np.isfinite(course.at_least[place]):
                    ends = _bound(course.at_least[place], plan)
                level = level_label(course.where, str(plan.where))
                found.append((result.quantity, time, level, *ends, verdict.value))
    return _told(found, say)


def _change(
    course: Course, place: int, usual: Finding | None, plan: ComparisonPlan
) -> tuple[tuple[float, float, float], Verdict]:
    """Ratio with its own interval, and verdict, of one of the later times."""
    is_last = place == len(course.times) - 2
    one = course.fallen if is_last or usual is None else usual
    own = one.numbers
    if is_last:
        return _ends(own.estimate, own.lower, own.upper), told.course_verdict(course)
    shown = course.stop is not None and course.shown[place]
    ends = _ends(own.estimate, own.lower_single, own.upper_single)
    if usual is None:
        ends = _bound(course.at_least[place], plan)
    return ends, Verdict.CHANGED if shown else one.verdict


def _ends(*numbers: float) -> tuple[float, float, float]:
    with np.errstate(over="ignore"):
        ratio, lower, upper = np.exp(numbers).tolist()
    return ratio, lower, upper


def _bound(gain: float, plan: ComparisonPlan) -> tuple[float, float, float]:
    """A change of which only the least is known, in the direction asked."""
    if plan.direction is Direction.RISING:
        return _ends(np.nan, gain, np.inf)
    return _ends(np.nan, -np.inf, -gain)


def pair_rows(comparison: Comparison, say: Numerals = PLAIN) -> pd.DataFrame:
    """Levels of the further factors against each other at each time; all pairs of three levels.

    Of more levels, each against the first of them.
    """
    where = str(comparison.plan.where)
    found = []
    for result in comparison.results:
        answers = result.factors
        if len(answers) > _MOST_PAIRS:
            answers = tuple(one for one in answers if one.low == answers[0].low)
        for answer in answers:
            pair = [level_label(one, where) for one in (answer.high, answer.low)]
            for finding in (answer.control, *answer.at):
                own, at = finding.numbers, finding.subject.where
                if at:  # the levels may share no first time
                    ends = _ends(own.estimate, own.lower_single, own.upper_single)
                    row = (result.quantity, at, " vs ".join(pair), *ends, finding.verdict.value)
                    found.append((*row, *pair))
    return _told(found, say)


def _told(found: Sequence[tuple[object, ...]], say: Numerals) -> pd.DataFrame:
    names = ("quantity", "at", "level", "ratio", "ratio_lower", "ratio_upper", "verdict")
    more = ("high", "low")[: len(found[0]) - len(names)] if found else ()
    frame = pd.DataFrame(found, columns=[*names, *more])
    rows = frame.to_dict("records")
    return frame.assign(
        told=[change_words(row, say) for row in rows],
        short=[short_change(row, say) or str(row["verdict"]) for row in rows],
    )


def effects_drawing(comparison: Comparison, say: Numerals = PLAIN) -> Drawing | None:
    """Every change against the first time, and levels against each other; None without courses."""
    plan = comparison.plan
    changes, pairs = change_rows(comparison, say), pair_rows(comparison, say)
    if changes.empty:
        return None
    times = list(dict.fromkeys(changes["at"]))
    first = next(one.times[0] for result in comparison.results for one in result.courses)
    side = len(set(pairs["level"]))
    rows = max(len(set(changes["level"])), side) * len(set(changes["quantity"]))
    ahead = int((pairs["at"] == first).sum())
    kept = _thinned(times, max((_MOST_ROWS - ahead) // rows, 1))
    if side > 1:
        pairs = pairs.assign(told=pairs["level"] + "  " + pairs["told"])
    changes = changes[changes["at"].isin(kept)].reset_index(drop=True)
    pairs = pairs[pairs["at"].isin([*kept, first])].reset_index(drop=True)
    named = [] if pairs.empty else list(zip(pairs["high"], pairs["low"], strict=True))
    drawing = drawing_of(
        "changes by time",
        partial(
            course_effects,
            changes,
            pairs,
            say,
            labels=changes_labels(first, named, plan.what),
            titles=changes_titles(first, str(plan.where), pairs["level"]),
            margin=None if plan.margin_percent is None else 1 + plan.margin_percent / 100,
        ),
        changes_caption(comparison.level, plan.margin_percent, (len(kept), len(times)), say),
        changes_alternative(changes, pairs, say),
    )
    return replace(drawing, is_front=True)


def _thinned(times: Sequence[str], most: int) -> list[str]:
    """So many of the times, evenly, the last among them."""
    if len(times) <= most:
        return list(times)
    places = np.unique(np.linspace(len(times) - 1, 0, most).round().astype(int))
    return [times[place] for place in places]


def answer_tables(comparison: Comparison, say: Numerals = PLAIN) -> list[Table]:
    """What the answers rest on: courses, levels of further factors, groups."""
    results = comparison.results
    answers = [one for own in results for one in own.benches]
    found = (
        courses_table(comparison.plan, [one for own in results for one in own.courses], say),
        factors_table([one for own in results for one in own.factors], say),
        changed_benches_table(answers, say),
        benches_table(answers, say),
    )
    return [one for one in found if one is not None]


def comparison_page(comparison: Comparison, say: Numerals = PLAIN) -> Page:
    """Every change in one figure; behind it what it rests on, effects, variances, tests last."""
    changes = effects_drawing(comparison, say)
    tables = answer_tables(comparison, say)
    front = changes or _leading_drawing(comparison, say)
    blocks: list[Block] = [*([] if front is None else [front]), *tables]
    families = comparison.families
    leads = all(table.place is not Place.FIRST for table in tables)
    for family in families:
        is_lead = family == families[0]
        place = (Place.FIRST if leads else Place.REPORT) if is_lead else Place.FILES
        blocks.append(effects_table(comparison, family, place, say))
    variances = variance_table(comparison)
    if variances is not None:
        blocks.append(variances)
    if not comparison.tests_frame().empty:
        blocks.append(tests_table(comparison))
    models = words.models_fitted(comparison, say)
    return Page(
        heading=words.question(comparison),
        behind=words.TESTS_HEADING,
        sentences=words.headlines(comparison, say),
        blocks=tuple(blocks),
        notes=words.notes(comparison, say),
        notes_heading="Notes on the comparison",
        sections=(Section(heading="Models fitted", blocks=(Bullets(models),)),),
    )
