"""What was found in a laboratory's wide table, in words, and its mapping file."""

from __future__ import annotations

from collections.abc import Sequence

from psdstats import columns as col
from psdstats.study.wide_cells import WideTable, words_of

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
