"""The settings of a study: which keys study.toml may have, of which type, within which limits.

The same keys come from the lines above a flat CSV or from the sheet `study` of a workbook.
An unknown key is an error that lists the known ones, so that a typing error never passes as a
default.  The limits of the checks are declared in `checks.csv`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from itertools import chain
from typing import Any

from psdstats import limits
from psdstats.columns import RULES
from psdstats.errors import ModelError, Problem
from psdstats.frozen import ReadOnly
from psdstats.limits import Limits
from psdstats.sieves.standards import SPLITTING_METHODS
from psdstats.study.cells import CellComment
from psdstats.study.flags import CHECKS
from psdstats.study.records import ACCURACY_CLASSES, TareHandling, Trial

Rule = Limits | tuple[str | bool, ...] | type
"""Numbers within limits, one of some words, or values of a type; `list` is names of columns, `date`
text or a date of TOML."""

_TOP: dict[str, Rule] = {
    "title": str,
    "material": str,
    "author": str,
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
    "nominal_um": limits.POSITIVE,
    "certified_um": limits.POSITIVE,
    "expanded_uncertainty_um": limits.POSITIVE,
    "coverage_factor": limits.POSITIVE,
    "standard": str,
    "certificate": str,
    "certificate_correlation": Limits(0, 1),
    "effective_um": limits.POSITIVE,
    "effective_u_um": limits.POSITIVE,
    "reference": str,
    "reference_correlation": Limits(0, 1),
    "degrees_of_freedom": Limits(1),
    "further": dict,
}
UNCERTAINTY_RULES: dict[str, Rule] = {
    "rounding": bool,
    "repeatability": bool,
    "calibration": bool,
    "aperture": bool,
    "sampling": bool,
    "splitting": bool,
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
    "within": list,
    "also": list,
    "at_each": list,
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
_TABLES = ("balances", "sieves", "uncertainty", "checks", "compare", "limits", "comments")


_COMMA = re.compile(r"^[ \t]*\w+[ \t]*=[ \t]*[0-9]+,[0-9]", re.MULTILINE)
_WITH_UNIT = re.compile(
    r"^[ \t]*\w+[ \t]*=[ \t]*[0-9.]+[ \t]*(?![eE][+-]?[0-9])[A-Za-zµ%]", re.MULTILINE
)


def parse_toml(text: str, file: str, problems: list[Problem]) -> dict[str, object]:
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
        problems.append(Problem(file, fault, remedy))
        return {}


def check_settings(settings: Mapping[str, object], file: str) -> list[Problem]:
    """Find every unknown key and every value that is not allowed."""
    plain = {key: value for key, value in settings.items() if key not in _TABLES}
    found = _check_table(plain, _TOP, file, extra=_TABLES)
    tables = (("uncertainty", UNCERTAINTY_RULES), ("compare", _COMPARE), ("limits", _LIMITS))
    for name, rules in tables:
        if name in settings:
            former = RETIRED if name == "uncertainty" else ()
            found += _check_table(settings[name], rules, file, name, extra=former)
    found += _comment_problems(settings.get("comments", []), file)
    found = found or _limit_problems(settings.get("limits", {}), file)
    found = found or _declared_problems(settings, file)
    for name, rules in (("balances", BALANCE_RULES), ("sieves", _SIEVE)):
        each = settings.get(name, {})
        if not isinstance(each, Mapping):
            found.append(_wrong(file, (name,), each, f"a table [{name}.NAME] for each"))
            continue
        for key, table in each.items():
            found += _check_table(table, rules, file, name, key, needed=next(iter(rules)))
    checks: Any = settings.get("checks", {})
    found += _check_table(checks, {}, file, "checks", extra=CHECKS)
    for name, options in CHECKS.items() if isinstance(checks, Mapping) else ():
        if not isinstance(checks.get(name, True), bool | Mapping):
            either = f"true, false or a table [checks.{name}]"
            found.append(_wrong(file, ("checks", name), checks[name], either))
        elif not isinstance(checks.get(name, True), bool):
            rules = dict.fromkeys(options.limits, limits.POSITIVE)
            found += _check_table(checks[name], rules, file, "checks", name)
    return found


def _comment_problems(comments: Any, file: str) -> list[Problem]:
    """Comments on cells that do not say where, or what."""
    if not isinstance(comments, list):
        return [_wrong(file, ("comments",), comments, "a table [[comments]] for each")]
    names = [one.name for one in fields(CellComment)]
    needed = ("table", "column", "text")
    return [
        _wrong(
            file, ("comments",), one, f"texts for {', '.join(needed)}; known are {', '.join(names)}"
        )
        for one in comments
        if not isinstance(one, Mapping)
        or not all(name in names and isinstance(text, str) for name, text in one.items())
        or not all(str(one.get(name, "")).strip() for name in needed)
    ]


def _limit_problems(limits: Any, file: str) -> list[Problem]:
    """Limits that leave nothing between them, and a share above a sieve that is not named."""
    found = [
        _wrong(file, ("limits", upper), limits[upper], f"a number above {limits[lower]:g}")
        for upper, lower in ((key, key.replace("upper", "lower")) for key in limits)
        if upper != lower and lower in limits and limits[upper] <= limits[lower]
    ]
    shares = [key for key in limits if key in ("share_above_lower", "share_above_upper")]
    if shares and "share_above_um" not in limits:
        remedy = "Add the aperture of the sieve, share_above_um, to [limits]."
        found.append(Problem(file, "the key is missing", remedy, None, "limits.share_above_um"))
    return found


def _declared_problems(settings: Any, file: str) -> list[Problem]:
    """Two run-to-run spreads that contradict each other, and degrees of freedom of none."""
    compare = settings.get("compare", {})
    run, other = (settings.get(name, {}).get(_RUN) for name in ("compare", "uncertainty"))
    found = []
    if None not in (run, other) and run != other:
        fault = f"the spread between runs is {other:g} % in [uncertainty]"
        remedy = "State it once, or the same in both."
        found.append(Problem(file, fault, remedy, None, f"compare.{_RUN}", str(run)))
    for key, percent in (("run_to_run_df", other if run is None else run),
                         ("drift_df", compare.get("drift_percent"))):  # fmt: skip
        if key in compare and percent is None:
            fault = "no spread is stated that these degrees of freedom belong to"
            remedy = f"Add {key.replace('_df', '_percent')} to [compare]."
            found.append(Problem(file, fault, remedy, None, f"compare.{key}"))
    return found


def _check_table(
    table: object,
    rules: Mapping[str, Rule],
    file: str,
    *path: str,
    extra: Iterable[str] = (),
    needed: str | None = None,
) -> list[Problem]:
    """Problems of one table: unknown keys, values that are not allowed, a key that is missing."""
    if not isinstance(table, Mapping):
        return [_wrong(file, path, table, f"a table [{'.'.join(path)}]")]
    known = (*rules, *extra)
    where = f"in [{'.'.join(path)}]" if path else "at the top"
    remedy = f"Known {where}: {', '.join(known)}."
    found = [
        Problem(file, "the key is not known", remedy, None, ".".join((*path, key)))
        for key in table
        if key not in known
    ]
    for key, rule in rules.items():
        expected = expected_instead(rule, table[key]) if key in table else ""
        if expected:
            found.append(_wrong(file, (*path, key), table[key], expected))
    if needed is not None and needed not in table:
        remedy = f"Add {needed} to [{'.'.join(path)}]."
        column = ".".join((*path, needed))
        found.append(Problem(file, "the key is missing", remedy, None, column))
    return found


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
        names = ", ".join(
            f'"{name}"' if isinstance(name, str) else str(name).lower() for name in rule
        )
        return "" if isinstance(value, str | bool) and value in rule else f"one of {names}"
    if rule is dict:
        texts = isinstance(value, Mapping) and all(isinstance(one, str) for one in value.values())
        return "" if texts else "a table of texts"
    if rule is bool:
        return "" if isinstance(value, bool) else "true or false"
    if rule is str:
        return "" if isinstance(value, str) else "text in quotation marks"
    if rule is date:
        return "" if isinstance(value, str | date) else "a date or quoted text"
    if rule is tuple:
        texts = isinstance(value, list) and all(isinstance(part, str) for part in value)
        return "" if texts else "a list of texts"
    listed = value if isinstance(value, list) else [value]
    flat = list(chain.from_iterable(n if isinstance(n, list) else [n] for n in listed))
    named = flat and all(isinstance(part, str) and part for part in flat)
    return "" if named else "a column name or a list"


def _wrong(file: str, path: tuple[str, ...], value: object, expected: str) -> Problem:
    """A value that is not allowed."""
    remedy, column = f"Write {expected}.", ".".join(path)
    return Problem(file, "the value is not allowed", remedy, None, column, str(value)[:40])
