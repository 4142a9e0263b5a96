"""Cautions for work at a ball mill and a sieve shaker, as sentences that travel with every plan.

They remind; they do not replace a risk assessment.  Local codes and licensed practice decide.
Sources per line: general laboratory practice without a source, except where one is named.
"""

from __future__ import annotations

_CODES = (
    "Local codes, the makers' manuals and a qualified safety professional decide; these lines only "
    "remind."
)
_DUST = (
    "Fine organic, metallic or otherwise combustible powder can explode as a dust cloud: have the "
    "dust tested before milling it, keep ignition sources and static charge away (earth the mill, "
    "the jar and the sieves), let the jar cool before opening, and do not let dust settle."
)
_BREATHING = (
    "Do not breathe the dust: open jars and brush sieves under extraction, wear the respirator and "
    "gloves the safety data sheet asks for, and keep below the local exposure limits."
)
_NOISE = (
    "Mills and shakers are loud: measure the level, and wear hearing protection where local rules "
    "ask for it (action values of about 80 to 85 dB(A) over 8 h are usual)."
)

MILL_CAUTIONS: tuple[str, ...] = (
    "Turning jars and rollers draw in hands, hair and clothing: keep the guard closed, isolate the "
    "drive before touching a jar, and secure the lid and the jar against walking off the rollers.",
    _DUST,
    _NOISE,
    _BREATHING,
    "Do not fill a jar beyond its maker's limit of load or speed, and open it slowly: milling can "
    "heat the powder or build up pressure.",
    _CODES,
)
"""Cautions for charging and running a mill."""

BENCH_CAUTIONS: tuple[str, ...] = (
    "Stop and isolate the mill before every sample; never reach for powder in a turning jar.",
    _DUST,
    _NOISE,
    _BREATHING,
    "The plan leaves no breaks: add rest, and never leave a running mill or shaker without the "
    "attendance that local rules ask for.",
    _CODES,
)
"""Cautions for a day of milling, sieving and cleaning."""
