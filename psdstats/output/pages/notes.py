"""Notes of a section as a list under a heading of its own."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from psdstats.output.content import Bullets, Section
from psdstats.output.pages.wording import column_words

__all__ = ["notes_by_quantity", "notes_section", "without_repeats"]

_COLUMN = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")
_DRIFT = re.compile(r"([\w:]+)\[order of ([^\]]+)\]")
_CROSSED = re.compile(r"(?<=[a-z]):(?=[a-z])")


def notes_section(heading: str, notes: Iterable[str]) -> tuple[Section, ...]:
    """One section with the notes, or none where there are none."""
    items = tuple(notes)
    return (Section(heading=heading, blocks=(Bullets(items),)),) if items else ()


def notes_by_quantity(notes: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Notes on several quantities: what is said of each alike is said once, columns in words.

    Parameters
    ----------
    notes : iterable of (str, str)
        Quantity and note.

    Returns
    -------
    tuple of str
        In order of first appearance.

    Examples
    --------
    >>> notes_by_quantity((name, f"fit of ln_{name} by ball_ratio") for name in ("D10", "D50"))
    ('D10, D50: fit of ln size by ball ratio',)
    """
    said: dict[str, list[str]] = {}
    for quantity, note in notes:
        plain = note.replace(f"ln_{quantity}", "ln size").replace(f"ln {quantity} ", "ln size ")
        plain = _DRIFT.sub(r"drift of \1 in the order of \2", plain)
        words = _COLUMN.sub(lambda found: column_words(found[0]), _CROSSED.sub(" × ", plain))
        said.setdefault(words, []).append(quantity)
    return tuple(f"{', '.join(dict.fromkeys(own))}: {note}" for note, own in said.items())


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
