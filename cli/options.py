"""Options that several commands share, what they mean to the library, and the study they name."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from psdstats import limits
from psdstats.columns import RULES
from psdstats.limits import Limits

from .console import Console
from .values import address, declared, names, one, run_to_run

if TYPE_CHECKING:
    from psdstats.comparison import Comparison
    from psdstats.planning import ExpectedPowder, PlannedWeighing
    from psdstats.planning.attained import Attained
    from psdstats.study import CheckReport, Study
    from psdstats.uncertainty import Propagation, Source


def add_values(
    parser: argparse._ActionsContainer,
    *options: tuple[str, object, str, str],
    kind: Limits | Callable[[str], object],
) -> None:
    """Options of one kind: flag, default (... where one must be given), metavar and meaning."""
    read = one(kind) if isinstance(kind, Limits) else kind
    for flag, default, metavar, meaning in options:
        stated = {"required": True} if default is ... else {"default": default}
        told = "" if default in (..., None, ()) else f" (default {_told(default)})"
        parser.add_argument(flag, type=read, metavar=metavar, help=meaning + told, **stated)


def _told(default: object) -> str:
    if isinstance(default, tuple):
        return ",".join(map(_told, default))
    return f"{default:g}" if isinstance(default, int | float) else str(default)


def add_quantity(
    parser: argparse.ArgumentParser, known: Sequence[str], what: str = "to look at"
) -> None:
    """Which quantity."""
    parser.add_argument(
        "--quantity",
        choices=known,
        default="D50",
        metavar="NAME",
        help=f"quantity {what}: {', '.join(known)} (default D50)",
    )


def add_quantities(parser: argparse.ArgumentParser, known: Sequence[str]) -> None:
    """Which quantities, where several are looked at."""
    parser.add_argument(
        "--quantity",
        type=names,
        metavar="A,B",
        help=f"quantities to look at: some of {', '.join(known)} (default: all)",
    )


def add_study(parser: argparse.ArgumentParser) -> None:
    """The study to read."""
    parser.add_argument(
        "study",
        type=Path,
        metavar="STUDY",
        help="a study folder, one flat CSV file, or a filled recording sheet (XLSX); - reads a "
        "file from standard input",
    )
    parser.add_argument(
        "--encoding",
        metavar="NAME",
        help="text encoding of the CSV files when it is not UTF-8, e.g. cp1252",
    )


def add_target(parser: argparse.ArgumentParser) -> None:
    """The size at which milling stops."""
    reached = (
        "size to reach, µm: the milling time at which it is reached (default: as study.toml says)"
    )
    add_values(parser, ("--target-um", None, "SIZE", reached), kind=limits.SIZE_UM)


def add_json(parser: argparse.ArgumentParser) -> None:
    """How the result is printed."""
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the result as JSON, for machines: any answer in words under 'sentences', each "
        "table under its name, remarks under 'notes'",
    )
    parser.add_argument(
        "--quiet",
        action="store_true",
        help="print the result alone: no remarks, hints, warnings or progress",
    )
    parser.add_argument(
        "--progress",
        action="store_true",
        help="print progress as lines on standard error, in a pipe too",
    )


def add_page(parser: argparse.ArgumentParser) -> None:
    """How a page is shown: tables in the terminal, files, JSON."""
    parser.add_argument(
        "--all-tables", action="store_true", help="print every table, not only the first ones"
    )
    parser.add_argument(
        "--all-notes", action="store_true", help="print what was assumed or left out, note by note"
    )
    add_writing(parser)
    add_json(parser)


def add_writing(parser: argparse.ArgumentParser, *, default: str | None = None) -> None:
    """Where files go."""
    where = f"default: {default}"
    if default is None:
        where = "nothing is written without it; - prints one table as CSV instead"
        parser.set_defaults(streams=True)
        parser.add_argument(
            "--table",
            metavar="NAME",
            help="the table that --out - prints, by its name in --json (default: the first)",
        )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help=f"folder for tables and figures ({where})"
    )
    add_replace(parser)
    parser.add_argument(
        "--decimal",
        type=_decimal_sign,
        choices=(".", ","),
        default=".",
        metavar="SIGN",
        help="decimal sign of tables and figures, '.' or ',' (default: '.'); the words point and "
        "comma serve too",
    )


def _decimal_sign(text: str) -> str:
    return {"point": ".", "comma": ","}.get(text, text)


def add_replace(
    parser: argparse.ArgumentParser,
    *,
    what: str = "the files psdstats wrote into an existing output folder; others stay",
) -> None:
    """Whether existing output may be replaced."""
    parser.add_argument("--replace", action="store_true", help=f"replace {what}")


def _hyphened(text: str) -> str:
    return text.lower().replace(" ", "-")


def add_comparison(parser: argparse.ArgumentParser) -> None:
    """What is compared with what, beyond what the design of the trial already demands."""
    parser.add_argument(
        "--by", metavar="COLUMN", help="column whose levels are compared (default: milling time)"
    )
    each = (
        ("--at-each", "further factor, each of whose levels is answered by itself"),
        ("--also", "further factor whose differences are set aside"),
        ("--within", "grouping of runs that belong together; A:B for a combination"),
    )
    for flag, meaning in each:
        added = f"{meaning}, added to those that the design demands; may be repeated"
        parser.add_argument(flag, action="append", metavar="COLUMN", help=added)
    parser.add_argument(
        "--leave-out",
        action="append",
        metavar="COLUMN",
        help="leave this column out although the design demands it (or drift, or cell: the "
        "variance of that name); the answer says so; may be repeated",
    )
    add_margin(parser)
    parser.add_argument(
        "--direction",
        choices=("falling", "rising"),
        metavar="WAY",
        help="which way milling is expected to move D10, D50 and D90: falling or rising (default "
        "falling, or as study.toml says)",
    )
    parser.add_argument(
        "--one-family",
        action="store_true",
        default=None,
        help="hold one error over falls, factor and stop together, not one over each of them",
    )
    add_values(
        parser,
        (
            "--run-to-run",
            None,
            "PERCENT[:DF]|FILE",
            _DECLARED.format("between runs of one kind") + _KNOWN,
        ),
        kind=run_to_run,
    )
    add_values(
        parser,
        ("--drift", None, "PERCENT[:DF]", _DECLARED.format("of groups drifting apart a time step")),
        kind=declared,
    )
    parser.add_argument(
        "--test",
        type=_hyphened,
        choices=("calibrated", "kenward-roger"),
        default="calibrated",
        metavar="NAME",
        help="how tests and intervals hold their level: calibrated or kenward-roger (default "
        "calibrated)",
    )
    parser.add_argument(
        "--spread",
        type=_hyphened,
        choices=("drifting", "pooled", "each-contrast"),
        metavar="HOW",
        help="scatter from level to level: drifting (groups may drift apart), pooled (one spread) "
        "or each-contrast (each by its own differences); default drifting, or as study.toml says",
    )
    level = ("--level", 0.95, "P", "confidence level over each family of contrasts")
    add_values(parser, level, kind=limits.LEVEL)
    parser.add_argument(
        "--across",
        action="store_true",
        help="hold the level over D10, D50, D90 and span together",
    )


_DECLARED = (
    "declared standard deviation {}, per cent of size, with its degrees of freedom (such as 2.5:8; "
    "without them it counts as known); takes the place of an estimate"
)


_KNOWN = (
    "; size by size as D10=1.9:10,D50=2:50, or an archive made by collect, which knows it from "
    "trials with runs alike"
)


def add_margin(parser: argparse._ActionsContainer) -> None:
    """The change too small to matter, the same for every question."""
    small = (
        "change of size too small to matter: for the verdict of equivalence, for groups that "
        "agree, and as the gain too small to go on milling for (default: as study.toml says, else "
        "none, and 5 for when to stop)"
    )
    add_values(parser, ("--margin", None, "PERCENT", small), kind=limits.MARGIN_PERCENT)


def add_sources(parser: argparse.ArgumentParser) -> None:
    """Which sources of uncertainty are counted."""
    used = "uncertainty sources to use instead of those the study switches on"
    add_values(parser, ("--sources", None, "A,B", used), kind=names)
    add_rule(parser, "of study.toml")


def add_rule(parser: argparse.ArgumentParser, default: str) -> None:
    """By which rule sizes are read off, where one is prescribed."""
    known = ", ".join(RULES)
    parser.add_argument(
        "--rule",
        choices=RULES,
        metavar="RULE",
        help=f"rule that a procedure prescribes for sizes: {known} (default: {default})",
    )


def add_propagation(parser: argparse.ArgumentParser) -> None:
    """How uncertainty is propagated."""
    add_values(parser, ("--seed", 0, "N", "seed of the random draws"), kind=limits.SEED)
    parser.add_argument(
        "--method",
        type=_hyphened,
        choices=("monte-carlo", "linear"),
        default="monte-carlo",
        metavar="HOW",
        help="propagation of uncertainty: monte-carlo or linear (default: monte-carlo)",
    )
    coverage = "coverage of the intervals (default 0.95, or as study.toml says)"
    add_values(parser, ("--coverage", None, "P", coverage), kind=limits.LEVEL)
    add_sources(parser)
    draws = (
        "number of Monte Carlo draws (default: until two digits of u are settled, but at most "
        "100 000)"
    )
    add_values(parser, ("--draws", None, "N", draws), kind=limits.DRAWS)
    add_sharing(parser, "pays above 100 000 draws")


def add_sharing(parser: argparse.ArgumentParser, when: str) -> None:
    """Who does the heavy work, which is the same whoever does it; and when sharing it pays."""
    shared = f"processes to share the work among, at most the cores; {when}"
    add_values(parser, ("--workers", 1, "N", shared), kind=limits.WORKERS)
    cluster = "scheduler of a Dask cluster that does the work, such as tcp://host:8786"
    add_values(parser, ("--cluster", None, "ADDRESS", cluster), kind=address)


def sharing(
    options: argparse.Namespace, console: Console, parts: int | None = None
) -> dict[str, Any]:
    """What `add_sharing` was told, as the library takes it; with parts, no more than they are."""
    if options.cluster is not None:
        return {"workers": options.workers, "cluster": options.cluster}
    return {"workers": _workers(options, console, parts)}


def asked_of_plan(options: argparse.Namespace) -> dict[str, Any]:
    """What the command line says of the comparison, as `compare` takes it."""
    return {
        "within": options.within,
        "also": options.also,
        "at_each": options.at_each,
        "leave_out": options.leave_out,
        "margin_percent": options.margin,
        "spread": options.spread and options.spread.replace("-", " "),
        "direction": options.direction,
        "one_family": options.one_family,
        "run_to_run": options.run_to_run,
        "drift": options.drift,
    }


def compare_study(
    study: Study,
    options: argparse.Namespace,
    propagation: Propagation | None = None,
    **more: Any,
) -> Comparison:
    """Compare with the options of the command."""
    from psdstats.comparison import compare

    return compare(
        study,
        options.by,
        **asked_of_plan(options),
        test=options.test,
        level=options.level,
        across_quantities=options.across,
        sources=options.sources,
        propagation=propagation,
        **more,
    )


def add_attained(parser: argparse.ArgumentParser, *, alone: bool = False) -> None:
    """Trials simulated from the study's own estimates; alone where nothing else is drawn."""
    what = (
        "simulate N trials from this study's own estimates and analyse each the same way: how "
        "often intervals hold the truth, claims are false, findings come again (80 runs: about "
        "4 s a trial)"
    )
    add_values(parser, ("--attained", None, "N", what), kind=limits.ATTAINED)
    if alone:
        add_values(parser, ("--seed", 0, "N", "seed of the simulated trials"), kind=limits.SEED)
        add_sharing(parser, "pays from two trials on")


