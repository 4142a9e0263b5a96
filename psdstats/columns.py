"""Columns of the tables of a study, and quantities: their names, units and words, once.

Also how a number stands in a message of an error, with a real minus sign, and many names.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache

RUN = "run"
GROUP = "group"
TIME = "milling_time_min"
REPLICATE = "replicate"
SPLIT = "split"
CHARGE = "charge"
SHAKING_TIME = "shaking_time_min"
SAMPLE_MASS = "sample_mass_g"
BALANCE = "balance"
BALL_RATIO = "ball_ratio"

STATUS = "status"
RUN_REMARK = "run_remark"
WEIGHED_ON = "weighed_on"
WEIGHED_BY = "weighed_by"
RUN_ORDER = "run_order"
NOTED = (STATUS, RUN_REMARK, WEIGHED_ON, WEIGHED_BY, RUN_ORDER)
"""Columns in which a run is noted about; none of them is a factor of the trial."""

BOOKKEEPING = (RUN, REPLICATE, SPLIT, CHARGE, SAMPLE_MASS, BALANCE, *NOTED)
"""Columns that describe a run without being a factor of the trial."""

RUN_LABELS = (REPLICATE, SPLIT, CHARGE, BALANCE)
"""Those that hold text and may be empty."""
RUN_COLUMNS = (RUN, GROUP, TIME, *RUN_LABELS, SAMPLE_MASS, SHAKING_TIME, *NOTED)
"""Columns of the run table with a meaning of their own; every other one is a factor."""

SIEVE = "sieve"
APERTURE = "aperture_um"
APERTURE_MM = "aperture_mm"
TARE = "tare_g"
GROSS = "gross_g"
GROSS_AGAIN = "gross_again_g"
NET = "net_g"
REMARK = "remark"
WEIGHING_COLUMNS = (RUN, SIEVE, APERTURE, APERTURE_MM, TARE, GROSS, GROSS_AGAIN, REMARK)
"""Columns of the weighings, with those of the reading that they make."""
FLAT_COLUMNS = tuple(dict.fromkeys((*RUN_COLUMNS, *WEIGHING_COLUMNS)))
"""Columns of a flat file; every other one is a factor of its run."""

USUAL_SIEVE_COLUMNS = (
    SIEVE, "nominal_um", "certified_um", "expanded_uncertainty_um", "coverage_factor", "standard",
)  # fmt: skip
"""Those of the sieve table that are written whether a sieve uses them or not."""
SIEVE_COLUMNS = (
    *USUAL_SIEVE_COLUMNS, "certificate", "certificate_correlation", "effective_um",
    "effective_u_um", "reference", "reference_correlation", "degrees_of_freedom",
)  # fmt: skip
"""Columns of the sieve table: the fields of `Sieve`."""
SIEVE_TEXTS = ("standard", "certificate", "reference")
"""Columns of the sieve table that hold text, beside the name."""

COMPUTED_COLUMNS = (
    NET, "recovered_g", "loss_g", "loss_percent", "running_total_g", "share_percent",
    "finer_percent", "bench_D50_um",
)  # fmt: skip
"""Columns of the recording sheet that a spreadsheet computes; they are not read."""
TABLES = {
    "flat": (*FLAT_COLUMNS, *COMPUTED_COLUMNS),
    "runs": (*RUN_COLUMNS, *COMPUTED_COLUMNS),
    "weighings": (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS),
    "sieves": SIEVE_COLUMNS,
}
"""Columns with a meaning of each table of a study."""
HEADINGS = {TARE: "Empty, g", GROSS: "With powder, g", GROSS_AGAIN: "Weighed again, g",
            NET: "Powder, g", "bench_D50_um": "Bench D50 (chord), µm"}  # fmt: skip
"""Headings in words of columns whose name does not make them by itself (see `heading`)."""

QUANTITIES = ("D10", "D50", "D90", "span")
"""Quantities of a run."""

QUANTITY_UNITS = ("µm", "µm", "µm", "1")
"""Their units, in the same order."""

RULES = ("semilog", "linear", "logprobit", "monotone")
"""Interpolation rules that a procedure may prescribe for them."""

UNITS = {TIME: "min", SAMPLE_MASS: "g"}
"""Units of the columns that have one."""

_HEADED = {"um": "µm", "mm": "mm", "g": "g", "min": "min", "percent": "%"}
_BETWEEN_WORDS = re.compile(r"[\s,_()\[\]]+")
_PERCENTILE = re.compile(r"D[0-9]+(\.[0-9]+)?")


def unit_of(quantity: str) -> str:
    """Unit of a quantity: µm of a percentile; none of span and of what only its name tells.

    Examples
    --------
    >>> unit_of("D50"), unit_of("span"), unit_of("strength")
    ('µm', '', '')
    """
    return "µm" if _PERCENTILE.fullmatch(quantity) else ""


def with_unit(text: str, quantity: str) -> str:
    """A value of a quantity with its unit behind, where it has one."""
    return f"{text} {unit_of(quantity)}".rstrip()


def common_unit(quantities: Iterable[str]) -> str:
    """The unit of several quantities, span apart; none where they differ."""
    units = {unit_of(one) for one in quantities if one != "span"}
    return units.pop() if len(units) == 1 else ""


def column_words(column: str) -> str:
    """Put the name of a column of the run table into words.

    Examples
    --------
    >>> column_words("milling_time_min"), column_words("ball_ratio")
    ('milling time', 'ball ratio')
    """
    return "milling time" if column == TIME else column.replace("_", " ")


def signed(value: float, spec: str = "g") -> str:
    """Put a number into text with U+2212 as its minus, and none before a rounded zero.

    Examples
    --------
    >>> signed(-2.71, ".1f"), signed(0.25, "+.0%"), signed(-1e-7), signed(-0.04, ".1f")
    ('−2.7', '+25%', '−1e−07', '0.0')
    >>> signed(float("-inf"), ".1f")
    '−∞'
    """
    text = format(value, spec).replace("-", "−").replace("inf", "∞")
    return text if any(sign in text for sign in "123456789∞") else text.lstrip("−")


def listed(items: Sequence[str], most: int = 4, *, between: str = ", ") -> str:
    """The first items, and how many more there are.

    Examples
    --------
    >>> listed(["a", "b", "c"], 2)
    'a, b and 1 more'
    """
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return between.join(items[:most]) + more


def without_value(runs: Sequence[str], column: str, *, fate: str = "set aside") -> str:
    """Say which runs have no value in a column, and what was done with them.

    Examples
    --------
    >>> without_value(["a-6"], "ball_ratio")
    '1 run has no ball ratio and was set aside: a-6.'
    >>> without_value(["a", "b", "c", "d", "e"], "mill")
    '5 runs have no mill and were set aside: a, b, c, d and 1 more.'
    """
    count, was = ("1 run has", "was") if len(runs) == 1 else (f"{len(runs)} runs have", "were")
    return f"{count} no {column_words(column)} and {was} {fate}: {listed(runs)}."


def heading(column: str) -> str:
    """Name of a column in words, with its unit, as recording sheets have it.

    Examples
    --------
    >>> heading("gross_g"), heading("milling_time_min"), heading("loss_percent"), heading("run")
    ('With powder, g', 'Milling time, min', 'Loss, %', 'Run')
    """
    words, _, unit = column.rpartition("_")
    if unit in _HEADED and words:
        made = f"{words.replace('_', ' ')}, {_HEADED[unit]}"
    else:
        made = column.replace("_", " ")
    return HEADINGS.get(column, made[:1].upper() + made[1:])


def plain_words(typed: str) -> str:
    """A heading without what writers do differently: case, commas, brackets, the two µ.

    Examples
    --------
    >>> plain_words("Milling  time [min]"), plain_words("aperture_um"), plain_words("Aperture, µm")
    ('milling time min', 'aperture um', 'aperture um')
    """
    same = unicodedata.normalize("NFKC", typed).casefold().replace("μ", "u")
    return _BETWEEN_WORDS.sub(" ", same.replace("%", "percent")).strip()


def column_of(typed: str, known: Iterable[str]) -> str:
    """The known column that a heading names, by its name or in words; else the heading itself."""
    return _by_words(frozenset(known)).get(plain_words(typed), typed)


@cache
def _by_words(known: frozenset[str]) -> dict[str, str]:
    """Columns by their names and their headings."""
    return {plain_words(said): name for name in known for said in (name, heading(name))}
