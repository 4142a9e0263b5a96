"""Read-only arrays for frozen results: a frozen dataclass alone leaves its arrays writable."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


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
