"""The cells of a wide table, what headings, units and apertures mean, and names of samples.

Sieves always run down and samples across here: a table with its sieves in columns is turned first,
and `Grid` names every cell as the laboratory sees it.  Apertures in µm, masses in g, times in min.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from importlib.resources import files
from itertools import pairwise

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.cells import letters, to_number
from psdstats.study.tables import NET, Cell, RawStudy

Rules = Mapping[str, object]
"""Content of a mapping file."""
Spot = tuple[int, int]
"""Row and column of a cell, from 1, after turning."""

SKIP, PAN = "skip", "pan"
ONE_MEANING = "as to its left"
MASSES = (col.TARE, col.GROSS, NET)
_INHERITED = frozenset({col.GROUP, col.TIME, col.CHARGE, col.BALL_RATIO})  # by merged headings
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


class OpenProblem:
    """What a table leaves open, with the lines of a mapping file that answer it."""

    def __init__(self, fault: str, *lines: str, hint: str = "") -> None:
        self.fault, self.lines, self.hint = fault, lines, hint

    def at(self, place: str) -> Problem:
        """The problem of one table."""
        told = f"{self.hint} Or put" if self.hint else "Put"
        told += " into the mapping file (--mapping FILE.toml):"
        remedy = "\n    ".join([told, *self.lines]) if self.lines else self.hint
        return Problem(place, self.fault, remedy)


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

    def span(self, first: Spot, last: Spot) -> str:
        """Names of the first and last of some cells."""
        joint = ":" if self.sheet else " to "
        return self.at(first) if first == last else f"{self.at(first)}{joint}{self.at(last)}"

    def pair(self, first: Spot, last: Spot) -> str:
        """Cells of a reading, for a message that has said the row."""
        if self.sheet or first == last:
            return self.span(first, last) if self.sheet else self.line(first[1], across=False)
        return f"columns {first[1]} and {last[1]}" if not self.turned else self.span(first, last)

    def line(self, number: int, *, across: bool = True) -> str:
        """A row (across) or column after turning, as the laboratory sees it."""
        kind = "row" if across != self.turned else "column"
        name = letters(number) if kind == "column" and self.sheet else str(number)
        return f"{kind} {name}"

    def lines(self, numbers: Sequence[int]) -> str:
        """Columns after turning, as the laboratory sees them."""
        names = [self.line(number, across=False) for number in sorted(numbers)]
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
    raw: RawStudy


class Finder:
    """Finds what stands where in one table; notes in `problems` what cannot be told."""

    def __init__(self, grid: Grid, rules: Rules, points: bool, problems: list[Problem]) -> None:
        self.grid, self.rules, self.problems = grid, rules, problems
        self.points = points  # whether a comma separates columns, so that it is no decimal sign
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

    def ask(self, question: OpenProblem) -> None:
        """Note what cannot be told about this table."""
        self.problems.append(question.at(self.grid.place))

    def meaning(self, cell: Cell) -> tuple[str, str | None]:
        """What a heading means ("" where that is not known), and its unit."""
        if not isinstance(cell, str) or to_number(cell) is not None:
            return "", None
        if cell not in self._known:
            self._known[cell] = self._meaning(cell)
        return self._known[cell]

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

    def take(self, spot: Spot, role: str) -> None:
        """Count a heading as understood, and keep its words for the next table."""
        self.used.add(spot)
        unit = self.meaning(self.grid.cells[spot])[1]
        if role in MASSES and unit in KIND_OF_UNIT["mass_unit"]:
            self.mass_units.add(unit)
        said = str(self.grid.cells[spot]).strip()
        if said not in self.headings.setdefault(role, []):
            self.headings[role].append(said)

    def aperture(self, cell: Cell) -> tuple[Decimal, str | None] | None:
        """Aperture in the unit of its cell, if it has one, and 0 for the pan."""
        if isinstance(cell, Decimal):
            return (cell, None) if cell >= 0 else None
        if self.meaning(cell)[0] == PAN:
            return Decimal(0), None
        text = same(cell)
        found = WITH_UNIT.fullmatch(text)
        if not found:
            return None
        value = to_number(found[2]) or Decimal(0)
        unit = UNITS[found[3]][0] if found[3] else None
        return (Decimal(0) if found[1] in ("<", "≤") else value), unit

    def lines_of_apertures(self) -> Iterator[Apertures]:
        """Columns with at least two apertures under such a heading, or in order with the pan."""
        cells = self.grid.cells
        for column in sorted({c for _, c in cells}):
            rows = sorted(r for r, c in cells if c == column)
            run: dict[int, tuple[Decimal, str | None]] = {}
            heading: Spot | None = None
            for row in (*rows, 0):
                found = self.aperture(cells[row, column]) if row else None
                if found:
                    run[row] = found
                    continue
                if run:
                    yield from self._line(column, heading, run)
                run = {}
                if row and self.meaning(cells[row, column])[0] == col.APERTURE:
                    heading = row, column

    def _line(
        self, column: int, heading: Spot | None, run: Mapping[int, tuple[Decimal, str | None]]
    ) -> Iterator[Apertures]:
        values = [value for value, _ in run.values()]
        steps = list(pairwise(values))
        ordered = all(a >= b for a, b in steps) or all(a <= b for a, b in steps)
        pan = any(self.grid.cells[row, column] != 0 and not v for row, (v, _) in run.items())
        units = {unit for value, unit in run.values() if value and unit}
        if len({v for v in values if v}) >= FEW and (heading or (pan and ordered)):
            unit = self.meaning(self.grid.cells[heading])[1] if heading else None
            unit = next(iter(units)) if len(units) == 1 else unit
            yield Apertures(column, heading, {r: v for r, (v, _) in run.items()}, unit)

    def number(self, spot: Spot) -> Decimal | None:
        """A mass as typed; None, with a problem noted, where it is no number."""
        cell = self.grid.cells[spot]
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
            place = f"{self.grid.place}, {self.grid.at(spot)}"
            self.problems.append(Problem(place, fault, remedy, None, None, str(cell)[:40]))
        return None if fault else value

    def name_of(self, column: int) -> str:
        """A column, as the laboratory sees it."""
        return self.grid.line(column, across=False)

    def unit_of(self, kind: str, found: set[str], by_size: str | None, where: str) -> str | None:
        """The unit that headings give, else the mapping file, else the size of the numbers."""
        stated = self.rules.get(kind)
        if len(found) > 1 or (found and stated and {stated} != found):
            every = " and ".join(sorted({*found, *([str(stated)] if stated else [])}))
            fault = f"the unit of {where} is {every}"
            fault += ", by the headings and the mapping file" if stated else ""
            hint = "Use one unit in all headings and in the mapping file."
            self.ask(OpenProblem(fault, hint=hint))
            return None
        unit = next(iter(found), None) or (str(stated) if stated else by_size)
        if unit is None:
            options = " or ".join(map(quote, KIND_OF_UNIT[kind]))
            self.ask(OpenProblem(f"the unit of {where} cannot be told", f"{kind} = {options}",
                     hint="Write it into the heading."))  # fmt: skip
        return unit

    def aperture_unit(self, line: Apertures) -> str | None:
        """Unit of the apertures; also refuses apertures that are not in order."""
        meant = [self.meaning(cell) for cell in self.grid.cells.values()]
        titles = {unit for role, unit in meant if role == col.APERTURE and unit in ("µm", "mm")}
        values = [value for value in line.values.values() if value]
        size = "µm" if max(values) > 125 and min(values) >= 1 else None
        size = "mm" if min(values) < 1 and max(values) <= 125 else size
        where = f"the apertures in {self.name_of(line.column)}"
        return self.unit_of("aperture_unit", {line.unit} if line.unit else titles, size, where)

    def refuse_disorder(self, line: Apertures, down: Mapping[int, str]) -> None:
        """Apertures twice or out of order, and a pan that does not lie below the finest sieve."""
        rows = [row for row in sorted(line.values) if line.values[row]]
        steps = [(b, line.values[b] - line.values[a]) for a, b in pairwise(rows)]
        rising = sum(step > 0 for _, step in steps) > len(steps) / 2
        odd = [r for r, step in steps if (not down if not step else (step > 0) != rising)]
        if odd:
            fault = f"the aperture {self.grid.quoted((odd[0], line.column))} is out of order or "
            self.ask(
                OpenProblem(
                    f"{fault}there twice", hint="Write every sieve once, from coarse to fine."
                )
            )
        if 0 not in line.values.values():
            fault = f"no pan stands below or above {self.grid.quoted((rows[-1], line.column))}"
            self.ask(OpenProblem(fault, hint="Weigh the pan and add it, headed pan."))
        finest = min(value for value in line.values.values() if value)
        for row in line.values:
            found = WITH_UNIT.fullmatch(same(self.grid.cells[row, line.column]))
            if not line.values[row] and found and to_number(found[2]) not in (0, finest):
                fault = f"{self.grid.quoted((row, line.column))} is not below the finest sieve"
                self.ask(OpenProblem(fault, hint="Name the pan pan."))

    def skipped(self) -> tuple[str, ...]:
        """Every cell that says nothing here: texts one by one, numbers by the line they stand in.

        The line of a number is the row or the column more of which is not used; those with the same
        heading are told together.
        """
        cells = self.grid.cells
        every = Counter(line for spot in cells for line in self._lines_of(spot))
        unused = sorted(spot for spot in cells if spot not in self.used)
        counts = Counter(line for spot in unused for line in self._lines_of(spot))
        lines: dict[str, list[Spot]] = {}
        for spot in unused:
            best = max(self._lines_of(spot), key=lambda line: counts[line] / every[line])
            lines.setdefault(best, []).append(spot)
        told, alike = list[str](), dict[str, list[str]]()
        for line, spots in lines.items():
            texts = [spot for spot in spots if to_number(str(cells[spot])) is None]
            if len(texts) < len(spots):
                heading = f" {str(cells[texts[0]]).strip()[:40]!r}" if texts else ""
                alike.setdefault(heading, []).append(line)
                texts = texts[1:]
            told += map(self.grid.quoted, texts)
        for heading, own in alike.items():
            more = f" and {len(own) - 1} more" if len(own) > 1 else ""
            told.append(f"{own[0]}{heading}{more}")
        return tuple(told)

    def _lines_of(self, spot: Spot) -> tuple[str, str]:
        """The row and the column of a cell, as the laboratory sees them."""
        return self.grid.line(spot[0]), self.grid.line(spot[1], across=False)

    def name_samples(self, samples: Sequence[Sample]) -> tuple[str, ...]:
        """Name every sample and read off the names what no row says; which columns those are."""
        named = any(col.RUN in sample.told for sample in samples)
        for sample in samples:
            sample.name = " ".join(
                f"{float(sample.told[name]):g} min"
                if name == col.TIME
                else str(sample.told[name]).strip()
                for name in ([col.RUN] if named else _MADE_OF)
                if str(sample.told.get(name, "")).strip()
            )
        nameless = [s for s in samples if not s.name]
        if nameless:
            blank = ", ".join(self.name_of(s.first) for s in nameless[:LISTED])
            self.ask(
                OpenProblem(f"no name stands above the masses in {blank}", hint="Write it there.")
            )
            return ()
        counts = Counter(s.name for s in samples)
        twice = [s for s in samples if counts[s.name] > 1]
        if twice:
            which = "; ".join(f"{self._place(s)} {s.name!r}" for s in twice[:LISTED])
            self.ask(
                OpenProblem(f"samples have the same name ({which})", hint="Give each its own.")
            )
            return ()
        found = self._by_template(samples) if "names" in self.rules else self._by_form(samples)
        own = self.rules.get("samples", {})
        for sample in samples:
            stated = own.get(sample.name, {}) if isinstance(own, Mapping) else {}
            sample.told.update(
                {key: v if isinstance(v, str) else Decimal(str(v)) for key, v in stated.items()}
            )
        if col.TIME not in found or "names" not in self.rules:
            self._ask_about_names(samples)
        return found

    def _by_template(self, samples: Sequence[Sample]) -> tuple[str, ...]:
        """Columns read off the names by the template of the mapping file."""
        template = str(self.rules["names"])
        parts = FIELD.split(template)
        number = r"\d+(?:[.,]\d+)?"
        pattern = "".join(
            f"(?P<{part}>{number if part in NUMERIC else '.+?'})" if odd else re.escape(part)
            for odd, part in zip([False, True] * len(parts), parts, strict=False)
        )
        fields = tuple(parts[1::2])
        own = self.rules.get("samples", {})
        for sample in samples:
            found = re.fullmatch(pattern, sample.name)
            for name in fields if found else ():
                typed = found[name] if found else ""
                value = to_number(typed) if name in NUMERIC else None
                if sample.told.get(name, "") == "":
                    sample.told[name] = typed if value is None else value
        wrong = [s for s in samples if not re.fullmatch(pattern, s.name) and s.name not in own]  # type: ignore[operator]
        if wrong:
            named = ", ".join(f"{self._place(s)} {s.name!r}" for s in wrong[:LISTED])
            fault = f"{len(wrong)} names do not follow names = {quote(template)} ({named})"
            self.ask(OpenProblem(fault, "[samples]", *(
                f"{quote(s.name)} = {{ {col.TIME} = ? }}" for s in wrong), hint="Correct them.",
            ))  # fmt: skip
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
        first, fields = split[0], [col.GROUP, col.TIME, col.REPLICATE]
        if len({len(each) for each in split}) > 1:
            return "{group} {milling_time_min} min"
        made = ""
        for at, part in enumerate(first):
            column = [each[at] for each in split]
            numbers = all(to_number(each) is not None for each in column)
            wanted = col.TIME if numbers and col.TIME in fields else next(
                (name for name in fields if name != col.TIME), "")  # fmt: skip
            if len({*column}) == 1 or not wanted:
                made += part
            else:
                fields.remove(wanted)
                made += f"{{{wanted}}}"
        return made

    def _place(self, sample: Sample) -> str:
        spot = sample.spots.get(col.RUN)
        return self.grid.at(spot) if spot else self.name_of(sample.first)

    def _ask_about_names(self, samples: Sequence[Sample]) -> None:
        """Ask for times, and for groups that names may hold, in one question."""
        template = self._suggested(samples)
        unknown = [s for s in samples if col.TIME not in s.told]
        firsts = Counter(m[0] for s in samples if (m := _FIRST_WORD.match(s.name)))
        grouped = any(col.GROUP in s.told for s in samples) or self.rules.get("one_group")
        faults, lines = list[str](), list[str]()
        if unknown:
            cells = [f"{self._place(s)} {s.name!r}" for s in unknown]
            more = f"; and {len(cells) - LISTED} more" if len(cells) > LISTED else ""
            faults.append(f"the milling time of {len(cells)} samples cannot be told "
                          f"({'; '.join(cells[:LISTED])}{more})")  # fmt: skip
            lines += ["[samples]", *(f"{quote(s.name)} = {{ {col.TIME} = ? }}" for s in unknown)]
        if not grouped and len(firsts) > 1 and sum(firsts.values()) == len(samples):
            faults.append(f"the names begin with {', '.join(firsts)}, which may be groups or not")
            lines.insert(0, "one_group = true    # they are not groups")
        if FIELD.search(template) and (col.TIME in template or not unknown):
            lines.insert(0, f"names = {quote(template)}    # if the names follow it; otherwise")
        if faults:
            self.ask(OpenProblem(", and ".join(faults), *lines))
