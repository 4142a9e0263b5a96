"""Rules of practice for sieving and the fineness classes of powders, each with its source.

The tables `rules.csv` and `fineness.csv` give document, edition, clause and a status: "searched"
was read in a source, "from memory" was not, "no source" is practice or a choice of this project.
The pharmacopoeia defines its percentiles by steps, not by interpolation; a class found from an
interpolated percentile is therefore near, not equal, to the pharmacopoeia's.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from psdstats.errors import SizeError

__all__ = ["FinenessClass", "PracticeRule", "fineness_classes", "practice_rule", "practice_rules"]


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
    document, edition, clause : str
        Where it stands; empty where not known.
    status : str
        "searched", "from memory" or "no source".
    """

    name: str
    value: float
    unit: str
    says: str
    document: str
    edition: str
    clause: str
    status: str

    @property
    def source(self) -> str:
        """Document, edition and clause on one line, with the status where it is not searched."""
        return _source(self.document, self.edition, self.clause, self.status)


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


def _source(document: str, edition: str, clause: str, status: str) -> str:
    named = document + (f":{edition}" if edition else "") + (f", {clause}" if clause else "")
    return named if status == "searched" else f"{named} ({status})"


def _table(name: str) -> list[dict[str, str]]:
    text = (files("psdstats.sieves") / name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def practice_rules() -> tuple[PracticeRule, ...]:
    """Every rule of practice that psdstats uses."""
    return tuple(
        PracticeRule(
            name=row["rule"],
            value=float(row["value"]),
            unit=row["unit"],
            says=row["says"],
            document=row["document"],
            edition=row["edition"],
            clause=row["clause"],
            status=row["status"],
        )
        for row in _table("rules.csv")
    )


@cache
def practice_rule(name: str) -> PracticeRule:
    """One rule of practice.

    Raises
    ------
    SizeError
        If there is no such rule.

    Examples
    --------
    >>> rule = practice_rule("load_limit")
    >>> rule.value, rule.unit, rule.source
    (7.0, 'kg/m2', 'ASTM C136/C136M:2019, 8.3')
    """
    for rule in practice_rules():
        if rule.name == name:
            return rule
    known = ", ".join(rule.name for rule in practice_rules())
    raise SizeError(f"There is no rule of practice {name!r}. Use one of {known}.")


@cache
def fineness_classes(scheme: str = "Ph. Eur.") -> tuple[FinenessClass, ...]:
    """Fineness classes of a scheme, from coarse to fine.

    Parameters
    ----------
    scheme : {"Ph. Eur.", "USP"}, default="Ph. Eur."
        Whose classes.

    Raises
    ------
    SizeError
        If the scheme is not known.

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
            source=_source(row["document"], row["edition"], row["clause"], row["status"]),
        )
        for row in rows
        if row["scheme"] == scheme
    )
    if not found:
        known = ", ".join(dict.fromkeys(row["scheme"] for row in rows))
        raise SizeError(f"The fineness scheme {scheme!r} is not known. Use one of {known}.")
    return found
