"""What is compared with what: choices of the caller, of study.toml and of the data, in words."""

import argparse
import itertools

import numpy as np
import pytest
from psdstats_cli.options import add_comparison
from scipy import stats

from psdstats.comparison.plan import PlanRemark, SpreadRule, plan_comparison
from psdstats.errors import ModelError
from psdstats.study.settings import check_settings
from psdstats.study.tables import Origin
from psdstats.words.comparison import notes, place
from psdstats.words.remarks import sentence


def _rows(replicates=1, **more):
    cells = itertools.product(("Alder", "Birch"), (0.0, 24.0), range(replicates))
    return [{"group": group, "milling_time_min": time, **more} for group, time, _ in cells]


def test_groups_are_blocks_and_it_is_said(planted_study):
    plan = plan_comparison(planted_study(_rows()))
    assert (plan.by, plan.within, plan.also) == ("milling_time_min", ("group",), ())
    assert [sentence(one) for one in plan.remarks] == [
        "Levels are compared within each group, so that a difference that lasts over all its runs "
        "does not count.",
        "No run names its charge, so each counts as a filling of the mill of its own: runs taken "
        "from one filling need its name in the column charge.",
    ]


def test_single_runs_that_name_no_charge_may_be_of_one(planted_study):
    """Not with replicates, with a charge named, or where each group has one run alone."""

    def is_told(rows, **options):
        kinds = [one.kind for one in plan_comparison(planted_study(rows), **options).remarks]
        return PlanRemark.OWN_CHARGES in kinds

    rows = _rows()
    assert is_told(rows)
    assert is_told([row | {"ball_ratio": one} for row in rows for one in (5.0, 10.0)])
    assert is_told([row | {"group": "Alder"} for row in rows[:2]])
    assert not is_told(_rows(2))
    assert not is_told([row | {"charge": "one"} for row in rows[:2]])
    assert not is_told([row | {"charge": f"{k}"} for k, row in enumerate(rows)])
    assert not is_told(rows, by="group")
    assert not is_told([row | {"group": f"bench {k}"} for k, row in enumerate(rows)])


def test_replicates_add_the_cells(planted_study):
    plan = plan_comparison(planted_study(_rows(2)))
    assert plan.within == ("group", ("group", "milling_time_min"))
    assert (plan.blocks, plan.cells) == (("group",), (("group", "milling_time_min"),))
    without = plan_comparison(planted_study(_rows(2)), leave_out=["cell"])
    assert without.within == ("group",)
    assert "was left out as asked" in sentence(without.remarks[-1])


def test_comparing_groups_sets_the_time_aside(planted_study):
    plan = plan_comparison(planted_study(_rows()), by="group")
    assert plan.within == ()
    assert plan.also == ("milling_time_min",)
    assert sentence(plan.remarks[0]).startswith(
        "Runs of several milling times are compared by group"
    )


