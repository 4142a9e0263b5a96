"""One physical sieve: its nominal aperture and what its certificate says."""

from __future__ import annotations

from dataclasses import dataclass


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
    """

    key: str
    nominal_um: float
    certified_um: float | None = None
    expanded_uncertainty_um: float | None = None
    coverage_factor: float = 2.0
    standard: str = "ISO 3310-1"

    @property
    def best_um(self) -> float:
        """The certified average aperture where there is one, else the nominal, µm."""
        return self.nominal_um if self.certified_um is None else self.certified_um

    @property
    def is_certified(self) -> bool:
        """Whether the certificate states both a mean and its uncertainty."""
        return self.certified_um is not None and self.expanded_uncertainty_um is not None
