"""Page one: what a reader finds on it, and that every number on it is that of a record."""

import re
from dataclasses import replace
from math import exp, expm1

import numpy as np
import pytest

from psdstats.comparison.beside import gains
from psdstats.comparison.courses import OrderedRemark
from psdstats.findings import Ending, Verdict
from psdstats.output.pages import answer_sheet as page
from psdstats.output.pages.sizes import means_table
from psdstats.study.flags import CheckReport, Flag
from psdstats.uncertainty.budget import combined_percent, typical_run
from psdstats.words.courses import size_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.rate import time_words
from psdstats.words.remarks import CAPTIONS, NOTES
from psdstats.words.sheet import percent_parts, title_line
from psdstats.words.short_answers import when_to_stop

WITH_TIME = (
    "three_benches",
    "one_bench",
    "few_single_runs",
    "two_factors",
    "coarser_again",
    "little_left",
    "charges",
    "two_early_times",
)
OTHERS = ("benches_alone", "ratio_alone", "one_run")
_MADE = {}


def answer_sheet(found, say=PLAIN):
    """Page one of results, made once."""
    if (id(found), say) not in _MADE:
        _MADE[id(found), say] = found, page.answer_sheet(found, say)
    return _MADE[id(found), say][1]


def _cells(sheet):
    if sheet.table is None:
        return []
    headings = [column.heading for column in sheet.table.columns]
    return [*headings, *(cell for row in sheet.table.grid() for cell in row)]


def _text(sheet):
    """All of page one as a reader reads it, the figure apart."""
    answers = [part for one in sheet.answers for part in (one.question, one.text)]
    return "\n".join([*sheet.line, sheet.headline, *_cells(sheet), *answers, *sheet.footnotes])


def _answer(sheet, question):
    return next((one for one in sheet.answers if one.question == question), None)


ENDED = {
    Ending.STILL_FALLING: "it was still falling at the end",
    Ending.LITTLE_LEFT: "less than 5 % was left to gain",
    Ending.COARSER_AGAIN: "it was coarser again than at",
    Ending.CANNOT_BE_TOLD: "whether it was still falling cannot be told",
}


def _has_facts(found):
    """From, to, change, interval, how it ended, factor, benches, balance and next step."""
    sheet, compared = answer_sheet(found), found.compared
    text, told = _text(sheet), sheet.headline
    result = compared["D50"]
    few = result.courses if len(result.courses) <= 2 else ()
    for course in few:
        assert size_words(course.start, "D50") in told
        assert size_words(course.end, "D50") in told
    for course in result.courses:
        change, interval = percent_parts(course.fallen.numbers)
        assert any(cell.startswith(change) for cell in _cells(sheet))
        assert interval in text
        assert ENDED[course.stop.ending] in told.lower()
        assert not course.where or course.where in text
        if course.stop.ending is Ending.LITTLE_LEFT:
            assert f"from {course.stop.since} min" in told.lower()
    for answer in result.factors[:1] if few else ():
        assert f"{answer.high} against {answer.low}" in text
    agree = _answer(sheet, "Do the groups agree?")
    assert (agree is not None) == bool(result.benches)
    assert "from the balance" in _answer(sheet, "How sure?").text
    steps = [_answer(sheet, one) for one in ("What would help?", "Act on")]
    assert any(one is not None and len(one.text.split()) > 4 for one in steps)


@pytest.mark.parametrize("name", WITH_TIME)
def test_a_reader_finds_the_answer(kind, name):
    _has_facts(kind(name))


def test_a_reader_finds_the_answer_in_the_demo(demo):
    _has_facts(demo)
    sheet = answer_sheet(demo)
    assert "4 groups × 5 milling times × 2 ball ratios × 2 runs" in sheet.line[2]
    assert sheet.line[-1].startswith("4 of 4 warnings")
    agree = _answer(sheet, "Do the groups agree?")
    assert agree.strong.startswith("No: at 48 min, ball ratio 10, D50 on Alder is ")
    act = _answer(sheet, "Act on").text
    for run in ("cedar-5to1-6min-b", "birch-5to1-24min-a", "alder-10to1-12min-b"):
        assert run in act
    assert "350.44 g" in act
    assert "6.0 % lost" in act
    assert "0.42 g too high" in act
    assert "Without these 3 runs the changes of D50 move by less than 0.1 points." in act


@pytest.mark.parametrize("name", [*WITH_TIME, *OTHERS])
def test_a_fact_stands_once_on_page_one(kind, name):
    _once(answer_sheet(kind(name)))


def test_a_fact_stands_once_on_page_one_of_the_demo(demo):
    _once(answer_sheet(demo))


