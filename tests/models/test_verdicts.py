"""The one rule of the verdicts, and the sentences that its findings become."""

import numpy as np
import pytest

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.response import ComparisonRemark
from psdstats.errors import ModelError
from psdstats.findings import Contrast, FindingKind, Numbers, Verdict
from psdstats.models.verdicts import VerdictRemark, judge, undoing_percent
from psdstats.words.comparison import finding_sentence

SUBJECT = Contrast(high="24", low="0", quantity="D50")
UNTOLD = "It cannot be told whether D50 at 24 min differs from that at 0 min"
MISSED = {"estimate": -0.05, "lower": -0.16, "upper": 0.06, "p_adjusted": 0.3}
SEEN = {"estimate": -0.3, "lower": -0.4, "upper": -0.2, "p_adjusted": 0.001}


def judged(*, margin_percent=None, obstacles=(), undone_by_percent=None, **numbers):
    return judge(
        SUBJECT,
        Numbers(**numbers),
        margin_percent=margin_percent,
        obstacles=obstacles,
        undone_by_percent=undone_by_percent,
    )


def said(finding):
    return finding_sentence(finding, ComparisonPlan(by="milling_time_min"))


def test_changed_names_change_interval_and_p():
    found = judged(estimate=-0.478, lower=-0.598, upper=-0.357, p_adjusted=4e-4)
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is None
    assert found.reasons == ()
    assert said(found) == (
        "D50 at 24 min is 38.0 % lower than that at 0 min (30.0 to 45.0 %), p = 0.00040."
    )


def test_changed_but_within_the_margin_says_both():
    numbers = {"estimate": 0.02, "lower": 0.01, "upper": 0.03, "p_adjusted": 0.001}
    found = judged(**numbers, margin_percent=10, equivalence_p=1e-6)
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is True
    assert said(found).endswith(", p = 0.0010, and within the margin of ±10 %.")


def test_equivalent():
    numbers = {"estimate": 0.01, "lower": -0.02, "upper": 0.04, "p_adjusted": 0.4}
    found = judged(
        **numbers, margin_percent=10, equivalence_p=0.0003, detectable_decrease_percent=3.8
    )
    assert found.verdict is Verdict.EQUIVALENT
    assert said(found) == (
        "D50 at 24 min is that at 0 min within ±10 % (p = 0.00030): it reads 1.0 % higher, between "
        "2.0 % lower and 4.1 % higher."
    )


def test_equivalent_shows_the_interval_of_its_own_test():
    numbers = {"estimate": 0.01, "lower": -0.09, "upper": 0.11, "p_adjusted": 0.4}
    found = judged(
        **numbers,
        margin_percent=10,
        equivalence_p=0.0003,
        equivalence_lower=-0.07,
        equivalence_upper=0.09,
    )
    assert said(found).endswith("it reads 1.0 % higher, between 6.8 % lower and 9.4 % higher.")


def test_not_shown_gives_how_large_a_change_may_yet_be():
    found = judged(**MISSED, detectable_decrease_percent=15.2)
    assert found.verdict is Verdict.NOT_SHOWN
    assert said(found) == (
        "D50 at 24 min is not shown to differ from that at 0 min (p = 0.30): it reads 5 % lower, "
        "between 15 % lower and 6 % higher."
    )


def test_margin_below_the_smallest_detectable_change_cannot_be_told():
    found = judged(**MISSED, margin_percent=5, equivalence_p=0.4, detectable_decrease_percent=15.2)
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert [one.kind for one in found.reasons] == [VerdictRemark.MARGIN_TOO_SMALL]
    assert said(found) == (
        f"{UNTOLD}, because a change as large as the margin could easily have been missed; it "
        "reads 5 % lower, between 15 % lower and 6 % higher."
    )


def test_what_could_be_seen_decides_only_where_it_is_asked_to():
    numbers = Numbers(**MISSED, equivalence_p=0.4, detectable_decrease_percent=15.2)
    found = judge(SUBJECT, numbers, margin_percent=5, detectable_decides=False)
    assert found.verdict is Verdict.NOT_SHOWN
    assert found.reasons == ()


