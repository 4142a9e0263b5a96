"""psdstats plan: the next trial, before any powder is weighed."""

from __future__ import annotations

import argparse
from importlib import import_module

from ..console import Console
from ..main import CommandParser, add_command

SUMMARY = "plan the next trial: power, precision, sieves, mill charge, bench timeline"
EXAMPLE = "psdstats plan power --study my-trial --change -10 --groups 3,4 --replicates 1,2,3"

PLANS = ("power", "precision", "sieves", "charge", "timeline")


def add_arguments(parser: CommandParser) -> None:
    """Declare one subcommand a plan."""
    plans = parser.add_subparsers(
        dest="plan",
        metavar="PLAN",
        required=True,
        help="what to plan; each has a --help of its own",
    )
    for name in PLANS:
        module = import_module(f".plan_{name}", __package__)
        add_command(plans, name, module).set_defaults(make_plan=module.run)


def run(options: argparse.Namespace, console: Console) -> int:
    """Make the plan that was asked for."""
    code: int = options.make_plan(options, console)
    return code
