"""The cells of a wide table, what headings, units and apertures mean, and names of samples.

Sieves always run down and samples across here: a table with its sieves in columns is turned first,
and `Grid` names every cell as the laboratory sees it.  Apertures in µm, masses in g, times in min.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from importlib.resources import files
from typing import Any

from psdstats import columns as col
from psdstats.study.cells import letters, to_number
from psdstats.study.tables import Cell, Origin

Rules = Mapping[str, object]
"""Content of a mapping file."""
Spot = tuple[int, int]
"""Row and column of a cell, from 1, after turning."""

SKIP, PAN = "skip", "pan"
ONE_MEANING = "as to its left"
MASSES = (col.TARE, col.GROSS, col.NET)
_ROWS = (files("psdstats.study") / "wide_words.csv").read_text(encoding="utf-8").splitlines()
_PHRASES = {
    phrase: row["column"] for row in csv.DictReader(_ROWS) for phrase in row["phrases"].split("|")
}
"""Phrases of headings, and the column that each stands for."""
UNITS: Mapping[str, tuple[str, Decimal]] = {
    **dict.fromkeys(("µm", "um", "micron", "microns", "micrometre"), ("µm", Decimal(1))),
    "mm": ("mm", Decimal(1000)),
    "g": ("g", Decimal(1)),
    "mg": ("mg", Decimal("0.001")),
    "kg": ("kg", Decimal(1000)),
    **dict.fromkeys(("min", "mins", "minutes"), ("min", Decimal(1))),
    **dict.fromkeys(("h", "hr", "hours"), ("h", Decimal(60))),
    **dict.fromkeys(("%", "percent"), ("%", Decimal(1))),
}
FACTORS = dict(UNITS.values())
KIND_OF_UNIT = {
    "aperture_unit": ("µm", "mm"), "mass_unit": ("g", "mg", "kg"), "time_unit": ("min", "h"),
}  # fmt: skip
_UNIT = "|".join(sorted(map(re.escape, UNITS), key=len, reverse=True))
_LAST_UNIT = re.compile(rf"(?:^|[\s,;(\[/]|\bin )\s*({_UNIT})\s*[)\]]?\s*$")
WITH_UNIT = re.compile(rf"([><≥≤]?)\s*(\d+(?:[.,]\d+)?)\s*({_UNIT})?")
TIME_TEXT = re.compile(r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*(min|h)\b")
RATIO_TEXT = re.compile(r"(?<![\d.,])(\d+(?:[.,]\d+)?)\s*:\s*1(?![\d.,])")
NUMERIC = frozenset({col.TIME, col.SAMPLE_MASS, col.SHAKING_TIME, col.BALL_RATIO})
RULES: Mapping[str, tuple[object, ...] | type] = {
    "sheet": str, "sieves": ("rows", "columns"), **KIND_OF_UNIT, "balance_zeroed": (True, False),
    "blank_headings": (ONE_MEANING,), "names": str, "one_group": (True, False), "words": dict,
    "lines": dict, "samples": dict,
}  # fmt: skip
"""Keys of a mapping file, with the values they may have."""
_MADE_OF = (col.GROUP, col.TIME, col.BALL_RATIO, col.REPLICATE)  # a name, where no row gives it
FIELD = re.compile(r"\{([A-Za-z_]+)\}")
_FIRST_WORD = re.compile(r"[^\W\d_]{2,}")
_PARTS = re.compile(r"([-_ /,.]+)")
FEW, LISTED = 2, 8


def quote(text: str) -> str:
    """A text as TOML writes it."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def words_of(column: str) -> str:
    """A column in words, its unit left out."""
    return col.column_words(column.removesuffix("_g").removesuffix("_min"))


def same(typed: Cell) -> str:
    """Text of a cell in small letters, with one µ."""
    return unicodedata.normalize("NFKC", str(typed)).casefold().replace("μ", "µ").strip()


def plain(typed: Cell) -> str:
    """A heading without what writers do differently: case, signs, the two µ.

    Examples
    --------
    >>> plain("Sieve + powder  (g)"), plain("Aperture, μm")
    ('sieve plus powder g', 'aperture µm')
    """
    return " ".join(re.sub(r"[^\w%µ]+", " ", same(typed).replace("+", " plus ")).split())