def attain(
    comparison: Comparison, options: argparse.Namespace, console: Console
) -> Attained | None:
    """What the answers attain in simulated trials, where it is asked for."""
    if options.attained is None:
        return None
    from psdstats.planning.attained import attained

    shared = sharing(options, console, options.attained)
    runs = len(comparison.analysis.study.runs)
    _say_how_long(console, options.attained * _A_RUN_S * runs / shared["workers"])
    with console.progress("comparing") as progress:
        return attained(
            comparison,
            trials=options.attained,
            seed=options.seed,
            sources=options.sources,
            progress=progress,
            **shared,
        )


def _workers(options: argparse.Namespace, console: Console, parts: int | None) -> int:
    """Processes that pay, with a word where more were asked for."""
    from psdstats.processes import cores

    asked: int = options.workers
    has = cores()
    if asked > has:
        console.warn(f"--workers {asked}: this computer lends {_counted(has, 'core')}, no more.")
    elif parts is not None and asked > parts:
        into = "cannot be divided" if parts == 1 else f"has {parts} parts"
        console.warn(
            f"--workers {asked}: work of this size {into}, so {_counted(parts, 'process')} will do."
        )
    return min(asked, has, asked if parts is None else parts)


_A_RUN_S = 0.05  # to simulate and analyse one run of a trial
_LONG_S = 60


