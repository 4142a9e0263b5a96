"""What the bench checks found, what the recording sheet asks for, how a wide table was read.

The messages of single flags stand beside the checks: they are errors that do not stop.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from psdstats import columns as col
from psdstats.columns import listed, unit_of
from psdstats.comparison.beside import LeftOut
from psdstats.comparison.plan import ComparisonPlan
from psdstats.sieves.standards import practice_rule
from psdstats.study.flags import CheckReport, Flag, Severity
from psdstats.study.records import TareHandling
from psdstats.study.sheet_plan import SheetPlan
from psdstats.study.wide_cells import WideTable, words_of
from psdstats.words.courses import level_words
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import cautions, fill, phrases, place, told_of

RUNS_NAMED, _RUNS_LISTED = 3, 8
_FAR = 3.0  # times as far as any other: a value that is told with its place
LEAST_POINTS = 0.1
"""Points of a change in per cent below which nothing is said to move."""

LOOKED_FOR = phrases("check")
"""What each bench check looks for."""

WITHOUT = "moves a change by, points"
FURTHER_NOTES = "Further notes of the checks"
NOTHING_FOUND = "Nothing was found that asks for action."


def doubted_sentence(runs: int, told: str) -> str:
    """How many runs are in doubt, and what the answers are without them."""
    are = "1 run is" if runs == 1 else f"{runs} runs are"
    return f"{are} in doubt. {told}".strip()


def moved_words(
    points: Mapping[str, float], say: Numerals = PLAIN, *, least: float = LEAST_POINTS
) -> str:
    """By how many points the changes by the end move: "0.3 (D50), 0.4 (D90)", "under 0.1"."""
    if not points:
        return MISSING
    lost = [name for name, one in points.items() if not math.isfinite(one)]
    moving = {name: one for name, one in points.items() if math.isfinite(one) and one >= least}
    told = [f"{say.fixed(one, 1)} ({name})" for name, one in moving.items()]
    told += [f"not told ({', '.join(lost)})"] if lost else []
    return ", ".join(told) if told else f"under {say(least)}"


def moves_sentence(points: Mapping[str, float], say: Numerals = PLAIN) -> str:
    """What all runs in doubt do to the changes by the end, together."""
    known = {name: one for name, one in points.items() if math.isfinite(one)}
    if not known:
        return ""
    most = max(known, key=known.__getitem__)
    if len(known) < len(points):
        lost = ", ".join(name for name in points if name not in known)
        return f"Without all of them together the change of {lost} cannot be told."
    if known[most] < LEAST_POINTS:
        least = say(LEAST_POINTS)
        return (
            f"Without all of them together no change by the end moves by as much as {least} points."
        )
    return (
        f"Without all of them together the changes by the end move by at most "
        f"{say.fixed(known[most], 1)} points ({most})."
    )


SIZE_WITHOUT = "moves D50 there by"
EFFECT = "Without the runs in doubt"
ALL_IN_DOUBT = "all of these"
NO_DOUBT = "No run is in doubt."
NOT_COMPARED = "The runs cannot be compared, so nothing is said of the main answer"
ERRORS_FIRST = f"{NOT_COMPARED}: mend the errors first."


def size_moved(moved: LeftOut | None, say: Numerals = PLAIN) -> str:
    """By how much a size moves, per cent."""
    if moved is None:
        return MISSING
    if not math.isfinite(moved.percent):
        return "not told"
    if abs(moved.percent) < LEAST_POINTS:
        return f"under {say(LEAST_POINTS)} %"
    return f"{say.signed(moved.percent, 1)} %"


def where_moved(moved: LeftOut, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """Where a size is, or which change it is: "24 min, ball ratio 10", "0 to 48 min"."""
    ends = [place(plan.by, one, say) for one in (moved.low, moved.high) if one]
    level = level_words(moved.where, plan, say)
    return ", ".join(filter(None, (" to ".join(ends), level)))


def effect_sentence(
    runs: Sequence[str],
    size: LeftOut | None,
    change: LeftOut | None,
    plan: ComparisonPlan,
    say: Numerals = PLAIN,
) -> str:
    """What D50 and the main answer are without the runs in doubt."""
    told: list[str] = []
    if size is not None:
        told.append(f"{size.quantity} at {where_moved(size, plan, say)} {_size_words(size, say)}")
    if change is not None:
        which = f"the change of {change.quantity}, {where_moved(change, plan, say)},"
        told.append(f"{which} {_change_words(change, say)}")
    rest = "; ".join(told) or "nothing that is compared moves"
    which = runs[0] if len(runs) == 1 else f"{len(runs)} runs in doubt ({listed(runs, RUNS_NAMED)})"
    return f"Without {which}: {rest}."


def _size_words(size: LeftOut, say: Numerals) -> str:
    """A size without some runs beside the one with them."""
    if not math.isfinite(size.without):
        return "cannot be told"
    unit = f" {unit_of(size.quantity)}".rstrip()
    with_all, without = (say(math.exp(one), ".4g") for one in (size.effect, size.without))
    return f"is {without}{unit} instead of {with_all}{unit} ({size_moved(size, say)})"


def _change_words(change: LeftOut, say: Numerals) -> str:
    """A change without some runs beside the one with them."""
    if not math.isfinite(change.without):
        return "cannot be told"
    without, with_all = (
        say.signed(100.0 * math.expm1(one), 1) for one in (change.without, change.effect)
    )
    if change.points < LEAST_POINTS:
        return f"stays {with_all} % (moved by less than {say(LEAST_POINTS)} points)"
    return f"is {without} % instead of {with_all} % (by {say.fixed(change.points, 1)} points)"


BOUNDED = "counted as a bound"
"""What becomes of a size beyond the sieves, in the place of how far it moves a change."""


ASK_NOTHING = ("negative_net", "off_series")
"""Checks whose notes ask for nothing where nothing else is wrong."""


def notes_sentence(number: int) -> str:
    """How many notes there are."""
    return fill(phrases("study")["further notes"], number=number)


def switched_off_sentence(checks: Sequence[str]) -> str:
    """Which checks the study switches off."""
    return f"Checks switched off in this study: {', '.join(checks)}."


def where_of(own: Sequence[Flag]) -> str:
    """Where one finding is: run, sieve, file and row; of many their number and the first runs."""
    spot, runs = own[0].spot, runs_of(own)
    if len(own) > 1:
        times = f"{len(runs)} runs" if len(runs) == len(own) else f"{len(own)} times"
        return f"{times}: {listed(runs, RUNS_NAMED)} (all in tables/checks.csv)"
    row = "" if spot.row is None else f", row {spot.row}"
    names = ", ".join(filter(None, (spot.run, spot.sieve)))
    return f"{names} ({spot.file}{row})" if spot.file else names or MISSING


def runs_of(own: Sequence[Flag]) -> list[str]:
    """Runs of a finding, each once."""
    return list(dict.fromkeys(flag.spot.run for flag in own if flag.spot.run is not None))


def says_of(own: Sequence[Flag]) -> str:
    """What one finding says, with the range of the values; a message keeps the decimal point."""
    first = own[0]
    if len(own) == 1 or not (first.common or any(flag.says != first.says for flag in own)):
        return first.says
    text = first.common or LOOKED_FOR[first.check]
    values = sorted({flag.value for flag in own if flag.value is not None})
    if len(values) < 2:
        return text
    low, high = (PLAIN(one, ".3g" if abs(one) < 1000 else ".0f") for one in (values[0], values[-1]))
    between = low if low == high else f"{low} to {high}"
    return f"{text} ({between} {first.unit}{_farthest(own)})"


def _farthest(own: Sequence[Flag]) -> str:
    """Where the one value is that lies far beyond all others."""
    far, beside, *_ = sorted(own, key=lambda flag: -abs(flag.value or 0.0))
    spot, is_far = far.spot, abs(far.value or 0.0) > _FAR * abs(beside.value or 0.0)
    named = (spot.run, spot.sieve, f"row {spot.row}" if spot.row else None)
    where = ", ".join(one for one in named if one)
    return f", by far the most in {where}" if is_far and spot.run else ""


def finding_line(own: Sequence[Flag]) -> str:
    """One finding in a line: where, what, what to do, and the name of its check."""
    first, runs = own[0], runs_of(own)
    if len(own) == 1:
        return f"{first}{_named(first)}"
    rows = [f"{flag.spot.row}" for flag in own if flag.spot.row is not None]
    where = f"in {len(runs)} runs: {listed(runs, _RUNS_LISTED)}" if len(runs) > 1 else ""
    if not where:
        where = ", ".join(filter(None, (first.spot.file, first.spot.run and f"run {runs[0]}")))
        where += f", rows {listed(rows, _RUNS_LISTED)}" if rows else ""
    return f"{first.severity}: {where}: {says_of(own)}. {first.remedy}{_named(first)}"


def _named(flag: Flag) -> str:
    """The name of a check that can be switched off."""
    return "" if flag.severity is Severity.ERROR else f" [{flag.check}]"


@told_of.register
def check_sentences(report: CheckReport, say: Numerals = PLAIN) -> tuple[str, ...]:  # noqa: ARG001
    """What the checks found, one finding a line."""
    found = [finding_line(own) for own in report.findings] or [NOTHING_FOUND]
    off = [switched_off_sentence(report.switched_off)] if report.switched_off else []
    return (*found, *off)


def finding_record(own: Sequence[Flag]) -> dict[str, object]:
    """One finding for programs: what it says, with the list of its places."""
    first, values = own[0], [flag.value for flag in own if flag.value is not None]
    return {
        "severity": str(first.severity),
        "check": first.check,
        "says": says_of(own),
        "remedy": first.remedy,
        "runs": runs_of(own),
        "places": [vars(flag.spot) for flag in own],
        "smallest": min(values, default=None),
        "largest": max(values, default=None),
        "limit": first.limit,
        "unit": first.unit,
        "source": first.source,
    }


def tares_alternative(moved: Sequence[tuple[str, str]]) -> str:
    """Which tares moved, as sieve and run."""
    found = ", ".join(f"{sieve} in {run}" for sieve, run in moved)
    return f"Outside its limits: {found}." if found else "No tare moved."


def charge_line(plan: SheetPlan) -> str:
    """Which filling of the jar each planned run is sampled from, and what to write if not so."""
    if plan.fresh_charges:
        return (
            "Charge: planned is a fresh filling of the jar for every run. Where one filling was "
            "sampled at several times, write one name in all its runs."
        )
    return (
        "Charge: planned is one filling of the jar, sampled at all times, so its runs have one "
        "name. Where a time had a fresh filling, write a name of its own."
    )


def guide_lines(plan: SheetPlan) -> list[str]:
    """How to fill in a recording sheet, and the cautions."""
    loss = practice_rule("loss_percent")
    sample = f" (about {plan.sample_mass_g:g} g)" if plan.sample_mass_g is not None else ""
    tares = (
        "every sieve and the pan empty"
        if plan.tares is TareHandling.EACH_RUN
        else "every sieve and the pan empty (once, in its first run; the others repeat it)"
    )
    lines = [
        plan.title,
        "Sheet bench: one block a run, in the proposed order. Fill in the shaded cells, masses in "
        "g. Runs not weighed yet may wait.",
        f"Weigh the sample{sample}, {tares}, and after shaking each of them with its powder, "
        "before any is emptied.",
        charge_line(plan),
        f"Red: powder below zero, or a loss above {loss.value:g} %. Look again before the powder "
        "is gone.",
        "D50 is a value for the bench: by the chord between the two sieves around 50 %, at nominal "
        "apertures. Report the sizes that psdstats gives.",
        "A run given up: choose abandoned as its status and say why in its remark. Its readings "
        "are kept, and left out.",
        "One run more: unprotect the sheet (there is no password), copy a whole block below the "
        "last one, and give the run a name of its own.",
        "Sheet sieves: write what the certificates say. Sheet study: settings, each with a hint.",
    ]
    if plan.second_shaking:
        lines.insert(
            3,
            "Shake once more and weigh again: the end point is reached when the loads do not "
            "change any more.",
        )
    told = cautions("dust", "breathing", "noise", "drives", "codes")
    return [*lines, "", "Cautions", *told]


SETTING_HINTS = phrases("setting")
"""What to write as a setting, beside its name on the recording sheet."""


def mass_messages(largest_g: str) -> dict[str, str]:
    """What a cell for an empty weight says when it refuses."""
    return {
        "error": f"Write a mass in g from 0 to {largest_g}, the number alone.",
        "errorTitle": "Not a mass",
    }


def cell_messages(kind: str) -> dict[str, str]:
    """What a cell of the recording sheet says when it refuses, and some when it is chosen."""
    every = {key: phrases(f"cell {key}") for key in ("error", "errorTitle", "prompt")}
    return {key: texts[kind] for key, texts in every.items() if kind in texts}


def sample_messages(sample_mass_g: float | None) -> dict[str, str]:
    """What a cell for the mass of a sample says."""
    about = f" (about {sample_mass_g:g})" if sample_mass_g else ""
    return {
        "error": "Write the mass put on the stack in g, the number alone.",
        "errorTitle": "Not a mass",
        "prompt": f"Mass put on the stack in g{about}.",
    }


_MASSES = {col.TARE: "empty", col.GROSS: "with powder", col.NET: "powder alone"}
_SHOWN = 4  # samples and skipped lines that are named; the rest is counted


def mapping_lines(table: WideTable) -> list[str]:
    """Say what stands where."""
    place, unit, stack = table.apertures
    sizes = [f"{size} µm" if size != "0" else f"pan ({line})" for line, size in stack]
    kinds = ", ".join(_MASSES[kind] for kind in table.masses)
    each = [f"{name}: {lines}" for name, lines in table.samples]
    said = [
        f"{table.place} was read as a wide table:",
        f"  sieves in {table.sieves}; apertures in {place}, in {unit}: {', '.join(sizes)}",
        f"  {len(each)} samples ({kinds}; in {table.mass_unit}): {_more(each)}",
    ]
    if table.shared_tares:
        said.append(f"  empty sieves, weighed once for all samples: {table.shared_tares}")
    said += [f"  {words_of(column)} from {line}" for column, line in table.lines]
    said += [f"  {words_of(column)} from the names of the samples" for column in table.from_names]
    if table.unused:
        said.append(f"  sieves without masses, taken as not used: {_more(table.unused)}")
    if table.skipped:
        said.append(f"  not read: {'; '.join(table.skipped)}")
    return said


def _more(every: Sequence[str]) -> str:
    """The first of them, and how many there are beside."""
    rest = len(every) - _SHOWN
    return "; ".join(every[:_SHOWN]) + (f"; and {rest} more" if rest > 0 else "")


def mapping_text(table: WideTable) -> str:
    """The mapping file, as TOML."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("How the wide tables of this laboratory are read; use it again:"))
    document.add(tomlkit.comment("psdstats convert TABLE TARGET --layout wide --mapping THIS-FILE"))
    plain = {key: value for key, value in table.rules.items() if not isinstance(value, dict)}
    tables = {key: value for key, value in table.rules.items() if isinstance(value, dict)}
    for key, value in {**plain, **tables}.items():
        document.add(key, tomlkit.item(value))
    return tomlkit.dumps(document)
