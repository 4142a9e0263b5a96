"""Comparison as the command line asks for it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from psdstats.comparison import Comparison
    from psdstats.study import Study
    from psdstats.uncertainty import Propagation

__all__ = ["compare_study", "comparison_options"]


def compare_study(
    study: Study, options: argparse.Namespace, propagation: Propagation
) -> Comparison:
    """Compare with the options of the command."""
    from psdstats.comparison import compare

    return compare(
        study,
        options.by,
        options.within,
        also=options.also,
        at_each=options.at_each,
        margin_percent=options.margin,
        spread=options.spread and options.spread.replace("-", " "),
        level=options.level,
        across_quantities=options.across,
        propagation=propagation,
    )


def comparison_options(comparison: Comparison) -> dict[str, object]:
    """What was compared with what, for the record of provenance."""
    plan = comparison.plan
    groupings = [each if isinstance(each, str) else ":".join(each) for each in plan.within]
    return {
        "by": plan.by,
        "within": ", ".join(groupings) or "none",
        "also": ", ".join(plan.also) or "none",
        "at_each": plan.at_each or "none",
        "margin_percent": "none" if plan.margin_percent is None else plan.margin_percent,
        "spread": plan.spread.value,
        "level": comparison.level,
        "across_quantities": comparison.across_quantities,
    }
