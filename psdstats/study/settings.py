"""The settings of a study: which keys study.toml may have, of which type, within which limits.

The same keys come from the lines above a flat CSV or from the sheet `study` of a workbook.
An unknown key is an error that lists the known ones, so that a typing error never passes as a
default.  The limits of the checks are declared in `checks.csv`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any

from psdstats import limits
from psdstats.columns import RULES, SIEVE_COLUMNS, SIEVE_TEXTS
from psdstats.errors import ModelError
from psdstats.frozen import ReadOnly
from psdstats.limits import Limits
from psdstats.sieves.standards import SPLITTING_METHODS
from psdstats.study.cells import CellComment
from psdstats.study.flags import CHECKS
from psdstats.study.records import ACCURACY_CLASSES, TareHandling, Trial
from psdstats.study.tables import Origin

Rule = Limits | tuple[str | bool, ...] | type
"""Numbers within limits, one of some words, or values of a type; `list` is names of columns, `date`
text or a date of TOML."""

_TOP: dict[str, Rule] = {
    **dict.fromkeys(("title", "material", "author"), str),
    "date": date,
    "density_g_per_cm3": limits.STATED_DENSITY,
    "shape_factor": limits.SHAPE_FACTOR,
    "tares": tuple(TareHandling),
    "rule": RULES,
    "notes": tuple,
}
BALANCE_RULES: dict[str, Rule] = {
    "resolution_g": limits.STATED_RESOLUTION_G,
    "repeatability_g": limits.BALANCE_G,
    "repeatability_weighings": Limits(2, whole=True),
    "capacity_g": limits.MASS_G,
    "slope_u": Limits(0, 1, below=True),
    "linearity_g": limits.BALANCE_G,
    "drift_g": limits.BALANCE_G,
    "accuracy_class": ACCURACY_CLASSES,
    "verification_interval_g": limits.STATED_RESOLUTION_G,
    "certificate": str,
}
"""Keys of a balance."""
_SIEVE: dict[str, Rule] = {
    **dict.fromkeys(SIEVE_COLUMNS[1:], limits.POSITIVE),
    **dict.fromkeys(SIEVE_TEXTS, str),
    **dict.fromkeys(("certificate_correlation", "reference_correlation"), Limits(0, 1)),
    "degrees_of_freedom": Limits(1),
    "further": dict,
}
UNCERTAINTY_RULES: dict[str, Rule] = {
    **dict.fromkeys(("rounding", "repeatability", "calibration"), bool),
    **dict.fromkeys(("aperture", "sampling", "splitting"), bool),
    "splitting_percent": limits.SPREAD_PERCENT,
    "splitting_method": SPLITTING_METHODS,
    "end_point": bool,
    "lost_powder": (True, False, "pan", "in proportion"),
    "between_sieves": bool,
    "borrowing": bool,
    "run_to_run_percent": limits.SPREAD_PERCENT,
    "coverage": limits.LEVEL,
}
"""Keys of the table [uncertainty]; a source of uncertainty adds the key that switches it on."""
RETIRED = {"interpolation": "between_sieves"}
"""Former keys of the table [uncertainty], and the key that took their place."""
_COMPARE: dict[str, Rule] = {
    "by": str,
    **dict.fromkeys(("within", "also", "at_each"), list),
    "margin_percent": limits.MARGIN_PERCENT,
    "spread": ("drifting", "pooled", "each contrast"),
    "direction": ("falling", "rising"),
    "run_to_run_percent": limits.SPREAD_PERCENT,
    "run_to_run_df": limits.FREEDOM,
    "drift_percent": limits.SPREAD_PERCENT,
    "drift_df": limits.FREEDOM,
    "one_family": bool,
    "target_um": limits.SIZE_UM,
    "leave_out": list,
}
STRATA = ("cell", "drift")
"""What [compare] `leave_out` may name beside columns of the run table."""
_RUN = "run_to_run_percent"
_LIMITS: dict[str, Rule] = {
    **{f"D{p}_{side}_um": limits.SIZE_UM for p in (10, 50, 90) for side in ("lower", "upper")},
    **{f"span_{side}": limits.SPAN for side in ("lower", "upper")},
    "share_above_um": limits.SIZE_UM,
    **{f"share_above_{side}": limits.SHARE for side in ("lower", "upper")},
    "guard_k": limits.GUARD_K,
}
_RULES = {"uncertainty": UNCERTAINTY_RULES, "compare": _COMPARE, "limits": _LIMITS}
_TABLES = ("balances", "sieves", "uncertainty", "checks", "compare", "limits", "comments")

_COMMA = re.compile(r"^[ \t]*\w+[ \t]*=[ \t]*[0-9]+,[0-9]", re.MULTILINE)
_WITH_UNIT = re.compile(
    r"^[ \t]*\w+[ \t]*=[ \t]*[0-9.]+[ \t]*(?![eE][+-]?[0-9])[A-Za-zµ%]", re.MULTILINE
)


def parse_toml(text: str, source: Origin) -> dict[str, object]:
    """Parse TOML; an empty dictionary, with a problem noted, where it is not TOML."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as cause:
        fault = f"the settings are not well-formed TOML: {cause}"
        remedy = 'Write one key = value a line, with texts in "quotation marks".'
        if _COMMA.search(text):
            remedy = "Write a decimal point, as in 0.01, not a comma."
        elif _WITH_UNIT.search(text):
            remedy = "Write the number alone, its unit is in the name of the key."
        source.refuse(fault, remedy)
        return {}


