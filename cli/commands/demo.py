"""psdstats demo: write a shipped study (invented data) to try the other commands on."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..console import Console, ensure_free
from ..options import add_json

SUMMARY = "write a demo study (invented data) into a new folder"
EXAMPLE = "psdstats demo my-trial"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("target", type=Path, metavar="DIR", help="folder to make; must not exist")
    parser.add_argument(
        "--small",
        action="store_true",
        help="the small study instead: one bench, one run per milling time, one flat CSV",
    )
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Copy the demo study."""
    import shutil

    from psdstats_datasets import DEMO_STUDIES, demo_path

    from psdstats import provenance
    from psdstats.files import Holds, write_folder_atomically

    ensure_free(options.target, replace=False, holds="readings", remedy="")
    source = demo_path(DEMO_STUDIES[1 if options.small else 0])

    def copy(draft: Path) -> None:
        for path in source.iterdir():  # all are files; their rights are not copied
            shutil.copyfile(path, draft / path.name)
        provenance.write(draft, console.record())

    target = write_folder_atomically(options.target, copy, holds=Holds.READINGS)
    study = next(target.glob("*.csv")) if options.small else target
    console.document({"study": str(study)})
    console.remark(f"Wrote the demo study (invented data) to {target}. Try next:")
    for command in ("check", "sizes", "report"):
        console.remark(f"  psdstats {command} {_shell(study, options.target)}")
    return 0


def _shell(study: Path, asked: Path) -> str:
    place = asked if study.is_dir() else asked / study.name
    return f'"{place}"' if " " in str(place) else str(place)
