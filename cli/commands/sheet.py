"""psdstats sheet: a recording sheet and labels, before the first powder is milled."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats import limits

from ..console import Console, ensure_free
from ..options import add_json, add_replace, add_values
from ..values import names, number, several

if TYPE_CHECKING:
    from psdstats.study import SheetPlan

SUMMARY = "write a recording sheet (XLSX and CSV) and labels for a trial to come"
EXAMPLE = (
    "psdstats sheet --group Alder --group Birch --times 0,12,48 --replicates 2 \\\n"
    "    --series R20/3 --finest 45 --coarsest 500 --out my-sheet"
)

DEFAULT_OUT = "recording-sheet"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    design = parser.add_argument_group("the trial")
    design.add_argument(
        "--title",
        default="Milling trial",
        metavar="TEXT",
        help="title of the trial (default: Milling trial)",
    )
    design.add_argument("--material", default="", metavar="TEXT", help="what is milled")
    design.add_argument(
        "--group",
        action="append",
        metavar="NAME",
        help="bench or laboratory; may be repeated (default: bench)",
    )
    add_values(design, ("--times", ..., "T,T", "milling times, min"), kind=several(limits.TIME_MIN))
    add_values(design, ("--replicates", 1, "N", "runs of each kind"), kind=limits.REPLICATES)
    add_values(design, ("--splits", 1, "N", "parts of each sample to sieve"), kind=limits.SPLITS)
    design.add_argument(
        "--fresh-charge",
        action="store_true",
        help="every time has a filling of the jar of its own (default: one filling is sampled at "
        "all times)",
    )
    design.add_argument(
        "--factor",
        action="append",
        default=[],
        type=_factor,
        metavar="NAME=A,B",
        help="further factor and its levels, e.g. ball_ratio=5,10; may be repeated",
    )
    margin = "change of size too small to matter, per cent: a setting of the study"
    add_values(design, ("--margin", None, "PERCENT", margin), kind=limits.MARGIN_PERCENT)
    order = "seed of the proposed order of the runs"
    add_values(design, ("--seed", 0, "N", order), kind=limits.SEED)
    _add_sieves(parser.add_argument_group("the sieves (one of --apertures, --series, --sieves)"))
    _add_bench(parser.add_argument_group("the bench"))
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help=f"folder to make (default: {DEFAULT_OUT})"
    )
    add_replace(parser)
    add_json(parser)
    parser.set_defaults(holds="readings")


def _add_sieves(group: argparse._ArgumentGroup) -> None:
    which = group.add_mutually_exclusive_group(required=True)
    stack = "apertures of the stack, µm, without the pan"
    add_values(which, ("--apertures", None, "A,B", stack), kind=several(limits.APERTURE_UM))
    which.add_argument("--series", metavar="NAME", help="standard series: R20/3, R40/3 or R20")
    which.add_argument(
        "--sieves",
        type=Path,
        metavar="FILE",
        help="the laboratory's own sieves: CSV with sieve, nominal_um and what is certified",
    )
    add_values(
        group,
        ("--finest", 20.0, "SIZE", "finest sieve of the series, µm"),
        ("--coarsest", 16_000.0, "SIZE", "coarsest sieve of the series, µm"),
        kind=limits.APERTURE_UM,
    )
    group.add_argument(
        "--one-stack", action="store_true", help="all groups share one physical stack"
    )
    group.add_argument(
        "--tares-once",
        action="store_true",
        help="each sieve is weighed empty once, not before every run",
    )


def _add_bench(group: argparse._ArgumentGroup) -> None:
    add_values(group, ("--sample-g", None, "MASS", "sample, g"), kind=limits.MASS_G)
    add_values(group, ("--shaking-min", None, "MIN", "shaking time, min"), kind=limits.SHAKING_MIN)
    group.add_argument(
        "--second-shaking",
        action="store_true",
        help="loads are weighed again after one more shaking",
    )
    group.add_argument(
        "--balance", default="balance", metavar="NAME", help="name of the balance (default balance)"
    )
    add_values(group, ("--resolution", 0.01, "D", "its resolution, g"), kind=limits.RESOLUTION_G)
    add_values(
        group,
        ("--repeatability-g", 0.0, "SD", "its standard deviation of repeated readings, g"),
        ("--linearity-g", None, "G", "its largest error of linearity, g"),
        kind=limits.BALANCE_G,
    )


def run(options: argparse.Namespace, console: Console) -> int:
    """Plan, write, say what to do with it."""
    from psdstats import provenance
    from psdstats.files import Holds, write_folder_atomically
    from psdstats.output.sheet import recording_labels, recording_sheet
    from psdstats.words.study import charge_line

    target = options.out or Path(DEFAULT_OUT)
    ensure_free(target, replace=options.replace, holds=options.holds)
    plan = _plan(options)

    def write(folder: Path) -> None:
        recording_sheet(plan, folder / "recording-sheet.xlsx")
        recording_sheet(plan, folder / "csv", form="folder")
        recording_labels(plan, folder / "labels.html")
        provenance.write(folder, console.record())

    target = write_folder_atomically(target, write, holds=Holds.READINGS, replace=options.replace)
    book = target / "recording-sheet.xlsx"
    console.document({"sheet": str(book), "runs": [each.name for each in plan.runs()]})
    console.remark(f"Wrote a sheet for {len(plan.runs())} runs to {target}:")
    console.remark("  recording-sheet.xlsx  to fill in; the csv folder holds the same tables")
    console.remark("  labels.html           labels for the samples, to print on A4")
    console.remark(charge_line(plan))
    console.remark(f'When it is filled in: psdstats check "{book}"')
    return 0


def _plan(options: argparse.Namespace) -> SheetPlan:
    from psdstats.sieves import series
    from psdstats.study import Balance, SheetPlan, TareHandling
    from psdstats.study.sheet_plan import read_sieve_list

    groups = tuple(options.group or ("bench",))
    apertures: tuple[float, ...] = tuple(options.apertures or ())
    if options.series:
        apertures = series(options.series, finest_um=options.finest, coarsest_um=options.coarsest)
    own = read_sieve_list(options.sieves) if options.sieves else ()
    return SheetPlan(
        title=options.title,
        material=options.material,
        groups=groups,
        times_min=tuple(options.times),
        apertures_um=apertures,
        sieves=dict.fromkeys(groups, own) if own else {},
        one_stack=options.one_stack,
        replicates=options.replicates,
        fresh_charges=options.fresh_charge,
        splits=options.splits,
        factors=dict(options.factor),
        sample_mass_g=options.sample_g,
        shaking_time_min=options.shaking_min,
        balance=Balance(
            name=options.balance,
            resolution_g=options.resolution,
            repeatability_g=options.repeatability_g,
            linearity_g=options.linearity_g,
        ),
        tares=TareHandling.ONCE if options.tares_once else TareHandling.EACH_RUN,
        second_shaking=options.second_shaking,
        margin_percent=options.margin,
        seed=options.seed,
    )


def _factor(text: str) -> tuple[str, tuple[str | float, ...]]:
    name, sign, levels = text.partition("=")
    if not sign or not name.strip():
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=LEVEL,LEVEL")
    return name.strip(), tuple(_level(level) for level in names(levels))


def _level(text: str) -> str | float:
    """A level: a number within limits where the text is one."""
    try:
        float(text)
    except ValueError:
        return text
    return number(text, limits.LEVEL_OF_FACTOR)
