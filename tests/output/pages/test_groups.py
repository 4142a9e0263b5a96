"""The page of groups says what the library found, at every condition, in words of its own."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from psdstats.comparison.consistency import consistency
from psdstats.comparison.groups import group_agreement, overall, sizes_by_run
from psdstats.comparison.precision import precision
from psdstats.findings import Verdict
from psdstats.output.content import Bullets
from psdstats.output.pages.groups import (
    agreement_drawing,
    collect_groups,
    conditions_table,
    consistency_drawings,
    groups_page,
    precision_table,
    stated_margin,
)
from psdstats.words.groups import (
    agreement_sentences,
    consistency_sentences,
    headline,
    place_words,
)
from psdstats.words.numbers import Numerals

AT = ["milling_time_min", "ball_ratio"]


@pytest.fixture(scope="module")
def results(benches):
    margin = stated_margin(benches.study)
    return collect_groups(benches.study, benches.sizes, margin_percent=margin)


@pytest.fixture(scope="module")
def single(bench):
    return collect_groups(bench.study, bench.sizes)


def test_conditions_are_those_of_the_agreement(results, single):
    assert results.conditions == ("milling_time_min", "ball_ratio")
    assert single.conditions == ("milling_time_min",)


def test_precision_is_that_of_the_library_in_per_cent(benches, results):
    sizes = sizes_by_run(benches.study, benches.sizes)
    expected = precision(sizes, value="D50", group="group", level=AT).to_frame()
    frame = precision_table(results).frame
    for name in ("repeatability", "between", "reproducibility"):
        assert frame[f"{name}_percent"].to_numpy() == pytest.approx(100 * expected[f"{name}_sd"])
        upper = 100 * expected[f"{name}_sd_upper"]
        assert frame[f"{name}_percent_upper"].to_numpy() == pytest.approx(upper)
    # ISO 5725-2: the reproducibility variance is the sum of the other two
    total = np.hypot(frame["repeatability_percent"], frame["between_percent"])
    assert total.to_numpy() == pytest.approx(frame["reproducibility_percent"].to_numpy())


def test_raw_precision_is_in_units_of_the_size(benches, results):
    raw = collect_groups(benches.study, benches.sizes, scale="raw", intraclass=False)
    table = precision_table(raw)
    (column,) = [one for one in table.columns if one.heading == "s_r"]
    assert (column.name, column.unit) == ("repeatability_value", "µm")
    # s/mean is near the SD of ln size while it is small
    relative = 100 * table.frame["repeatability_value"] / table.frame["mean"]
    logged = precision_table(results).frame["repeatability_percent"]
    assert relative.to_numpy() == pytest.approx(logged.to_numpy(), rel=0.05)


def test_answers_come_first_and_are_those_of_the_comparison(benches, results):
    expected = group_agreement(benches.study, benches.sizes, margin_percent=5.0)
    assert groups_page(results).sentences[:3] == agreement_sentences(expected)[:3]
    assert benches.comparison["D50"].benches == expected.answers
    assert {overall(one) for one in expected.answers} >= {Verdict.CHANGED, Verdict.CANNOT_BE_TOLD}


def test_findings_beyond_the_limits_are_counted_and_named(benches, results):
    sizes = sizes_by_run(benches.study, benches.sizes)
    table = consistency(sizes, value="D50", group="group", level=AT)
    beyond = table[(table["h"].abs() > table["h_limit_5"]) | (table["k"] > table["k_limit_5"])]
    sentence = consistency_sentences(table, results.outliers, AT)[0]
    assert f"Of 80 values of Mandel's h and k {len(beyond)} lie" in sentence
    for row in beyond.to_dict("records"):
        assert f"{row['group']} at {place_words(row, AT)}" in sentence


def test_bars_are_the_indicators(results):
    (drawing,) = consistency_drawings(results)
    axes = drawing.figure.axes
    assert len(axes) == 4  # h and k, each for two ball ratios
    table = results.consistency
    for ax, letter, ratio in zip(axes, "hhkk", (5.0, 10.0) * 2, strict=True):
        own = table[table["ball_ratio"] == ratio]
        heights = sorted(bar.get_height() for bar in ax.patches)
        assert heights == pytest.approx(sorted(own[letter]))
    assert all(ax.get_legend() is None for ax in axes)
    assert len(axes[0].figure.legends) == 1


def test_ratios_are_drawn_where_the_table_puts_them(results):
    frame = results.agreement.to_frame()
    ax = agreement_drawing(results.agreement).figure.axes[0]
    drawn = sorted(line.get_xdata()[0] for line in ax.lines if line.get_gid())
    assert drawn == pytest.approx(sorted(frame["ratio"]))
    assert [label.get_text() for label in ax.get_yticklabels()] == list(frame["group"])


def test_differences_at_a_condition_are_on_the_page_with_their_verdict(results):
    table = conditions_table(results)
    frame, found = table.frame, results.agreement.answers
    told = [at.verdict.value for one in found for at in one.at]
    assert sorted(frame["verdict"]) == sorted(told)
    (there,) = frame[frame["verdict"] == "changed"].to_dict("records")
    assert (there["group"], there["milling_time_min"], there["ball_ratio"]) == ("Alder", 48.0, 10.0)
    assert there["finding"] == "action signal"
    assert frame["e_n"].to_numpy() == pytest.approx(frame["zeta"].to_numpy() / 2)


def test_section_leaves_long_tables_to_the_files(results):
    page = groups_page(results)
    shown = {one.name for one in page.whole().blocks if hasattr(one, "row_headings")}
    files = {table.name for table in page.files}
    assert {table.name for table in page.first} == {"group agreement", "group precision"}
    assert shown == {"group agreement", "group differences by condition", "group precision"}
    assert shown & files == set()
    assert {"group consistency", "group outliers"} <= files


def test_one_group_is_answered_in_words(single):
    page = groups_page(single)
    (bullets,) = [block for block in page.whole().blocks if isinstance(block, Bullets)]
    assert any("cannot be told" in item for item in bullets.items)
    assert any("h needs three groups" in item for item in bullets.items)
    assert consistency_drawings(single) == []
    assert any(note.startswith("Intraclass correlation not computed") for note in page.notes)


def test_groups_keep_the_letters_of_their_names(single):
    assert groups_page(single).sentences[0].startswith("It cannot be told whether all agrees")


def test_margin_of_the_study_is_used(benches, bench):
    assert stated_margin(benches.study) == 5.0
    assert stated_margin(bench.study) is None


def test_place_words_follow_the_type_of_the_value():
    row = {"milling_time_min": 6.0, "operator": "A", "lot": 3}
    assert place_words(row, ["milling_time_min", "operator"]) == "6 min, operator A"
    assert place_words(pd.Series(row).to_dict(), ["lot"]) == "lot 3"


def test_the_verdict_for_the_top_names_every_group_once(results):
    head, _, found = headline(results.agreement).partition(" – ")
    assert head == "D50 of each group against the others (margin ±5 %)"
    told = {
        group: part.partition(": ")[0]
        for part in found.rstrip(".").split("; ")
        for group in part.partition(": ")[2].split(", ")
    }
    frame = results.agreement.to_frame()
    assert told == dict(zip(frame["group"], frame["verdict"], strict=True))


def test_runs_without_a_condition_are_named(benches):
    first, *rest = benches.study.runs
    bare = replace(first, factors={})
    some = replace(benches.study, runs=(bare, *rest))
    page = groups_page(collect_groups(some, benches.sizes, intraclass=False))
    assert page.notes == (
        "1 run has no ball ratio and was left out of precision, consistency and outliers: "
        f"{first.name}.",
    )


def test_names_of_groups_and_numbers_keep_apart(benches):
    """A name that looks like a number or a sentence is written as it is, everywhere."""
    names = {"Alder": ": changed, ", "Birch": "Mill 2.5", "Cedar": " at 6 min", "Rowan": "2.5"}
    runs = tuple(replace(run, group=names[run.group]) for run in benches.study.runs)
    named = replace(benches.study, runs=runs)
    page = groups_page(collect_groups(named, benches.sizes, intraclass=False), Numerals(","))
    for name in names.values():
        assert name in " ".join(page.sentences[:2])
        assert name in page.drawings[0].alternative
    assert list(page.tables[0].frame["group"]) == list(names.values())
    assert not any("Mill 2,5" in text for text in page.sentences)
