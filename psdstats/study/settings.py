"""The settings of a study: which keys study.toml may have, of which type, within which limits.

The same keys come from the lines above a flat CSV or from the sheet `study` of a workbook.
An unknown key is an error that lists the known ones, so that a typing error never passes as a
default.  Options of checks are declared in `check_options`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from psdstats.errors import Problem
from psdstats.study.flags import CHECKS
from psdstats.study.records import RULES, TareHandling

_LARGEST = 1e12  # of any number among the settings

Rule = Callable[[object], str | None]
"""Says what is expected where a value is not allowed, None where it is."""


def _text(value: object) -> str | None:
    return None if isinstance(value, str) else "text in quotation marks"


def _switch(value: object) -> str | None:
    return None if isinstance(value, bool) else "true or false"


def _one_of(*allowed: str) -> Rule:
    expected = "one of " + ", ".join(f'"{name}"' for name in allowed)
    return lambda value: None if value in allowed and isinstance(value, str) else expected


def _number(
    *, above: float | None = None, least: float | None = None, below: float = math.inf
) -> Rule:
    low = f"above {above:g}" if above is not None else f"of at least {least or 0:g}"
    high = "" if below == math.inf else f" and below {below:g}"

    def rule(value: object) -> str | None:
        fits = (
            isinstance(value, int | float)
            and not isinstance(value, bool)
            and abs(value) < _LARGEST  # false for nan too
            and (value > above if above is not None else value >= (least or 0.0))
            and value < below
        )
        return None if fits else f"a number {low}{high}"

    return rule


def _names(value: object) -> str | None:
    """A column name, or a list of names and lists of names (a combination of columns)."""
    if isinstance(value, str) and value:
        return None
    if isinstance(value, list) and value:
        flat = [part for item in value for part in (item if isinstance(item, list) else [item])]
        if flat and all(isinstance(part, str) and part for part in flat):
            return None
    return "a column name or a list of column names"


def _sentences(value: object) -> str | None:
    fits = isinstance(value, list) and all(isinstance(part, str) for part in value)
    return None if fits else "a list of texts"


@dataclass(frozen=True)
class _Keys:
    """A table of settings: its keys and the rule of each."""

    rules: Mapping[str, Rule]
    needed: tuple[str, ...] = ()


_TOP = _Keys(
    {
        "title": _text,
        "material": _text,
        "density_g_per_cm3": _number(above=0),
        "shape_factor": _number(above=0),
        "tares": _one_of(*TareHandling),
        "rule": _one_of(*RULES),
        "notes": _sentences,
    }
)
_BALANCE = _Keys(
    {
        "resolution_g": _number(above=0),
        "repeatability_g": _number(),
        "capacity_g": _number(above=0),
        "slope_u": _number(below=1),
        "linearity_g": _number(),
    },
    needed=("resolution_g",),
)
_SIEVE = _Keys(
    {
        "nominal_um": _number(above=0),
        "certified_um": _number(above=0),
        "expanded_uncertainty_um": _number(above=0),
        "coverage_factor": _number(above=0),
        "standard": _text,
    },
    needed=("nominal_um",),
)
UNCERTAINTY_RULES: Mapping[str, Rule] = {
    "rounding": _switch,
    "repeatability": _switch,
    "calibration": _switch,
    "aperture": _switch,
    "sampling": _switch,
    "lost_powder": _switch,
    "interpolation": _switch,
    "run_to_run_percent": _number(),
    "coverage": _number(above=0, below=1),
}
"""Keys of the table [uncertainty]; a source of uncertainty adds the key that switches it on."""
_COMPARE = _Keys(
    {
        "by": _text,
        "within": _names,
        "also": _names,
        "at_each": _text,
        "margin_percent": _number(above=0),
        "spread": _one_of("drifting", "pooled", "each contrast"),
    }
)
_TABLES = ("balances", "sieves", "uncertainty", "checks", "compare")


def parse_toml(text: str, file: str, problems: list[Problem]) -> dict[str, object]:
    """Parse TOML; an empty dictionary, with a problem noted, where it is not TOML."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as cause:
        problems.append(
            Problem(
                file=file,
                fault=f"the settings are not well-formed TOML: {cause}",
                remedy='Write one key = value a line, with texts in "quotation marks".',
            )
        )
        return {}


def check_settings(settings: Mapping[str, object], file: str) -> list[Problem]:
    """Find every unknown key and every value that is not allowed."""
    plain = {key: value for key, value in settings.items() if key not in _TABLES}
    found = _check_table(plain, _TOP, file, path=(), extra=_TABLES)
    for name in ("uncertainty", "compare"):
        keys = _Keys(UNCERTAINTY_RULES) if name == "uncertainty" else _COMPARE
        if name in settings:
            found += _check_table(settings[name], keys, file, path=(name,))
    for name, keys in (("balances", _BALANCE), ("sieves", _SIEVE)):
        if name in settings:
            found += _check_named(settings[name], keys, file, name)
    if "checks" in settings:
        found += _check_checks(settings["checks"], file)
    return found


def _check_named(tables: object, keys: _Keys, file: str, path: str) -> list[Problem]:
    if not isinstance(tables, Mapping):
        return [_wrong(file, (path,), tables, f"a table [{path}.NAME] for each")]
    return [
        problem
        for name, table in tables.items()
        for problem in _check_table(table, keys, file, path=(path, name))
    ]


def _check_checks(checks: object, file: str) -> list[Problem]:
    if not isinstance(checks, Mapping):
        return [_wrong(file, ("checks",), checks, "a table [checks]")]
    found = _unknown(checks, CHECKS, file, ("checks",))
    for name, options in CHECKS.items():
        value = checks.get(name, True)
        if isinstance(value, bool):
            continue
        rules: dict[str, Rule] = {key: _number(above=0) for key in options.limits}
        found += _check_table(value, _Keys(rules), file, path=("checks", name))
    return found


def _check_table(
    table: object,
    keys: _Keys,
    file: str,
    *,
    path: tuple[str, ...],
    extra: Iterable[str] = (),
) -> list[Problem]:
    if not isinstance(table, Mapping):
        return [_wrong(file, path, table, f"a table [{'.'.join(path)}]")]
    found = _unknown(table, (*keys.rules, *extra), file, path)
    for key, rule in keys.rules.items():
        if key in table:
            expected = rule(table[key])
            if expected is not None:
                found.append(_wrong(file, (*path, key), table[key], expected))
    found += [
        Problem(
            file=file,
            column=".".join((*path, key)),
            fault="the key is missing",
            remedy=f"Add {key} to [{'.'.join(path)}].",
        )
        for key in keys.needed
        if key not in table
    ]
    return found


def _unknown(
    table: Mapping[str, object], known: Iterable[str], file: str, path: tuple[str, ...]
) -> list[Problem]:
    names = tuple(known)
    where = f"in [{'.'.join(path)}]" if path else "at the top"
    return [
        Problem(
            file=file,
            column=".".join((*path, key)),
            fault="the key is not known",
            remedy=f"Known {where}: {', '.join(names)}.",
        )
        for key in table
        if key not in names
    ]


def _wrong(file: str, path: tuple[str, ...], value: object, expected: str) -> Problem:
    return Problem(
        file=file,
        column=".".join(path),
        value=str(value)[:40],
        fault="the value is not allowed",
        remedy=f"Write {expected}.",
    )
