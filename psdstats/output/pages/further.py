"""Pages of the report beyond sizes and comparison: groups, whole distribution, rate.

A page appears where the study could answer its question (two groups, three milling times); where
it still cannot be computed, one sentence says why.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from psdstats.columns import TIME
from psdstats.comparison.whole import compare_distributions
from psdstats.errors import PsdstatsError
from psdstats.output.content import Note, Page
from psdstats.output.pages.groups import collect_groups, groups_page, stated_margin
from psdstats.output.pages.parts import as_sentence
from psdstats.output.pages.rate import collect_loss, rate_factor, rate_page
from psdstats.output.pages.whole_distribution import whole_page
from psdstats.rate.fit_rate import fit_rate
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation
from psdstats.words import groups
from psdstats.words.distribution import whole_heading
from psdstats.words.numbers import PLAIN, Numerals

PERMUTATIONS = 1_999
LEAST_TIMES = 3


def further_pages(
    study: Study,
    propagation: Propagation,
    *,
    level: float = 0.95,
    target_um: float | None = None,
    say: Numerals = PLAIN,
) -> list[Page]:
    """Groups, whole distribution and rate, as far as the study has them."""
    times = {run.milling_time_min for run in study.runs}
    found = []
    if len({run.group for run in study.runs}) > 1:
        found.append(_or_reason(groups.HEADING, _groups, study, propagation, level, say))
    if len(times) > 1:
        found.append(_or_reason(whole_heading(TIME), _whole, study, propagation, level, say))
    if len(times) >= LEAST_TIMES or target_um is not None:
        rate = partial(_rate, target_um=target_um)
        found.append(_or_reason("How fast does it grind?", rate, study, propagation, level, say))
    return found


def _groups(study: Study, propagation: Propagation, level: float, say: Numerals) -> Page:
    results = collect_groups(
        study, propagation, margin_percent=stated_margin(study), level=level, intraclass=False
    )
    return groups_page(results, say)


def _whole(study: Study, propagation: Propagation, level: float, say: Numerals) -> Page:
    return whole_page(
        compare_distributions(
            study, level=level, permutations=PERMUTATIONS, seed=propagation.seed or 0
        ),
        say,
    )


def _rate(
    study: Study,
    propagation: Propagation,
    level: float,
    say: Numerals,
    *,
    target_um: float | None,
) -> Page:
    by = rate_factor(study)
    result = fit_rate(
        study,
        by=by,
        target_um=target_um,
        margin_percent=stated_margin(study),
        level=level,
        propagation=propagation,
    )
    loss, notes = collect_loss(study, by=by, level=level)
    return rate_page(result, loss, notes=notes, say=say)


def _or_reason(
    heading: str,
    make: Callable[[Study, Propagation, float, Numerals], Page],
    study: Study,
    propagation: Propagation,
    level: float,
    say: Numerals,
) -> Page:
    """What `make` gives, or a page with one sentence on why it cannot."""
    try:
        return make(study, propagation, level, say)
    except PsdstatsError as reason:
        note = Note(f"Not computed: {as_sentence(str(reason))}")
        return Page(heading=heading, blocks=(note,))
