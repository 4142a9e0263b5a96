"""One physical sieve: its nominal aperture and what its certificate says."""

from __future__ import annotations

from dataclasses import dataclass

from psdstats.frozen import hold_number, hold_text, refusal
from psdstats.sieves.standards import EDITIONS


@dataclass(frozen=True, kw_only=True)
class Sieve:
    """A physical sieve; two runs that name the same sieve share its aperture error.

    Parameters
    ----------
    key : str
        Name by which weighings refer to it.
    nominal_um : float
        Nominal aperture w, µm.
    certified_um : float or None
        Average aperture from the certificate, µm.
    expanded_uncertainty_um : float or None
        Expanded uncertainty of the average aperture from the certificate, µm.
    coverage_factor : float, default=2
        Coverage factor k of that expanded uncertainty.
    standard : str
        Tolerance edition that applies without a certificate, e.g. "ISO 3310-1".

    Raises
    ------
    StudyError
        If a field cannot be so; names the sieve, the field, the value and the remedy.
    """

    key: str
    nominal_um: float
    certified_um: float | None = None
    expanded_uncertainty_um: float | None = None
    coverage_factor: float = 2.0
    standard: str = "ISO 3310-1"

    def __post_init__(self) -> None:
        hold_text(self, "key")
        hold_number(self, "nominal_um", above=0)
        for name in ("certified_um", "expanded_uncertainty_um"):
            hold_number(self, name, above=0, optional=True)
        hold_number(self, "coverage_factor", above=0)
        if self.expanded_uncertainty_um is not None and self.certified_um is None:
            fault = "there is an expanded uncertainty and no certified aperture"
            raise refusal(self, "certified_um", fault, "Give the aperture of the certificate.")
        if self.standard not in EDITIONS:
            known = ", ".join(EDITIONS)
            raise refusal(self, "standard", "the standard is not known", f"Give one of {known}.")

    @property
    def best_um(self) -> float:
        """The certified average aperture where there is one, else the nominal, µm."""
        return self.nominal_um if self.certified_um is None else self.certified_um

    @property
    def is_certified(self) -> bool:
        """Whether the certificate states both a mean and its uncertainty."""
        return self.certified_um is not None and self.expanded_uncertainty_um is not None
