"""The page of a comparison: the same numbers, told once."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.comparison import compare
from psdstats.output.pages.comparison import (
    change_rows,
    comparison_page,
    effects_drawing,
    effects_table,
    pair_rows,
    ratio_drawing,
    variance_table,
)
from psdstats.output.pages.comparison import (
    tests_table as f_table,
)
from psdstats.output.table import Table
from psdstats.words.comparison import (
    BALANCE,
    GROUPS,
    NEXT,
    SINCE,
    STOP,
    answers,
    finding_sentence,
    headlines,
    levels_tested,
)


def _course_of(comparison, quantity, level):
    return next(one for one in comparison[quantity].courses if f"{one.where}:1" == level)


def test_answers_are_fall_since_stop_and_factor_then_groups(benches):
    told = answers(benches.comparison)
    kinds = list(dict.fromkeys(word for word, _ in told))
    assert kinds == ["changed", SINCE, STOP, "ball ratio", GROUPS, BALANCE, NEXT]
    assert len({one for _, one in told}) == len(told)
    fallen = [one for word, one in told if word == "changed"]
    assert [one.split()[3] for one in fallen] == ["D10", "D50", "D90", "span"]


def test_every_change_is_that_of_its_finding_or_a_bound(benches):
    """At the last time that of the course, else that of the family; bounds where runs are open."""
    found = benches.comparison
    rows = change_rows(found)
    assert len(rows) == 4 * 2 * 4
    usual = {
        (own.subject.quantity, own.subject.high, f"{own.subject.where}:1"): own
        for result in found.results
        for own in result.findings
        if own.subject.family == "against first"
    }
    for row in rows.to_dict("records"):
        course = _course_of(found, row["quantity"], row["level"])
        place = course.times.index(row["at"]) - 1
        ends = (row["ratio_lower"], row["ratio_upper"])
        if row["quantity"] == "D10" and row["at"] == "48":
            assert np.isnan(row["ratio"])
            assert ends == (0.0, pytest.approx(np.exp(-course.at_least[place])))
            assert row["verdict"] == "changed"
            assert row["told"] == f"≥ {np.floor(100 * (1 - ends[1])):.0f} % finer"
        elif row["at"] == "48":
            own = course.fallen.numbers
            assert ends == pytest.approx(tuple(np.exp([own.lower, own.upper])))
        else:
            own = usual[row["quantity"], row["at"], row["level"]].numbers
            assert row["ratio"] == pytest.approx(np.exp(own.estimate))
            assert ends == pytest.approx(tuple(np.exp([own.lower_single, own.upper_single])))


def test_levels_are_compared_at_each_time_with_the_control(benches):
    rows = pair_rows(benches.comparison)
    own = rows[rows["quantity"] == "D50"].set_index("at")
    (answer,) = benches.comparison["D50"].factors
    assert list(own.index) == ["0", "6", "12", "24", "48"]
    for one in (answer.control, *answer.at):
        assert own.loc[one.subject.where, "ratio"] == pytest.approx(np.exp(one.numbers.estimate))
        assert own.loc[one.subject.where, "verdict"] == one.verdict
    assert set(rows["level"]) == {"10:1 vs 5:1"}


def test_one_figure_in_front_draws_every_row(benches):
    drawing = effects_drawing(benches.comparison)
    assert drawing.is_front
    rows, pairs = change_rows(benches.comparison), pair_rows(benches.comparison)
    for ax, frame in zip(drawing.figure.axes, (rows, pairs), strict=True):
        dots = [one for one in ax.collections if hasattr(one, "get_offsets") and one.get_urls()[0]]
        drawn = sorted(float(x) for one in dots for x, _ in one.get_offsets())
        assert drawn == pytest.approx(sorted(frame["ratio"].dropna()))
    for row in rows.to_dict("records"):
        assert f"{row['at']} min {' '.join(row['told'].split())}" in drawing.alternative
    height_mm = 25.4 * drawing.figure.get_size_inches()[1]
    assert height_mm <= 215.1
    left, right = drawing.figure.axes
    assert left.get_xlabel() == "size at the later time / size at 0 min"
    assert right.get_xlabel() == "size at 10:1 / size at 5:1"
    assert "within the margin of 5 %" in drawing.caption


def test_one_bench_has_changes_without_levels(bench):
    drawing = effects_drawing(bench.comparison)
    (ax,) = drawing.figure.axes
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "6 min", "12 min", "24 min", "48 min"
    ] * 4  # fmt: skip
    assert "Shaded" not in drawing.caption


def test_a_comparison_of_no_times_shows_the_family_that_leads(benches):
    found = compare(benches.study, "ball_ratio", quantities=("D50",), propagation=benches.sizes)
    beside = (GROUPS, BALANCE, NEXT)
    (told,) = (one for word, one in answers(found) if word not in beside)
    count, most = (
        "Of 5 pairs in D50, 4 changed and 1 is equivalent",
        "the largest change: at 48 min",
    )
    assert told.startswith(f"{count}; {most}, D50 at ball ratio 10 is ")
    assert effects_drawing(found) is None
    (drawing,) = comparison_page(found).drawings
    assert drawing.name == "effect ratios all pairs"
    assert drawing.is_front
    assert "D50 10 vs 5, milling time 24" in drawing.alternative or "24 min" in drawing.alternative


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
        below.blocks[0].items for below in comparison_page(benches.comparison).back().sections
    )
    assert models[1].startswith("D50, D90: Restricted maximum likelihood fit of ln size to milling")
    assert not [text for text in (*models, *notes) if "_" in text]
    drifting = [text for text in notes if "drift apart" in text]
    assert len(drifting) == 1
    assert drifting[0].startswith("Groups were allowed to drift apart ")


def test_drawn_ratios_are_those_of_the_table(benches):
    drawing = ratio_drawing(benches.comparison, "against first", ["D50"])
    rows = benches.comparison["D50"].to_frame("against first")
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


def test_equivalence_has_the_interval_of_its_test(bench):
    plan = replace(bench.comparison.plan, margin_percent=5.0)
    heading = "interval of the equivalence test"
    plain = effects_table(bench.comparison, "successive")
    assert heading not in [one.heading for one in plain.columns]
    table = effects_table(replace(bench.comparison, plan=plan), "successive")
    assert heading in [one.heading for one in table.columns]
    assert "±5 %" in table.notes[0]


def test_tables_stand_behind_and_files_hold_the_rest(benches):
    page = comparison_page(benches.comparison)
    assert [one.name for one in page.front().blocks] == ["changes by time"]
    shown = [block.name for block in page.back().blocks if isinstance(block, Table)]
    assert shown == [
        "courses", "factors", "groups that differ", "effects against first",
        "variance components", "tests",
    ]  # fmt: skip
    assert [table.name for table in page.files] == [
        "groups against the others", "effects successive", "effects all pairs"
    ]  # fmt: skip
    assert [table.name for table in page.first][:2] == ["courses", "factors"]
    assert page.sentences == headlines(benches.comparison)


def test_groups_that_differ_are_counted_and_the_rest_is_in_the_files(benches):
    tables = {table.name: table for table in comparison_page(benches.comparison).tables}
    whole, shown = tables["groups against the others"], tables["groups that differ"]
    changed = whole.frame[whole.frame["verdict"] == "changed"]
    assert len(shown.frame) == len(changed) > 0
    assert shown.caption == (
        f"Groups shown to differ from the others: {len(changed)} of {len(whole.frame)} comparisons."
    )


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


def test_a_test_without_degrees_of_freedom_says_so(benches):
    """An F on 0.0 degrees of freedom is none."""
    (result, *others) = benches.comparison.results
    empty = replace(result, tests=(replace(result.tests[0], df_den=0.02), *result.tests[1:]))
    (row, *rest) = f_table(replace(benches.comparison, results=(empty, *others))).grid()
    assert row[3:7] == ["–", "–", "–", "–"]
    inside = "; levels within the sieves alone"  # D10 at 48 min is a bound
    assert row[7] == f"{result.route}{inside}; F has no degrees of freedom left"
    assert f_table(benches.comparison).grid()[-1][7] == f"{result.route}{inside}"
    assert all("no degrees" not in cell for other in rest for cell in other)
    held = "0, 6, 12, 24 and 48 min at ball ratio 5; 0, 6, 12 and 24 min at ball ratio 10"
    assert levels_tested(benches.comparison, result) == held
    assert levels_tested(benches.comparison, benches.comparison["D50"]) == ""
