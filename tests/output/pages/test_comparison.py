"""The page of a comparison: the same numbers, told once."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.comparison import compare
from psdstats.output.pages.comparison import (
    comparison_page,
    effects_table,
    factor_drawings,
    ratio_drawing,
    variance_table,
)
from psdstats.output.pages.comparison import (
    tests_table as f_table,
)
from psdstats.output.tables.table import Table
from psdstats.words.comparison import (
    BALANCE,
    GROUPS,
    NEXT,
    SINCE,
    STOP,
    answers,
    finding_sentence,
)


def test_answers_are_fall_since_stop_and_factor_then_groups(benches):
    told = answers(benches.comparison)
    kinds = list(dict.fromkeys(word for word, _ in told))
    assert kinds == ["changed", SINCE, STOP, "ball ratio", GROUPS, BALANCE, NEXT]
    assert len({one for _, one in told}) == len(told)
    fallen = [one for word, one in told if word == "changed"]
    assert [one.split()[3] for one in fallen] == ["D10", "D50", "D90", "span"]


def test_levels_that_are_no_times_are_told_where_they_changed(benches):
    found = compare(benches.study, "ball_ratio", quantities=("D50",), propagation=benches.sizes)
    beside = (GROUPS, BALANCE, NEXT)
    (told,) = (one for word, one in answers(found) if word not in beside)
    count, most = (
        "Of 5 pairs in D50, 4 changed and 1 is equivalent",
        "the largest change: at 48 min",
    )
    assert told.startswith(f"{count}; {most}, D50 at ball ratio 10 is ")


def test_effects_are_the_comparison_in_full(benches):
    table = effects_table(benches.comparison, "successive")
    expected = benches.comparison.to_frame("successive")
    for name in ("ratio", "ratio_lower", "df", "p_adjusted", "detectable_low_percent"):
        assert table.frame[name].to_numpy() == pytest.approx(expected[name].to_numpy(), nan_ok=True)
    row = expected.iloc[0]
    cells = dict(zip([one.heading for one in table.columns], table.grid()[0], strict=True))
    ends = (row["detectable_low_percent"], row["detectable_high_percent"])
    assert cells["detectable decrease"] == f"{ends[0]:.1f} to {ends[1]:.1f}"
    assert list(table.frame["contrast"].unique()) == ["6 vs 0", "12 vs 6", "24 vs 12", "48 vs 24"]
    assert table.caption == (
        "Effect of milling time, each level against the one before: ratios of sizes."
    )


def test_level_of_the_other_factor_has_a_column(benches):
    found = compare(
        benches.study,
        "ball_ratio",
        "group",
        at_each="milling_time_min",
        quantities=("D50",),
        propagation=benches.sizes,
    )
    table = effects_table(found, "all pairs")
    assert list(table.frame["milling_time_min"]) == ["0", "6", "12", "24", "48"]
    assert set(table.frame["contrast"]) == {"10 vs 5"}
    assert table.row_headings == 3
    drawing = ratio_drawing(found, "all pairs", ["D50"])
    assert "D50 10 vs 5, 24 min: " in drawing.alternative


def test_what_is_said_of_every_quantity_is_said_once(benches):
    models, notes = (
        below.blocks[0].items for below in comparison_page(benches.comparison).whole().sections
    )
    assert models[1].startswith("D50, D90: Restricted maximum likelihood fit of ln size to milling")
    assert not [text for text in (*models, *notes) if "_" in text]
    drifting = [text for text in notes if "drift apart" in text]
    assert len(drifting) == 1
    assert drifting[0].startswith("Groups were allowed to drift apart ")


def test_drawn_ratios_are_those_of_the_table(benches):
    drawing = ratio_drawing(benches.comparison, "against first", ["D50"])
    rows = benches.comparison["D50"].family("against first")
    drawn = [
        float(line.get_xdata()[0])
        for line in drawing.figure.axes[0].lines
        if len(line.get_xdata()) == 1
    ]
    expected = rows[["ratio", "ratio_lower", "ratio_upper"]].to_numpy().ravel()
    assert sorted(drawn) == pytest.approx(sorted(expected), rel=1e-6)
    assert drawing.alternative.count(";") == len(rows) - 1


def test_variances_have_a_column_for_each_quantity(benches):
    table = variance_table(benches.comparison)
    expected = benches.comparison.variance_frame().set_index(["quantity", "component"])
    assert list(table.frame["component"]) == [
        "group",
        "group, drift per step of milling time",
        "group and milling time and ball ratio",
        "runs",
    ]
    for quantity in ("D10", "D50", "D90", "span"):
        runs = table.frame.set_index("component").loc["runs", f"sd_{quantity}_percent"]
        assert runs == pytest.approx(expected.loc[(quantity, "residual"), "sd_percent"])
    below = (benches.comparison.variance_frame()["variance"] < 0).any()
    assert bool(table.notes) == bool(below)


def test_single_runs_have_no_variances(bench):
    assert variance_table(bench.comparison) is None
    table = f_table(bench.comparison)
    assert set(table.frame["route"]) == {bench.comparison["D50"].route.value}


def test_levels_of_the_further_factor_are_drawn_by_time(benches):
    (drawing,) = factor_drawings(benches.comparison)
    (own,) = benches.comparison["D50"].factors
    assert all(f"D50 10 vs 5, {one.subject.where} min: " in drawing.alternative for one in own.at)
    drawn = {
        round(float(line.get_xdata()[0]), 9)
        for line in drawing.figure.axes[0].lines
        if len(line.get_xdata()) == 1
    }
    assert {round(float(np.exp(one.numbers.estimate)), 9) for one in own.at} <= drawn


def test_equivalence_has_the_interval_of_its_test(bench):
    plan = replace(bench.comparison.plan, margin_percent=5.0)
    heading = "interval of the equivalence test"
    plain = effects_table(bench.comparison, "successive")
    assert heading not in [one.heading for one in plain.columns]
    table = effects_table(replace(bench.comparison, plan=plan), "successive")
    assert heading in [one.heading for one in table.columns]
    assert "±5 %" in table.notes[0]


def test_section_and_files_hold_every_family_once(benches):
    page = comparison_page(benches.comparison)
    shown = [block.name for block in page.whole().blocks if isinstance(block, Table)]
    files = [table.name for table in page.files]
    assert [name for name in shown if name.startswith("effects")] == [
        "effects against first",
        "effects successive",
    ]
    assert files == ["effects all pairs"]


def test_a_group_called_at_something_keeps_its_name(benches):
    runs = tuple(
        replace(run, group=f"{run.group} at the river", milling_time_min=run.milling_time_min)
        for run in benches.study.runs
        if run.milling_time_min == 24.0
    )
    study = replace(benches.study, runs=runs)
    found = compare(study, "group", [], also=["ball_ratio"], quantities=("D50",))
    contrasts = list(effects_table(found, "all pairs").frame["contrast"])
    assert "Birch at the river vs Alder at the river" in contrasts


def test_a_contrast_whose_level_is_open_says_what_its_course_says(benches):
    """D10 at 48 min lies below the finest sieves of three benches; its fall has a bound."""
    result = benches.comparison["D10"]
    for course in result.courses:
        ends = course.times[-1], course.times[0], course.where
        for one in result.findings:
            if (one.subject.high, one.subject.low, one.subject.where) == ends:
                assert one.verdict is course.fallen.verdict
    bounded = [one for one in result.findings if np.isnan(one.numbers.estimate)]
    fallen = [one for one in bounded if one.subject.low == "0"]
    assert fallen
    for one in fallen:
        said = finding_sentence(one, benches.comparison.plan)
        assert "% lower than that at 0 min" in said
        assert " is at least " in said
        assert "nan" not in said