def test_margin_above_it_is_only_not_shown():
    numbers = {"estimate": -0.15, "lower": -0.31, "upper": 0.01, "p_adjusted": 0.06}
    found = judged(
        **numbers, margin_percent=25, equivalence_p=0.2, detectable_decrease_percent=15.2
    )
    assert found.verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            {
                "obstacles": (
                    ComparisonRemark.NOT_BRACKETED(
                        quantity="D50", column="milling_time_min", level="24", count=2, runs=3
                    ),
                    ComparisonRemark.NO_RUN_LEFT(),
                )
            },
            f"{UNTOLD}, because D50 at 24 min is not bracketed by the sieves in 2 of 3 runs and no "
            "run is left to estimate it from.",
        ),
        (
            {"estimate": 0.1, "lower": -np.inf, "upper": np.inf, "p_adjusted": 1.0},
            "so its interval has no end; it reads 10.5 % higher.",
        ),
        (
            {"estimate": 0.1},
            "because there is no estimate with an interval; it reads 10.5 % higher.",
        ),
        (
            {
                "estimate": 0.1,
                "lower": -0.1,
                "upper": 0.3,
                "p_adjusted": 0.2,
                "detectable_decrease_percent": 100.0,
            },
            "because this trial has too little to go by to show any change; it reads 11 % higher, "
            "between 10 % lower and 35 % higher.",
        ),
    ],
)
def test_obstacles_cannot_be_told(more, words):
    found = judged(**more)
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert found.within_margin is None or not found.within_margin
    assert said(found).endswith(words)


def test_an_obstacle_outweighs_a_small_p():
    found = judged(**SEEN, obstacles=(ComparisonRemark.NO_RUN_LEFT(),))
    assert found.verdict is Verdict.CANNOT_BE_TOLD


@pytest.mark.parametrize(
    ("percent", "verdict", "words"),
    [
        (4.9, Verdict.CANNOT_BE_TOLD, "and a standard deviation of 4.9 % would undo it"),
        (5.1, Verdict.CHANGED, "it would take a standard deviation of 5.1 % to undo this"),
    ],
)
def test_a_plausible_run_to_run_variation_undoes_a_change(percent, verdict, words):
    found = judged(**SEEN, undone_by_percent=percent)
    assert found.verdict is verdict
    assert found.reasons[-1]["percent"] == percent
    assert words in said(found)


def test_what_is_no_change_is_not_undone():
    found = judged(**MISSED, undone_by_percent=0.0)
    assert found.verdict is Verdict.NOT_SHOWN
    assert said(found).endswith("; run-to-run variation was not estimated.")


def test_the_variation_that_undoes_brings_the_interval_to_no_change():
    """Interval of 0.3 with critical value 2 reaches zero at u² + 3 s² = 0.15² (by hand)."""
    percent = undoing_percent(np.array([0.3, 0.01]), 0.1, 2.0, leverage=3.0)
    assert 0.1**2 + 3 * (percent[0] / 100) ** 2 == pytest.approx(0.15**2)
    assert percent[1] == 0.0


def test_other_kinds_are_judged_by_p_alone():
    for p, verdict in ((0.01, Verdict.CHANGED), (0.2, Verdict.NOT_SHOWN)):
        found = judge(SUBJECT, Numbers(p_adjusted=p), kind=FindingKind.DISTRIBUTION)
        assert found.verdict is verdict
    unknown = judge(SUBJECT, Numbers(), kind=FindingKind.RATE)
    assert unknown.verdict is Verdict.CANNOT_BE_TOLD


def test_a_rule_of_the_caller_decides_on_the_margin():
    numbers = Numbers(**MISSED)
    for within, verdict in ((True, Verdict.EQUIVALENT), (False, Verdict.NOT_SHOWN)):
        found = judge(SUBJECT, numbers, margin_percent=20.0, within_margin=within)
        assert found.verdict is verdict
        assert found.within_margin is within


def test_a_margin_without_its_test_is_refused():
    with pytest.raises(ModelError, match="both or neither"):
        judged(**MISSED, margin_percent=5)
