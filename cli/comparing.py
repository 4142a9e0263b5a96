"""Comparison as the command line asks for it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from psdstats.comparison import Comparison
    from psdstats.study import Study
    from psdstats.uncertainty import Propagation

__all__ = ["compare_study", "compared_by", "comparison_options", "is_asked_for"]


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


def is_asked_for(options: argparse.Namespace) -> bool:
    """Whether the command line says itself what to compare, so that a fault in it is refused."""
    asked = (options.by, options.within, options.also, options.at_each, options.margin)
    return any(each is not None for each in (*asked, options.spread))


def compared_by(study: Study, options: argparse.Namespace) -> str:
    """The column compared: of the command line, of study.toml, or milling time."""
    return str(options.by or study.compare.get("by") or "milling_time_min")


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
