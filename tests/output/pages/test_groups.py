"""The page of groups says what the library found, at every condition, in words of its own."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection

from psdstats.comparison.consistency import consistency
from psdstats.comparison.groups import group_agreement, group_precision, overall, sizes_by_run
from psdstats.findings import Verdict
from psdstats.output.pages.groups import (
    agreement_table,
    collect_groups,
    conditions_table,
    deviations_drawings,
    groups_page,
    precision_table,
    stated_margin,
    suspects_table,
)
from psdstats.words.groups import agreement_sentences, bench_sentences, place_words
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
    expected = group_precision(sizes, value="D50", group="group", level=AT).to_frame()
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
    assert repr(benches.comparison["D50"].benches) == repr(expected.answers)
    assert {overall(one) for one in expected.answers} >= {Verdict.CHANGED, Verdict.CANNOT_BE_TOLD}


def test_findings_beyond_the_limits_are_counted_and_named(benches, results):
    sizes = sizes_by_run(benches.study, benches.sizes)
    table = consistency(sizes, value="D50", group="group", level=AT)
    beyond = table[(table["h"].abs() > table["h_limit_5"]) | (table["k"] > table["k_limit_5"])]
    found = suspects_table(results)
    assert "(of 80; about 4 would be by chance alone)" in found.caption
    own = found.frame[found.frame["test"].str.startswith("Mandel")]
    keys = ["group", *AT]
    assert sorted(own[keys].itertuples(index=False)) == sorted(beyond[keys].itertuples(index=False))
    assert (own["value"].abs() > own["critical_5"]).all()
    assert set(found.frame["test"]) == {
        "Mandel's h",
        "Mandel's k",
        "Cochran's test",
        "Grubbs' test",
    }


def _panels(results, **options):
    (drawing,) = deviations_drawings(results, **options)
    return drawing, {ax.get_title(loc="left"): ax for ax in drawing.figure.axes}


def test_every_group_has_a_panel_with_its_differences(results):
    drawing, panels = _panels(results)
    frame = results.agreement.by_condition
    assert list(panels) == list(dict.fromkeys(frame["group"]))
    for group, ax in panels.items():
        own = frame[frame["group"] == group]
        dots = [one for one in ax.collections if isinstance(one, PathCollection)]
        assert len(dots) == 2  # one series for each ball ratio
        drawn = sorted(y for one in dots for _, y in one.get_offsets())
        assert drawn == pytest.approx(sorted(1 + own["difference_percent"] / 100))
        filled = sum(tuple(face[:3]) != (1, 1, 1) for one in dots for face in one.get_facecolors())
        assert filled == (own["verdict"] == "changed").sum() == len(ax.texts)
    assert len({ax.get_ylim() for ax in panels.values()}) == 1
    assert [one.get_text() for one in drawing.figure.legends[0].get_texts()] == [
        "ball ratio 5",
        "ball ratio 10",
    ]


def test_the_figure_is_told_from_what_it_draws(benches, results):
    drawing, _ = _panels(results, others=benches.comparison["D90"].benches)
    frame = results.agreement.by_condition
    (there,) = frame[frame["verdict"] == "changed"].to_dict("records")
    said = f"{there['group']}: +{there['difference_percent']:.1f} % ("
    assert said in drawing.alternative
    assert "at 48 min, ball ratio 10, shown to differ; otherwise" in drawing.alternative
    others = [
        one.group
        for one in benches.comparison["D90"].benches
        if any(at.verdict is Verdict.CHANGED for at in one.at)
    ]
    assert others
    assert all(f"D90 of {name} at " in drawing.caption for name in others)


def test_groups_at_one_condition_stand_beside_each_other(results):
    agreement = results.agreement
    frame = agreement.by_condition
    frame = frame[frame["milling_time_min"] == 48.0]
    one = replace(
        results,
        agreement=replace(
            agreement, by_condition=frame, conditions=("ball_ratio", "milling_time_min")
        ),
    )
    _, panels = _panels(
        replace(
            one, agreement=replace(one.agreement, by_condition=frame[frame["ball_ratio"] == 5.0])
        )
    )
    (ax,) = panels.values()
    names = [label.get_text() for label in ax.get_xticklabels()]
    assert names == sorted(set(frame["group"]))


def test_differences_at_a_condition_are_on_the_page_with_their_verdict(results):
    table = conditions_table(results)
    frame, found = table.frame, results.agreement.answers
    told = [at.verdict.value for one in found for at in one.at]
    assert sorted(frame["verdict"]) == sorted(told)
    (there,) = frame[frame["verdict"] == "changed"].to_dict("records")
    assert (there["group"], there["milling_time_min"], there["ball_ratio"]) == ("Alder", 48.0, 10.0)
    assert there["finding"] == "action signal"
    assert frame["e_n"].to_numpy() == pytest.approx(frame["zeta"].to_numpy() / 2)


def test_front_holds_figure_and_table_and_long_tables_are_files(results):
    page = groups_page(results)
    assert [type(block).__name__ for block in page.front().blocks] == [
        "Paragraph",
        "Drawing",
        "Table",
    ]
    told = bench_sentences(results.agreement.answers)
    assert told[0].startswith("Alder differs")  # page one tells that
    assert page.lead == told[1:]
    assert {table.name for table in page.first} == {"group agreement", "group precision"}
    behind = {one.name for one in page.back().blocks}
    assert behind == {"group differences by condition", "group precision", "beyond the limits"}
    files = {table.name for table in page.files}
    assert {"group consistency", "group outliers"} <= files
    assert [one.heading for one in agreement_table(results.agreement).columns][1].startswith("last")


def test_one_group_is_answered_in_words_and_has_no_page(single):
    page = groups_page(single)
    assert page.sentences[0].startswith("It cannot be told whether the groups agree in D50")
    assert page.blocks == ()
    assert (page.front(), page.lead) == (None, ())
    assert any(note.startswith("Intraclass correlation not computed") for note in page.notes)


def test_margin_of_the_study_is_used(benches, bench):
    assert stated_margin(benches.study) == 5.0
    assert stated_margin(bench.study) is None


def test_place_words_follow_the_type_of_the_value():
    row = {"milling_time_min": 6.0, "operator": "A", "lot": 3}
    assert place_words(row, ["milling_time_min", "operator"]) == "6 min, operator A"
    assert place_words(pd.Series(row).to_dict(), ["lot"]) == "lot 3"


def test_runs_without_a_condition_are_named(benches):
    first, *rest = benches.study.runs
    bare = replace(first, factors={})
    some = replace(benches.study, runs=(bare, *rest))
    page = groups_page(collect_groups(some, benches.sizes, intraclass=False))
    assert page.notes[1:] == (
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
        assert name == names["Alder"] or name in page.lead[0]
        assert name in page.drawings[0].alternative
    assert list(page.tables[0].frame["group"]) == list(names.values())
    assert not any("Mill 2,5" in text for text in (*page.lead, *page.sentences))
