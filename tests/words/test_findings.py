"""Sentences of a verdict on two levels."""

import importlib.util
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.benches import GroupRemark, untold_group
from psdstats.comparison.plan import ComparisonPlan, PlanRemark
from psdstats.comparison.response import ComparisonRemark
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Rule, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.study.flags import Flag, Spot
from psdstats.words.comparison import finding_sentence
from psdstats.words.courses import course_sentence, factor_sentences, least_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import change_words, sentence
from psdstats.words.sheet import claimed, difference_cell, sign_of
from psdstats.words.short_answers import _ended, _last_step, act_on, benches_agree, how_sure
from psdstats.words.study import says_of

_spec = importlib.util.spec_from_file_location(
    "trial_records", Path(__file__).parent / "trial_records.py"
)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

RULE = Rule(level=0.95, margin_percent=None)
UNTOLD = "It cannot be told whether D50 at 24 min differs from that at 0 min"
SEEN = {"estimate": -0.478, "lower": -0.598, "upper": -0.357, "p_adjusted": 4e-4}
MISSED = {"estimate": -0.05, "lower": -0.16, "upper": 0.06, "p_adjusted": 0.3}


def said(verdict, *reasons, margin=None, within=None, where="", by="milling_time_min", **numbers):
    found = Finding(
        kind=FindingKind.LEVELS,
        subject=Contrast(high="24", low="0", quantity="D50", where=where),
        verdict=verdict,
        reasons=reasons,
        numbers=Numbers(**numbers),
        margin_percent=margin,
        within_margin=within,
    )
    at_each = ("ball_ratio",) if where else ()
    return finding_sentence(found, ComparisonPlan(by=by, at_each=at_each))


def test_changed_names_change_interval_and_p():
    assert said(Verdict.CHANGED, **SEEN) == (
        "D50 at 24 min is 38.0 % lower than that at 0 min (30.0 to 45.0 %), p = 0.00040."
    )


def test_level_of_the_further_factor_comes_first():
    told = said(Verdict.CHANGED, where="10", **SEEN)
    assert told.startswith("At ball ratio 10, D50 at 24 min is ")
    untold = said(Verdict.CANNOT_BE_TOLD, where="10")
    assert untold.startswith("At ball ratio 10, it cannot be told whether D50 at 24 min ")


def test_changed_within_the_margin_says_both():
    told = said(Verdict.CHANGED, margin=10, within=True, **SEEN)
    assert told.endswith(", p = 0.00040, and within the margin of ±10 %.")


def test_equivalent_shows_the_interval_of_its_own_test():
    numbers = {"estimate": 0.01, "lower": -0.09, "upper": 0.11, "equivalence_p": 0.0003}
    ends = {"equivalence_lower": -0.07, "equivalence_upper": 0.09}
    assert said(Verdict.EQUIVALENT, margin=10, **numbers, **ends) == (
        "D50 at 24 min is the same as that at 0 min within ±10 % (p = 0.00030): it reads 1.0 % "
        "higher, between 6.8 % lower and 9.4 % higher."
    )


def test_not_shown_gives_how_large_a_change_may_yet_be():
    assert said(Verdict.NOT_SHOWN, **MISSED) == (
        "D50 at 24 min is not shown to differ from that at 0 min (p = 0.30): it reads 5 % lower, "
        "between 15 % lower and 6 % higher."
    )


@pytest.mark.parametrize(
    ("reasons", "numbers", "words"),
    [
        (
            (
                ComparisonRemark.NOT_BRACKETED(
                    quantity="D50", column="milling_time_min", level="24", count=2, runs=3
                ),
                ComparisonRemark.NO_RUN_LEFT(),
            ),
            {},
            "D50 at 24 min is not bracketed by the sieves in 2 of 3 runs and no run is left to "
            "estimate it from.",
        ),
        (
            (VerdictRemark.NO_END(),),
            {"estimate": 0.1, "lower": -math.inf, "upper": math.inf},
            "too few runs are left to judge it by, so its interval has no end; it reads 10.5 % "
            "higher.",
        ),
        (
            (VerdictRemark.MARGIN_TOO_SMALL(),),
            MISSED,
            "a change as large as the margin could easily have been missed; it reads 5 % lower, "
            "between 15 % lower and 6 % higher.",
        ),
    ],
)
def test_what_cannot_be_told_says_why(reasons, numbers, words):
    assert said(Verdict.CANNOT_BE_TOLD, *reasons, **numbers) == f"{UNTOLD}, because {words}"


