"""A comparison as a section: verdicts, tests, effects as ratios, variance components."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import UNITS, column_words, common_unit
from psdstats.comparison.plan import ComparisonPlan, Direction
from psdstats.comparison.result import Comparison, open_sizes
from psdstats.findings import (
    BenchAnswer,
    ContrastKind,
    Course,
    FactorAnswer,
    Finding,
    Numbers,
    Verdict,
)
from psdstats.output import table as col
from psdstats.output.content import (
    Block,
    Bullets,
    Drawing,
    Page,
    Section,
    drawing_of,
    page_of,
    panel_of,
)
from psdstats.output.figures.effects import course_effects, effect_ratios, ratios_height_mm
from psdstats.output.table import Column, Place, Table, table_of
from psdstats.words import comparison as words
from psdstats.words import courses as told
from psdstats.words import groups as benches
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import (
    change_words,
    changes_alternative,
    changes_caption,
    changes_labels,
    changes_titles,
    level_label,
    short_change,
)

_MOST_RATIOS = 36  # contrasts in one figure
_MOST_ROWS = 52  # of the figure of changes, which has a page
_MOST_PAIRS = 3  # of levels of a further factor beside each other


_ROLE = col.spare(*col.fields("role"))
_CHANGE = col.spare(*col.changes(change_percent="change"))
_P_AND_VERDICT = ("p", "verdict")
_range = partial(Column, show=col.Show.RANGE, spare=True)
_EQUIVALENCE = _range(
    "ratio_equivalence_lower",
    words.EQUIVALENCE_INTERVAL,
    upper="ratio_equivalence_upper",
    decimals=3,
)
_DETECTABLE = _range(
    "detectable_low_percent",
    "detectable decrease",
    "%",
    upper="detectable_high_percent",
    decimals=1,
)


def _ratio(level: float, say: Numerals) -> Column:
    return col.ratio(f"ratio ({say(100 * level)} % interval)")


def _ends(*numbers: float) -> list[float]:
    """Differences of ln size as ratios."""
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        found: list[float] = np.exp(numbers).tolist()
    return found


def _ratios(finding: Finding) -> dict[str, object]:
    """Ratio, limits, change, p and verdict of a finding, for a row of a frame."""
    own = finding.numbers
    ratio, lower, upper = _ends(own.estimate, own.lower, own.upper)
    return {
        "ratio": ratio,
        "ratio_lower": lower,
        "ratio_upper": upper,
        "change_percent": 100.0 * (ratio - 1.0),
        "p": own.p_adjusted,
        "verdict": finding.verdict.value,
    }


def _end(name: str, quantity: str, own: Numbers, say: Numerals) -> dict[str, object]:
    """One end of a course, for a row of a frame: the size, or the bounds that hold it, and both."""
    ends = zip(("value", "lower", "upper"), _ends(own.estimate, own.lower, own.upper), strict=True)
    return {name: told.size_cell(own, quantity, say)} | {f"{name}_{k}": end for k, end in ends}


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
            "verdict": one.verdict.value,
        }
        for one in courses
    ]
    frame, level = pd.DataFrame(rows), courses[0].fallen.level
    stops = [one.stop.margin_percent for one in courses if one.stop is not None]
    where = ", ".join(map(column_words, plan.at_each))
    unit = common_unit(one.quantity for one in courses)
    return table_of(
        "courses",
        frame[[*(one for one in frame if one != "verdict"), "verdict"]],
        col.fields(quantity=plan.what, **({"where": where} if plan.at_each else {})),
        (
            Column("start", "from", unit),
            Column("end", "to", unit),
            _ratio(level, say),
            *col.fields(at_least="at least"),
            col.written("since_min", "since", "min"),
            *col.fields(stop="when to stop", verdict="verdict"),
        ),
        say,
        notes=None if stops else (),
        place=Place.FIRST,
        what=plan.what,
        level=level,
        margin=stops[0] if stops else np.nan,
        unit=told.SPAN_HAS_NONE if "span" in set(frame["quantity"]) else "",
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
            "role": "control" if finding is one.control else "",
            **_ratios(finding),
        }
        for one in answers
        for finding in (one.control, *one.at)
        if finding.subject.where  # the levels may share no first time
    ]
    frame = pd.DataFrame(rows)
    at = col.written("time_min", "at", "min")
    return table_of(
        "factors",
        frame,
        (*col.fields("quantity", "factor", contrast="levels"), at),
        (*_ROLE, _ratio(answers[0].control.level, say), *_CHANGE, *_P_AND_VERDICT),
        place=Place.FIRST,
    )


def bench_tables(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> list[Table]:
    """Groups shown to differ from the others; each against the others, everything, for the files.

    Empty where there is nothing to show.
    """
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
        return []
    frame = pd.DataFrame(
        {"quantity": one.quantity, "group": one.group, "condition": place, **_ratios(finding)}
        for one, place, finding in named
    )
    changed = frame[frame["verdict"] == Verdict.CHANGED]
    heads = col.fields("quantity", "group", condition="at")
    columns: tuple[Column | str, ...]
    columns = (_ratio(named[0][2].level, say), *_CHANGE, *_P_AND_VERDICT)
    many = len(frame)
    differing = table_of(
        "groups that differ", changed, heads, columns[:-1], changed=len(changed), every=many
    )
    every = table_of("groups against the others", frame, heads, columns, place=Place.FILES)
    return [differing, every] if len(changed) else [every]


def _of_family(comparison: Comparison, family: str) -> list[Finding]:
    findings = (one for result in comparison.results for one in result.findings)
    return [one for one in findings if one.subject.family == family]


def effects_table(
    comparison: Comparison, family: str, place: Place = Place.REPORT, say: Numerals = PLAIN
) -> Table:
    """Effects of one family, every quantity, the level of ``at_each`` as a column."""
    plan = comparison.plan
    where = plan.where or "where"
    frame = comparison.to_frame(family)
    frame["contrast"] = [
        words.contrast_words(one.subject) for one in _of_family(comparison, family)
    ]
    named = col.fields(**{where: column_words(where)}) if plan.where else ()
    unit = UNITS.get(plan.by, "")
    return table_of(
        f"effects {family}",
        frame.rename(columns={"where": where}),
        ("quantity", *named, Column("contrast", "contrast", unit)),
        (
            _ratio(comparison.level, say),
            *_CHANGE,
            *col.fields(p_adjusted="p"),
            _DETECTABLE,
            *([] if plan.margin_percent is None else [_EQUIVALENCE]),
            "verdict",
        ),
        say,
        key="effects",
        place=place,
        by=plan.by,
        family=words.family_words(family)[0],
        what=plan.what,
        level=comparison.level,
        equivalent=words.equivalent_words(plan.margin_percent, say),
    )


def tests_table(comparison: Comparison) -> Table:
    """All levels at once, one row a test: the p that counts, then F with its own."""
    terms = [
        " and ".join(map(column_words, test.term))
        for result in comparison.results
        for test in result.tests
    ]
    frame = comparison.tests_frame().assign(term=terms)
    held = (words.levels_tested(comparison, one) for one in comparison.results for _ in one.tests)
    frame["route"] += [words.INSIDE if one else "" for one in held]
    is_empty = frame["df_den"].round(1) == 0.0
    frame.loc[is_empty, ["f", "df_num", "df_den", "p_plain"]] = np.nan
    frame.loc[is_empty, "route"] += words.NO_FREEDOM
    return table_of(
        "tests",
        frame,
        ("quantity",),
        (
            *col.fields(term="factor"),
            "p",
            *col.numbers(None, f="F"),
            *col.counts(df_num="df"),
            *col.numbers(1, df_den="df of the error"),
            *col.fields(p_plain="p of F", route="rests on"),
        ),
        by=comparison.plan.by,
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
    columns = list[Column]()
    for quantity, own in frame.groupby("quantity", sort=False):
        values = own.set_index("component")
        wide[f"sd_{quantity}_percent"] = values["sd_percent"]
        wide[f"variance_{quantity}"] = values["variance"]
        columns += col.numbers(2, "%", **{f"sd_{quantity}_percent": str(quantity)})
    return table_of(
        "variance components",
        wide.reset_index(),
        col.fields(component="between"),
        columns,
        notes=None if (frame["variance"] < 0.0).any() else (),
        place=Place.FIRST,
        what=comparison.plan.what,
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
) -> tuple[list[float], Verdict]:
    """Ratio with its own interval, and verdict, of one of the later times."""
    is_last = place == len(course.times) - 2
    one = course.fallen if is_last or usual is None else usual
    own = one.numbers
    if is_last:
        return _ends(own.estimate, own.lower, own.upper), course.verdict
    shown = course.stop is not None and course.shown[place]
    ends = _ends(own.estimate, own.lower_single, own.upper_single)
    if usual is None:
        ends = _bound(course.at_least[place], plan)
    return ends, Verdict.CHANGED if shown else one.verdict


def _bound(gain: float, plan: ComparisonPlan) -> list[float]:
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
    found = (
        courses_table(comparison.plan, [one for own in results for one in own.courses], say),
        factors_table([one for own in results for one in own.factors], say),
        *bench_tables([one for own in results for one in own.benches], say),
    )
    return [one for one in found if one is not None]


@page_of.register
def comparison_page(comparison: Comparison, say: Numerals = PLAIN) -> Page:
    """Every change in one figure; behind it what it rests on, effects, variances, tests last."""
    tables, families = answer_tables(comparison, say), comparison.families
    front = effects_drawing(comparison, say) or _leading_drawing(comparison, say)
    leads = all(table.place is not Place.FIRST for table in tables)
    places = [Place.FIRST if leads else Place.REPORT, *[Place.FILES] * len(families)]
    blocks: list[Block | None] = [
        front,
        *tables,
        *(effects_table(comparison, *one, say) for one in zip(families, places, strict=False)),
        variance_table(comparison),
        None if comparison.tests_frame().empty else tests_table(comparison),
    ]
    models = words.models_fitted(comparison, say)
    return Page(
        heading=words.question(comparison),
        behind=words.TESTS_HEADING,
        sentences=words.headlines(comparison, say),
        blocks=tuple(one for one in blocks if one is not None),
        notes=words.notes(comparison, say),
        notes_heading="Notes on the comparison",
        sections=(Section(heading="Models fitted", blocks=(Bullets(models),)),),
    )
