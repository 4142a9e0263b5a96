"""One physical sieve: its nominal aperture, its certificate, and how it was found to act."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from psdstats.frozen import ReadOnly, hold_number, hold_text, hold_texts, refusal
from psdstats.limits import POSITIVE, Limits
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
    certificate : str or None
        Name of the certificate; sieves that name the same one share part of their error.
    certificate_correlation : float or None
        Correlation of the errors of two sieves of that certificate, 0 to 1; none if left out.
    effective_um, effective_u_um : float or None
        Aperture as the sieve was found to act, by a reference powder or beads, and its standard
        uncertainty, µm; they take the place of the certificate.
    reference : str or None
        Name of that reference measurement.
    reference_correlation : float or None
        Correlation of the errors of two sieves of one reference measurement, 0 to 1.
    degrees_of_freedom : float or None
        Effective degrees of freedom of the uncertainty that counts; none if it is well known.
    further : mapping of str to str
        What else is written of it, as text by column; nothing is made of it.

    Raises
    ------
    StudyError
        If a field cannot be so; names the sieve, the field, the value and the remedy.

    Examples
    --------
    >>> from psdstats.sieves import Sieve
    >>> Sieve(key="Birch 90", nominal_um=90, certified_um=90.6).best_um
    90.6
    """

    key: str
    nominal_um: float
    certified_um: float | None = None
    expanded_uncertainty_um: float | None = None
    coverage_factor: float = 2.0
    standard: str = "ISO 3310-1"
    certificate: str | None = None
    certificate_correlation: float | None = None
    effective_um: float | None = None
    effective_u_um: float | None = None
    reference: str | None = None
    reference_correlation: float | None = None
    degrees_of_freedom: float | None = None
    further: Mapping[str, str] = field(default_factory=ReadOnly, hash=False)

    def __post_init__(self) -> None:
        hold_text(self, "key")
        hold_texts(self, "further")
        hold_number(self, "nominal_um", POSITIVE)
        for name in (
            "certified_um",
            "expanded_uncertainty_um",
            "effective_um",
            "effective_u_um",
        ):
            hold_number(self, name, POSITIVE, optional=True)
        hold_number(self, "degrees_of_freedom", Limits(1), optional=True)
        for name in ("certificate", "reference"):
            hold_text(self, name, optional=True)
            hold_number(self, f"{name}_correlation", Limits(0, 1), optional=True)
            if getattr(self, f"{name}_correlation") and getattr(self, name) is None:
                fault = f"there is a correlation and no {name} that the sieves share"
                raise refusal(self, name, fault, f"Give the name of the {name}.")
        hold_number(self, "coverage_factor", POSITIVE)
        if self.expanded_uncertainty_um is not None and self.certified_um is None:
            fault = "there is an expanded uncertainty and no certified aperture"
            raise refusal(self, "certified_um", fault, "Give the aperture of the certificate.")
        if (self.effective_um is None) != (self.effective_u_um is None):
            fault = "effective aperture and its standard uncertainty go together"
            raise refusal(self, "effective_u_um", fault, "Give both of them, or none.")
        if self.standard not in EDITIONS:
            known = ", ".join(EDITIONS)
            raise refusal(self, "standard", "the standard is not known", f"Give one of {known}.")

    @property
    def best_um(self) -> float:
        """The effective aperture where there is one, else the certified, else the nominal, µm."""
        known = (self.effective_um, self.certified_um)
        return next((each for each in known if each is not None), self.nominal_um)

    @property
    def is_certified(self) -> bool:
        """Whether a mean and its uncertainty are stated, by certificate or reference."""
        return self.u_um is not None

    @property
    def u_um(self) -> float | None:
        """Standard uncertainty of `best_um`; None where only the tolerance bounds it, µm."""
        if self.effective_um is not None or self.expanded_uncertainty_um is None:
            return self.effective_u_um
        return self.expanded_uncertainty_um / self.coverage_factor

    @property
    def measured_with(self) -> tuple[str, str, float]:
        """Kind and name of what sieves of the same error share, and the correlation it makes."""
        if self.effective_um is not None:
            return "reference", self.reference or "", self.reference_correlation or 0.0
        return "certificate", self.certificate or "", self.certificate_correlation or 0.0
