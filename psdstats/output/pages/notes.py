"""Notes of a section as a list under a heading of its own."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from psdstats.output.content import Bullets, Section
from psdstats.wording import column_words

__all__ = [
    "columns_in_words",
    "left_out_notes",
    "notes_by_quantity",
    "notes_section",
    "without_repeats",
]

_DRIFT = re.compile(r"([\w:]+)\[order of ([^\]]+)\]")


def notes_section(heading: str, notes: Iterable[str]) -> tuple[Section, ...]:
    """One section with the notes, or none where there are none."""
    items = tuple(notes)
    return (Section(heading=heading, blocks=(Bullets(items),)),) if items else ()


def left_out_notes(sources: Sequence[str]) -> tuple[str, ...]:
    """Which sources of uncertainty are not in a result, and how to count them.

    Run-to-run variation is never among them: a comparison estimates it.

    Parameters
    ----------
    sources : sequence of str
        Names of the sources left out.

    Examples
    --------
    >>> left_out_notes(["sampling", "run_to_run"])[0].partition(". ")[0]
    'Not counted: sampling'
    """
    names = [name for name in sources if name != "run_to_run"]
    if not names:
        return ()
    what = ", ".join(name.replace("_", " ") for name in names)
    example = "sampling" if "sampling" in names else names[0]
    switch = f"{example} = true" if len(names) == 1 else f"{example} = true and so on"
    return (
        f"Not counted: {what}. To count more, write {switch} under [uncertainty] in study.toml.",
    )


def notes_by_quantity(
    notes: Iterable[tuple[str, str]], *, columns: Iterable[str] = ()
) -> tuple[str, ...]:
    """Notes on several quantities: what is said of each alike is said once, columns in words.

    Parameters
    ----------
    notes : iterable of (str, str)
        Quantity and note.
    columns : iterable of str
        As in `columns_in_words`.

    Returns
    -------
    tuple of str
        In order of first appearance.

    Examples
    --------
    >>> pairs = [(name, f"fit of ln_{name} by ball_ratio") for name in ("D10", "D50")]
    >>> notes_by_quantity(pairs, columns=["ball_ratio"])
    ('D10, D50: fit of ln size by ball ratio',)
    """
    names = tuple(columns)
    said: dict[str, list[str]] = {}
    for quantity, note in notes:
        plain = note.replace(f"ln_{quantity}", "ln size").replace(f"ln {quantity} ", "ln size ")
        said.setdefault(columns_in_words(plain, names), []).append(quantity)
    return tuple(f"{', '.join(dict.fromkeys(own))}: {note}" for note, own in said.items())


def columns_in_words(note: str, columns: Iterable[str]) -> str:
    """A note with columns, their combinations and drifts in words; other names stay as they are.

    Parameters
    ----------
    note : str
        The note.
    columns : iterable of str
        Columns of the run table that it may name.

    Examples
    --------
    >>> note = "variance of group:milling_time_min at zero; set aside: run_a"
    >>> columns_in_words(note, ["group", "milling_time_min"])
    'variance of group × milling time at zero; set aside: run_a'
    >>> columns_in_words("variance of group[order of milling_time_min]", ["milling_time_min"])
    'variance of drift of group in the order of milling time'
    """
    names = "|".join(re.escape(name) for name in sorted(columns, key=len, reverse=True))
    if not names:
        return note
    alone = rf"(?<![\w-])(?:{names})(?![\w-])"
    plain = _DRIFT.sub(r"drift of \1 in the order of \2", note)
    plain = re.sub(rf"({alone}):(?={alone})", r"\1 × ", plain)
    return re.sub(alone, lambda found: column_words(found[0]), plain)


def without_repeats(sections: Iterable[Section]) -> tuple[Section, ...]:
    """Leave out the items of lists that an earlier section says already, and lists left empty."""
    said: set[str] = set()
    kept = (_once(section, said) for section in sections)
    return tuple(section for section in kept if section.blocks or section.sections)


def _once(section: Section, said: set[str]) -> Section:
    blocks = []
    for block in section.blocks:
        if isinstance(block, Bullets):
            block = Bullets(tuple(item for item in block.items if item not in said))
            said.update(block.items)
            if not block.items:
                continue
        blocks.append(block)
    below = (_once(each, said) for each in section.sections)
    return replace(
        section,
        blocks=tuple(blocks),
        sections=tuple(each for each in below if each.blocks or each.sections),
    )
