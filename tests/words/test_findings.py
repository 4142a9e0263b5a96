"""Sentences of a verdict on two levels."""

import math

import pytest

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.response import ComparisonRemark
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.comparison import finding_sentence

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
