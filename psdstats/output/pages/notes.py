"""Notes of a section as a list under a heading of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from psdstats.output.content import Bullets, Section

__all__ = ["notes_section", "without_repeats"]


def notes_section(heading: str, notes: Iterable[str]) -> tuple[Section, ...]:
    """One section with the notes, or none where there are none."""
    items = tuple(notes)
    return (Section(heading=heading, blocks=(Bullets(items),)),) if items else ()


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
