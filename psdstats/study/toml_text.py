"""Settings as TOML text that reads back the same.

Python reads TOML and does not write it; the few kinds of values that settings have are written
here: texts, numbers, switches, lists of them, and tables.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

from psdstats.errors import OutputError
from psdstats.study.cells import number_text

__all__ = ["toml_key", "toml_lines", "toml_value"]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def toml_key(*parts: str) -> str:
    """Write a key of TOML, its parts joined by dots and quoted where needed.

    Examples
    --------
    >>> toml_key("balances", "fine 0.1 mg", "resolution_g")
    'balances."fine 0.1 mg".resolution_g'
    """
    return ".".join(part if _BARE_KEY.fullmatch(part) else _quoted(part) for part in parts)


def toml_value(value: object) -> str:
    """Write a value of TOML on one line.

    Raises
    ------
    OutputError
        Naming the type that TOML does not have.

    Examples
    --------
    >>> toml_value(["a", ("b", "c")]), toml_value(0.01), toml_value(True)
    ('["a", ["b", "c"]]', '0.01', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return number_text(float(value))
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(part) for part in value) + "]"
    raise OutputError(f"A setting of the type {type(value).__name__} cannot be written as TOML.")


def toml_lines(settings: Mapping[str, object]) -> list[str]:
    """Lines of TOML: plain keys first, then the tables."""
    return _table_lines(settings, ())


def _table_lines(table: Mapping[str, object], path: tuple[str, ...]) -> list[str]:
    plain = [
        f"{toml_key(key)} = {toml_value(value)}"
        for key, value in table.items()
        if not isinstance(value, Mapping)
    ]
    lines = [f"[{toml_key(*path)}]"] if path and (plain or not table) else []
    lines += plain
    for key, value in table.items():
        if isinstance(value, Mapping):
            lines += _table_lines(value, (*path, key))
    return lines


def _quoted(text: str) -> str:
    # JSON's escapes are all TOML's too; TOML also wants the delete character escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