def _once(sheet):
    """No sentence twice, no cell of the table in a sentence, no size of the headline elsewhere."""
    answers = " ".join(one.text for one in sheet.answers)
    sentences = re.split(r"(?<=\.) ", f"{sheet.headline} {answers}")
    assert len(sentences) == len(set(sentences))
    for cell in _cells(sheet):
        if re.search(r"[−+]\d", cell):
            assert cell not in f"{sheet.headline} {answers}"
    for size in re.findall(r"[\d.]+ µm", sheet.lead):
        assert size not in answers or f"below {size}" in answers


@pytest.mark.parametrize("name", [*WITH_TIME, *OTHERS])
def test_page_one_is_short(kind, name):
    assert _count(answer_sheet(kind(name))) < 330


def _count(sheet):
    return sum(bool(re.search(r"\w", one)) for one in _text(sheet).split())


def test_page_one_of_the_demo_is_short(demo):
    assert _count(answer_sheet(demo)) < 360  # with three readings to act on and a target


def _of_records(found, say=PLAIN):
    """Every number that page one may write, from records, as it would be written."""
    compared, allowed = found.compared, set()

    def put(*texts):
        for text in texts:
            allowed.update(re.findall(r"\d+(?:\.\d+)?", text))

    for result in compared.results:
        for course in result.courses:
            put(*percent_parts(course.fallen.numbers))
            put(*course.times)
            stop = course.stop
            if stop is not None:
                put(say(stop.margin_percent), say.at_least(-expm1(-stop.gain_at_least)))
        for answer in result.factors:
            put(answer.high, answer.low)
            for one in answer.at:
                put(*percent_parts(one.numbers))
        for bench in result.benches:
            for one in (*bench.at, *filter(None, (bench.rate, bench.average))):
                ends = [one.numbers.estimate, one.numbers.lower, one.numbers.upper]
                put(*(say.fixed(abs(100 * expm1(end)), 1) for end in ends))
    for course in compared["D50"].courses:
        for own in (course.start, course.end):
            put(size_words(own, "D50"))
            u = (own.upper - own.lower) / 4 * exp(own.estimate)
            put(say.interval(exp(own.lower), exp(own.upper), u=u))
    return allowed | _of_measurement(found, say)


def _of_measurement(found, say):
    """Spread, uncertainty of a size, shares, what would help, target and readings in doubt."""
    texts = [say.significant(100 * found.compared.analysis["D50"].spread.run, 2)]
    rows = typical_run(found.budget)
    own = rows[rows["quantity"] == "D50"]
    texts.append(say.significant(float(combined_percent(own)["D50"]), 2))
    shares = (own["share"].max(), own.loc[own["balance_limited"], "share"].sum())
    texts += [say.per_cent(float(share), decimals=1) for share in shares]
    changes = found.budget.what_if
    changes = changes[(changes["scope"] == "run") & (changes["quantity"] == "D50")]
    then = changes.groupby("change")["u_then_percent"].agg(lambda u: ((u**2).mean()) ** 0.5)
    texts += [say.significant(float(u), 2) for u in then]
    texts += [say.fixed(one.shorter_percent, 0) for one in gains(found.compared)]
    for series in found.rate.series if found.rate else ():
        texts.append(time_words(series.target, say))
    texts.append(str(found.target_um and int(found.target_um)))
    for flag in found.checks.flags:
        texts += [f"{abs(flag.value or 0):.10g}", f"{abs(flag.value or 0):.1f}"]
        texts += [f"{abs(flag.value or 0):.3g}", f"{abs(flag.limit or 0):g}"]
    for result in found.compared.results:
        below, above = found.compared.analysis[result.quantity].response.open_um
        texts += [PLAIN.bound(one, side) for one, side in ((below, "<"), (above, ">"))]
    return {one for text in texts for one in re.findall(r"\d+(?:\.\d+)?", text)}


def test_every_number_on_page_one_is_that_of_a_record(demo):
    sheet = answer_sheet(demo)
    text = _text(replace(sheet, line=()))
    for flag in demo.checks.flags:  # names of runs and sieves hold numbers
        for name in filter(None, (flag.spot.run, flag.spot.sieve)):
            text = text.replace(name, "")
    text = re.sub(r"\bD\d0\b", "", text)
    text = text.replace("under 1 %", "").replace("less than 0.1 points", "")
    text = text.replace("95 %", "").replace("these 3 runs", "")
    written = re.findall(r"\d+(?:\.\d+)?", text)
    assert len(written) > 60
    known = _of_records(demo)
    assert [one for one in written if one not in known] == []


