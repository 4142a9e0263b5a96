"""The one rule of the verdicts."""

import numpy as np
import pytest

from psdstats.comparison.response import ComparisonRemark
from psdstats.errors import ModelError
from psdstats.findings import Contrast, FindingKind, Numbers, Verdict
from psdstats.models.verdicts import VerdictRemark, judge, undoing_percent

SUBJECT = Contrast(high="24", low="0", quantity="D50")
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


def test_changed():
    found = judged(**SEEN)
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is None
    assert found.reasons == ()


def test_changed_but_within_the_margin_says_both():
    numbers = {"estimate": 0.02, "lower": 0.01, "upper": 0.03, "p_adjusted": 0.001}
    found = judged(**numbers, margin_percent=10, equivalence_p=1e-6)
    assert found.verdict is Verdict.CHANGED
    assert found.within_margin is True


def test_equivalent():
    numbers = {"estimate": 0.01, "lower": -0.02, "upper": 0.04, "p_adjusted": 0.4}
    found = judged(**numbers, margin_percent=10, equivalence_p=0.0003)
    assert found.verdict is Verdict.EQUIVALENT


@pytest.mark.parametrize(
    ("margin", "verdict"), [(None, "not shown"), (17.3, "cannot be told"), (17.4, "not shown")]
)
def test_an_interval_with_no_change_and_the_margin_tells_nothing(margin, verdict):
    """Its further end, 0.16 below, is the decrease that undoes an increase of 17.35 per cent."""
    more = {} if margin is None else {"equivalence_p": 0.4}
    found = judged(**MISSED, margin_percent=margin, **more)
    assert found.verdict.value == verdict
    reasons = [VerdictRemark.MARGIN_TOO_SMALL] * (verdict == "cannot be told")
    assert [one.kind for one in found.reasons] == reasons


def test_an_interval_on_one_side_of_no_change_is_only_not_shown():
    """The largest of several contrasts: its own interval leaves zero out, its adjusted p is not."""
    numbers = {"estimate": -0.15, "lower": -0.29, "upper": -0.01, "p_adjusted": 0.06}
    found = judged(**numbers, margin_percent=5, equivalence_p=0.9)
    assert found.verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize("seen", [3.0, 15.2, 100.0])
def test_what_could_be_seen_decides_nothing(seen):
    for margin, more in ((None, {}), (20.0, {"equivalence_p": 0.2})):
        found = judged(**MISSED, **more, margin_percent=margin, detectable_decrease_percent=seen)
        assert found.verdict is Verdict.NOT_SHOWN
        assert found.reasons == ()


@pytest.mark.parametrize(
    ("numbers", "reason"),
    [
        (
            {"estimate": 0.1, "lower": -np.inf, "upper": np.inf, "p_adjusted": 1.0},
            VerdictRemark.NO_END,
        ),
        ({"lower": -np.inf, "upper": np.inf, "p_adjusted": 1.0}, VerdictRemark.NO_END),
        ({"lower": -np.inf, "upper": -0.1}, VerdictRemark.NO_ESTIMATE),
        ({"estimate": 0.1}, VerdictRemark.NO_ESTIMATE),
        (
            {"estimate": 0.1, "lower": -0.1, "upper": 7.0, "p_adjusted": 0.2},
            VerdictRemark.SHOWS_NOTHING,
        ),
    ],
)
def test_without_numbers_to_judge_by_it_cannot_be_told(numbers, reason):
    found = judged(**numbers)
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert [one.kind for one in found.reasons] == [reason]


def test_a_bound_on_one_side_decides():
    found = judged(lower=-np.inf, upper=-1.02, p_adjusted=1e-5)
    assert found.verdict is Verdict.CHANGED
    assert found.reasons == ()
    other = judged(lower=-0.2, upper=np.inf, p_adjusted=0.3, margin_percent=5, equivalence_p=1.0)
    assert other.verdict is Verdict.CANNOT_BE_TOLD


def test_an_obstacle_outweighs_a_small_p():
    found = judged(**SEEN, obstacles=(ComparisonRemark.NO_RUN_LEFT(),))
    assert found.verdict is Verdict.CANNOT_BE_TOLD
    assert found.reasons == (ComparisonRemark.NO_RUN_LEFT(),)
    assert found.within_margin is None


@pytest.mark.parametrize(
    ("percent", "verdict", "kind"),
    [
        (4.9, Verdict.CANNOT_BE_TOLD, VerdictRemark.UNDONE),
        (5.1, Verdict.CHANGED, VerdictRemark.RUN_TO_RUN_UNKNOWN),
    ],
)
def test_a_plausible_run_to_run_variation_undoes_a_change(percent, verdict, kind):
    found = judged(**SEEN, undone_by_percent=percent)
    assert found.verdict is verdict
    assert found.reasons == (kind(percent=percent),)


def test_what_is_no_change_is_not_undone():
    found = judged(**MISSED, undone_by_percent=0.0)
    assert found.verdict is Verdict.NOT_SHOWN
    assert found.reasons == (VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=0.0),)


def test_the_variation_that_undoes_brings_the_interval_to_no_change():
    """Interval of 0.3 with critical value 2 reaches zero at u² + 3 s² = 0.15² (by hand)."""
    percent = undoing_percent(np.array([0.3, 0.01]), 0.1, 2.0, leverage=3.0)
    assert 0.1**2 + 3 * (percent[0] / 100) ** 2 == pytest.approx(0.15**2)
    assert percent[1] == 0.0


def test_the_drift_that_undoes_a_change_of_two_groups():
    """By hand, two groups, four times: the change varies by (3 s)²/2; 0.15² = 0.1² + 4.5 s²."""
    order = np.tile(np.arange(4) - 1.5, 2)
    lines = np.outer(order, order) * np.kron(np.eye(2), np.ones((4, 4)))
    weights = np.tile([-0.5, 0.0, 0.0, 0.5], 2)
    assert weights @ lines @ weights == pytest.approx(4.5)
    percent = undoing_percent(0.3, 0.1, 2.0, leverage=weights @ lines @ weights)
    assert percent == pytest.approx(100 * np.sqrt((0.15**2 - 0.1**2) / 4.5))


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
