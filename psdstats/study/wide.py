"""Reading a laboratory's wide table into the tables of a study.

In a wide table every sample has columns of its own (empty and with powder) and every sieve a row,
or the other way round.  `read_wide` finds where apertures, masses and what is known of the samples
stand, by headings, units and values; it decides nothing that could be meant in two ways, but asks
for a line of a mapping file, a small TOML file that is kept and used for the next table of the same
laboratory.  What it found is a `WideTable`; `words.wide` says it.  `looks_wide` tells whether a
table that cannot be read as it stands is a wide one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.forms import Sheet
from psdstats.study.tables import RawStudy, Row, Table
from psdstats.study.wide_cells import (
    FACTORS,
    FEW,
    FIELD,
    RULES,
    Apertures,
    Finder,
    Grid,
    OpenProblem,
    Rules,
    Sample,
    WideTable,
    quote,
)
from psdstats.study.wide_layout import Layout, StackedSieve

_MOST_ROWS = 2_000  # of a sheet that may be a wide table


def _lines(grid: Grid, rules: Rules, points: bool) -> list[tuple[Grid, Apertures]]:
    """Where apertures may stand: under such a heading, else by their values."""
    found: list[tuple[Grid, Apertures]] = []
    for sieves, each in (("rows", grid), ("columns", grid.turn())):
        if rules.get("sieves", sieves) == sieves:
            lines = Finder(each, rules, points, []).lines_of_apertures()
            found += [(each, line) for line in lines]
    found = [one for one in found if one[1].heading] or found
    found = [one for one in found if one[1].unit] or found
    alike = [one for one in found if _same_stack(one, found[0])]
    if found and len(alike) == len(found):  # the same apertures again, or in the other unit
        return [min(found, key=lambda one: one[1].unit != "µm")]
    return found


def _same_stack(one: tuple[Grid, Apertures], other: tuple[Grid, Apertures]) -> bool:
    """Whether two columns give the same apertures to the same rows, perhaps in another unit."""
    first, second = one[1].values, other[1].values
    if one[0] is not other[0] or first.keys() != second.keys():
        return False
    return len({v / first[r] if first[r] else r for r, v in second.items() if v or first[r]}) == 1


def _analyse(
    grid: Grid, line: Apertures, rules: Rules, points: bool, problems: list[Problem]
) -> WideTable | None:
    """Read one table whose apertures are found."""
    layout = Layout(grid, rules, points, problems)
    columns = layout.columns(line)
    row, kinds, down = layout.kinds(line.first, columns)
    if not columns:
        layout.ask(OpenProblem("no masses stand beside the apertures", hint="Write them there."))
        return None
    sieves = layout.sieves(line, down)
    samples, shared = layout.blocks(columns, kinds, bool(down), line.first)
    if problems:
        return None
    layout.refuse_disorder(line, down)
    if line.heading:
        layout.take(line.heading, col.APERTURE)
    taken = {*line.values, *down, *([row] if shared is None and row else [])}
    layout.headings_of(samples, taken, min(columns))
    from_names = layout.name_samples(samples)
    units = layout.aperture_unit(line), layout.mass_unit(samples, sieves)
    if problems or None in units:
        return None
    return _found(layout, line, (sieves, samples, shared), from_names, units)


def _found(
    layout: Layout,
    line: Apertures,
    stand: tuple[list[StackedSieve], list[Sample], int | None],
    from_names: tuple[str, ...],
    units: tuple[str | None, ...],
) -> WideTable | None:
    """The tables of the study, and what is told of them."""
    sieves, samples, shared = stand
    unit, mass_unit = map(str, units)
    grid, problems = layout.grid, layout.problems
    shifts = FACTORS[unit].adjusted(), FACTORS[mass_unit].adjusted()
    weighed, blank = layout.weighings(sieves, samples, shared, shifts)
    if problems:
        return None
    needed = (col.RUN, col.SIEVE, col.APERTURE, col.TARE, col.GROSS)
    across = "columns" if grid.turned else "rows"
    told = {role: spot for sample in samples for role, spot in sample.spots.items()}
    heads = {role: f" {words[-1]!r}" for role, words in layout.headings.items()}
    return WideTable(
        place=grid.place,
        sieves=across,
        apertures=(layout.name_of(line.column), unit, layout.stack(sieves, shifts[0])),
        masses=tuple(dict.fromkeys(kind for s in samples for kind in s.columns)),
        mass_unit=mass_unit,
        shared_tares=layout.name_of(shared) if shared else "",
        samples=tuple((s.name, layout.extent(s)) for s in samples),
        lines=tuple((r, f"{grid.line(spot[0])}{heads.get(r, '')}") for r, spot in told.items()),
        from_names=from_names,
        unused=tuple(blank),
        skipped=layout.skipped(),
        rules=layout.rules_found(sieves=across, aperture_unit=unit, mass_unit=mass_unit),
        raw=RawStudy(
            name=grid.file.rpartition(".")[0],
            settings_file=grid.file,
            settings={"tares": "once"} if shared else {},
            runs=_table(grid.place, layout.run_rows(samples), (col.RUN, col.TIME), problems),
            weighings=_table(grid.place, weighed, needed, problems),
        ),
    )


def _table(place: str, rows: Sequence[Row], first: Sequence[str], problems: list[Problem]) -> Table:
    names = dict.fromkeys([*first, *(name for row in rows for name in row.cells)])
    return Table(file=place, columns=tuple(names), rows=tuple(rows), problems=problems)


def read_wide(
    sheets: Mapping[str, Sheet], file: str, rules: Rules, *, points: bool, problems: list[Problem]
) -> WideTable | None:
    """Read a wide table.

    Parameters
    ----------
    sheets : mapping of str to Sheet
        The sheets of a workbook, or the rows of a CSV file under the name "".
    file : str
        Name of the file.
    rules : mapping
        Content of the mapping file.
    points : bool
        Whether a comma separates the columns, so that it is no decimal sign.
    problems : list of Problem
        Takes what cannot be told.
    """
    wanted = rules.get("sheet")
    if wanted and wanted not in sheets:
        fault = f"the workbook has no sheet {wanted!r}, which the mapping file names"
        problems.append(Problem(file, fault, f"It has {', '.join(sheets)}."))
        return None
    found = {
        name: lines
        for name, sheet in sheets.items()
        if wanted in (None, name) and (lines := _lines(_grid(sheet, file, name), rules, points))
    }
    if not found:
        fault = "no line of apertures is found: at least two, in order, and the pan"
        remedy = (
            "Head them Aperture, µm, or put into the mapping file:\n    [words]\n    aperture_um = "
        )
        problems.append(Problem(file, fault, f'{remedy}["the heading"]'))
        return None
    if len(found) > 1:
        fault = f"the sheets {', '.join(found)} each hold a wide table"
        told = "\n".join(f"    sheet = {quote(name)}" for name in found)
        remedy = f"Put one of these into the mapping file (--mapping FILE.toml):\n{told}"
        problems.append(Problem(file, fault, remedy))
        return None
    ((name, lines),) = found.items()
    if len(lines) > 1:
        places = [grid.at((line.first, line.column)) for grid, line in lines]
        fault = f"apertures begin at {' and at '.join(places)}"
        remedy = "Keep one table on a sheet"
        if len({grid.turned for grid, _ in lines}) > 1:
            remedy += ', or put into the mapping file: sieves = "rows" or sieves = "columns"'
        problems.append(Problem(lines[0][0].place, fault, f"{remedy}."))
        return None
    table = _analyse(*lines[0], rules, points, problems)
    others = [each for each, sheet in sheets.items() if each != name and sheet]
    if table and others:
        table.raw.notes.append(f"Sheets of {file} not read: {', '.join(others)}.")
    return table


def looks_wide(sheets: Mapping[str, Sheet], file: str) -> Problem | None:
    """What to do with a table that cannot be read as it stands, if it is a wide one."""
    for name, sheet in sheets.items():
        lines = _lines(_grid(sheet, file, name), {}, False) if len(sheet) < _MOST_ROWS else []
        if len(lines) == 1:
            grid, line = lines[0]
            layout = Layout(grid, {}, False, [])
            columns = layout.columns(line)
            _, kinds, down = layout.kinds(line.first, columns)
            samples, _ = (
                layout.blocks(columns, kinds, bool(down), line.first) if columns else ([], None)
            )
            if len(samples) >= FEW:
                typed = f'"{file}"' if " " in file else file
                fault = f"this is a wide table (apertures in {layout.name_of(line.column)}, "
                fault += f"{len(samples)} samples beside them), not one row a reading"
                remedy = "Turn it into a study first: "
                remedy += f"psdstats convert {typed} my-trial --layout wide"
                return Problem(grid.place, fault, remedy)
    return None


def _grid(sheet: Sheet, file: str, name: str) -> Grid:
    cells = {
        (row, column): cell
        for row, typed in sheet
        for column, cell in enumerate(typed, start=1)
        if str(cell).strip()
    }
    return Grid(file, name, cells)


def refuse_rules(rules: Rules, file: str, problems: list[Problem]) -> None:
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
        problems.append(Problem(file, fault, remedy, None, key))


def _is_answer(key: str, value: object) -> bool:
    """Whether a value may stand in that table of a mapping file."""
    if key == "samples":
        kinds = {type(each) for each in value.values()} if isinstance(value, dict) else {dict}
        return kinds <= {str, int, float}
    if key == "words" and isinstance(value, list):
        return all(isinstance(each, str) for each in value)
    return isinstance(value, str)