def test_changes_are_those_of_the_table_in_full(demo):
    frame = answer_sheet(demo).table.frame.set_index("quantity")
    for course in demo.compared["D50"].courses:
        number = ("5", "10").index(course.where)
        own = course.fallen.numbers
        assert frame.loc["D50", f"{number}_percent"] == pytest.approx(100 * expm1(own.estimate))
        assert frame.loc["D50", f"{number}_upper_percent"] == pytest.approx(100 * expm1(own.upper))


def test_intervals_of_many_levels_say_their_level(demo):
    results = (
        replace(one, courses=(*one.courses, replace(one.courses[0], where="20")), factors=())
        for one in demo.compared.results
    )
    table = page.Changes(replace(demo.compared, results=tuple(results)), PLAIN).table()
    assert len(table.frame) == 3
    assert table.columns[0].heading == "Change from 0 to 48 min (95 % interval), by ball ratio"


def test_a_bound_is_called_one(demo):
    sheet = answer_sheet(demo)
    (row,) = [row for row in sheet.table.grid() if row[0] == "D10"]
    upper = [course.fallen.numbers.upper for course in demo.compared["D10"].courses]
    assert row[1:5:2] == [f"≥ {PLAIN.at_least(-expm1(one))} lower*" for one in upper]
    assert row[5].endswith("†")
    assert sheet.footnotes[0].startswith("* Bound")
    assert sheet.footnotes[1].startswith("† At 24 min")


def _signs_are_explained(sheet):
    """A sign has a footnote where a cell has it, and only there."""
    cells = " ".join(cell for row in (sheet.table.grid() if sheet.table else ()) for cell in row)
    for sign in "*†‡":
        assert (sign in cells) == any(note.startswith(sign) for note in sheet.footnotes), sign


def test_signs_of_the_demo_are_explained(demo):
    _signs_are_explained(answer_sheet(demo))


@pytest.mark.parametrize("name", [*WITH_TIME, *OTHERS])
def test_signs_are_explained(kind, name):
    _signs_are_explained(answer_sheet(kind(name)))


def test_a_bound_that_is_not_told_needs_no_word_on_bounds(demo):
    """Its cell says that it cannot be told: the sign of a bound stands beside nothing then."""
    (span,) = (one for one in demo.compared.results if one.quantity == "span")
    first, second = span.courses
    why = OrderedRemark.BEYOND_SIEVES(quantity="span", times=("48",))
    untold = replace(first.fallen, verdict=Verdict.CANNOT_BE_TOLD, reasons=(why,))
    courses = tuple(replace(one, fallen=untold) for one in (first, second))
    alone = replace(span, courses=courses, factors=())
    results = (demo.compared["D50"], alone)
    sheet = answer_sheet(replace(demo, comparison=replace(demo.compared, results=results)))
    assert [note[0] for note in sheet.footnotes] == ["‡"]
    _signs_are_explained(sheet)


def test_the_end_that_is_a_bound_is_no_size(kind):
    sheet = answer_sheet(kind("one_bench"))
    assert "to below 45 µm" in sheet.lead
    assert "interval" not in sheet.sentence


def test_few_runs_tell_the_mean_of_the_groups_as_they_ran(kind):
    """Two early times of the demo, where another group could lie anywhere."""
    found = kind("two_early_times")
    means = found.compared["D50"].means
    assert means[["lower", "upper"]].notna().all(axis=None)
    assert (np.log(means["upper"] / means["lower"]) < 0.3).all()
    table = means_table(found.compared)
    assert NOTES["mean sizes of conditions"] not in table.notes


def test_benches_alone_are_answered_as_pairs(kind):
    found = kind("benches_alone")
    sheet = answer_sheet(found)
    verdicts = {one.verdict for one in found.compared["D50"].findings}
    assert verdicts == {Verdict.NOT_SHOWN}
    assert sheet.lead.startswith("No two of the groups are shown to differ in D50")
    assert next(row[0] for row in sheet.table.grid()) == "Birch against Alder"
    asked = [one.question for one in sheet.answers]
    assert asked == ["How sure?", "What would help?", "Act on"]


def test_a_name_with_the_signs_of_the_table_makes_no_footnote(kind):
    found = kind("benches_alone")
    named = {name: f"{name} *†‡" for name in ("Alder", "Birch", "Cedar")}

    def renamed(finding):
        own = finding.subject
        pair = {"high": named.get(own.high, own.high), "low": named.get(own.low, own.low)}
        return replace(finding, subject=replace(own, **pair))

    results = tuple(
        replace(one, findings=tuple(map(renamed, one.findings))) for one in found.compared.results
    )
    signed = replace(found, comparison=replace(found.compared, results=results))
    assert any("*†‡" in row[0] for row in answer_sheet(signed).table.grid())
    assert answer_sheet(signed).footnotes == answer_sheet(found).footnotes


