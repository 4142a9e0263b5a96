"""What a frozen dataclass does not do by itself: hold arrays and mappings still, check its fields.

A frozen dataclass alone leaves its arrays writable and takes whatever it is given; `hold_number`
and its like are for its ``__post_init__``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import NoReturn, TypeVar

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import Problem, StudyError
from psdstats.limits import Limits

Array = NDArray[np.float64]
Indices = NDArray[np.intp]
Flags = NDArray[np.bool_]
K = TypeVar("K")
V = TypeVar("V")


class ReadOnly(dict[K, V]):
    """A mapping that refuses to be changed; it can be pickled, compared and written as JSON."""

    def _refuse_change(self, *_: object, **__: object) -> NoReturn:
        raise TypeError("A record is read-only. Make another with dataclasses.replace.")

    __setitem__ = __delitem__ = __ior__ = _refuse_change
    clear = pop = popitem = setdefault = update = _refuse_change

    def __reduce__(self) -> tuple[object, ...]:
        return type(self), (dict(self),)


_NOTHING: ReadOnly[str, str] = ReadOnly()  # one for all that name nothing, of which there are many


def read_only(value: object) -> object:
    """Read-only copy of a mapping and of the mappings and lists in it."""
    if isinstance(value, Mapping):
        return ReadOnly({key: read_only(part) for key, part in value.items()})
    return [tuple(p) if isinstance(p, list) else p for p in value] if type(value) is list else value


def refusal(record: object, field: str, fault: str, remedy: str) -> StudyError:
    """Error about what a record was given for a field; its first field is taken for its name."""
    name = getattr(record, fields(record)[0].name)  # type: ignore[arg-type]
    place = f"{type(record).__name__} {str(name)[:40]}".rstrip()
    found = getattr(record, field)
    value = None if found is None else str(found)[:40]
    return StudyError([Problem(place, fault, remedy, column=field, value=value)])


def hold_number(
    record: object, field: str, limits: Limits | None = None, *, optional: bool = False
) -> None:
    """Hold a field as a finite float within its limits, or refuse it."""
    value = getattr(record, field)
    if value is None and optional:
        return
    try:
        number = math.nan if isinstance(value, bool | np.bool_) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number):
        unit = {"um": " in µm", "g": " in g", "min": " in min"}.get(field.rpartition("_")[2], "")
        raise refusal(record, field, "this is no finite number", f"Give the number alone{unit}.")
    if limits is not None and not limits.within(number):
        raise refusal(record, field, "the number cannot be so", f"Give {limits}.")
    object.__setattr__(record, field, number)


def hold_text(record: object, field: str, *, optional: bool = False, empty: bool = False) -> None:
    """Hold a field as text, or refuse it; a whole number becomes its digits."""
    value = getattr(record, field)
    if value is None and optional:
        return
    if isinstance(value, int | np.integer) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str) or not (empty or value.strip()):
        raise refusal(record, field, "this is no text, or an empty one", "Give a name in words.")
    object.__setattr__(record, field, value)


def hold_records(record: object, field: str, kind: type) -> None:
    """Hold a field as a tuple of records of one kind."""
    value = getattr(record, field)
    found = tuple(value) if isinstance(value, Iterable) and not isinstance(value, str) else None
    if found is None or not all(isinstance(each, kind) for each in found):
        remedy = f"Give a list of {kind.__name__}."
        raise refusal(record, field, f"not everything in it is a {kind.__name__}", remedy)
    object.__setattr__(record, field, found)


def hold_texts(record: object, field: str) -> None:
    """Hold a field as texts by name, none of them empty."""
    value = getattr(record, field)
    if not isinstance(value, Mapping) or not all(
        isinstance(part, str) and part.strip() for pair in value.items() for part in pair
    ):
        raise refusal(record, field, "these are no texts by name", "Leave out what is empty.")
    object.__setattr__(record, field, ReadOnly(value) if value else _NOTHING)


def freeze_arrays(result: object) -> None:
    """Give a frozen dataclass read-only copies of its arrays; meant for ``__post_init__``.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True, eq=False)
    ... class Sizes:
    ...     size_um: np.ndarray
    ...     def __post_init__(self):
    ...         freeze_arrays(self)
    >>> given = np.array([90.0, 125.0])
    >>> Sizes(given).size_um.flags.writeable, given.flags.writeable
    (False, True)
    """
    for item in fields(result):  # type: ignore[arg-type]
        value = getattr(result, item.name)
        if isinstance(value, np.ndarray):
            own = np.array(value)
            own.setflags(write=False)
            object.__setattr__(result, item.name, own)


class Still:
    """Base of a frozen dataclass whose arrays are held still."""

    def __post_init__(self) -> None:
        freeze_arrays(self)
