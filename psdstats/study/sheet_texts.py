"""The words on a recording sheet: how to fill it in, and the usual cautions.

The cautions are general; local rules and licensed practice come first.
"""

from __future__ import annotations

from psdstats.sieves.rules import practice_rule
from psdstats.study.records import TareHandling
from psdstats.study.sheet_plan import SheetPlan

__all__ = ["CAUTIONS", "guide_lines"]

CAUTIONS = (
    "Many fine powders, sugars and starches among them, burn or explode as dust: keep layers and "
    "clouds small, earth metal parts, and keep flames, sparks and hot surfaces away.",
    "Do not breathe the dust: work under extraction or wear a mask that fits, and know the safety "
    "data sheet of the material.",
    "Mills and shakers are loud: wear hearing protection.",
    "Keep hands, hair and sleeves away from turning rollers; stop and switch off before reaching "
    "in.",
    "Local rules, the makers' instructions and licensed practice come first.",
)
"""The usual cautions for milling and sieving."""


def guide_lines(plan: SheetPlan) -> list[str]:
    """Lines of the sheet `guide`."""
    tares = (
        "Weigh every sieve empty before each run (tare_g)."
        if plan.tares is TareHandling.EACH_RUN
        else "Weigh every sieve empty once, on its first row (tare_g); the other rows repeat it."
    )
    loss = practice_rule("loss_percent")
    sample = f" (about {plan.sample_mass_g:g} g)" if plan.sample_mass_g is not None else ""
    lines = [
        plan.title,
        "Fill in the shaded cells of the sheets runs and weighings, masses in g. Empty rows may "
        "wait: runs not weighed yet are left out of the evaluation.",
        f"Sheet runs: weigh the sample{sample} and write what the balance shows (sample_mass_g).",
        f"Sheet weighings: {tares}",
        "After shaking, weigh every sieve and the pan with its powder (gross_g) before emptying "
        "any of them.",
        "net_g, recovered_g, loss_g and loss_percent are computed. A net mass below zero or a loss "
        f"above {loss.value:g} % ({loss.source}) is shown in bold red: look again before the "
        "powder is gone.",
        "Sheet sieves: write the average aperture and its expanded uncertainty from the "
        "certificate, if there is one. Sheet study: add settings as rows of key and value.",
    ]
    if plan.second_shaking:
        lines.append(
            "Shake once more and weigh the loads again (gross_again_g): the end point is reached "
            "when they do not change any more."
        )
    return [*lines, "", "Cautions", *CAUTIONS]
