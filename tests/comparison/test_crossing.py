"""How a factor lies to milling time, groups, charges and other factors."""

import itertools

import pandas as pd
import pytest

from psdstats.comparison.plan import Crossing, place_factor


def table(rule, *, groups="AB", times=(0.0, 6.0, 12.0), levels=(5.0, 10.0), **further):
    """Runs of every group, time and level that a rule keeps; further columns by rules too."""
    rows = [
        {"group": g, "milling_time_min": t, "ball_ratio": r}
        | {name: made(g, t, r) for name, made in further.items()}
        for g, t, r in itertools.product(groups, times, levels)
        if rule(g, t, r)
    ]
    return pd.DataFrame(rows)


def test_every_level_at_every_time_is_crossed():
    assert place_factor(table(lambda *_: True), "ball_ratio") is Crossing.CROSSED


def test_an_empty_cell_is_no_obstacle():
    found = place_factor(table(lambda g, t, r: (t, r) != (0, 10)), "ball_ratio")
    assert found is Crossing.CROSSED


def test_a_cell_that_one_group_has_is_no_gap():
    found = place_factor(table(lambda g, t, r: g == "A" or r == 5), "ball_ratio")
    assert found is Crossing.CROSSED


@pytest.mark.parametrize(
    ("rule", "crossing"),
    [
        (lambda g, t, r: r == 5, Crossing.APART),
        (lambda g, t, r: r == (5 if t < 12 else 10), Crossing.APART),
        (lambda g, t, r: r == (5 if g == "A" else 10), Crossing.IN_GROUPS),
        (lambda g, t, r: (t, r) in ((0, 5), (6, 5), (6, 10), (12, 10)), Crossing.APART),
    ],
)
def test_what_cannot_be_told_apart(rule, crossing):
    assert place_factor(table(rule), "ball_ratio") is crossing


def test_several_groups_of_each_level_are_still_nested():
    runs = table(lambda g, t, r: r == (5 if g in "AB" else 10), groups="ABCD")
    assert place_factor(runs, "ball_ratio") is Crossing.IN_GROUPS


def test_one_group_nests_nothing():
    assert place_factor(table(lambda *_: True, groups="A"), "ball_ratio") is Crossing.CROSSED


def test_a_factor_that_goes_with_another():
    runs = table(lambda *_: True, operator=lambda g, t, r: "x" if r == 5 else "y")
    assert place_factor(runs, "operator", among=["ball_ratio"]) is Crossing.APART
    assert place_factor(runs, "operator") is Crossing.CROSSED
    # three levels in two are not the same factor
    runs["operator"] = [f"{x}{g}" for x, g in zip(runs["operator"], runs["group"], strict=True)]
    assert place_factor(runs, "operator", among=["ball_ratio"]) is Crossing.CROSSED


def test_what_differs_in_every_run_is_no_factor():
    runs = table(lambda *_: True)
    runs["room_c"] = [20.1, 20.4, 20.2, 20.9, 20.7, 20.5, 20.6, 21.0, 20.3, 20.8, 21.1, 21.2]
    assert place_factor(runs, "room_c") is Crossing.APART


def test_runs_without_a_value_are_left_aside():
    runs = table(lambda *_: True)
    runs.loc[runs["milling_time_min"] == 0, "ball_ratio"] = None
    assert place_factor(runs, "ball_ratio") is Crossing.CROSSED


def test_levels_in_groups_that_share_one_time_are_apart():
    runs = table(lambda g, t, r: r == (5 if g == "A" else 10) and (g == "A" or t == 6))
    assert place_factor(runs, "ball_ratio") is Crossing.APART
