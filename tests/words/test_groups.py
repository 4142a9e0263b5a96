"""Groups in words: names stay as they are, numbers take the reader's sign, each status is told."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from psdstats.comparison.analysis import Spread, SpreadBasis
from psdstats.comparison.benches import GroupRemark, untold_group
from psdstats.comparison.consistency import consistency
from psdstats.comparison.groups import GroupAgreement, group_precision, overall
from psdstats.findings import BenchAnswer, Contrast, FindingKind, Numbers, Rule, Verdict
from psdstats.models.verdicts import judge
from psdstats.words.groups import (
    agreement_sentences,
    bench_sentences,
    deviations_alternative,
    deviations_caption,
    indicators,
    none_beyond,
    precision_notes,
)
from psdstats.words.numbers import Numerals
from psdstats.words.remarks import CAPTIONS, fill

HOSTILE = (": changed, ", "Mill 2.5", "dry at 20 C", " vs ", "D50; D90", "a.")
COMMA = Numerals(",")
NUMBERS = Numbers(
    estimate=-0.042,
    lower=-0.071,
    upper=-0.013,
    u=0.01,
    df=6,
    p=0.004,
    p_adjusted=0.01,
    detectable_decrease_percent=4.4,
)


def told(group: str, p: float, **options):
    subject = Contrast(high=group, where="6", quantity="D50")
    numbers = replace(NUMBERS, p_adjusted=p)
    return judge(subject, numbers, kind=FindingKind.GROUP, **options)


def one(group: str, *, p: float = 0.01, **options) -> BenchAnswer:
    finding = told(group, p, **options)
    average = replace(finding, subject=replace(finding.subject, where=""))
    conditions = ((("milling_time_min", "6"),),)
    return BenchAnswer(
        quantity="D50", group=group, at=(finding,), conditions=conditions, average=average
    )


def agreement(*answers: BenchAnswer, margin: float | None = None, **spread) -> GroupAgreement:
    given = {"run": 0.0155, "df": 6.0, "basis": SpreadBasis.REPLICATES} | spread
    return GroupAgreement(
        quantity="D50",
        conditions=("milling_time_min",),
        answers=answers,
        by_condition=pd.DataFrame(),
        spread=Spread(**given),
        level=0.95,
        margin_percent=margin,
        set_aside=("a.1",),
    )


@pytest.mark.parametrize("name", HOSTILE)
def test_names_of_groups_are_written_as_they_are(name):
    found = agreement(one(name), one("plain", p=0.4), one("third", p=0.4))
    first, second, *_ = agreement_sentences(found, COMMA)
    assert first == (
        f"{name} differs from the other groups: its D50 is 4,1 % lower (1,3 to 6,9 %) at 6 min."
    )
    assert second.startswith("plain and third are not shown to differ")
    frame = found.to_frame()
    assert list(frame["group"]) == [name, "plain", "third"]
    assert list(frame["verdict"]) == ["changed", "not shown", "not shown"]
    assert list(frame["differs_at"]) == [1, 0, 0]
    assert "sentence" not in frame


def test_averages_of_several_sizes_are_told_together():
    first = replace(one("a"), at=(told("a", 0.4),))
    second = replace(first, quantity="D90")
    assert bench_sentences([first, second])[0] == (
        "a differs from the other groups: on average over the conditions its D50 is 4.1 % lower "
        "(1.3 to 6.9 %) and its D90 is 4.1 % lower (1.3 to 6.9 %)."
    )


@pytest.mark.parametrize("name", HOSTILE)
def test_the_figure_of_deviations_is_told_with_names_as_they_are(name):
    frame = pd.DataFrame(
        {
            "milling_time_min": [2.5, 6.0, 2.5, 6.0],
            "group": [name, name, "plain", "plain"],
            "difference_percent": [1.25, -4.11, -0.5, 2.0],
            "lower_percent": [-2.0, -6.9, -3.0, -1.0],
            "upper_percent": [4.0, -1.3, 2.0, 5.0],
            "verdict": ["not shown", "changed", "not shown", "not shown"],
        }
    )
    found = replace(agreement(one(name), one("plain", p=0.4)), by_condition=frame)
    first, second = (
        f"{name}: −4,1 % (−6,9 to −1,3) at 6 min, shown to differ; otherwise +1,2 %, not shown.",
        "plain: −0,5 to +2,0 %, not shown.",
    )
    assert deviations_alternative(frame, found, COMMA) == f"{first} {second}"
    other = replace(one(name), quantity="D90")
    caption = deviations_caption(found, [one(name), other], COMMA, panels=2)
    assert caption.endswith(f"Shown to differ too: D90 of {name} at 6 min.")
    assert "filled, with their number" in caption


def test_what_lies_beyond_its_limit_is_counted_or_said_not_to():
    cells = {"A": [1.0, 1.1], "B": [1.0, 1.1], "C": [1.05, 1.0], "D": [1.0, 1.05], "E": [9.0, 9.1]}
    frame = pd.DataFrame([{"group": g, "y": y, "t": 2.5} for g, own in cells.items() for y in own])
    table = consistency(frame, value="y", group="group", level=["t"])
    assert indicators(table) == 10
    told = {"quantity": "D50", "count": 10, "chance": 0.5}
    caption = fill(CAPTIONS["beyond the limits"], COMMA, **told)
    assert "(of 10; about 0 would be by chance alone)" in caption
    assert none_beyond(table).startswith("None of 10 values")
    assert none_beyond(table.assign(h=float("nan"), k=float("nan"))).endswith("there is none.")


def test_the_word_for_a_group_is_a_difference_anywhere_or_agreement_everywhere():
    within = {"margin_percent": 7.5, "within_margin": True}
    assert overall(one("a", p=0.2, **within)) is Verdict.EQUIVALENT
    assert overall(one("a", p=0.2)) is Verdict.NOT_SHOWN
    part = replace(one("a", p=0.2, **within), average=told("a", 0.2))
    assert overall(part) is Verdict.EQUIVALENT
    two = replace(part, at=(*part.at, told("a", 0.2)))
    assert overall(two) is Verdict.NOT_SHOWN
    rate = replace(told("a", 0.01), kind=FindingKind.BENCH_RATE)
    assert overall(replace(part, rate=rate)) is Verdict.CHANGED
    lost = judge(Contrast(high="a"), Numbers(), kind=FindingKind.GROUP)
    assert overall(BenchAnswer(quantity="D50", group="a", at=(lost,))) is Verdict.CANNOT_BE_TOLD


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "Run-to-run variation is 1,6 %, from replicates."),
        ({"run": float("nan")}, "Run-to-run variation is not seen beside the measurement, from "),
        ({"basis": SpreadBasis.RESIDUAL}, "as there are no replicates."),
        ({"basis": SpreadBasis.DECLARED}, "is 1,6 %, from what was declared."),
        ({"basis": SpreadBasis.NONE}, "Run-to-run variation was not estimated: "),
    ],
)
def test_what_the_uncertainty_rests_on_and_what_was_set_aside(given, said):
    *_, rest, aside = agreement_sentences(agreement(one("a"), **given), COMMA)
    assert said in rest
    assert aside.endswith("not bracketed by the sieves: a.1.")


def test_what_rests_on_the_measurement_alone_does_not_name_a_scatter():
    found = agreement(one("a", p=0.3, undone_by_percent=2.0))
    assert agreement_sentences(found)[-2].startswith("Run-to-run variation was not estimated")


def test_where_no_groups_were_judged_no_scatter_is_told():
    """Of one group with replicates: its runs do show how they differ, but judged nothing."""
    lost = untold_group(
        "a",
        "D50",
        GroupRemark.ALONE(columns=("milling_time_min",)),
        Rule(level=0.95, margin_percent=None),
    )
    told = " ".join(agreement_sentences(agreement(lost, basis=SpreadBasis.NONE)))
    assert "cannot be told" in told
    assert "Run-to-run" not in told


def test_what_cannot_be_told_of_precision_is_told_where():
    rows = [("A", 0.5, 1.0), ("A", 0.5, 2.0), ("A", 6.0, 1.0), ("B", 6.0, 2.0), ("B", 9.0, 3.0)]
    frame = pd.DataFrame(rows, columns=["g", "milling_time_min", "y"])
    at = ["milling_time_min"]
    found = group_precision(frame, value="y", group="g", level=at)
    notes = precision_notes(found, at, COMMA)
    assert notes[0].startswith("Per cent: 100 times")
    assert notes[1:] == (
        "At 0,5 min: only one group: between-group and reproducibility SD cannot be told.",
        "At 9 min: a single result: no SD can be told.",
        "At 6 min: no group has a replicate: repeatability and between-group SD cannot be told "
        "apart.",
    )
    alone = group_precision(frame[:2], value="y", group="g", level=at, scale="raw")
    assert precision_notes(alone, at)[0].startswith("They contain")
    assert precision_notes(alone, at)[1].startswith("At every condition: only one group")


def test_conditions_that_differ_are_told_in_their_order():
    """The farthest three are told, and told by time, not by how far they lie out."""
    own = one("Elm")
    (found,) = own.at
    parts = {"0": -0.09, "10": -0.01, "20": -0.05, "40": -0.07}
    at = tuple(
        replace(
            found,
            subject=replace(found.subject, where=where),
            numbers=replace(NUMBERS, estimate=estimate, lower=2 * estimate, upper=estimate / 2),
        )
        for where, estimate in parts.items()
    )
    conditions = tuple((("milling_time_min", where),) for where in parts)
    (said, *_) = bench_sentences([replace(own, at=at, conditions=conditions, average=None)])
    assert [said.index(f"at {time} min") for time in (0, 20, 40)] == sorted(
        said.index(f"at {time} min") for time in (0, 20, 40)
    )
    assert "at 10 min" not in said
    assert "differs at 1 more condition" in said