def check_settings(settings: Mapping[str, Any], source: Origin) -> bool:
    """Whether every key is known and every value allowed; what is not is noted as a problem."""
    before = len(source.problems)
    at_top = {key: value for key, value in settings.items() if key not in _TABLES}
    _check_table(source, at_top, _TOP, extra=_TABLES)
    for name, rules in _RULES.items():
        if name in settings:
            former = RETIRED if name == "uncertainty" else ()
            _check_table(source, settings[name], rules, name, extra=former)
    _check_comments(source, settings.get("comments", []))
    for check in (_check_limits, _check_declared):
        if len(source.problems) == before:
            check(source, settings)
    for name, rules in (("balances", BALANCE_RULES), ("sieves", _SIEVE)):
        each = settings.get(name, {})
        if not isinstance(each, Mapping):
            _wrong(source, (name,), each, f"a table [{name}.NAME] for each")
            continue
        for key, table in each.items():
            _check_table(source, table, rules, name, key, needed=next(iter(rules)))
    checks = settings.get("checks", {})
    _check_table(source, checks, {}, "checks", extra=CHECKS)
    for name, options in CHECKS.items() if isinstance(checks, Mapping) else ():
        own = checks.get(name, True)
        if isinstance(own, Mapping):
            rules = dict.fromkeys(options.limits, limits.POSITIVE)
            _check_table(source, own, rules, "checks", name)
        elif not isinstance(own, bool):
            _wrong(source, ("checks", name), own, f"true, false or a table [checks.{name}]")
    return len(source.problems) == before


def _check_comments(source: Origin, comments: Any) -> None:
    """Refuse comments on cells that do not say where, or what."""
    if not isinstance(comments, list):
        _wrong(source, ("comments",), comments, "a table [[comments]] for each")
        return
    names, needed = [one.name for one in fields(CellComment)], ("table", "column", "text")
    expected = f"texts for {', '.join(needed)}; known are {', '.join(names)}"
    for one in comments:
        known = isinstance(one, Mapping) and all(
            name in names and isinstance(text, str) for name, text in one.items()
        )
        if not known or not all(str(one.get(name, "")).strip() for name in needed):
            _wrong(source, ("comments",), one, expected)


def _check_limits(source: Origin, settings: Mapping[str, Any]) -> None:
    """Refuse limits with nothing between them, and a share above a sieve that is not named."""
    own = settings.get("limits", {})
    for upper in own:
        lower = upper.replace("upper", "lower")
        if upper != lower and lower in own and own[upper] <= own[lower]:
            _wrong(source, ("limits", upper), own[upper], f"a number above {own[lower]:g}")
    if {"share_above_lower", "share_above_upper"} & set(own) and "share_above_um" not in own:
        remedy = "Add the aperture of the sieve, share_above_um, to [limits]."
        source.refuse("the key is missing", remedy, None, "limits.share_above_um")


def _check_declared(source: Origin, settings: Mapping[str, Any]) -> None:
    """Refuse two run-to-run spreads that contradict each other, degrees of freedom of none."""
    compare = settings.get("compare", {})
    run, other = (settings.get(name, {}).get(_RUN) for name in ("compare", "uncertainty"))
    if None not in (run, other) and run != other:
        fault = f"the spread between runs is {other:g} % in [uncertainty]"
        remedy = "State it once, or the same in both."
        source.refuse(fault, remedy, None, f"compare.{_RUN}", str(run))
    spreads = {_RUN: other if run is None else run, "drift_percent": compare.get("drift_percent")}
    for name, percent in spreads.items():
        key = name.replace("_percent", "_df")
        if key in compare and percent is None:
            fault = "no spread is stated that these degrees of freedom belong to"
            source.refuse(fault, f"Add {name} to [compare].", None, f"compare.{key}")


