"""Names, severities and thresholds of the bench checks: what `[checks]` of study.toml may set.

`name = false` switches a check off; `[checks.name]` with a threshold changes its limit.  Checks
that stop the reading of a study cannot be switched off and are marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

__all__ = ["CHECKS", "CheckOptions", "Severity"]


class Severity(StrEnum):
    """What a finding means: an error stops, a warning travels along, a note informs."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, kw_only=True)
class CheckOptions:
    """One check.

    Parameters
    ----------
    severity : Severity
        How grave a finding is.
    says : str
        What the check looks for, as a clause.
    source : str
        Where the limit comes from.
    thresholds : mapping of str to float
        Settable limits with their defaults; units in the names.
    stops : bool, default=False
        Whether a study with such a finding cannot be read at all.
    """

    severity: Severity
    says: str
    source: str
    thresholds: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    stops: bool = False


_LOSS = "USP <786>, Ph. Eur. 2.9.38 (from memory)"
_LOAD = "ASTM C136/C136M-19, 8.3"
_PRACTICE = "common practice, no source"
_NOISE = "the balance's own resolution and repeatability"

CHECKS: Mapping[str, CheckOptions] = MappingProxyType(
    {
        "gross_below_tare": CheckOptions(
            severity=Severity.ERROR,
            says="a loaded sieve is lighter than the empty one by more than weighing noise",
            source=_NOISE,
            stops=True,
        ),
        "no_pan": CheckOptions(
            severity=Severity.ERROR,
            says="a run has no pan (aperture 0)",
            source="ISO 9276-1: the undersize of every sieve needs the whole mass (from memory)",
            stops=True,
        ),
        "no_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has a pan and no sieve",
            source="ISO 9276-1 (from memory)",
            stops=True,
        ),
        "repeated_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has the same sieve, or the same aperture, twice",
            source=_PRACTICE,
            stops=True,
        ),
        "no_powder": CheckOptions(
            severity=Severity.ERROR,
            says="the net masses of a run do not add up to more than nothing",
            source=_PRACTICE,
            stops=True,
        ),
        "negative_net": CheckOptions(
            severity=Severity.NOTE,
            says="a loaded sieve is lighter than the empty one, within weighing noise",
            source=_NOISE,
        ),
        "missing_sieve": CheckOptions(
            severity=Severity.WARNING,
            says="a run lacks a sieve that the other runs of its group have",
            source=_PRACTICE,
        ),
        "aperture_order": CheckOptions(
            severity=Severity.WARNING,
            says="the sieves of a run are not written in the order of their apertures",
            source=_PRACTICE,
        ),
        "off_series": CheckOptions(
            severity=Severity.NOTE,
            says="an aperture is not in the standard series",
            source="ISO 3310-1, ASTM E11 (from memory)",
        ),
        "certificate": CheckOptions(
            severity=Severity.WARNING,
            says="a certified aperture is outside the tolerance on the average aperture",
            source="ISO 3310-1 (from memory)",
        ),
        "overload": CheckOptions(
            severity=Severity.WARNING,
            says="a sieve holds more than its load limit",
            source=_LOAD,
            thresholds={"kg_per_m2": 7.0, "sieve_diameter_mm": 200.0},
        ),
        "over_capacity": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is above the capacity of the balance",
            source="the balance's own capacity",
        ),
        "finer_than_resolution": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is not a multiple of the balance's resolution",
            source="the balance's own resolution",
        ),
        "mass_balance": CheckOptions(
            severity=Severity.WARNING,
            says="the sum of the net masses differs too much from the sample mass",
            source=_LOSS,
            thresholds={"percent": 5.0},
        ),
        "dominant_class": CheckOptions(
            severity=Severity.WARNING,
            says="one sieve holds more than half of the powder",
            source="USP <786> (from memory)",
            thresholds={"percent": 50.0},
        ),
        "not_bracketed": CheckOptions(
            severity=Severity.WARNING,
            says="D10, D50 or D90 lies in the pan or above the top sieve",
            source="a percentile is read between two sieves, never extrapolated",
        ),
        "end_point": CheckOptions(
            severity=Severity.WARNING,
            says="the second shaking still moved powder",
            source="USP <786> (from memory)",
            thresholds={"percent": 5.0, "mass_g": 0.1, "small_percent": 20.0},
        ),
        "tare_drift": CheckOptions(
            severity=Severity.WARNING,
            says="the tare of a sieve changes between runs by more than the balance explains",
            source=_NOISE,
            thresholds={"false_alarm": 0.01},
        ),
        "swapped_sieves": CheckOptions(
            severity=Severity.WARNING,
            says="the tares of two sieves are exchanged in one run",
            source=_NOISE,
            thresholds={"false_alarm": 0.01},
        ),
    }
)
"""Every check by name, in the order in which findings are listed."""