def test_what_is_asked_is_added_and_the_caller_wins_over_study_toml(planted_study):
    settings = {"within": ["group"], "margin_percent": 5.0}
    rows = [{**row, "shift": "ab"[i // 8]} for i, row in enumerate(_rows(2) * 2)]
    study = planted_study(rows, compare=settings)
    design = ("group", ("group", "milling_time_min"))
    assert plan_comparison(study, leave_out=["shift"]).within == design
    assert plan_comparison(study).margin_percent == 5.0
    asked = plan_comparison(study, within="group:shift", margin_percent=2.0, leave_out=["shift"])
    assert asked.within == ("group", ("group", "shift"), ("group", "milling_time_min"))
    assert asked.margin_percent == 2.0


def test_settings_of_another_factor_become_further_factors(planted_study):
    rows = [{**row, "ball_ratio": ratio} for ratio, row in itertools.product((5.0, 10.0), _rows())]
    settings = {"by": "milling_time_min", "within": ["group"], "also": ["ball_ratio"]}
    plan = plan_comparison(planted_study(rows, compare=settings), by="ball_ratio")
    assert plan.by == "ball_ratio"
    assert (plan.at_each, plan.also) == (("milling_time_min",), ())


def test_columns_left_out_are_named(planted_study):
    rows = [{**row, "operator": f"{i}"} for i, row in enumerate(_rows(2))]
    plan = plan_comparison(planted_study(rows))
    assert sentence(plan.remarks[-1]) == (
        "Operator differs between runs and is not in the model; its effect counts as variation "
        "between runs unless it is added as a further factor."
    )


def test_a_column_bound_to_the_factor_compared_is_said_to_be_part_of_it(planted_study):
    rows = [{**row, "ball_ratio": 5.0 if row["group"] == "Alder" else 10.0} for row in _rows(2)]
    plan = plan_comparison(planted_study(rows), by="group")
    assert sentence(plan.remarks[-1]) == (
        "Ball ratio is not in the model and is the same in all runs of one group; its effect "
        "cannot be told from that of group and is part of it."
    )
    mixed = [{**row, "ball_ratio": (5.0, 10.0)[i % 2]} for i, row in enumerate(_rows(2))]
    last = plan_comparison(planted_study(mixed), by="group").remarks[-1]
    assert "variation between runs" in sentence(last)


def test_interaction_and_cells_with_at_each(planted_study):
    rows = [{**row, "ball_ratio": ratio} for ratio, row in itertools.product((5.0, 10.0), _rows())]
    plan = plan_comparison(planted_study(rows))
    assert plan.at_each == ("ball_ratio",)
    assert plan.factors == ("milling_time_min", "ball_ratio")
    assert place(plan.by, "24") == "24 min"
    assert place("ball_ratio", "5") == "ball ratio 5"


def test_names_side_by_side_are_two_groupings_and_a_tuple_inside_is_one(planted_study):
    rows = [{**row, "operator": "abcd"[i % 4]} for i, row in enumerate(_rows(2))]
    study = planted_study(rows)
    assert plan_comparison(study, within=("group", "operator")).within[:2] == ("group", "operator")
    for combined in ("group:operator", [("group", "operator")], (("group", "operator"),)):
        assert plan_comparison(study, within=combined).within[1] == ("group", "operator")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (
            {"within": ("group", "milling_time_min")},
            "milling_time_min is a factor of this comparison, so it cannot be a grouping (within) "
            "by itself: leave it out of one of them, or name its combination with group as one "
            "text, 'group:milling_time_min' (two names side by side are two groupings).",
        ),
        (
            {"within": "group", "at_each": "group"},
            "group is a factor of this comparison, so it cannot be a grouping (within) by itself: "
            "leave it out of one of them.",
        ),
        (
            {"within": "group:milling_time_min", "at_each": "group"},
            "milling_time_min and group are compared in every combination, so that combination "
            "cannot be a grouping (within) as well: leave it out of within, or add a further "
            "column to it.",
        ),
    ],
)
def test_groupings_that_are_compared_are_refused(planted_study, options, says):
    with pytest.raises(ModelError) as refusal:
        plan_comparison(planted_study(_rows(2)), **options)
    assert str(refusal.value) == says


def test_spread_is_the_callers_then_the_settings_then_drifting(planted_study):
    set_up = planted_study(_rows(), compare={"by": "milling_time_min", "spread": "pooled"})
    assert plan_comparison(planted_study(_rows())).spread is SpreadRule.DRIFTING
    assert plan_comparison(set_up).spread is SpreadRule.POOLED
    assert plan_comparison(set_up, by="group").spread is SpreadRule.POOLED
    assert plan_comparison(set_up, spread="each contrast").spread is SpreadRule.EACH_CONTRAST


@pytest.mark.parametrize("spread", list(SpreadRule))
def test_settings_and_command_line_know_every_spread(spread):
    """The names stand in the settings and the command line as text; they must not part."""
    parser = argparse.ArgumentParser()
    add_comparison(parser)
    asked = parser.parse_args(["--spread", spread.value.replace(" ", "-")])
    assert asked.spread.replace("-", " ") == spread.value  # as the command does
    settings = {"title": "invented", "compare": {"spread": spread.value}}
    assert check_settings(settings, Origin("study.toml"))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (
            {"by": "operator"},
            "The run table has no column 'operator'. Name one of: group, milling_time_min, "
            "replicate, split, charge, sample_mass_g, balance, mill.",
        ),
        (
            {"by": "mill"},
            "Column mill holds the single value M1 in all 4 runs, so there is nothing to compare. "
            "Choose a column with two values or more.",
        ),
        (
            {"by": "replicate"},
            "Column replicate holds no value in all 4 runs, so there is nothing to compare. "
            "Choose a column with two values or more.",
        ),
        (
            {"within": ["mill"]},
            "Column mill holds the single value M1 in all 4 runs, so there is nothing to compare. "
            "Choose a column with two values or more.",
        ),
        (
            {"by": "group", "at_each": "group"},
            "The comparison is by group within each group: name two columns.",
        ),
        (
            {"margin_percent": -1.0},
            "margin_percent is -1.0; give a number from 0.01 to 95 per cent.",
        ),
        (
            {"spread": "wide"},
            "There is no spread 'wide'; choose from 'drifting', 'pooled', 'each contrast'.",
        ),
    ],
)
def test_refusals_say_what_to_do(planted_study, options, says):
    with pytest.raises(ModelError) as refusal:
        plan_comparison(planted_study(_rows(mill="M1")), **options)
    assert str(refusal.value) == says