def _say_how_long(console: Console, seconds: float) -> None:
    """Say beforehand that what was asked takes minutes."""
    if seconds > _LONG_S:
        hours, minutes = divmod(round(seconds / 60), 60)
        takes = f"{hours} h {minutes} min" if hours else f"{minutes} min"
        console.warn(f"This takes about {takes}; Ctrl-C stops it and leaves nothing half-written.")


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}{'es' * what.endswith('s') or 's'}"


def is_asked_for(options: argparse.Namespace) -> bool:
    """Whether the command line says itself what to compare, so that a fault in it is refused."""
    return any(each is not None for each in (options.by, *asked_of_plan(options).values()))


def propagate_study(
    study: Study,
    options: argparse.Namespace,
    console: Console,
    *,
    sources: Sequence[str | Source] | None = None,
) -> Propagation:
    """Propagate with the options of the command."""
    from psdstats.uncertainty import propagate
    from psdstats.uncertainty.engine import ENOUGH_DRAWS, parts_of

    shared: dict[str, Any] = {}
    if options.method == "linear":
        for name in ("draws", "cluster"):
            if getattr(options, name) is not None:
                console.warn(f"--{name} is not needed: --method linear draws nothing.")
    else:
        shared = sharing(options, console, parts_of(study, options.draws, options.coverage))
    with console.progress("drawing readings") as progress:
        return propagate(
            study,
            method=options.method.replace("-", " "),
            seed=options.seed,
            sources=sources if sources is not None else options.sources,
            coverage=options.coverage,
            draws=options.draws,
            max_draws=ENOUGH_DRAWS,
            progress=progress,
            **shared,
        )