def _check_table(
    source: Origin,
    table: object,
    rules: Mapping[str, Rule],
    *path: str,
    extra: Iterable[str] = (),
    needed: str | None = None,
) -> None:
    """Refuse keys of a table that are not known, values not allowed, and that a key is missing."""
    if not isinstance(table, Mapping):
        _wrong(source, path, table, f"a table [{'.'.join(path)}]")
        return
    known = (*rules, *extra)
    where = f"in [{'.'.join(path)}]" if path else "at the top"
    for key in table:
        if key not in known:
            remedy = f"Known {where}: {', '.join(known)}."
            source.refuse("the key is not known", remedy, None, ".".join((*path, key)))
    for key, rule in rules.items():
        if key in table and (expected := expected_instead(rule, table[key])):
            _wrong(source, (*path, key), table[key], expected)
    if needed is not None and needed not in table:
        remedy = f"Add {needed} to [{'.'.join(path)}]."
        source.refuse("the key is missing", remedy, None, ".".join((*path, needed)))


def _wrong(source: Origin, path: tuple[str, ...], value: object, expected: str) -> None:
    """Refuse a value that is not allowed."""
    remedy = f"Write {expected}."
    source.refuse("the value is not allowed", remedy, None, ".".join(path), str(value)[:40])


@dataclass(frozen=True, kw_only=True)
class Declared:
    """A standard deviation of ln size that a study states beforehand.

    Parameters
    ----------
    percent : float
        In per cent, above 0.
    df : float
        Degrees of freedom that it rests on; inf where none are stated.
    each : mapping of str to Declared
        By quantity, where they differ; any other quantity has the one above.
    """

    percent: float
    df: float
    each: Mapping[str, Declared] = field(default_factory=ReadOnly)

    def __post_init__(self) -> None:
        limits.DECLARED_PERCENT.require("percent", self.percent, ModelError)
        if self.df != math.inf:
            limits.FREEDOM.require("df", self.df, ModelError)
        object.__setattr__(self, "each", ReadOnly(self.each))

    def of(self, quantity: str) -> Declared:
        """That of one quantity."""
        return self.each.get(quantity, self)


def declared_spread(study: Trial, of: str = "run_to_run") -> Declared | None:
    """The spread between runs ("run_to_run"), or of drift a step of time ("drift"), if stated.

    The spread between runs is stated in [compare] or, as it was before, in [uncertainty].
    """
    stated: Any = {**study.uncertainty, **study.compare}
    percent = float(stated.get(f"{of}_percent") or 0.0)
    df = float(stated.get(f"{of}_df", math.inf))
    return Declared(percent=percent, df=df) if percent > 0 else None


def expected_instead(rule: Rule, value: object) -> str:
    """What a rule expects instead of a value; empty where the value is allowed."""
    if isinstance(rule, Limits):
        bare = ", without quotation marks" if isinstance(value, str) else ""
        return "" if value in rule else f"{rule}{bare}"
    if isinstance(rule, tuple):
        named = (f'"{one}"' if isinstance(one, str) else str(one).lower() for one in rule)
        is_one = isinstance(value, str | bool) and value in rule
        return "" if is_one else f"one of {', '.join(named)}"
    is_so, expected = _OF_TYPE[rule]
    return "" if is_so(value) else expected


def _are_texts(values: Iterable[object]) -> bool:
    return all(isinstance(one, str) for one in values)


def _names_columns(value: object) -> bool:
    """Whether this is the name of a column, or a list of names and of lists of them."""
    listed = value if isinstance(value, list) else [value]
    flat = [n for each in listed for n in (each if isinstance(each, list) else [each])]
    return bool(flat) and all(flat) and _are_texts(flat)


_OF_TYPE: Mapping[type, tuple[Callable[[Any], bool], str]] = {
    bool: (lambda value: isinstance(value, bool), "true or false"),
    str: (lambda value: isinstance(value, str), "text in quotation marks"),
    date: (lambda value: isinstance(value, str | date), "a date or quoted text"),
    dict: (lambda it: isinstance(it, Mapping) and _are_texts(it.values()), "a table of texts"),
    tuple: (lambda value: isinstance(value, list) and _are_texts(value), "a list of texts"),
    list: (_names_columns, "a column name or a list"),
}
"""Whether a value is of a type of settings, and what is expected instead."""