def test_runs_without_a_value_of_a_factor_are_set_aside(planted):
    rows = [
        {"group": group, "milling_time_min": time, **({} if ratio is None else {"ratio": ratio})}
        for time in (0.0, 24.0)
        for group, ratio in (("Alder", 5.0), ("Alder", 10.0), ("Birch", 5.0), ("Birch", 10.0))
        for ratio in (ratio, None)
    ]
    size = [
        2.0 + 0.2 * (row.get("ratio", 400.0) == 10.0) + (0.0 if "ratio" in row else 9.0)
        for row in rows
    ]
    noise = [0.01 * (-1) ** (i // 2) * (1 + i % 3) for i in range(len(rows))]
    found = planted(rows, [a + b for a, b in zip(size, noise, strict=True)], by="ratio")
    assert (
        "8 runs have no ratio and were set aside: run-1, run-3, run-5, run-7 and 4 more."
    ) in notes(found)
    effect = found["D50"].to_frame("all pairs").iloc[0]
    # the planted runs without a ratio are e^9 times as coarse: one of them would ruin this
    assert effect["ratio"] == pytest.approx(1.2214, rel=0.05)
    assert effect["contrast"] == "10 - 5 at 0"


def test_a_factor_with_the_groups_one_to_one_is_refused_in_words(planted_study):
    rows = [{**row, "ratio": {"Alder": 5.0, "Birch": 10.0}[row["group"]]} for row in _rows(2)]
    message = r"ratio differs only where group does \(5 only in Alder, 10 only in Birch\)"
    with pytest.raises(ModelError, match=message):
        plan_comparison(planted_study(rows), by="ratio")


@pytest.mark.parametrize("settings", [{}, {"compare": {"also": ["ratio"]}}])
def test_a_factor_with_the_groups_one_to_one_is_not_refused_unless_asked(planted_study, settings):
    """Answered at each level, and said to be nested; the caller who names it is refused."""
    rows = [{**row, "ratio": {"Alder": 5.0, "Birch": 10.0}[row["group"]]} for row in _rows(2)]
    study = planted_study(rows, **settings)
    plan = plan_comparison(study)
    assert (plan.at_each, plan.also, plan.blocks) == (("ratio",), (), ("group",))
    assert PlanRemark.NESTED(column="ratio") in plan.remarks
    with pytest.raises(ModelError, match="ratio differs only where group does"):
        plan_comparison(study, also=["ratio"])


def test_at_one_time_groups_are_compared_with_the_factor_that_goes_with_them(planted_study):
    rows = [
        {"group": group, "milling_time_min": 6.0, "ratio": ratio}
        for group, ratio in (("Alder", 5.0), ("Birch", 10.0))
        for _ in range(3)
    ]
    plan = plan_comparison(planted_study(rows))
    assert (plan.by, plan.at_each, plan.also) == ("group", (), ())
    assert plan.remarks == (PlanRemark.PART_OF_FACTOR(column="ratio", factor="group"),)


def test_groups_of_one_level_each_are_what_levels_are_held_against(planted):
    """Two groups a ratio, three runs each: the t-test of the four means of groups, 2 df (scipy)."""
    generator = np.random.default_rng(4)
    names = {"Alder": 5.0, "Birch": 5.0, "Cedar": 10.0, "Rowan": 10.0}
    rows = [{"group": name, "ratio": ratio} for name, ratio in names.items() for _ in range(3)]
    own = np.repeat(generator.normal(0, 0.05, 4), 3)
    y = 5.0 + own + generator.normal(0, 0.005, 12)
    effect = planted(rows, y, by="ratio")["D50"].to_frame().iloc[0]
    means = y.reshape(4, 3).mean(axis=1)
    expected = stats.ttest_ind(means[2:], means[:2])
    assert effect["p"] == pytest.approx(expected.pvalue, rel=1e-6)
    assert effect["df"] == pytest.approx(2.0, rel=1e-6)


def test_a_combination_that_nothing_tells_from_its_parts_is_left_out(planted_study):
    kinds = (("Alder", 5.0), ("Birch", 5.0), ("Birch", 10.0))
    rows = [
        {"group": group, "milling_time_min": time, "ratio": ratio}
        for (group, ratio), time in itertools.product(kinds, (0.0, 24.0))
    ]
    assert plan_comparison(planted_study(rows), by="ratio").within == ("group",)
