"""Reading a laboratory's wide table into the tables of a study.

In a wide table every sample has columns of its own (empty and with powder) and every sieve a row,
or the other way round.  `read_wide` finds where apertures, masses and what is known of the samples
stand, by headings, units and values; it decides nothing that could be meant in two ways, but asks
for a line of a mapping file, a small TOML file that is kept and used for the next table of the same
laboratory.  What it found is a `WideTable`; `words.study` says it.  `looks_wide` tells whether a
table that cannot be read as it stands is a wide one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import compress, pairwise
from statistics import median

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study import wide_cells as wide
from psdstats.study.cells import to_number
from psdstats.study.forms import Sheet
from psdstats.study.tables import Cell, NamedRow, Origin, RawStudy, Row, Table

_INHERITED = frozenset({col.GROUP, col.TIME, col.CHARGE, col.BALL_RATIO})  # by merged headings
_PAIR = {col.TARE, col.GROSS}
_SAID = {col.TARE: "empty", col.GROSS: "loaded", col.NET: "powder"}
_USUAL_TARE_G = (20, 5000)  # an empty sieve, from the smallest to the largest in use; no source
_MOST_ROWS = 2_000  # of a sheet that may be a wide table


class Layout(wide.Finder):
    """What stands where around the apertures of one table: masses, samples, rows to write.

    Whatever could be meant in two ways becomes a question that names the cells and gives the lines
    of a mapping file which answer it.
    """

    def __init__(
        self, grid: wide.Grid, line: wide.Apertures, rules: wide.Rules, points: bool, source: Origin
    ) -> None:
        super().__init__(grid, rules, points, source)
        self.line, self.top = line, line.first
        self.columns = self._mass_columns()
        self.kinds: dict[int, str] = {}  # masses of the columns
        self.down: dict[int, str] = {}  # or of the rows
        self.head = 0  # row of the headings that say which
        self.shared: int | None = None  # column of tares that count for all samples
        self.samples: list[wide.Sample] = []
        self.sieves: list[wide.StackedSieve] = []
        self._find_kinds()

    def _mass_columns(self) -> list[int]:
        """Columns of masses: with numbers beside the apertures, or headed as masses."""
        found = []
        for column in sorted({c for _, c in self.cells if c > self.line.column}):
            roles = {self.role((r, c)) for r, c in self.cells if c == column and r < self.top}
            beside = (str(self.cells.get((row, column), "")) for row in self.line.values)
            masses = roles & {*wide.MASSES} or any(to_number(cell) is not None for cell in beside)
            is_else = roles & {wide.SKIP, col.SIEVE, col.APERTURE}
            if masses and not is_else and self.lines.get(self.grid.column(column)) != wide.SKIP:
                found.append(column)
        return found

    def _find_kinds(self) -> None:
        """Which columns (by a heading in that row above the sieves), or rows, hold which masses.

        Of the rows above the sieves the one with most such headings counts, the lowest of equals;
        a heading alone in its row is a title.  A column that names empty and loaded sieves goes
        first.
        """
        over: dict[int, dict[int, str]] = {}
        down: dict[int, dict[int, str]] = {}
        for r, c in self.cells:
            role = self.role((r, c))
            if r < self.top and c in self.columns and role in wide.MASSES:
                over.setdefault(r, {})[c] = role
            elif r >= self.top and role in _PAIR:
                down.setdefault(c, {})[r] = role
        for column, found in down.items():
            if {*found.values()} == _PAIR:
                for row, role in found.items():
                    self.take((row, column), role)
                self._take_mass_units([(r, column) for r in range(self.top)])
                self.down = found
                return
        for row in [r for r, found in over.items() if len(found) == 1 < len(self.columns)]:
            if not all((row, c) in self.cells for c in self.columns):
                del over[row]
        self.head = row = max(over, key=lambda r: (len(over[r]), r), default=0)
        self.kinds = over.get(row, {})
        for column, role in self.kinds.items():
            self.take((row, column), role)
        half = len(self.columns) // 2
        filled = [c for c in self.columns if (row, c) in self.cells]
        merged = half and sorted(self.kinds) == filled == [self.columns[0], self.columns[half]]
        if merged and {*self.kinds.values()} == _PAIR:  # each half has one heading
            first, second = filled
            ends = [self.kinds[first], self.kinds[second]]
            self.kinds = {c: ends[c >= second] for c in self.columns}
        self._take_mass_units([(row, c) for c in range(min(self.columns, default=0))])
        for column in self.columns:
            if (role := self.lines.get(self.grid.column(column), "")) in wide.MASSES:
                self.kinds[column] = role

    def _take_mass_units(self, labels: Sequence[wide.Spot]) -> None:
        """Take the unit of masses from the heading of the line that says empty or loaded."""
        for spot in labels:
            role, unit = self.meaning(self.cells.get(spot, ""))
            if role not in wide.NUMERIC and unit in wide.KIND_OF_UNIT["mass_unit"]:
                self.mass_units.add(unit)
                self.used.add(spot)

    def find_samples(self) -> list[wide.Sample]:
        """The samples, from left to right, each with the columns of its masses."""
        columns, kinds = self.columns, self.kinds
        masses = [c for c in columns if kinds.get(c) in wide.MASSES]
        held = Counter(kinds[c] for c in masses)
        unnamed = [c for c in columns if c not in kinds]
        if self.down:
            self._take_samples([dict.fromkeys((col.TARE, col.GROSS), c) for c in columns])
        elif held[col.TARE] == 1 and (held[col.GROSS] > 1 or (unnamed and not held[col.GROSS])):
            self.shared = next(c for c in masses if kinds[c] == col.TARE)
            loaded = [c for c in columns if kinds.get(c, col.GROSS) == col.GROSS]
            self._take_samples([{col.GROSS: c} for c in loaded])
        elif not self._find_halves():
            groups = self._side_by_side(masses) if masses else [{col.NET: c} for c in unnamed]
            if masses and unnamed:
                self._ask_about_columns(unnamed)
            if {col.NET} == {kind for group in groups for kind in group}:
                if not self.rules.get("balance_zeroed"):
                    self._refuse_powder_alone(headed=bool(masses))
            else:
                for group in groups:
                    self._refuse_lacking(group)
            self._take_samples(groups)
        return self.samples

    def _take_samples(self, groups: Sequence[dict[str, int]]) -> None:
        """Samples with those columns, each as far as the next one begins."""
        firsts = [min(group.values()) for group in groups if group]
        ends = [*(first - 1 for first in firsts[1:]), max(self.columns)]
        self.samples = list(map(wide.Sample, groups, firsts, ends))

    def _side_by_side(self, masses: Sequence[int]) -> list[dict[str, int]]:
        """Columns of masses, split before the kind that stands first in the samples.

        Empty stands first, unless it is loaded.
        """
        kinds = self.kinds
        beside = Counter((kind, kinds.get(c + 1)) for c, kind in kinds.items())
        loaded_first = beside[col.GROSS, col.TARE] > beside[col.TARE, col.GROSS]
        leading = col.GROSS if loaded_first else col.TARE
        groups: list[dict[str, int]] = [{}]
        for column in masses:
            kind = kinds[column]
            if groups[-1] and (kind in groups[-1] or kind == leading):
                groups.append({})
            groups[-1][kind] = column
        return groups

    def _find_halves(self) -> bool:
        """Take samples whose empty sieves stand in one half of the columns, loaded in the other.

        Names above both halves are to be the same; false where the columns are not like that.
        """
        columns, kinds = self.columns, self.kinds
        half, order = len(columns) // 2, [kinds.get(c) for c in columns]
        if half < wide.FEW or order != [order[0]] * half + [order[-1]] * half or {*order} != _PAIR:
            return False
        for first, second in zip(columns[:half], columns[half:], strict=True):
            for row in {r for r, c in self.cells if c in (first, second) and r < self.top}:
                spots = [(row, c) for c in (first, second) if (row, c) in self.cells]
                if {self.role(spot) for spot in spots} & _PAIR:
                    continue
                self.used |= {*spots[1:]}
                if len({self.cells[spot] for spot in spots}) > 1:
                    fault = " and ".join(map(self.grid.quoted, spots))
                    hint = "Head both columns of a sample alike."
                    self.refuse(f"{fault} do not name one sample", hint=hint)
            pair = {kinds[first]: first, kinds[second]: second}
            self.samples.append(wide.Sample(pair, first, first))
        return True

    def _refuse_lacking(self, group: Mapping[str, int]) -> None:
        """Ask for the empty or the loaded sieves of a sample."""
        missing = " and ".join(_SAID[kind] for kind in (col.TARE, col.GROSS) if kind not in group)
        if missing:
            found = [f"{self.grid.column(c)} ({_SAID[self.kinds[c]]})" for c in group.values()]
            fault = f"the masses of {missing} sieves that belong to {', '.join(found)} are missing"
            hint = "Empty and loaded sieves of a sample stand side by side: add or head the column."
            self.refuse(fault, hint=hint)

    def _refuse_powder_alone(self, *, headed: bool) -> None:
        """Ask whether the balance was zeroed with each empty sieve."""
        first, last = self.columns[0], self.columns[-1]
        place = f"{self.grid.column(first)} to {self.grid.column(last).rpartition(' ')[2]}"
        zeroed = "balance_zeroed = true    # powder alone: 0 was shown with the empty sieve on it"
        if headed:
            fault = f"only masses of powder are given ({place}); without the empty and the loaded "
            fault += "sieves nobody can tell a sieve that was swapped or a tare that was wrong, "
            fault += "and the balance counts twice in the uncertainty"
            self.refuse(fault, zeroed, hint="Head columns Empty, g and Full, g.")
            return
        heads = [wide.quote(self._heading(c)) for c in self.columns[: wide.FEW]]
        empty = f"tare_g = [{heads[0]}]    # if that is the empty sieve"
        fault = f"no heading says which masses stand in {place}"
        self.refuse(fault, f"{zeroed}, or", "[words]", empty, f"gross_g = [{heads[-1]}]")

    def _heading(self, column: int) -> str:
        """The lowest text above the masses of a column."""
        above = sorted(spot for spot in self.cells if spot[1] == column and spot[0] < self.top)
        texts = [str(self.cells[spot]) for spot in above]
        is_text = [wide.plain(one) not in wide.UNITS and to_number(one) is None for one in texts]
        return ["?", *compress(texts, is_text)][-1].strip()

    def _ask_about_columns(self, columns: Sequence[int]) -> None:
        lines = list(map(self.grid.column, columns))
        fault = f"it is not known what the numbers in {', '.join(lines)} are"
        meant = f'"{wide.SKIP}"    # or "{col.TARE}", "{col.GROSS}"'
        self.refuse(fault, "[lines]", *(f'"{line}" = {meant}' for line in lines))

    def _spots(self, row: int) -> list[wide.Spot | None]:
        """The first filled cell of each sample in a row."""
        ranges = (range(sample.first, sample.last + 1) for sample in self.samples)
        cells = self.cells
        return [next(((row, c) for c in own if (row, c) in cells), None) for own in ranges]

    def read_headings(self) -> None:
        """Read every further row that says something of the samples."""
        left = min(self.columns)
        of_masses = {self.head} if self.shared is None else set()
        open_rows: list[int] = []
        for row in sorted({r for r, _ in self.cells} - {*self.line.values, *self.down} - of_masses):
            spots = list(filter(None, self._spots(row)))
            if not spots:
                continue
            label = max((c for r, c in self.cells if r == row and c < left), default=0)
            role, unit = self.meaning(self.cells[row, label]) if label else ("", None)
            role = self.lines.get(self.grid.row(row), role)
            if role in wide.NUMERIC and label and self._is_title((row, label), spots):
                role = wide.SKIP
            elif role in ("", col.APERTURE, col.SIEVE, wide.PAN, *wide.MASSES):
                known = bool(label) and role == ""
                role = self._by_values(spots) if not known else ""
                if not role and known and len(spots) >= min(wide.FEW, len(self.samples)):
                    self._ask_about_line((row, label))
                elif not role and (len(spots) > 1 or len(self.samples) == 1):
                    open_rows.append(row)
                label = 0
            if role not in ("", wide.SKIP):
                self._tell(row, role, unit, (row, label) if label else None)
        self._find_names(open_rows)

    def _is_title(self, label: wide.Spot, beside: Sequence[wide.Spot]) -> bool:
        """Whether a heading is a title with such a word in it, cut where its comma was."""
        is_cut = len(beside) < len(self.samples) and not self.says_only(self.cells[label])
        return is_cut and not str(self.cells[beside[0]]).strip()[0].isdigit()

    def _by_values(self, spots: Sequence[wide.Spot]) -> str:
        """What values without a heading are, where their form says so."""
        if all(wide.TIME_TEXT.fullmatch(wide.plain(self.cells[spot])) for spot in spots):
            return col.TIME
        typed = (str(self.cells[spot]).casefold().strip() for spot in spots)
        return col.BALL_RATIO if all(map(wide.RATIO_TEXT.fullmatch, typed)) else ""

    def _ask_about_line(self, spot: wide.Spot) -> None:
        said = str(self.cells[spot]).strip()
        name = "_".join(wide.plain(said).split()) or "factor"
        factor = f"{name} = [{wide.quote(said)}]    # a factor of the trial, or"
        fault = f"it is not known what {self.grid.quoted(spot)} says of the samples"
        self.refuse(fault, "[words]", factor, f"{wide.SKIP} = [{wide.quote(said)}]")

    def _tell(self, row: int, role: str, unit: str | None, label: wide.Spot | None) -> None:
        """Give each sample its value of a row; a blank under a merged heading inherits."""
        found = self._spots(row)
        at = [index for index, spot in enumerate(found) if spot]
        fills = role in _INHERITED and len(at) < len(found)
        regular = at[0] == 0 and len({b - a for a, b in pairwise([*at, len(found)])}) == 1
        pairs = list(zip(self.samples, found, strict=True))
        if fills and not regular and self.rules.get("blank_headings") != wide.ONE_MEANING:
            blank = [self.grid.at((row, sample.first)) for sample, spot in pairs if not spot]
            fault = f"what the blank cells say is not clear ({', '.join(blank[: wide.LISTED])}: "
            fault += f"{wide.words_of(role)} of the sample below, or the same as to its left)"
            self.refuse(fault, f'blank_headings = "{wide.ONE_MEANING}"', hint="Fill in the cells.")
        last: wide.Spot | None = None
        for sample, spot in pairs:
            last = spot or (last if fills else None)
            if last and role in sample.spots:
                first, again = (self.grid.at(one) for one in (sample.spots[role], last))
                fault = f"{wide.words_of(role)} stands in {first} and in {again}"
                self.refuse(fault, "[lines]", f'"{self.grid.row(row)}" = "{wide.SKIP}"')
                return
            if last:
                numeric = role in wide.NUMERIC
                sample.spots[role] = last
                sample.told[role] = self.quantity(last, role, unit) if numeric else self.cells[last]
                self.used.add(last)
        if label:
            self.take(label, role)

    def _find_names(self, open_rows: Sequence[int]) -> None:
        """Find the row of names among the rows that no heading explains; ask about the others."""
        rest = list(open_rows)
        filled = {row: list(filter(None, self._spots(row))) for row in open_rows}
        texts = {row: [str(self.cells[spot]) for spot in own] for row, own in filled.items()}
        if not any(col.RUN in sample.spots for sample in self.samples):
            number = len(self.samples)
            unique = [r for r, each in texts.items() if len({*each}) == number == len(each)]
            if len(unique) == 1:
                rest.remove(unique[0])
                self._tell(unique[0], col.RUN, None, None)
        for row in rest:
            numbers = all(to_number(text) is not None for text in texts[row])
            role, *others = (col.TIME, wide.SKIP) if numbers else (col.RUN, col.GROUP, wide.SKIP)
            fault = f"it is not known what {self.grid.quoted(filled[row][0])} and the other cells "
            fault += f"of {self.grid.row(row)} say of the samples"
            meant = f"{wide.quote(role)}    # or {', '.join(map(wide.quote, others))}"
            self.refuse(fault, "[lines]", f'"{self.grid.row(row)}" = {meant}')

    def find_sieves(self) -> None:
        """The sieves with the rows of their masses, and names where a column gives them."""
        values = self.line.values
        named = {
            c for r, c in self.cells
            if r < self.top and self.role((r, c)) == col.SIEVE
            and any((row, c) in self.cells for row in values)
        }  # fmt: skip
        own = min(named, default=0)
        self.used |= {(row, c) for row in values for c in (own, self.line.column)}
        for row in sorted({*values, *self.down}):
            name = str(self.cells.get((row, own), "")).strip()
            kind, last = self.down.get(row), self.sieves[-1] if self.sieves else None
            is_free = last is not None and kind is not None and kind not in last.rows
            if not self.down:
                rows = dict.fromkeys(wide.MASSES, row)
                self.sieves.append(wide.StackedSieve(values[row], rows, name))
            elif last and kind and is_free and values.get(row, last.aperture) == last.aperture:
                last.rows[kind] = row
            elif kind and row in values:
                self.sieves.append(wide.StackedSieve(values[row], {kind: row}, name))
            else:
                fault = f"to which sieve {self.grid.row(row)} belongs cannot be told"
                self.refuse(fault, hint="Write the aperture beside it.")

    def refuse_disorder(self) -> None:
        """Apertures twice or out of order, and a pan that does not lie below the finest sieve."""
        values, column = self.line.values, self.line.column
        rows = [row for row in sorted(values) if values[row]]
        steps = [(b, values[b] - values[a]) for a, b in pairwise(rows)]
        rising = sum(step > 0 for _, step in steps) > len(steps) / 2
        odd = [r for r, step in steps if (not self.down if not step else (step > 0) != rising)]
        if odd:
            fault = f"the aperture {self.grid.quoted((odd[0], column))} is out of order or "
            self.refuse(f"{fault}there twice", hint="Write every sieve once, from coarse to fine.")
        if 0 not in values.values():
            fault = f"no pan stands below or above {self.grid.quoted((rows[-1], column))}"
            self.refuse(fault, hint="Weigh the pan and add it, headed pan.")
        finest = min(values[row] for row in rows)
        for row in values:
            found = wide.WITH_UNIT.fullmatch(wide.same(self.cells[row, column]))
            if not values[row] and found and to_number(found[2]) not in (0, finest):
                fault = f"{self.grid.quoted((row, column))} is not below the finest sieve"
                self.refuse(fault, hint="Name the pan pan.")

    def aperture_unit(self) -> str | None:
        """Unit of the apertures: by their headings, else by their size."""
        meant = [self.meaning(cell) for cell in self.cells.values()]
        titles = {unit for role, unit in meant if role == col.APERTURE and unit in ("µm", "mm")}
        values = [value for value in self.line.values.values() if value]
        size = "µm" if max(values) > 125 and min(values) >= 1 else None
        size = "mm" if min(values) < 1 and max(values) <= 125 else size
        where = f"the apertures in {self.grid.column(self.line.column)}"
        unit = self.line.unit
        return self.unit_of("aperture_unit", {unit} if unit else titles, size, where)

    def mass_unit(self) -> str | None:
        """Unit of the masses: by their headings, else by the size of empty sieves."""
        kind = col.TARE if any(col.TARE in s.columns for s in self.samples) else col.GROSS
        rows = [sieve.rows[kind] for sieve in self.sieves if kind in sieve.rows]
        columns = [sample.columns[kind] for sample in self.samples if kind in sample.columns]
        typed = (to_number(str(self.cells.get((row, c), ""))) for row in rows for c in columns)
        masses = [float(value) for value in typed if value is not None]
        least, most = _USUAL_TARE_G
        usual = bool(masses) and least <= median(masses) <= most
        return self.unit_of("mass_unit", self.mass_units, "g" if usual else None, "the masses")

    def weighings(self, shifts: tuple[int, int]) -> tuple[list[Row], list[str]]:
        """Rows of the weighing table, and the cells of sieves that a sample has not used."""
        rows: list[Row] = []
        blank: list[str] = []
        for sample in self.samples:
            made = [self._weighing(sample, sieve, shifts) for sieve in self.sieves]
            used = any(filled for *_, filled in made)
            rows += [row for row, _, filled in made if filled or not used]
            blank += [f"{at} of {sample.name}" for _, at, filled in made if used and not filled]
        return rows, blank

    def _weighing(
        self, sample: wide.Sample, sieve: wide.StackedSieve, shifts: tuple[int, int]
    ) -> tuple[Row, str, bool]:
        """Row of the weighing table, the cells that it comes from, and whether these are filled."""
        columns = {**sample.columns, **({col.TARE: self.shared} if self.shared else {})}
        spots = {kind: (sieve.rows[kind], c) for kind, c in columns.items() if kind in sieve.rows}
        own = [s for kind, s in spots.items() if kind != col.NET and s[1] != self.shared]
        ends = [spots[kind] for kind in wide.MASSES if kind in sample.columns and kind in spots]
        filled = any(spot in self.cells for spot in own or ends)
        cells: dict[str, Cell] = {}
        for kind, spot in spots.items():
            value = self.number(spot) if spot in self.cells else None
            cells[kind] = "" if value is None else value.scaleb(shifts[1])
        if self.rules.get("balance_zeroed") and {*columns} == {col.NET}:
            cells = {col.TARE: Decimal(0), col.GROSS: cells[col.NET]}
        aperture = sieve.aperture.scaleb(shifts[0])
        common = f"{aperture:f} µm" if self.shared and aperture else ""  # weighed once for all
        cells |= {
            col.RUN: sample.name, col.APERTURE: aperture, col.SIEVE: sieve.name or common,
        }  # fmt: skip
        place = self.grid.pair(ends[0], ends[-1])
        return Row(_cell_row(ends[0][0], place), cells), place, filled

    def runs(self) -> list[Row]:
        """Rows of the run table."""
        return [
            Row(
                _cell_row(sample.spots.get(col.RUN, (1, 1))[0], self.place_of(sample)),
                {**sample.told, col.RUN: sample.name},
            )
            for sample in self.samples
        ]


def _cell_row(row: int, cells: str) -> NamedRow:
    """A row that prints with the cells it came from, so that a message names them."""
    return NamedRow(row, f"{row} ({cells})")


def _analyse(layout: Layout, raw: RawStudy) -> wide.WideTable | None:
    """Read one table whose apertures are found into the tables of a study; what is told of it."""
    if not layout.columns:
        layout.refuse("no masses stand beside the apertures", hint="Write them there.")
        return None
    layout.find_sieves()
    layout.find_samples()
    if raw.problems:
        return None
    layout.refuse_disorder()
    if layout.line.heading:
        layout.take(layout.line.heading, col.APERTURE)
    layout.read_headings()
    from_names = layout.name_samples(layout.samples)
    unit, mass_unit = layout.aperture_unit(), layout.mass_unit()
    if raw.problems or unit is None or mass_unit is None:
        return None
    shifts = wide.FACTORS[unit].adjusted(), wide.FACTORS[mass_unit].adjusted()
    weighed, blank = layout.weighings(shifts)
    if raw.problems:
        return None
    raw.settings = {"tares": "once"} if layout.shared else {}
    raw.runs = _table(layout.source, layout.runs(), (col.RUN, col.TIME))
    needed = (col.RUN, col.SIEVE, col.APERTURE, col.TARE, col.GROSS)
    raw.weighings = _table(layout.source, weighed, needed)
    return _found(layout, (unit, mass_unit), from_names, blank)


def _found(
    layout: Layout, units: tuple[str, str], from_names: tuple[str, ...], blank: Sequence[str]
) -> wide.WideTable:
    """What is told of a table that was read."""
    grid, samples, shared = layout.grid, layout.samples, layout.shared
    across, shift = "columns" if grid.turned else "rows", wide.FACTORS[units[0]].adjusted()
    stack = (
        (grid.row(min(sieve.rows.values())), f"{sieve.aperture.scaleb(shift):f}")
        for sieve in layout.sieves
    )
    told = {role: spot for sample in samples for role, spot in sample.spots.items()}
    heads = {role: f" {words[-1]!r}" for role, words in layout.headings.items()}
    return wide.WideTable(
        place=grid.place,
        sieves=across,
        apertures=(grid.column(layout.line.column), units[0], tuple(stack)),
        masses=tuple(dict.fromkeys(kind for sample in samples for kind in sample.columns)),
        mass_unit=units[1],
        shared_tares=grid.column(shared) if shared else "",
        samples=tuple((s.name, grid.lines({*s.columns.values()})) for s in samples),
        lines=tuple((r, f"{grid.row(spot[0])}{heads.get(r, '')}") for r, spot in told.items()),
        from_names=from_names,
        unused=tuple(blank),
        skipped=layout.skipped(),
        rules=layout.rules_found(sieves=across, aperture_unit=units[0], mass_unit=units[1]),
    )


def _table(source: Origin, rows: Sequence[Row], first: Sequence[str]) -> Table:
    names = dict.fromkeys([*first, *(name for row in rows for name in row.cells)])
    return Table(source.file, source.problems, columns=tuple(names), rows=tuple(rows))


def _layouts(
    sheet: Sheet, file: str, name: str, rules: wide.Rules, points: bool, source: Origin
) -> list[Layout]:
    """Where apertures may stand: under such a heading, else by their values."""
    cells = {
        (row, column): cell
        for row, typed in sheet
        for column, cell in enumerate(typed, start=1)
        if str(cell).strip()
    }
    grid = wide.Grid(file, name, cells)
    found: list[Layout] = []
    for sieves, each in (("rows", grid), ("columns", grid.turn())):
        if rules.get("sieves", sieves) == sieves:
            lines = wide.Finder(each, rules, points, source).lines_of_apertures()
            found += [Layout(each, line, rules, points, source) for line in lines]
    found = [one for one in found if one.line.heading] or found
    found = [one for one in found if one.line.unit] or found
    if all(_is_same_stack(one, found[0]) for one in found):  # again, or in the other unit
        found = sorted(found, key=lambda one: one.line.unit != "µm")[:1]
    return found


def _is_same_stack(one: Layout, other: Layout) -> bool:
    """Whether two columns give the same apertures to the same rows, perhaps in another unit."""
    first, second = one.line.values, other.line.values
    if one.grid is not other.grid or first.keys() != second.keys():
        return False
    return len({v / first[r] if first[r] else r for r, v in second.items() if v or first[r]}) == 1


def read_wide(
    sheets: Mapping[str, Sheet], raw: RawStudy, rules: wide.Rules, *, points: bool
) -> wide.WideTable | None:
    """Read a wide table.

    Parameters
    ----------
    sheets : mapping of str to Sheet
        The sheets of a workbook, or the rows of a CSV file under the name "".
    raw : RawStudy
        Takes the tables, and what cannot be told.
    rules : mapping
        Content of the mapping file.
    points : bool
        Whether a comma separates the columns, so that it is no decimal sign.
    """
    wanted = rules.get("sheet")
    if wanted and wanted not in sheets:
        fault = f"the workbook has no sheet {wanted!r}, which the mapping file names"
        raw.refuse(fault, f"It has {', '.join(sheets)}.")
        return None
    found = {
        name: own
        for name, sheet in sheets.items()
        if wanted in (None, name) and (own := _layouts(sheet, raw.file, name, rules, points, raw))
    }
    if not found:
        fault = "no line of apertures is found: at least two, in order, and the pan"
        remedy = "Head them Aperture, µm, or put into the mapping file (--mapping FILE.toml):\n"
        words = (
            '    [words]\n    aperture_um = ["the heading"]\n    pan = ["what the pan is called"]'
        )
        raw.refuse(fault, f"{remedy}{words}")
        return None
    if len(found) > 1:
        fault = f"the sheets {', '.join(found)} each hold a wide table"
        told = "\n".join(f"    sheet = {wide.quote(name)}" for name in found)
        remedy = f"Put one of these into the mapping file (--mapping FILE.toml):\n{told}"
        raw.refuse(fault, remedy)
        return None
    ((name, layouts),) = found.items()
    if len(layouts) > 1:
        places = [one.grid.at((one.top, one.line.column)) for one in layouts]
        remedy = "Keep one table on a sheet"
        if len({one.grid.turned for one in layouts}) > 1:
            remedy += ', or put into the mapping file: sieves = "rows" or sieves = "columns"'
        layouts[0].source.refuse(f"apertures begin at {' and at '.join(places)}", f"{remedy}.")
        return None
    table = _analyse(layouts[0], raw)
    others = [each for each, sheet in sheets.items() if each != name and sheet]
    if table and others:
        raw.notes.append(f"Sheets of {raw.file} not read: {', '.join(others)}.")
    return table


def looks_wide(sheets: Mapping[str, Sheet], file: str) -> Problem | None:
    """What to do with a table that cannot be read as it stands, if it is a wide one."""
    for name, sheet in sheets.items():
        few = len(sheet) < _MOST_ROWS
        layouts = _layouts(sheet, file, name, {}, False, Origin(file)) if few else []
        samples = [one.find_samples() if one.columns else [] for one in layouts]
        if samples and min(map(len, samples)) >= wide.FEW:
            grid, column = layouts[0].grid, layouts[0].line.column
            typed = f'"{file}"' if " " in file else file
            fault = f"this is a wide table (apertures in {grid.column(column)}, "
            fault += f"{len(samples[0])} samples beside them), not one row a reading"
            remedy = "Turn it into a study first: "
            remedy += f"psdstats convert {typed} my-trial --layout wide"
            return Problem(grid.place, fault, remedy)
    return None
