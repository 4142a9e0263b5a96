"""The design of a comparison in words, what it rests on, and why something cannot be judged."""

from __future__ import annotations

from collections.abc import Iterable

from psdstats.columns import column_words
from psdstats.comparison.plan import ComparisonPlan, PlanRemark
from psdstats.words.numbers import Numerals
from psdstats.words.remarks import joined, sentence


def plan_notes(plan: ComparisonPlan, say: Numerals) -> Iterable[str]:
    """What was chosen for the caller; factors whose levels are answered together told together."""
    each = [one for one in plan.remarks if one.kind is PlanRemark.EACH_LEVEL]
    if len(each) > 1:
        names = joined([column_words(str(one["column"])) for one in each])
        yield (
            f"Each combination of {names} is answered by itself, since they were run side by side "
            "at several times."
        )
    for remark in plan.remarks:
        if len(each) < 2 or remark not in each:
            yield sentence(remark, say)
