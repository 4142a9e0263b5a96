"""Values in hand in place of a study: how a table of them is named, read and compared."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .console import Console
from .options import add_values, asked_of_plan
from .values import names, roles

if TYPE_CHECKING:
    from psdstats.comparison import Comparison
    from psdstats.comparison.values import Values


def add_in_hand(parser: argparse.ArgumentParser) -> None:
    """How a table of values is to be read."""
    group = parser.add_argument_group(
        "sizes in hand, or other values: STUDY is then their CSV file"
    )
    add_values(
        group,
        ("--columns", (), "ROLE=COLUMN,…", "what columns are under names of their own: value, u, "
         "run, group, time (min), charge; the others are factors"),
        kind=roles,
    )  # fmt: skip
    add_values(
        group,
        ("--covariance-files", (), "FILE,…", "CSV files of the covariance of each quantity over "
         "the runs, in its unit squared: a row and a column a run"),
        kind=names,
    )  # fmt: skip


def read_in_hand(options: argparse.Namespace, console: Console) -> Values | None:
    """The values that the command names; None where it names a study."""
    from psdstats.comparison.values import read_values
    from psdstats.errors import ModelError

    asked = {
        name: [own for role, own in options.columns if role == name] for name in ("value", "u")
    }
    found = read_values(
        options.study,
        (*(getattr(options, "quantity", None) or ()), *asked["value"]),
        u=asked["u"],
        covariance=[Path(one) for one in options.covariance_files],
        roles={role: own for role, own in options.columns if role not in asked},
        encoding=options.encoding,
    )
    if found is None:
        given = [name for name in ("columns", "covariance_files") if getattr(options, name)]
        if given:
            flag = given[0].replace("_", "-")
            raise ModelError(f"--{flag} is for a table of values; {options.study} is a study.")
        return None
    needs = ("sources", "attained", "target_um", "draws", "cluster", "rule")
    given = [name for name in needs if getattr(options, name, None) is not None]
    if given:
        raise ModelError(
            f"--{given[0].replace('_', '-')} needs the weighings of a study, and {options.study} "
            "holds values; leave it out."
        )
    console.study = found
    return found


def compare_hand(
    values: Values, options: argparse.Namespace, families: Sequence[str] | None = None
) -> Comparison:
    """Compare with the options of the command."""
    from psdstats.comparison.compare import compare_in_hand
    from psdstats.comparison.plan import plan_comparison

    plan = plan_comparison(values, by=options.by, test=options.test, **asked_of_plan(options))
    return compare_in_hand(
        values,
        plan,
        is_directed=options.direction is not None,
        families=families,
        level=options.level,
        across_quantities=options.across,
    )