def test_what_would_undo_a_change_stands_behind_it():
    told = said(Verdict.CHANGED, VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=5.1), **SEEN)
    assert told.endswith("it would take a standard deviation of 5.1 % to undo this.")
    undone = said(Verdict.CANNOT_BE_TOLD, VerdictRemark.UNDONE(percent=4.9), **SEEN)
    assert "and a standard deviation of 4.9 % would undo it" in undone
    nothing = said(Verdict.NOT_SHOWN, VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=0.0), **MISSED)
    assert nothing.endswith("; run-to-run variation was not estimated.")


def _factor(quantity, at, *, since=None):
    return replace(made.factor(at, since=since), quantity=quantity)


def test_a_factor_is_told_only_of_the_times_at_which_a_size_was_compared():
    """What bounds leave open at later times is neither "from 6 min on" nor "at any time"."""
    equal = (Verdict.EQUIVALENT, made.SAME)
    always = _factor("D50", dict.fromkeys(("6", "24", "48"), made.CHANGED), since="6")
    early = _factor("D10", dict.fromkeys(("6", "24"), made.CHANGED), since="6")
    alike = _factor("span", {"6": equal})
    unclear = _factor("D90", {"6": made.NOT_SHOWN})
    told = factor_sentences([early, always, unclear, alike], made.PLAN)
    assert told[0].startswith("Ball ratio matters for D10 at 6 and 24 min; at 24 min D10 at ball ")
    assert told[0].endswith("; at 48 min it cannot be told.")
    assert told[1].startswith("Ball ratio matters for D50 from 6 min on: ")
    assert told[2].startswith("Ball ratio is not shown to matter for D90 at 6 min: ")
    assert told[3].startswith("Ball ratio makes no difference to span beyond ±5 % at 6 min: ")
    assert told[3].endswith("; at 24 and 48 min it cannot be told.")
    assert "at any time" in factor_sentences([alike], made.PLAN)[0]


def test_a_bound_on_page_one_is_the_limit_that_holds_together_with_since_when():
    own = made.COURSES["fell below the finest sieve"]
    allowed = replace(own, at_least=(math.nan, math.nan, 0.5, 0.7))
    assert [str(difference_cell(claimed(one), "")) for one in (own, allowed)] == [
        "≥ 64 % lower*",
        "≥ 50 % lower*",
    ]


def test_a_fall_that_is_shown_without_a_limit_is_a_fall_everywhere():
    """Page one, figure and sentence say that it fell, and none names a limit of 0 %."""
    own = made.COURSES["fell below the finest sieve"]
    lost = replace(
        own.fallen, verdict=Verdict.CANNOT_BE_TOLD, numbers=made.Numbers(lower=-math.inf, upper=0.0)
    )
    course = replace(own, fallen=lost, at_least=(math.nan, math.nan, 0.0, 0.0))
    change = claimed(course)
    assert (str(difference_cell(change, "")), sign_of(change)) == ("lower*", "*")
    assert least_words(course, made.PLAN) == ""
    assert least_words(own, made.PLAN) == "64 %"
    row = {"ratio": math.nan, "ratio_lower": 0.0, "ratio_upper": 1.0, "verdict": "changed"}
    assert change_words(row) == "finer"
    assert (
        change_words(row | {"ratio_upper": 1.76, "verdict": "cannot be told"}) == "cannot be told"
    )
    assert change_words(row | {"ratio_lower": 1.0, "ratio_upper": math.inf}) == "coarser"


def test_the_interval_of_an_equivalence_test_is_called_so():
    """It is shorter than the 95 % interval that the tables show."""
    said = course_sentence(made.COURSES["the same within the margin"], made.PLAN)
    assert said.endswith("between 1.7 % lower and 0.9 % higher by the equivalence test.")


def test_charges_that_may_drift_are_not_called_groups():
    told = [sentence(AdviceRemark.KNOW_DRIFT(charges=count)) for count in (1, 2)]
    assert told[0].startswith("Sample two more charges, or declare how far a charge drifts from ")
    assert told[1].startswith("Sample a third charge, or declare how far charges drift apart from ")
    assert sentence(AdviceRemark.KNOW_DRIFT()).startswith("Run a third group, ")
    own = sentence(AdviceRemark.KNOW_DRIFT(is_own=True))
    assert own.startswith("Run every condition in each group, or declare how far groups drift")
    assert own.endswith("groups with conditions of their own cannot show it")


