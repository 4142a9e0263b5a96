"""psdstats limit: whether sizes, or the share above a sieve, keep to a limit."""

from __future__ import annotations

import argparse

from psdstats import limits
from psdstats.columns import QUANTITIES
from psdstats.errors import UncertaintyError

from ..console import Console, present
from ..options import add_page, add_quantity, add_sources, add_study, add_values, read_checked
from ..values import several

SUMMARY = "whether sizes keep to a limit: conforming, not conforming, or cannot be told"
EXAMPLE = "psdstats limit my-trial --quantity D50 --upper 150 --out my-limit"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    add_study(parser)
    add_quantity(parser, QUANTITIES, "that is limited")
    guard = (
        "guard band in standard uncertainties, 0 for simple acceptance (default: as study.toml "
        "says, else 5 %% risk at its end)"
    )
    above = "limit the mass share above this nominal aperture, µm"
    add_values(parser, ("--share-above", None, "SIEVE", above), kind=limits.SIZE_UM)
    add_values(
        parser,
        ("--lower", None, "VALUE", "lower limit: µm, or for a share a fraction"),
        ("--upper", None, "VALUE", "upper limit; without any limit those of study.toml are judged"),
        kind=limits.LIMIT,
    )
    add_values(parser, ("--guard", None, "K", guard), kind=limits.GUARD_K)
    process = (
        "mean and standard deviation of all that is made, in the unit of the limit: gives the "
        "risks of consumer and producer"
    )
    two = several(limits.LIMIT, count=2)
    add_values(parser, ("--process", None, "MEAN,SD", process), kind=two)
    add_sources(parser)
    add_page(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Judge, print, write."""
    from psdstats.output.pages.budget import limits_page
    from psdstats.uncertainty.conformity import Specification, judge_limit, specifications
    from psdstats.words.budget import NO_LIMITS

    study, _ = read_checked(options, console)
    judged = specifications(study)
    if options.upper is not None or options.lower is not None:
        stated = study.limits.get("guard_k") if options.guard is None else options.guard
        asked = Specification(
            quantity=options.quantity,
            share_above_um=options.share_above,
            lower=options.lower,
            upper=options.upper,
            guard_k=stated,
            process=options.process,
        )
        judged = (asked,)
    if not judged:
        raise UncertaintyError(NO_LIMITS)
    results = [judge_limit(study, one, sources=options.sources) for one in judged]
    return present(limits_page(results, options.say), options, console)
