"""What standards say of sieves, and the physical sieve with its certificate.

Apertures in µm.  The table `apertures.csv` says of every value whether it was found in a source
or is quoted from memory.  The formula of the tolerance on the average aperture is quoted from
memory and not yet compared with the paper standard for apertures of 4 mm and more; a certificate
always takes its place.

The tables `rules.csv` (rules of practice) and `fineness.csv` (fineness classes of powders) give
document, edition, clause and a status: "searched" was read in a source, "from memory" was not, "no
source" is practice or a choice of this project.  The pharmacopoeia defines its percentiles by
steps, not by interpolation; a class found from an interpolated percentile is therefore near, not
equal, to the pharmacopoeia's.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from psdstats.errors import SizeError
from psdstats.frozen import ReadOnly, hold_number, hold_text, hold_texts, refusal
from psdstats.limits import POSITIVE, Limits

if TYPE_CHECKING:
    import pandas as pd


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


SERIES = ("R20/3", "R40/3", "R20")
"""Series by name (ISO 565, from memory).

R20/3 has the principal sizes of ISO 3310-1 (ratio 1.41), R40/3 its supplementary sizes and those
of ASTM E11 (1.19), R20 further supplementary sizes of ISO 3310-1 (1.12).
"""


SPLITTING_METHODS = ("cone and quarter", "scoop", "table", "chute riffle", "spinning riffle")
"""Ways of splitting a sample whose scatter is in `rules.csv`."""


@cache
def _table(name: str) -> tuple[dict[str, str], ...]:
    text = (files("psdstats.sieves") / name).read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def aperture_table() -> pd.DataFrame:
    """The whole table of apertures and tolerances, with the status of each value.

    Returns
    -------
    DataFrame
        One row an aperture; columns ending in `_status` say "searched" or "from memory".

    Examples
    --------
    >>> from psdstats.sieves import aperture_table
    >>> "aperture_um" in aperture_table().columns
    False
    """
    import pandas as pd

    with as_file(files("psdstats.sieves") / "apertures.csv") as path:
        return pd.read_csv(path, keep_default_na=True)


def nominal_apertures_um() -> tuple[float, ...]:
    """Every nominal aperture in the table, increasing."""
    return tuple(float(row["w_um"]) for row in _table("apertures.csv"))


def series(
    name: str, *, finest_um: float = 20.0, coarsest_um: float = 16_000.0
) -> tuple[float, ...]:
    """Nominal apertures of a series between two limits.

    Parameters
    ----------
    name : str
        A key of `SERIES`.
    finest_um, coarsest_um : float
        Limits, both included, µm.

    Returns
    -------
    tuple of float
        Apertures in µm, increasing.

    Raises
    ------
    SizeError
        If the series is not known or has no aperture between the limits.

    Examples
    --------
    >>> series("R20/3", finest_um=45, coarsest_um=180)
    (45.0, 63.0, 90.0, 125.0, 180.0)
    """
    if name not in SERIES:
        raise SizeError(f"The series {name!r} is not known. Use one of {', '.join(SERIES)}.")
    own = (row for row in _table("apertures.csv") if name in row["series"].split(" + "))
    found = tuple(w for row in own if finest_um <= (w := float(row["w_um"])) <= coarsest_um)
    if not found:
        raise SizeError(
            f"Series {name} has no aperture between {finest_um:g} and {coarsest_um:g} µm. "
            "Widen the limits (20 µm to 16 mm)."
        )
    return found


EDITIONS = {
    "ISO 3310-1": "2016 (formula from memory)",
    "ASTM E11": "2009 on (formula from memory)",
}
"""Standards by the name used in sieve tables, with the edition meant."""

FINEST_UM = 20.0
"""Finest aperture with a tolerance, µm."""
COARSEST_UM = 125_000.0
"""Coarsest aperture with a tolerance, µm."""


def tolerance_um(nominal_um: float, *, standard: str = "ISO 3310-1") -> float:
    """Largest deviation Y allowed for the average aperture of a sieve.

    Parameters
    ----------
    nominal_um : float
        Nominal aperture w, µm; 20 to 125 000.
    standard : str, default="ISO 3310-1"
        A key of `EDITIONS`.

    Returns
    -------
    float
        Y in µm: the average aperture lies between w - Y and w + Y.

    Raises
    ------
    SizeError
        If the standard is not known or does not cover the aperture.

    Notes
    -----
    Y = w^0.98 / 27 + 1.6 µm (ISO 3310-1:2016 and ASTM E11, from memory).  Older editions differ.

    Examples
    --------
    >>> round(tolerance_um(125), 2)
    5.8
    """
    if standard not in EDITIONS:
        raise SizeError(
            f"The tolerance of sieves by {standard!r} is not known. "
            f"Use one of {', '.join(EDITIONS)}, or give the certificate of the sieve."
        )
    if not FINEST_UM <= nominal_um <= COARSEST_UM:
        raise SizeError(
            f"{standard} has no tolerance for an aperture of {nominal_um:g} µm (20 µm to 125 mm). "
            "Give the certificate of the sieve."
        )
    return float(nominal_um**0.98 / 27.0 + 1.6)


@dataclass(frozen=True, kw_only=True)
class PracticeRule:
    """One rule of practice.

    Parameters
    ----------
    name : str
        Key of the rule.
    value : float
        Its limit, in `unit`.
    unit : str
        Unit of the value.
    says : str
        What the limit is, as a clause.
    source : str
        Document, edition and clause on one line, with the status where it is not searched.
    status : str
        "searched", "from memory" or "no source".
    """

    name: str
    value: float
    unit: str
    says: str
    source: str
    status: str


@dataclass(frozen=True, kw_only=True)
class FinenessClass:
    """One fineness class.

    Parameters
    ----------
    scheme, name : str
        The classification, and the class in its words.
    percentile : float
        Which percentile is judged, 50 for D50.
    over_um, up_to_um : float or None
        The percentile lies above the first and up to the second, µm; None is no limit.
    source : str
        Where it stands.
    """

    scheme: str
    name: str
    percentile: str
    over_um: float
    up_to_um: float | None
    source: str


def _source(row: Mapping[str, str]) -> str:
    """Where a rule stands, and how sure that is."""
    named = row["document"]
    named += f":{row['edition']}" if row["edition"] else ""
    named += f", {row['clause']}" if row["clause"] else ""
    told = {"searched": "", "from memory": ", document not checked"}
    return named + told.get(row["status"], f", {row['status']}")


@cache
def practice_rules() -> dict[str, PracticeRule]:
    """Every rule of practice that psdstats uses, by name."""
    return {
        row["rule"]: PracticeRule(
            name=row["rule"],
            value=float(row["value"]),
            unit=row["unit"],
            says=row["says"],
            source=_source(row),
            status=row["status"],
        )
        for row in _table("rules.csv")
    }


def practice_rule(name: str) -> PracticeRule:
    """One rule of practice.

    Examples
    --------
    >>> rule = practice_rule("load_limit")
    >>> rule.value, rule.unit, rule.source
    (7.0, 'kg/m2', 'ASTM C136/C136M:2019, 8.3')
    """
    rules = practice_rules()
    if name not in rules:
        raise SizeError(f"There is no rule of practice {name!r}. Use one of {', '.join(rules)}.")
    return rules[name]


@cache
def fineness_classes(scheme: str = "Ph. Eur.") -> tuple[FinenessClass, ...]:
    """Fineness classes of a scheme, from coarse to fine.

    Examples
    --------
    >>> [each.name for each in fineness_classes("Ph. Eur.")]
    ['coarse', 'moderately fine', 'fine', 'very fine']
    """
    rows = _table("fineness.csv")
    found = tuple(
        FinenessClass(
            scheme=scheme,
            name=row["class"],
            percentile=row["percentile"],
            over_um=float(row["over_um"]),
            up_to_um=float(row["up_to_um"]) if row["up_to_um"] else None,
            source=_source(row),
        )
        for row in rows
        if row["scheme"] == scheme
    )
    if not found:
        known = ", ".join(dict.fromkeys(row["scheme"] for row in rows))
        raise SizeError(f"The fineness scheme {scheme!r} is not known. Use one of {known}.")
    return found
