"""Studies unlike the demos, by the simulator (invented): a page must stand every design.

``python tests/report/unlike_studies.py DIR`` writes one study for each below an existing folder.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import save_study
from psdstats.study.records import Balance

SEED = 20261129
APERTURES_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
_FINE = Balance(name="fine", resolution_g=0.01, repeatability_g=0.008)
_POWDER = Powder(
    name="chalk (invented)",
    breakage=Breakage(rate_per_min=0.09, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3),
    feed_d50_um=250.0,
    feed_gsd=1.42,
    density_g_per_cm3=2.71,
)


def _benches(*names: str, **stacks: tuple[float, ...]) -> tuple[Bench, ...]:
    """Benches by name, with a stack of their own where one is given."""
    return tuple(
        Bench(
            name=name,
            sieves=SieveSet(name=name, apertures_um=apertures_um),
            balance=replace(_FINE, name=f"{name} balance"),
        )
        for name, apertures_um in (dict.fromkeys(names, APERTURES_UM) | stacks).items()
    )


def designs() -> Mapping[str, TrialDesign]:
    """One trial for each kind of study, by the name of its report."""
    spread = Spread(rate_bench=0.06, rate_run=0.05, size_bench=0.012, size_run=0.012)
    return {
        # two factors, each charge sampled at every time
        "charges": TrialDesign(
            title="Two ball ratios, charges sampled (invented)",
            benches=_benches("Elm"),
            powder=_POWDER,
            times_min=(0.0, 8.0, 20.0),
            replicates=3,
            one_charge=True,
            ball_ratios=MappingProxyType({4.0: 0.7, 8.0: 1.0}),
            spread=spread,
        ),
        # a panel of size classes for each bench, since no two share enough sieves
        "three-stacks": TrialDesign(
            title="Milling trial 7, three stacks (invented)",
            benches=_benches(
                Elm=APERTURES_UM,
                Fir=(53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0, 600.0),
                Oak=(40.0, 71.0, 100.0, 140.0, 200.0, 280.0, 400.0, 560.0),
            ),
            powder=_POWDER,
            times_min=(0.0, 10.0, 20.0, 40.0),
            replicates=2,
            spread=spread,
        ),
        # nothing to compare at all
        "one-run": TrialDesign(
            title="One run (invented)",
            benches=_benches("Elm"),
            powder=_POWDER,
            times_min=(20.0,),
        ),
        # benches at one time
        "benches-alone": TrialDesign(
            title="Three benches at one time (invented)",
            benches=_benches("Elm", "Fir", "Oak"),
            powder=_POWDER,
            times_min=(20.0,),
            replicates=3,
            spread=spread,
        ),
    }


def write_studies(folder: Path) -> list[Path]:
    """Every study as a folder of its name."""
    return [
        save_study(simulate_study(design, seed=SEED).study, folder / name)
        for name, design in designs().items()
    ]


if __name__ == "__main__":
    write_studies(Path(sys.argv[1]))
