"""Names, severities and thresholds of the bench checks: what `[checks]` of study.toml may set.

`name = false` switches a check off; `[checks.name]` with a threshold changes its limit.  Checks
that stop the reading of a study cannot be switched off and are marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from psdstats.sieves.rules import practice_rule

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
    judged_by : str
        Where the limit comes from if not from a rule of practice.
    rules : mapping of str to str
        Settable limits by name, each with the rule of practice that gives its default.
    stops : bool, default=False
        Whether a study with such a finding cannot be read at all.
    """

    severity: Severity
    says: str
    judged_by: str = ""
    rules: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    stops: bool = False

    @property
    def thresholds(self) -> dict[str, float]:
        """Settable limits with their defaults; units in the names."""
        return {name: practice_rule(rule).value for name, rule in self.rules.items()}

    @property
    def source(self) -> str:
        """Where the limits come from, each source once."""
        sources = [practice_rule(rule).source for rule in self.rules.values()]
        return "; ".join(dict.fromkeys([*filter(None, [self.judged_by]), *sources]))


_PRACTICE = "common practice, no source"
_NOISE = "the balance's own resolution and repeatability"

CHECKS: Mapping[str, CheckOptions] = MappingProxyType(
    {
        "gross_below_tare": CheckOptions(
            severity=Severity.ERROR,
            says="a loaded sieve is lighter than the empty one by more than weighing noise",
            judged_by=_NOISE,
            stops=True,
        ),
        "no_pan": CheckOptions(
            severity=Severity.ERROR,
            says="a run has no pan (aperture 0)",
            judged_by="ISO 9276-1: the undersize of every sieve needs the whole mass (from memory)",
            stops=True,
        ),
        "no_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has a pan and no sieve",
            judged_by="ISO 9276-1 (from memory)",
            stops=True,
        ),
        "repeated_sieve": CheckOptions(
            severity=Severity.ERROR,
            says="a run has the same sieve, or the same aperture, twice",
            judged_by=_PRACTICE,
            stops=True,
        ),
        "no_powder": CheckOptions(
            severity=Severity.ERROR,
            says="the net masses of a run do not add up to more than nothing",
            judged_by=_PRACTICE,
            stops=True,
        ),
        "negative_net": CheckOptions(
            severity=Severity.NOTE,
            says="a loaded sieve is lighter than the empty one, within weighing noise",
            judged_by=_NOISE,
        ),
        "missing_sieve": CheckOptions(
            severity=Severity.WARNING,
            says="a run lacks a sieve that the other runs of its group have",
            judged_by=_PRACTICE,
        ),
        "aperture_order": CheckOptions(
            severity=Severity.WARNING,
            says="the sieves of a run are not written in the order of their apertures",
            judged_by=_PRACTICE,
        ),
        "off_series": CheckOptions(
            severity=Severity.NOTE,
            says="an aperture is not in the standard series",
            judged_by="ISO 3310-1, ASTM E11 (from memory)",
        ),
        "certificate": CheckOptions(
            severity=Severity.WARNING,
            says="a certified aperture is outside the standard's tolerance, or a sieve has neither",
            judged_by="ISO 3310-1 (from memory)",
        ),
        "overload": CheckOptions(
            severity=Severity.WARNING,
            says="a sieve holds more than its load limit",
            rules={"kg_per_m2": "load_limit", "sieve_diameter_mm": "sieve_diameter"},
        ),
        "over_capacity": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is above the capacity of the balance",
            judged_by="the balance's own capacity",
        ),
        "finer_than_resolution": CheckOptions(
            severity=Severity.WARNING,
            says="a reading is not a multiple of the balance's resolution",
            judged_by="the balance's own resolution",
        ),
        "mass_balance": CheckOptions(
            severity=Severity.WARNING,
            says="the sum of the net masses differs too much from the sample mass",
            rules={"percent": "loss_percent", "gain_percent": "gain_percent"},
        ),
        "dominant_class": CheckOptions(
            severity=Severity.WARNING,
            says="one sieve holds more than half of the powder",
            rules={"percent": "dominant_percent"},
        ),
        "not_bracketed": CheckOptions(
            severity=Severity.WARNING,
            says="D10, D50 or D90 lies in the pan or above the top sieve",
            judged_by="a percentile is read between two sieves, never extrapolated",
        ),
        "end_point": CheckOptions(
            severity=Severity.WARNING,
            says="the second shaking still moved powder",
            rules={
                "percent": "end_point_percent",
                "mass_g": "end_point_mass",
                "small_percent": "end_point_small_percent",
            },
        ),
        "tare_drift": CheckOptions(
            severity=Severity.WARNING,
            says="the tare of a sieve changes between runs by more than the balance explains",
            judged_by=_NOISE,
            rules={"false_alarm": "tare_false_alarm"},
        ),
        "swapped_sieves": CheckOptions(
            severity=Severity.WARNING,
            says="the tares of two sieves are exchanged in one run",
            judged_by="as tare_drift, whose limit it uses",
        ),
    }
)
"""Every check by name, in the order in which findings are listed."""