def test_levels_at_one_time_are_a_pair(kind):
    found = kind("ratio_alone")
    sheet = answer_sheet(found)
    (finding,) = found.compared["D50"].findings
    assert sheet.lead.startswith("D50 is lower at ball ratio 10 than at ball ratio 5: ")
    ((name, _, change, *_),) = sheet.table.grid()
    assert name == "ball ratio 10 against 5"
    assert change == "{} ({})".format(*percent_parts(finding.numbers))
    asked = [one.question for one in sheet.answers]
    assert asked == ["Do the groups agree?", "How sure?", "What would help?", "Act on"]
    rows = typical_run(found.budget)
    between = rows[(rows["quantity"] == "D50") & (rows["source"] == "between_sieves")]
    assert between["share"].sum() < 0.5  # so that other sieves are not what would help one size
    assert "Sieves closer together" not in sheet.answers[2].text


@pytest.mark.parametrize("share", [0.49, 0.51])
def test_closer_sieves_help_where_most_lies_between_them(kind, share):
    found = kind("ratio_alone")
    between = found.budget.runs["source"] == "between_sieves"
    runs = found.budget.runs.assign(share=found.budget.runs["share"].mask(between, share))
    sheet = answer_sheet(replace(found, budget=replace(found.budget, runs=runs)))
    told = "Sieves closer together would tell one D50 better." in sheet.answers[2].text
    assert told == (share > 0.5)


def test_what_cannot_be_compared_says_why_and_what_to_do(kind):
    found = kind("one_run")
    sheet = answer_sheet(found)
    assert re.fullmatch(r"D50 is [\d.]+ µm\.", sheet.lead)
    assert re.match(
        r"Its 95 % interval is [\d.]+ to [\d.]+ µm\. Nothing was compared\.", sheet.sentence
    )
    assert "Choose a column with two values or more." in sheet.sentence
    assert sheet.table is None
    assert sheet.drawing is None


def test_single_runs_say_what_would_undo_the_change(kind):
    text = _answer(answer_sheet(kind("few_single_runs")), "How sure?").text
    assert text.startswith("How far runs alike differ is not known.")
    assert re.search(r"An SD of \d+ % between runs would undo the change\.", text)


def test_a_rise_at_the_end_is_said_first(kind):
    sheet = answer_sheet(kind("coarser_again"))
    assert "At the end it was coarser again than at 24 min." in sheet.sentence
    assert _answer(sheet, "When to stop?").strong == "No later than 24 min."


def test_levels_that_end_apart_are_told_one_by_one(kind, demo):
    """One level coarser again, put beside one of the demo that still falls."""
    (coarser,) = kind("coarser_again").compared["D50"].courses
    falling, _ = demo.compared["D50"].courses
    result = replace(demo.compared["D50"], courses=(falling, replace(coarser, where="10")))
    told = when_to_stop(replace(demo.compared, results=(result,)), None)
    assert (
        told.strong == "Not within 48 min at ball ratio 5; mill longer. No later than 24 min at 10."
    )
    assert "at ball ratio 5." in told.rest
    assert told.rest.endswith("Look whether the fines clump or cake.")


def test_date_and_author_stand_in_the_line(demo):
    blank = answer_sheet(demo).line
    assert blank[:2] == ("trial of ____", "prepared by ____")
    study = replace(demo.study, date="2026-11-25")
    line = answer_sheet(replace(demo, study=study, author="A. B.", report_date="2026-11-29")).line
    assert line[:3] == ("report of 2026-11-29", "trial of 2026-11-25", "prepared by A. B.")


def test_a_size_that_became_a_bound_is_touched_by_its_warning(kind):
    flags = [Flag("not_bracketed", "D10 lies in the pan"), Flag("density", "too high")]
    study = kind("one_bench").study
    told = [title_line(study, (), CheckReport(flags=tuple(own)))[-1] for own in (flags, flags[1:])]
    assert told == ["1 of 2 warnings touches these numbers", "no warning touches these numbers"]


def test_a_decimal_comma_is_written_everywhere(demo):
    sheet = answer_sheet(demo, Numerals(","))
    answers = " ".join(one.text for one in sheet.answers)
    assert not re.search(r"\d\.\d", f"{sheet.headline} {answers}")
    assert re.search(r"\d,\d", sheet.headline)


def test_the_table_has_one_caption(demo):
    assert answer_sheet(demo).table.caption == CAPTIONS["changes"]
