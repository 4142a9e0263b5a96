"""What a command shows of one result: sentences, tables, drawings, notes, cautions, texts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from psdstats.output.content import Drawing
from psdstats.output.tables import Table

__all__ = ["PageParts"]


def _no_texts() -> Mapping[str, str]:
    return MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class PageParts:
    """The parts of one result, in the order in which a reader needs them.

    Parameters
    ----------
    sentences : tuple of str
        The answer in words.
    tables : tuple of Table
        Every table.
    first : tuple of Table
        Those a terminal shows unasked, with the columns that it has room for.
    drawings : tuple of Drawing
        Every figure.
    notes : tuple of str
        What was assumed or left out.
    cautions : tuple of str
        What can hurt; shown always.
    texts : mapping of str to str
        Further files by name.
    """

    sentences: tuple[str, ...]
    tables: tuple[Table, ...] = ()
    first: tuple[Table, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    texts: Mapping[str, str] = field(default_factory=_no_texts)

    def __add__(self, other: PageParts) -> PageParts:
        return PageParts(
            sentences=self.sentences + other.sentences,
            tables=self.tables + other.tables,
            first=self.first + other.first,
            drawings=self.drawings + other.drawings,
            notes=tuple(dict.fromkeys(self.notes + other.notes)),
            cautions=tuple(dict.fromkeys(self.cautions + other.cautions)),
            texts={**self.texts, **other.texts},
        )
