"""What stands where in a wide table around its apertures: masses, samples, names, rows to write.

Whatever could be meant in two ways becomes a question that names the cells and gives the lines of a
mapping file which answer it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from statistics import median

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.cells import to_number
from psdstats.study.tables import NET, Cell, NamedRow, Row
from psdstats.study.wide_cells import (
    FACTORS,
    FEW,
    KIND_OF_UNIT,
    LISTED,
    MASSES,
    NUMERIC,
    ONE_MEANING,
    PAN,
    RATIO_TEXT,
    SKIP,
    TIME_TEXT,
    UNITS,
    WITH_UNIT,
    Apertures,
    Finder,
    OpenProblem,
    Sample,
    Spot,
    plain,
    quote,
    same,
    words_of,
)

_INHERITED = frozenset({col.GROUP, col.TIME, col.CHARGE, col.BALL_RATIO})  # by merged headings
_PAIR = {col.TARE, col.GROSS}
_USUAL_TARE_G = (20, 5000)  # an empty sieve, from the smallest to the largest in use; no source


@dataclass(frozen=True)
class StackedSieve:
    """One sieve: its aperture as typed (0: pan), the row of each kind of mass, its name."""

    aperture: Decimal
    rows: Mapping[str, int]
    name: str


def _cell_row(row: int, cells: str) -> NamedRow:
    """A row that prints with the cells it came from, so that a message names them."""
    return NamedRow(row, f"{row} ({cells})")


class Layout(Finder):
    """What stands where around the apertures."""

    def kinds(self, top: int, columns: Sequence[int]) -> tuple[int, dict[int, str], dict[int, str]]:
        """Which columns (by a heading in that row above the sieves), or rows, hold which masses.

        Of the rows above the sieves the one with most such headings counts, the lowest of equals;
        a heading alone in its row is a title.  A column that names empty and loaded sieves goes
        first.
        """
        over: dict[int, dict[int, str]] = {}
        down: dict[int, dict[int, str]] = {}
        for (r, c), cell in self.grid.cells.items():
            role = self.meaning(cell)[0]
            if r < top and c in columns and role in MASSES:
                over.setdefault(r, {})[c] = role
            elif r >= top and role in (col.TARE, col.GROSS):
                down.setdefault(c, {})[r] = role
        for column, found in down.items():
            if {*found.values()} == {col.TARE, col.GROSS}:
                for row, role in found.items():
                    self.take((row, column), role)
                self._mass_units([(r, column) for r in range(top)])
                return 0, {}, found
        for row in [r for r, found in over.items() if len(found) == 1 < len(columns)]:
            if not all((row, c) in self.grid.cells for c in columns):
                del over[row]
        row = max(over, key=lambda r: (len(over[r]), r), default=0)
        for column, role in over.get(row, {}).items():
            self.take((row, column), role)
        self._fill_halves(over.get(row, {}), columns, row)
        self._mass_units([(row, c) for c in range(min(columns, default=0))])
        stated = {c: self.lines.get(self.name_of(c), "") for c in columns}
        named = {c: role for c, role in stated.items() if role in MASSES}
        return row, {**over.get(row, {}), **named}, {}

    def _fill_halves(self, found: dict[int, str], columns: Sequence[int], row: int) -> None:
        """Give each half of the columns the one heading that is merged above it."""
        half = len(columns) // 2
        if not half:
            return
        filled = [c for c in columns if (row, c) in self.grid.cells]
        if sorted(found) == filled == [columns[0], columns[half]] and {*found.values()} == _PAIR:
            found.update({c: found[columns[half * (c >= columns[half])]] for c in columns})

    def _mass_units(self, labels: Sequence[Spot]) -> None:
        """Take the unit of masses from the heading of the line that says empty or loaded."""
        for spot in labels:
            role, unit = self.meaning(self.grid.cells.get(spot, ""))
            if role not in NUMERIC and unit in KIND_OF_UNIT["mass_unit"]:
                self.mass_units.add(unit)
                self.used.add(spot)

    def blocks(
        self, columns: Sequence[int], kinds: Mapping[int, str], down: bool, top: int
    ) -> tuple[list[Sample], int | None]:
        """The columns of each sample, from left to right, and the column of shared tares."""
        masses = [c for c in columns if kinds.get(c) in MASSES]
        held = Counter(kinds[c] for c in masses)
        unnamed = [c for c in columns if c not in kinds]
        groups: list[dict[str, int]] = [{}]
        if down:
            groups = [{col.TARE: c, col.GROSS: c} for c in columns]
            return self._samples(groups, columns), None
        if held[col.TARE] == 1 and (held[col.GROSS] > 1 or (unnamed and not held[col.GROSS])):
            shared = next(c for c in masses if kinds[c] == col.TARE)
            loaded = [c for c in columns if kinds.get(c, col.GROSS) == col.GROSS]
            return self._samples([{col.GROSS: c} for c in loaded], columns), shared
        halves = self._halves(columns, kinds, top)
        if halves:
            return halves, None
        leading = self._leading(kinds)
        for column in masses:
            kind = kinds[column]
            if groups[-1] and (kind in groups[-1] or kind == leading):
                groups.append({})
            groups[-1][kind] = column
        if not masses:
            groups = [{NET: c} for c in unnamed]
        elif unnamed:
            self._unknown_columns(unnamed)
        if {NET} == {kind for group in groups for kind in group}:
            if not self.rules.get("balance_zeroed"):
                self._refuse_powder_alone(columns, top, headed=bool(masses))
            return self._samples(groups, columns), None
        for group in groups:
            if not {*group} >= _PAIR:
                self._lacking(group, kinds)
        return self._samples(groups, columns), None

    def _halves(self, columns: Sequence[int], kinds: Mapping[int, str], top: int) -> list[Sample]:
        """Samples whose empty sieves all stand in one half of the columns, the loaded in the other.

        Names above both halves are to be the same; none where the columns are not like that.
        """
        half, cells = len(columns) // 2, self.grid.cells
        order = [kinds.get(c) for c in columns]
        if half < FEW or order != [order[0]] * half + [order[-1]] * half or {*order} != _PAIR:
            return []
        samples = []
        for first, second in zip(columns[:half], columns[half:], strict=True):
            for row in {r for r, c in cells if c in (first, second) and r < top}:
                spots = [(row, c) for c in (first, second) if (row, c) in cells]
                if len({self.meaning(cells[s])[0] for s in spots} & _PAIR):
                    continue
                self.used |= {*spots[1:]}
                if len({cells[spot] for spot in spots}) > 1:
                    fault = " and ".join(map(self.grid.quoted, spots))
                    hint = "Head both columns of a sample alike."
                    self.ask(OpenProblem(f"{fault} do not name one sample", hint=hint))
            pair = {kinds[first]: first, kinds[second]: second}
            samples.append(Sample(pair, first, first))
        return samples

    @staticmethod
    def _leading(kinds: Mapping[int, str]) -> str:
        """The mass that stands first in the columns of a sample: empty, unless it is loaded."""
        beside = Counter((kind, kinds.get(c + 1)) for c, kind in kinds.items())
        loaded_first = beside[col.GROSS, col.TARE] > beside[col.TARE, col.GROSS]
        return col.GROSS if loaded_first else col.TARE

    def _samples(self, groups: Sequence[Mapping[str, int]], columns: Sequence[int]) -> list[Sample]:
        firsts = [min(group.values()) for group in groups if group]
        ends = [*(first - 1 for first in firsts[1:]), max(columns)]
        return [
            Sample({**group}, first, last)
            for group, first, last in zip(groups, firsts, ends, strict=False)
        ]

    def _lacking(self, group: Mapping[str, int], kinds: Mapping[int, str]) -> None:
        names = {col.TARE: "empty", col.GROSS: "loaded", NET: "powder"}
        found = ", ".join(f"{self.name_of(c)} ({names[kinds[c]]})" for c in group.values())
        missing = " and ".join(names[k] for k in (col.TARE, col.GROSS) if k not in group)
        fault = f"the masses of {missing} sieves that belong to {found} are missing"
        hint = "Empty and loaded sieves of a sample stand side by side: add or head the column."
        self.ask(OpenProblem(fault, hint=hint))

    def _refuse_powder_alone(self, columns: Sequence[int], top: int, *, headed: bool) -> None:
        place = f"{self.name_of(columns[0])} to {self.name_of(columns[-1]).rpartition(' ')[2]}"
        zeroed = "balance_zeroed = true    # powder alone: 0 was shown with the empty sieve on it"
        if headed:
            fault = f"only masses of powder are given ({place}); without the empty and the loaded "
            fault += "sieves nobody can tell a sieve that was swapped or a tare that was wrong, "
            fault += "and the balance counts twice in the uncertainty"
            self.ask(OpenProblem(fault, zeroed, hint="Head columns Empty, g and Full, g."))
            return
        fault = f"no heading says which masses stand in {place}"
        heads = [self._heading(c, top) for c in columns[:FEW]]
        self.ask(OpenProblem(fault, f"{zeroed}, or", "[words]",
                 f"tare_g = [{quote(heads[0])}]    # if that is the empty sieve",
                 f"gross_g = [{quote(heads[-1])}]"))  # fmt: skip

    def _heading(self, column: int, top: int) -> str:
        """The lowest text above the masses of a column."""
        cells = self.grid.cells
        rows = [r for r, c in cells if c == column and r < top]
        texts = [r for r in rows if plain(cells[r, column]) not in UNITS
                 and to_number(str(cells[r, column])) is None]  # fmt: skip
        return str(cells[max(texts), column]).strip() if texts else "?"

    def _unknown_columns(self, columns: Sequence[int]) -> None:
        lines = [self.name_of(c) for c in columns]
        fault = f"it is not known what the numbers in {', '.join(lines)} are"
        meant = f'"{SKIP}"    # or "{col.TARE}", "{col.GROSS}"'
        self.ask(OpenProblem(fault, "[lines]", *(f'"{line}" = {meant}' for line in lines)))

    def headings_of(self, samples: Sequence[Sample], taken: set[int], left: int) -> None:
        """Read every further row that says something of the samples."""
        cells = self.grid.cells
        open_rows: list[int] = []
        for row in sorted({r for r, _ in cells} - taken):
            found = [
                next(((row, c) for c in range(s.first, s.last + 1) if (row, c) in cells), None)
                for s in samples
            ]
            spots = [spot for spot in found if spot]
            if not spots:
                continue
            label = max((c for r, c in cells if r == row and c < left), default=0)
            role, unit = self.meaning(cells[row, label]) if label else ("", None)
            role = self.lines.get(self.grid.line(row), role)
            if role == SKIP:
                continue
            if role in ("", col.APERTURE, col.SIEVE, PAN, *MASSES):
                known = bool(label) and role == ""
                role = self._by_values(spots) if not known else ""
                if not role and known and len(spots) >= min(FEW, len(samples)):
                    self._unknown_line((row, label))
                elif not role and (len(spots) > 1 or len(samples) == 1):
                    open_rows.append(row)
                label = 0
            if role:
                self._tell(samples, found, role, unit, (row, label) if label else None)
        self._names_of(samples, open_rows)

    def _by_values(self, spots: Sequence[Spot]) -> str:
        """What values without a heading are, where their form says so."""
        texts = [plain(self.grid.cells[spot]) for spot in spots]
        typed = [str(self.grid.cells[spot]).casefold() for spot in spots]
        if all(TIME_TEXT.fullmatch(text) for text in texts):
            return col.TIME
        return col.BALL_RATIO if all(RATIO_TEXT.fullmatch(text.strip()) for text in typed) else ""

    def _unknown_line(self, spot: Spot) -> None:
        said = str(self.grid.cells[spot]).strip()
        name = "_".join(plain(said).split()) or "factor"
        fault = f"it is not known what {self.grid.quoted(spot)} says of the samples"
        factor = f"{name} = [{quote(said)}]    # a factor of the trial, or"
        self.ask(OpenProblem(fault, "[words]", factor, f"{SKIP} = [{quote(said)}]"))

    def _tell(
        self,
        samples: Sequence[Sample],
        found: Sequence[Spot | None],
        role: str,
        unit: str | None,
        label: Spot | None,
    ) -> None:
        """Give each sample its value of a row; a blank under a merged heading inherits."""
        cells = self.grid.cells
        at = [index for index, spot in enumerate(found) if spot]
        gaps = {b - a for a, b in pairwise([*at, len(found)])}
        fills = role in _INHERITED and len(at) < len(found)
        regular = at[0] == 0 and len(gaps) == 1
        if fills and not regular and self.rules.get("blank_headings") != ONE_MEANING:
            blank = [self.grid.at((self._row(found), s.first))
                     for s, spot in zip(samples, found, strict=True) if not spot]  # fmt: skip
            fault = f"what the blank cells say is not clear ({', '.join(blank[:LISTED])}: "
            fault += f"{words_of(role)} of the sample below, or the same as to its left)"
            self.ask(
                OpenProblem(fault, f'blank_headings = "{ONE_MEANING}"', hint="Fill in the cells.")
            )
        last: Spot | None = None
        for sample, spot in zip(samples, found, strict=True):
            last = spot or (last if fills else None)
            if last and role in sample.spots:
                fault = f"{words_of(role)} stands in {self.grid.at(sample.spots[role])} and in "
                self.ask(OpenProblem(fault + self.grid.at(last), "[lines]",
                         f'"{self.grid.line(last[0])}" = "{SKIP}"'))  # fmt: skip
                return
            if last:
                sample.spots[role] = last
                cell = cells[last]
                sample.told[role] = self.quantity(last, role, unit) if role in NUMERIC else cell
                self.used.add(last)
        if label:
            self.take(label, role)

    @staticmethod
    def _row(found: Sequence[Spot | None]) -> int:
        return next(spot[0] for spot in found if spot)

    def quantity(self, spot: Spot, role: str, unit: str | None) -> Cell:
        """A time in min, a mass in g or a ratio; the cell itself, which is refused, otherwise."""
        cell = self.grid.cells[spot]
        text = same(cell)
        if role == col.BALL_RATIO:
            ratio = RATIO_TEXT.fullmatch(text)
            units: tuple[str, ...] = ("%",)
            value = to_number(ratio[1] if ratio else text)
            unit = "%"
        else:
            kind = "mass_unit" if role == col.SAMPLE_MASS else "time_unit"
            units = KIND_OF_UNIT[kind]
            found = WITH_UNIT.fullmatch(text)
            value = to_number(found[2]) if found and not found[1] else None
            own = UNITS[found[3]][0] if found and found[3] else None
            fallback = ("g",) if kind == "mass_unit" else ("min",) if value == 0 else ()
            unit = own or unit or str(self.rules.get(kind) or "") or next(iter(fallback), None)
            if value is not None and unit is None:
                self._no_unit(spot, kind)
                return ""
        if value is None or unit not in units:
            place = f"{self.grid.place}, {self.grid.at(spot)}"
            remedy = f"Write a number, its unit in the heading ({', '.join(units)})."
            remedy = "Write it as 5 or as 5:1." if unit == "%" else remedy
            fault = f"this is no {words_of(role)}"
            self.problems.append(Problem(place, fault, remedy, None, None, text[:40]))
            return ""
        return value if unit == "%" else value * FACTORS[unit]

    def _no_unit(self, spot: Spot, kind: str) -> None:
        said = " or ".join(quote(unit) for unit in KIND_OF_UNIT[kind])
        fault = f"the unit of the numbers in {self.grid.line(spot[0])} is not given"
        if not any(problem.fault == fault for problem in self.problems):
            self.ask(OpenProblem(fault, f"{kind} = {said}", hint="Write it into the heading."))

    def _names_of(self, samples: Sequence[Sample], open_rows: Sequence[int]) -> None:
        """Find the row of names among the rows that no heading explains; ask about the others."""
        cells, rest = self.grid.cells, list(open_rows)
        texts = {
            row: [str(cells[spot]) for s in samples if (spot := self._spot(row, s))]
            for row in open_rows
        }
        if not any(col.RUN in sample.spots for sample in samples):
            unique = [r for r, each in texts.items() if len({*each}) == len(samples) == len(each)]
            if len(unique) == 1:
                rest.remove(unique[0])
                found = [self._spot(unique[0], sample) for sample in samples]
                self._tell(samples, found, col.RUN, None, None)
        for row in rest:
            spot = next(spot for s in samples if (spot := self._spot(row, s)))
            numbers = all(to_number(text) is not None for text in texts[row])
            roles = (col.TIME, SKIP) if numbers else (col.RUN, col.GROUP, SKIP)
            fault = f"it is not known what {self.grid.quoted(spot)} and the other cells of "
            fault += f"{self.grid.line(row)} say of the samples"
            meant = ", ".join(map(quote, roles[1:]))
            line = f'"{self.grid.line(row)}" = {quote(roles[0])}    # or {meant}'
            self.ask(OpenProblem(fault, "[lines]", line))

    def _spot(self, row: int, sample: Sample) -> Spot | None:
        columns = range(sample.first, sample.last + 1)
        return next(((row, c) for c in columns if (row, c) in self.grid.cells), None)

    def sieves(self, line: Apertures, down: Mapping[int, str]) -> list[StackedSieve]:
        """The sieves with the rows of their masses, and names where a column gives them."""
        cells = self.grid.cells
        named = {
            c for r, c in cells
            if r < line.first and self.meaning(cells[r, c])[0] == col.SIEVE
            and any((row, c) in cells for row in line.values)
        }  # fmt: skip
        own = min(named, default=0)
        self.used |= {(row, own) for row in line.values} | {(r, line.column) for r in line.values}
        made: list[StackedSieve] = []
        for row in sorted({*line.values, *down}):
            name = str(cells.get((row, own), "")).strip()
            kind = down.get(row)
            if not down:
                made.append(StackedSieve(line.values[row], dict.fromkeys(MASSES, row), name))
            elif kind and row in line.values and not (
                made and made[-1].aperture == line.values[row] and kind not in made[-1].rows
            ):  # fmt: skip
                made.append(StackedSieve(line.values[row], {kind: row}, name))
            elif kind and made and kind not in made[-1].rows:
                made[-1] = StackedSieve(
                    made[-1].aperture, {**made[-1].rows, kind: row}, made[-1].name
                )
            else:
                self.ask(OpenProblem(f"to which sieve {self.grid.line(row)} belongs cannot be told",
                         hint="Write the aperture beside it."))  # fmt: skip
        return made

    def weighings(
        self,
        sieves: Sequence[StackedSieve],
        samples: Sequence[Sample],
        shared: int | None,
        shifts: tuple[int, int],
    ) -> tuple[list[Row], list[str]]:
        """Rows of the weighing table, and the cells of sieves that a sample has not used."""
        rows: list[Row] = []
        blank: list[str] = []
        for sample in samples:
            made: list[tuple[Row, str, bool]] = []
            for sieve in sieves:
                columns = {**sample.columns, **({col.TARE: shared} if shared else {})}
                spots = {k: (sieve.rows[k], c) for k, c in columns.items() if k in sieve.rows}
                own = [spot for k, spot in spots.items() if k != NET and spot[1] != shared]
                ends = [spots[k] for k in MASSES if k in sample.columns and k in spots]
                filled = any(spot in self.grid.cells for spot in own or ends)
                cells = {k: self._mass(spot, shifts[1]) for k, spot in spots.items()}
                if self.rules.get("balance_zeroed") and {*columns} == {NET}:
                    cells = {col.TARE: Decimal(0), col.GROSS: cells[NET]}
                cells |= {
                    col.RUN: sample.name,
                    col.APERTURE: sieve.aperture.scaleb(shifts[0]),
                    col.SIEVE: sieve.name or self._sieve_name(sieve, shared, shifts[0]),
                }
                place = self.grid.pair(ends[0], ends[-1])
                made.append((Row(_cell_row(ends[0][0], place), cells), place, filled))
            used = any(filled for *_, filled in made)
            rows += [row for row, _, filled in made if filled or not used]
            blank += [f"{at} of {sample.name}" for _, at, filled in made if used and not filled]
        return rows, blank

    @staticmethod
    def _sieve_name(sieve: StackedSieve, shared: int | None, shift: int) -> str:
        """Name of a sieve that all samples share because it was weighed empty once for all."""
        return f"{sieve.aperture.scaleb(shift):f} µm" if shared and sieve.aperture else ""

    def _mass(self, spot: Spot, shift: int) -> Cell:
        if spot not in self.grid.cells:
            return ""
        value = self.number(spot)
        return "" if value is None else value.scaleb(shift)

    def run_rows(self, samples: Sequence[Sample]) -> list[Row]:
        """Rows of the run table."""
        return [
            Row(
                _cell_row(sample.spots.get(col.RUN, (1, 1))[0], self._place(sample)),
                {**sample.told, col.RUN: sample.name},
            )
            for sample in samples
        ]

    def columns(self, line: Apertures) -> list[int]:
        """Columns of masses: with numbers beside the apertures, or headed as masses."""
        cells, top = self.grid.cells, line.first
        headed = {
            c: {self.meaning(cells[r, k])[0] for r, k in cells if k == c and r < top}
            for c in {c for _, c in cells if c > line.column}
        }
        return sorted(
            c for c, roles in headed.items()
            if self.lines.get(self.name_of(c)) != SKIP
            and not roles & {SKIP, col.SIEVE, col.APERTURE}
            and (roles & {*MASSES} or any(
                to_number(str(cells.get((r, c), ""))) is not None for r in line.values))
        )  # fmt: skip

    def mass_unit(self, samples: Sequence[Sample], sieves: Sequence[StackedSieve]) -> str | None:
        """Unit of the masses: by their headings, else by the size of empty sieves."""
        cells = self.grid.cells
        kind = col.TARE if any(col.TARE in s.columns for s in samples) else col.GROSS
        spots = [
            (sieve.rows[kind], s.columns[kind])
            for s in samples if kind in s.columns for sieve in sieves if kind in sieve.rows
        ]  # fmt: skip
        typed = (to_number(str(cells.get(spot, ""))) for spot in spots)
        masses = [float(value) for value in typed if value is not None]
        least, most = _USUAL_TARE_G
        usual = bool(masses) and least <= median(masses) <= most
        return self.unit_of("mass_unit", self.mass_units, "g" if usual else None, "the masses")

    def stack(self, sieves: Sequence[StackedSieve], shift: int) -> tuple[tuple[str, str], ...]:
        """Line and size in µm of each sieve."""
        return tuple(
            (self.grid.line(min(s.rows.values())), f"{s.aperture.scaleb(shift):f}") for s in sieves
        )

    def extent(self, sample: Sample) -> str:
        """Lines of the masses of a sample."""
        return self.grid.lines(sorted({*sample.columns.values()}))

    def rules_found(self, **found: object) -> dict[str, object]:
        """Content of a mapping file that would find the same again."""
        words = {r: [w] if isinstance(w, str) else list(w) for r, w in self.words.items()}
        for role, typed in self.headings.items():
            known = words.setdefault(role, [])
            known += [each for each in typed if each not in known]
        return {**self.rules, **found, "words": words}