@dataclass(frozen=True)
class Grid:
    """Filled cells of one sheet (or CSV file, with the sheet "")."""

    file: str
    sheet: str
    cells: Mapping[Spot, Cell]
    turned: bool = False

    def turn(self) -> Grid:
        """Rows for columns."""
        cells = {(c, r): cell for (r, c), cell in self.cells.items()}
        return Grid(self.file, self.sheet, cells, not self.turned)

    @property
    def place(self) -> str:
        """File and sheet."""
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file

    def at(self, spot: Spot) -> str:
        """Name of a cell."""
        row, column = reversed(spot) if self.turned else spot
        return f"{letters(column)}{row}" if self.sheet else f"row {row}, column {column}"

    def pair(self, first: Spot, last: Spot) -> str:
        """Cells of a reading, for a message that has said the row."""
        if first == last:
            return self.at(first) if self.sheet else self.column(first[1])
        if self.sheet:
            return f"{self.at(first)}:{self.at(last)}"
        ends = f"{self.at(first)} to {self.at(last)}"
        return ends if self.turned else f"columns {first[1]} and {last[1]}"

    def row(self, number: int) -> str:
        """A row after turning, as the laboratory sees it."""
        return self._line(number, "column" if self.turned else "row")

    def column(self, number: int) -> str:
        """A column after turning, as the laboratory sees it."""
        return self._line(number, "row" if self.turned else "column")

    def _line(self, number: int, kind: str) -> str:
        return f"{kind} {letters(number) if kind == 'column' and self.sheet else number}"

    def lines(self, numbers: Iterable[int]) -> str:
        """Columns after turning, as the laboratory sees them."""
        names = [self.column(number) for number in sorted(numbers)]
        kind = names[0].partition(" ")[0]
        *first, last = (name.partition(" ")[2] for name in names)
        return f"{kind}s {', '.join(first)} and {last}" if first else names[0]

    def quoted(self, spot: Spot) -> str:
        """Name of a cell and what it holds."""
        return f"{self.at(spot)} {str(self.cells[spot]).strip()[:40]!r}"


@dataclass(frozen=True)
class Apertures:
    """The line in which the apertures stand: its heading and the value of each row, 0 for pan."""

    column: int
    heading: Spot | None
    values: Mapping[int, Decimal]
    unit: str | None

    @property
    def first(self) -> int:
        """The first row of a sieve."""
        return min(self.values)


@dataclass
class Sample:
    """The columns of one sample, and what is known of it with the cell that says so."""

    columns: dict[str, int]
    first: int
    last: int
    name: str = ""
    told: dict[str, Cell] = field(default_factory=dict)
    spots: dict[str, Spot] = field(default_factory=dict)


@dataclass(frozen=True)
class StackedSieve:
    """One sieve: its aperture as typed (0: pan), the row of each kind of mass, its name."""

    aperture: Decimal
    rows: dict[str, int]
    name: str


@dataclass(frozen=True, kw_only=True)
class WideTable:
    """What was found in a wide table, and the study that it makes.

    `place` is file and sheet; `sieves` in which lines they stand; `apertures` their line, their
    unit, and the line and size in µm of each; `masses` the kinds in the order of their columns;
    `shared_tares` the line of empty masses that count for all samples; `samples` each name with its
    lines; `lines` the column that each further line gives; `from_names` the columns read off the
    names; `unused` cells of sieves that a sample has not used; `skipped` what says nothing; `rules`
    the content of a mapping file that finds the same again.
    """

    place: str
    sieves: str
    apertures: tuple[str, str, tuple[tuple[str, str], ...]]
    masses: tuple[str, ...]
    mass_unit: str
    shared_tares: str
    samples: tuple[tuple[str, str], ...]
    lines: tuple[tuple[str, str], ...]
    from_names: tuple[str, ...]
    unused: tuple[str, ...]
    skipped: tuple[str, ...]
    rules: Rules


