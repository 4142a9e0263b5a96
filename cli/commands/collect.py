"""psdstats collect: many trials into one archive, a size over the years, runs alike."""

from __future__ import annotations

import argparse
from pathlib import Path

from psdstats.columns import QUANTITIES

from ..console import Console, present
from ..options import add_page, add_quantity, add_sharing, sharing

SUMMARY = "many trials into one archive: their sizes, a reference powder over the years"
EXAMPLE = "psdstats collect my-trial --into trials.sqlite"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="studies, and folders in which studies are looked for; none to ask the archive alone",
    )
    parser.add_argument(
        "--into",
        type=Path,
        required=True,
        metavar="FILE",
        help="the archive, an SQLite file; made where there is none, else brought up to date: "
        "trials that have not changed are not read again",
    )
    parser.add_argument(
        "--verdicts",
        action="store_true",
        help="also what compare says of each trial at the paths, number by number (seconds a "
        "trial, without them a tenth of one); verdicts stay until a trial or the version changes",
    )
    parser.add_argument(
        "--encoding",
        metavar="NAME",
        help="text encoding of the CSV files when it is not UTF-8, e.g. cp1252",
    )
    add_quantity(parser, QUANTITIES, "of the tables and charts")
    parser.add_argument(
        "--where",
        action="append",
        type=level,
        metavar="COLUMN=LEVEL",
        help="runs of the control chart, such as group=reference or milling_time_min=0; may be "
        "repeated",
    )
    parser.add_argument(
        "--limits",
        choices=("between", "within"),
        default="between",
        metavar="HOW",
        help="what the limits of the chart allow for: between (what successive points differ by) "
        "or within (runs alike within a trial); default between",
    )
    add_sharing(parser, "pays from ten trials on; machines of a cluster must see the trials")
    add_page(parser)


def level(text: str) -> tuple[str, str]:
    """A column and one of its levels, for argparse."""
    column, sign, found = text.partition("=")
    if not (sign and column.strip() and found.strip()):
        raise argparse.ArgumentTypeError(
            f"{text} names no column and level; write it like milling_time_min=0"
        )
    return column.strip(), found.strip()


def run(options: argparse.Namespace, console: Console) -> int:
    """Collect, ask, print, write."""
    from psdstats.archive import Archive, collect
    from psdstats.output.pages.archive import archive_page

    found = Archive(options.into)
    if options.paths:
        with console.progress("evaluating trials") as progress:
            found = collect(
                options.paths,
                options.into,
                verdicts=options.verdicts,
                encoding=options.encoding,
                progress=progress,
                **sharing(options, console),
            )
    console.study = found
    page = archive_page(
        found,
        options.say,
        quantity=options.quantity,
        where=dict(options.where or ()),
        limits=options.limits,
    )
    return present(page, options, console)
