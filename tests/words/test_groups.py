"""Groups in words: names stay as they are, numbers take the reader's sign, each status is told."""

from __future__ import annotations

import pandas as pd
import pytest

from psdstats.comparison.consistency import consistency, outliers
from psdstats.comparison.groups import GroupAgreement, GroupDifference, RunScatter, ScatterSource
from psdstats.comparison.precision import precision
from psdstats.findings import Contrast, FindingKind, Numbers, Verdict
from psdstats.models.verdicts import judge
from psdstats.words.groups import (
    agreement_sentences,
    consistency_sentences,
    difference,
    group_sentence,
    headline,
    precision_notes,
)
from psdstats.words.numbers import Numerals

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


def one(group: str, *, p: float = 0.01, **options) -> GroupDifference:
    numbers = Numbers(**{**vars(NUMBERS), "p_adjusted": p})
    subject = Contrast(high=group, quantity="D50")
    finding = judge(subject, numbers, kind=FindingKind.GROUP, **options)
    return GroupDifference(finding=finding, conditions=2, runs=4)


def agreement(*groups: GroupDifference, margin: float | None = None) -> GroupAgreement:
    return GroupAgreement(
        quantity="D50",
        time_min=None,
        conditions=("milling_time_min",),
        groups=groups,
        by_condition=pd.DataFrame(),
        scatter=RunScatter(
            variance=0.0155**2, mean_square=1, df=6, source=ScatterSource.REPLICATES
        ),
        level=0.95,
        margin_percent=margin,
        set_aside=("a.1",),
    )


@pytest.mark.parametrize("name", HOSTILE)
def test_names_of_groups_are_written_as_they_are(name):
    assert group_sentence(one(name), COMMA) == (
        f"{name} reads D50 4,1 % (1,3 to 6,9 %) lower than the others."
    )
    assert group_sentence(one(name, p=0.3)).startswith(f"{name} is not shown to differ")
    found = agreement(one(name), one("plain", p=0.4))
    assert f"changed: {name}; not shown: plain." in headline(found, COMMA)
    frame = found.to_frame()
    assert list(frame["group"]) == [name, "plain"]
    assert list(frame["verdict"]) == ["changed", "not shown"]
    assert "sentence" not in frame


@pytest.mark.parametrize("name", HOSTILE)
def test_consistency_names_the_group_as_it_is(name):
    cells = {"A": [1.0, 1.1], "B": [1.0, 1.1], "C": [1.05, 1.0], "D": [1.0, 1.05], name: [9.0, 9.1]}
    frame = pd.DataFrame([{"group": g, "y": y, "t": 2.5} for g, own in cells.items() for y in own])
    options = {"value": "y", "group": "group", "level": ["t"]}
    table, tests = consistency(frame, **options), outliers(frame, **options)
    first, second = consistency_sentences(table, tests, ["t"], COMMA)
    assert f"{name} at t 2,5 (h beyond the 1 % limit)" in first
    assert second.startswith(f"Grubbs' test calls {name} at t 2,5 an outlier;")


def test_each_verdict_has_its_sentence():
    within = {"margin_percent": 7.5, "within_margin": True}
    small = group_sentence(one("a", **within), COMMA)
    assert small.endswith("lower than the others, which is within the margin of ±7,5 %.")
    alike = one("a", p=0.2, **within)
    assert alike.finding.verdict is Verdict.EQUIVALENT
    assert group_sentence(alike) == (
        "a agrees with the others within ±7.5 %: D50 4.1 % (1.3 to 6.9 %) lower."
    )
    open_ = group_sentence(one("a", p=0.2, margin_percent=7.5, within_margin=False), COMMA)
    assert "a D50 4,4 % below theirs would have been seen with 80 % probability" in open_
    assert open_.endswith(", and agreement within ±7,5 % is not shown either.")
    undone = group_sentence(one("a", undone_by_percent=2.34), COMMA)
    assert undone.startswith("a: cannot be told: it reads D50 4,1 %")
    assert undone.endswith("2,3 % of it would undo the difference.")


def test_a_group_without_an_end_of_its_interval_cannot_be_told():
    finding = judge(
        Contrast(high="a", quantity="D50"),
        Numbers(estimate=-0.04, lower=-float("inf"), upper=float("inf"), p_adjusted=0.4),
        kind=FindingKind.GROUP,
    )
    assert group_sentence(GroupDifference(finding=finding)) == (
        "a: cannot be told, because too little is left to judge it by, so its interval has no end."
    )


def test_what_the_uncertainty_rests_on_and_what_was_set_aside():
    rest, aside = agreement_sentences(agreement(one("a")), COMMA)[1:]
    assert rest == "Run-to-run variation 1,6 %, from replicates."
    assert aside.endswith("not bracketed by the sieves: a.1.")


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ((0.0402, 0.0119, 0.0677), "4.1 % (1.2 to 7.0 %) higher"),
        ((-0.05, -0.2, 0.1), "5 % (−11 to 18 %) lower"),
        ((0.02, 0.02, 0.02), "2.020 % (2.020 to 2.020 %) higher"),
    ],
)
def test_a_difference_is_told_in_its_own_direction(ends, said):
    estimate, lower, upper = ends
    assert difference(Numbers(estimate=estimate, lower=lower, upper=upper)) == said


def test_what_cannot_be_told_of_precision_is_told_where():
    rows = [("A", 0.5, 1.0), ("A", 0.5, 2.0), ("A", 6.0, 1.0), ("B", 6.0, 2.0), ("B", 9.0, 3.0)]
    frame = pd.DataFrame(rows, columns=["g", "milling_time_min", "y"])
    at = ["milling_time_min"]
    found = precision(frame, value="y", group="g", level=at)
    notes = precision_notes(found, at, COMMA)
    assert notes[0].startswith("Per cent: 100 times")
    assert notes[1:] == (
        "At 0,5 min: only one group: between-group and reproducibility SD cannot be told.",
        "At 9 min: a single result: no SD can be told.",
        "At 6 min: no group has a replicate: repeatability and between-group SD cannot be told "
        "apart.",
    )
    alone = precision(frame[:2], value="y", group="g", level=at, scale="raw")
    assert precision_notes(alone, at)[0].startswith("They contain")
    assert precision_notes(alone, at)[1].startswith("At every condition: only one group")