class Finder:
    """Finds what stands where in one table; notes as problems what cannot be told.

    `points` says whether a comma separates columns, so that it is no decimal sign.
    """

    def __init__(self, grid: Grid, rules: Rules, points: bool, source: Origin) -> None:
        self.grid, self.cells, self.rules, self.points = grid, grid.cells, rules, points
        self.source = source.part(grid.place)
        self.words: dict[str, str | list[str]] = dict(rules.get("words", {}))  # type: ignore[call-overload]
        self.own = {
            plain(each): role
            for role, typed in self.words.items()
            for each in ([typed] if isinstance(typed, str) else typed)
        }
        self.lines: dict[str, str] = dict(rules.get("lines", {}))  # type: ignore[call-overload]
        self.used: set[Spot] = set()
        self.headings: dict[str, list[str]] = {}
        self.signs: dict[str, Spot] = {}
        self.mass_units: set[str] = set()
        self._known: dict[str, tuple[str, str | None]] = {}

    def refuse(self, fault: str, *lines: str, hint: str = "", spot: Spot | None = None) -> None:
        """Note what is wrong with a cell, or what cannot be told and what answers it.

        `lines` of a mapping file answer it, or what `hint` says.
        """
        if spot is not None:
            place = self.source.part(f"{self.grid.place}, {self.grid.at(spot)}")
            place.refuse(fault, hint, None, None, str(self.cells[spot])[:40])
            return
        told = f"{hint} Or put" if hint else "Put"
        told += " into the mapping file (--mapping FILE.toml):"
        self.source.refuse(fault, "\n    ".join([told, *lines]) if lines else hint)

    def meaning(self, cell: Cell) -> tuple[str, str | None]:
        """What a heading means ("" where that is not known), and its unit."""
        if not isinstance(cell, str) or to_number(cell) is not None:
            return "", None
        if cell not in self._known:
            self._known[cell] = self._meaning(cell)
        return self._known[cell]

    def role(self, spot: Spot) -> str:
        """What the heading in a cell means."""
        return self.meaning(self.cells[spot])[0]

    def _meaning(self, cell: str) -> tuple[str, str | None]:
        text = same(cell)
        found = _LAST_UNIT.search(text)
        unit = UNITS[found[1]][0] if found else None
        own = self.own.get(plain(cell))
        if own:
            return own, unit
        words = f" {plain(text[: found.start()] if found else text)} "
        fitting = [phrase for phrase in _PHRASES if f" {phrase} " in words]
        role = _PHRASES[max(fitting, key=len)] if fitting else ""
        return (SKIP if unit == "%" and role in (*MASSES, "") else role), unit

    def says_only(self, cell: Cell) -> bool:
        """Whether a heading has no word beside those that give its meaning, and its unit."""
        text = same(str(cell))
        found = _LAST_UNIT.search(text)
        return (
            plain(text) in self.own or plain(text[: found.start()] if found else text) in _PHRASES
        )

    def take(self, spot: Spot, role: str) -> None:
        """Count a heading as understood, and keep its words for the next table."""
        self.used.add(spot)
        unit = self.meaning(self.cells[spot])[1]
        if role in MASSES and unit in KIND_OF_UNIT["mass_unit"]:
            self.mass_units.add(unit)
        said = str(self.cells[spot]).strip()
        if said not in self.headings.setdefault(role, []):
            self.headings[role].append(said)

    def aperture(self, cell: Cell) -> tuple[Decimal, str | None] | None:
        """Aperture in the unit of its cell, if it has one, and 0 for the pan."""
        if isinstance(cell, Decimal):
            return (cell, None) if cell >= 0 else None
        if self.meaning(cell)[0] == PAN:
            return Decimal(0), None
        found = WITH_UNIT.fullmatch(same(cell))
        unit = UNITS[found[3]][0] if found and found[3] else None
        if not found or unit not in (None, *KIND_OF_UNIT["aperture_unit"]):
            return None
        value = Decimal(0) if found[1] in ("<", "≤") else to_number(found[2]) or Decimal(0)
        return value, unit

    def lines_of_apertures(self) -> Iterator[Apertures]:
        """Columns with at least two apertures under such a heading, or in order with the pan."""
        for column in sorted({c for _, c in self.cells}):
            rows = sorted(r for r, c in self.cells if c == column)
            run: dict[int, tuple[Decimal, str | None]] = {}
            heading: Spot | None = None
            for row in (*rows, 0):
                found = self.aperture(self.cells[row, column]) if row else None
                if found:
                    run[row] = found
                    continue
                if run:
                    yield from self._line(column, heading, run)
                run = {}
                if row and self.role((row, column)) == col.APERTURE:
                    heading = row, column

    def _line(
        self, column: int, heading: Spot | None, run: Mapping[int, tuple[Decimal, str | None]]
    ) -> Iterator[Apertures]:
        values = [value for value, _ in run.values()]
        ordered = values in (sorted(values), sorted(values, reverse=True))
        pan = any(self.cells[row, column] != 0 and not v for row, (v, _) in run.items())
        units = {unit for value, unit in run.values() if value and unit}
        if len({v for v in values if v}) >= FEW and (heading or (pan and ordered)):
            unit = self.meaning(self.cells[heading])[1] if heading else None
            unit = next(iter(units)) if len(units) == 1 else unit
            yield Apertures(column, heading, {r: v for r, (v, _) in run.items()}, unit)

    def number(self, spot: Spot) -> Decimal | None:
        """A mass as typed; None, with a problem noted, where it is no number."""
        cell = self.cells[spot]
        value = to_number(str(cell))
        sign = "," if "," in str(cell) else "."
        fault = ""
        if value is None:
            fault, remedy = "this is not a number", "Write the number alone, or empty the cell."
        elif sign == "," and self.points:
            fault = "a decimal comma in a comma-separated file could also be a thousands separator"
            remedy = "Write a decimal point, or separate the columns with semicolons."
        elif isinstance(cell, str) and sign in cell:
            other = self.signs.get({".": ",", ",": "."}[sign])
            if other and sign not in self.signs:
                fault = f"decimal points and commas are mixed (see {self.grid.quoted(other)})"
                remedy = "Write all numbers of the table with the same decimal sign."
            self.signs.setdefault(sign, spot)
        self.used.add(spot)
        if fault:
            self.refuse(fault, hint=remedy, spot=spot)
        return None if fault else value

    def quantity(self, spot: Spot, role: str, unit: str | None) -> Cell:
        """A time in min, a mass in g or a ratio; nothing, and a problem, otherwise."""
        text = same(self.cells[spot])
        if role == col.BALL_RATIO:
            ratio = RATIO_TEXT.fullmatch(text)
            value, remedy = to_number(ratio[1] if ratio else text), "Write it as 5 or as 5:1."
            unit, units = "%", tuple("%")
        else:
            kind = "mass_unit" if role == col.SAMPLE_MASS else "time_unit"
            units = KIND_OF_UNIT[kind]
            remedy = f"Write a number, its unit in the heading ({', '.join(units)})."
            found = WITH_UNIT.fullmatch(text)
            value = to_number(found[2]) if found and not found[1] else None
            own = UNITS[found[3]][0] if found and found[3] else None
            fallback = "g" if kind == "mass_unit" else "min" if value == 0 else ""
            unit = own or unit or str(self.rules.get(kind) or "") or fallback
            if value is not None and not unit:
                fault = f"the unit of the numbers in {self.grid.row(spot[0])} is not given"
                if not any(problem.fault == fault for problem in self.source.problems):
                    self.refuse_unit(kind, fault)
                return ""
        if value is None or unit not in units:
            self.refuse(f"this is no {words_of(role)}", hint=remedy, spot=spot)
            return ""
        return value if unit == "%" else value * FACTORS[unit]

    def unit_of(self, kind: str, found: set[str], by_size: str | None, where: str) -> str | None:
        """The unit that headings give, else the mapping file, else the size of the numbers."""
        stated = self.rules.get(kind)
        if len(found) > 1 or (found and stated and {stated} != found):
            every = " and ".join(sorted({*found, *([str(stated)] if stated else [])}))
            fault = f"the unit of {where} is {every}"
            fault += ", by the headings and the mapping file" if stated else ""
            self.refuse(fault, hint="Use one unit in all headings and in the mapping file.")
            return None
        unit = next(iter(found), None) or (str(stated) if stated else by_size)
        if unit is None:
            self.refuse_unit(kind, f"the unit of {where} cannot be told")
        return unit

    def refuse_unit(self, kind: str, fault: str) -> None:
        """Ask for a unit that no heading gives."""
        options = " or ".join(map(quote, KIND_OF_UNIT[kind]))
        self.refuse(fault, f"{kind} = {options}", hint="Write it into the heading.")

    def skipped(self) -> tuple[str, ...]:
        """Every cell that says nothing here: texts one by one, numbers by the line they stand in.

        The line of a number is the row or the column more of which is not used; those with the same
        heading are told together.
        """
        grid = self.grid
        lines_of = {spot: (grid.row(spot[0]), grid.column(spot[1])) for spot in self.cells}
        every = Counter(line for lines in lines_of.values() for line in lines)
        unused = sorted(spot for spot in self.cells if spot not in self.used)
        counts = Counter(line for spot in unused for line in lines_of[spot])
        by_line: dict[str, list[Spot]] = {}
        for spot in unused:
            best = max(lines_of[spot], key=lambda line: counts[line] / every[line])
            by_line.setdefault(best, []).append(spot)
        told, alike = list[str](), dict[str, list[str]]()
        for line, spots in by_line.items():
            texts = [spot for spot in spots if to_number(str(self.cells[spot])) is None]
            if len(texts) < len(spots):
                heading = f" {str(self.cells[texts[0]]).strip()[:40]!r}" if texts else ""
                alike.setdefault(heading, []).append(line)
                texts = texts[1:]
            told += map(grid.quoted, texts)
        for heading, own in alike.items():
            more = f" and {len(own) - 1} more" if len(own) > 1 else ""
            told.append(f"{own[0]}{heading}{more}")
        return tuple(told)

    def rules_found(self, **found: object) -> dict[str, object]:
        """Content of a mapping file that would find the same again."""
        words = {r: [w] if isinstance(w, str) else list(w) for r, w in self.words.items()}
        for role, typed in self.headings.items():
            known = words.setdefault(role, [])
            known += [each for each in typed if each not in known]
        return {**self.rules, **found, "words": words}

    def name_samples(self, samples: Sequence[Sample]) -> tuple[str, ...]:
        """Name every sample and read off the names what no row says; which columns those are."""
        made_of = [col.RUN] if any(col.RUN in sample.told for sample in samples) else _MADE_OF
        for sample in samples:
            said = {name: str(sample.told.get(name, "")).strip() for name in made_of}
            if said.get(col.TIME):
                said[col.TIME] = f"{float(sample.told[col.TIME]):g} min"
            sample.name = " ".join(filter(None, said.values()))
        if nameless := [self.grid.column(s.first) for s in samples if not s.name]:
            fault = f"no name stands above the masses in {', '.join(nameless[:LISTED])}"
            self.refuse(fault, hint="Write it there.")
            return ()
        counts = Counter(s.name for s in samples)
        if twice := [self.quoted_name(s) for s in samples if counts[s.name] > 1]:
            fault = f"samples have the same name ({'; '.join(twice[:LISTED])})"
            self.refuse(fault, hint="Give each its own.")
            return ()
        found = self._by_template(samples) if "names" in self.rules else self._by_form(samples)
        own: Any = self.rules.get("samples", {})
        for sample in samples:
            for key, value in own.get(sample.name, {}).items():
                sample.told[key] = value if isinstance(value, str) else Decimal(str(value))
        if col.TIME not in found or "names" not in self.rules:
            self._ask_about_names(samples)
        return found

    def _by_template(self, samples: Sequence[Sample]) -> tuple[str, ...]:
        """Columns read off the names by the template of the mapping file."""
        template = str(self.rules["names"])
        text, *parts = FIELD.split(template)
        fields = tuple(parts[::2])
        pattern = re.escape(text)
        for name, after in zip(fields, parts[1::2], strict=True):
            number = r"\d+(?:[.,]\d+)?" if name in NUMERIC else ".+?"
            pattern += f"(?P<{name}>{number}){re.escape(after)}"
        own: Any = self.rules.get("samples", {})
        wrong: list[Sample] = []
        for sample in samples:
            found = re.fullmatch(pattern, sample.name)
            if found is None and sample.name not in own:
                wrong.append(sample)
            for name, typed in found.groupdict().items() if found else ():
                value = to_number(typed) if name in NUMERIC else None
                if sample.told.get(name, "") == "":
                    sample.told[name] = typed if value is None else value
        if wrong:
            named = ", ".join(map(self.quoted_name, wrong[:LISTED]))
            fault = f"{len(wrong)} names do not follow names = {quote(template)} ({named})"
            self.refuse(fault, *_times_of(wrong), hint="Correct them.")
        return fields

    def _by_form(self, samples: Sequence[Sample]) -> tuple[str, ...]:
        """Columns that every name shows by its form: a time with its unit, a ratio to one."""
        read: list[str] = []
        for column, form in ((col.TIME, TIME_TEXT), (col.BALL_RATIO, RATIO_TEXT)):
            found = [form.findall(sample.name.casefold()) for sample in samples]
            told = any(column in s.told for s in samples)
            if told or not all(len(each) == 1 for each in found):
                continue
            read.append(column)
            for sample, (each,) in zip(samples, found, strict=True):
                typed, unit = each if isinstance(each, tuple) else (each, "%")
                sample.told[column] = (to_number(typed) or Decimal(0)) * FACTORS[unit]
        return tuple(read)

    def _suggested(self, samples: Sequence[Sample]) -> str:
        """A template that the names may follow."""
        split = [_PARTS.split(sample.name) for sample in samples]
        if len({len(each) for each in split}) > 1:
            return "{group} {milling_time_min} min"
        labels, made, timed = [col.GROUP, col.REPLICATE], "", False
        for parts in zip(*split, strict=True):
            is_time = not timed and all(to_number(part) is not None for part in parts)
            if len({*parts}) == 1 or not (is_time or labels):
                made += parts[0]
            else:
                made += f"{{{col.TIME if is_time else labels.pop(0)}}}"
                timed = timed or is_time
        return made

    def place_of(self, sample: Sample) -> str:
        """Cell of the name of a sample, else its first column."""
        spot = sample.spots.get(col.RUN)
        return self.grid.at(spot) if spot else self.grid.column(sample.first)

    def quoted_name(self, sample: Sample) -> str:
        """Where a sample is named, and how."""
        return f"{self.place_of(sample)} {sample.name!r}"

    def _ask_about_names(self, samples: Sequence[Sample]) -> None:
        """Ask for times, and for groups that names may hold, in one question."""
        template = self._suggested(samples)
        unknown = [s for s in samples if col.TIME not in s.told]
        firsts = Counter(m[0] for s in samples if (m := _FIRST_WORD.match(s.name)))
        grouped = any(col.GROUP in s.told for s in samples) or self.rules.get("one_group")
        faults, lines = list[str](), list[str]()
        if unknown:
            cells = "; ".join(map(self.quoted_name, unknown[:LISTED]))
            more = f"; and {len(unknown) - LISTED} more" if len(unknown) > LISTED else ""
            fault = f"the milling time of {len(unknown)} samples cannot be told ({cells}{more})"
            faults.append(fault)
            lines += _times_of(unknown)
        if not grouped and len(firsts) > 1 and sum(firsts.values()) == len(samples):
            faults.append(f"the names begin with {', '.join(firsts)}, which may be groups or not")
            lines.insert(0, "one_group = true    # they are not groups")
        if FIELD.search(template) and (col.TIME in template or not unknown):
            lines.insert(0, f"names = {quote(template)}    # if the names follow it; otherwise")
        if faults:
            self.refuse(", and ".join(faults), *lines)