def add_weighing(parser: argparse.ArgumentParser) -> None:
    """Particles, repeatability of the balance and sieves of the samples to come."""
    particles = "particle density, g/cm³, near calcite and quartz"
    repeated = "standard deviation of repeated readings in scale intervals"
    certified = (
        "standard uncertainty of certified apertures, per cent (default: tolerance of the standard)"
    )
    shape = "particle volume over the cube of its sieve size"
    for option, kind in (
        (("--density", 2.7, "RHO", particles), limits.DENSITY),
        (("--repeatability-d", 1.0, "N", repeated), limits.READING_D),
        (("--certified-u", None, "PERCENT", certified), limits.DECLARED_PERCENT),
        (("--shape-factor", 0.5, "F", shape), limits.SHAPE_FACTOR),
    ):
        add_values(parser, option, kind=kind)
    meaning = "standard whose tolerance applies without certificates"
    add_values(parser, ("--standard", "ISO 3310-1", "NAME", meaning), kind=str)
    add_rule(parser, "none")


def planned_weighing(options: argparse.Namespace, *, resolution_g: float) -> PlannedWeighing:
    """What `add_weighing` was told, for one balance."""
    from psdstats.planning import PlannedWeighing

    return PlannedWeighing(
        density_g_per_cm3=options.density,
        shape_factor=options.shape_factor,
        resolution_g=resolution_g,
        repeatability_d=options.repeatability_d,
        certified_u_percent=options.certified_u,
        standard=options.standard,
        rule=options.rule,
    )


def expected_powder(given: tuple[str, tuple[float, ...]]) -> ExpectedPowder:
    """A powder as `powder` parses it."""
    from psdstats.planning import ExpectedPowder

    name, (d10, d50, d90) = given
    return ExpectedPowder(name=name, d10_um=d10, d50_um=d50, d90_um=d90)


def add_simulation(parser: argparse.ArgumentParser, *, trials: int, what: str) -> None:
    """How much is simulated, and from which seed."""
    seed = "seed of the simulation; the same seed gives the same result"
    add_values(parser, ("--trials", trials, "N", what), kind=limits.TRIALS)
    add_values(parser, ("--seed", 0, "N", seed), kind=limits.SEED)


def read_checked(options: argparse.Namespace, console: Console) -> tuple[Study, CheckReport]:
    """Read the study, run the bench checks, say how many warnings there are; runs in order."""
    from psdstats.study import check_study
    from psdstats.study.records import in_order

    study = read_asked(options, console)
    report = check_study(study)
    warnings = [own for own in report.findings if own[0].severity == "warning"]
    if warnings:
        console.warn(
            f"{len(warnings)} warning{'s' if len(warnings) > 1 else ''} from the bench checks; "
            f"see: psdstats check {options.study_named}"
        )
    return in_order(study), report


def read_asked(options: argparse.Namespace, console: Console) -> Study:
    """Read the study as its files have it, with the rule that is asked for."""
    from psdstats.study import read_study

    study = read_study(options.study, encoding=options.encoding)
    console.study = study
    return study if options.rule is None else replace(study, rule=options.rule)