def test_one_value_far_beyond_the_others_of_its_finding_is_told_with_its_place():
    def flag(run, value):
        return Flag(
            "tare_drift", f"{value} g", Spot("w.csv", 7, run, "90 µm"), value, 0.03, "tares move"
        )

    far = [flag("a", 0.04), flag("b", -8.99), flag("c", 0.05)]
    assert says_of(far) == "tares move (−8.99 to 0.05 g, by far the most in b, 90 µm, row 7)"
    assert says_of([flag("a", 0.05), flag("b", 0.0501)]) == "tares move (0.05 to 0.0501 g)"
    assert says_of([flag("a", 0.05), flag("b", 0.050004)]) == "tares move (0.05 g)"


def test_where_little_was_left_from_the_start_milling_gained_little():
    stop = replace(made.LEFT, since="0", stayed_within="0")
    assert _ended([made.course(ending=stop)], PLAIN) == "Milling gained less than 5 %."
    assert _ended([made.course(ending=made.LEFT)], PLAIN) == "At 24 min."


def test_a_gain_that_levels_have_in_common_is_told_once():
    both = [made.course(where=one, ending=made.FALLING) for one in ("5", "10")]
    told = _last_step(both, made.PLAN, PLAIN)
    assert told == "From 24 min on D50 fell by at least 6.0 % at both ball ratios."
    wet = [replace(one, where=name) for one, name in zip(both, ("wet", "dry"), strict=True)]
    told = _last_step(wet, replace(made.PLAN, at_each=("medium",)), PLAIN)
    assert told.endswith("at least 6.0 % at both levels of medium.")
    more = made.stop(made.Ending.STILL_FALLING, gain_at_least=0.2)
    told = _last_step([both[0], replace(both[1], stop=more)], made.PLAN, PLAIN)
    assert told.endswith("at least 6.0 % at ball ratio 5 and 18 % at 10.")
    ended = [*both, made.course(where="20", ending=made.LEFT)]
    told = _last_step(ended, made.PLAN, PLAIN)
    assert told.endswith("at least 6.0 % at ball ratio 5 and 6.0 % at 10.")


def test_how_sure_says_that_runs_count_as_charges_of_their_own():
    remarks = [PlanRemark.BLOCKS(columns=("group",)), PlanRemark.OWN_CHARGES()]
    told = how_sure(None, None, None, remarks=remarks)
    assert told.rest == sentence(PlanRemark.OWN_CHARGES())
    assert how_sure(None, None, None, remarks=remarks[:1]).rest == ""


def test_where_no_fall_is_shown_there_is_no_time_to_stop_at():
    none = made.course(ending=made.LEFT, verdict=made.Verdict.NOT_SHOWN, **made.NONE_SHOWN)
    assert _ended([none], PLAIN) == "No gain by milling is shown."


def test_the_drift_allowed_for_has_the_decimal_sign_of_the_reader():
    told = sentence(VerdictRemark.DRIFT_UNKNOWN(percent=3.2), Numerals(","))
    assert "one of 1,5 % per step is allowed for" in told


def test_a_group_that_differs_beside_another_alone_is_told_by_that_one():
    benches = made.BENCHES["one differs beside another alone"]
    trial = SimpleNamespace(
        results=[SimpleNamespace(quantity="D50", courses=made.AT_BOTH, benches=benches)]
    )
    told = benches_agree(trial)
    assert "Alder is" in told.strong
    assert told.rest.endswith("Without Alder, Rowan is not shown to differ.")


def test_page_one_says_that_a_ratio_and_its_group_are_one():
    """Where each group has a ratio of its own a reader would take one for the other."""
    alone = untold_group("Alder", "D50", GroupRemark.ALONE(columns=("ball_ratio",)), RULE)
    trial = SimpleNamespace(
        results=[SimpleNamespace(quantity="D50", courses=made.AT_BOTH, benches=(alone,))],
        plan=ComparisonPlan(
            by="milling_time_min", remarks=(PlanRemark.NESTED(column="ball_ratio"),)
        ),
    )
    told = benches_agree(trial).rest
    assert told.endswith("what it does cannot be told from what the groups do.")


def test_groups_to_look_at_are_named_together():
    look = [AdviceRemark.LOOK_AT_GROUP(group=name) for name in ("Alder", "Birch")]
    assert act_on([], [], look).rest == "Look at Alder and Birch: speed, balls, charge."