def _times_of(samples: Iterable[Sample]) -> list[str]:
    """Lines of a mapping file that give the time of each sample."""
    return ["[samples]", *(f"{quote(s.name)} = {{ {col.TIME} = ? }}" for s in samples)]


def refuse_rules(rules: Rules, source: Origin) -> None:
    """Keys and values that a mapping file does not have."""
    for key, value in rules.items():
        known = RULES.get(key)
        if known is None:
            fault, remedy = "the key is not known", f"Known keys are {', '.join(RULES)}."
        elif isinstance(known, tuple) and value not in known:
            fault = f"the value {value!r} is not known"
            remedy = f"Write one of {', '.join(map(repr, known))}."
        elif isinstance(known, type) and not isinstance(value, known):
            fault = f"the value {value!r} is of the wrong kind"
            remedy = "Write a text." if known is str else f"Write a table [{key}]."
        elif key == "names" and len(fields := FIELD.findall(str(value))) != len({*fields}):
            fault, remedy = f"a column stands twice in {value!r}", "Name each column once."
        elif isinstance(value, dict) and not all(_is_answer(key, each) for each in value.values()):
            fault = "a value is of the wrong kind"
            remedy = "Write a text, a list of texts, or for a sample { milling_time_min = 24 }."
        else:
            continue
        source.refuse(fault, remedy, None, key)


def _is_answer(key: str, value: object) -> bool:
    """Whether a value may stand in that table of a mapping file."""
    if key == "samples":
        kinds = {type(each) for each in value.values()} if isinstance(value, dict) else {dict}
        return kinds <= {str, int, float}
    if key == "words" and isinstance(value, list):
        return all(isinstance(each, str) for each in value)
    return isinstance(value, str)
