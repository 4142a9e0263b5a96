"""Simulated studies whose size curve is known on one of two clocks, for `rate_studies.py`.

"as milled": time is the time of the simulated mill, whose D(t) is none of the rate curves exactly
(D50 is close to a power law).  "clock of the curve": every run is milled to the time at which the
mean size is that of an approach to a limit, and carries the time of that curve, so that rate, limit
and margin have a true value too.  Rates that differ between benches differ on the clock of the
mill.

The truth is the mean over rates of benches, runs and sieves of ln D(t), from trials of their own
seed: D the powder's own, or where the study has a rule, D by that rule from true apertures and true
fractions.  What the benches of a study have finer or coarser throughout is added to it, for a curve
is that of the mean of these benches.
Units: µm, g, min.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.curve import mean_curves, random_curves
from psdstats.simulate.design import Breakage, Spread, lay_out
from psdstats.simulate.trial import gather, many_readings, quantities_of, rule_sizes
from psdstats.study import Balance, Study

__all__ = [
    "CURVED",
    "LIMIT_SHARE",
    "MARGIN_PERCENT",
    "MILLED",
    "RATE_PER_MIN",
    "SETTINGS",
    "Setting",
    "Truth",
    "reference",
    "simulated",
]

STACK_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
OTHER_UM = (56.0, 80.0, 112.0, 160.0, 224.0, 315.0, 450.0)
FINER_UM = (20.0, 25.0, 32.0)
SOURCES = {"rounding": True, "repeatability": True, "aperture": True, "sampling": True}
QUANTITIES = ("D10", "D50", "D90")
MILLED, CURVED = "as milled", "clock of the curve"
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)
RATE_PER_MIN, LIMIT_SHARE, MARGIN_PERCENT = 0.06, 0.35, 10.0
MARGIN_MIN = float(np.log((1 - LIMIT_SHARE) / (LIMIT_SHARE * MARGIN_PERCENT / 100)) / RATE_PER_MIN)
Array = NDArray[np.float64]
ONLY_RUNS = Spread(size_run=0.02)
BENCHES = Spread(size_bench=0.03, rate_bench=0.08, size_run=0.02)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One design; spreads are standard deviations of logarithms."""

    name: str
    benches: int = 1
    replicates: int = 1
    resolution_g: float = 0.01
    repeatability_g: float = 0.008
    sample_mass_g: float = 50.0
    shared: bool = False  # one stack and one balance for all benches
    apertures_um: tuple[float, ...] = STACK_UM
    quantity: str = "D50"
    rule: str | None = None  # the law of the curve, as studies have it by default
    spread: Spread = ONLY_RUNS


SETTINGS = (
    Setting(name="1 bench, one run a time"),
    Setting(name="1 bench, 3 replicates", replicates=3),
    Setting(name="2 benches, 2 replicates, own sieves", benches=2, replicates=2,
            spread=Spread(size_bench=0.03, size_run=0.02)),
    Setting(name="4 benches, 2 replicates, own sieves", benches=4, replicates=2, spread=BENCHES),
    Setting(name="4 benches, 2 replicates, one shared stack and balance", benches=4, replicates=2,
            shared=True, spread=BENCHES),
    Setting(name="1 bench, 3 replicates, 0.1 g balance, 25 g samples", replicates=3,
            resolution_g=0.1, repeatability_g=0.05, sample_mass_g=25.0),
    Setting(name="1 bench, 3 replicates, D10", replicates=3, quantity="D10"),
    Setting(name="1 bench, 3 replicates, D10, rule logprobit", replicates=3, quantity="D10",
            rule="logprobit"),
    Setting(name="the same, D10 open at the last time, always or often", replicates=3,
            quantity="D10", apertures_um=OTHER_UM, rule="logprobit"),
)  # fmt: skip


def design_of(setting: Setting, *, times_min: Sequence[float] = TIMES_MIN) -> TrialDesign:
    """The simulated trial of a setting."""
    balance = Balance(
        name="b", resolution_g=setting.resolution_g, repeatability_g=setting.repeatability_g
    )
    shared = SieveSet(name="stack", apertures_um=setting.apertures_um)
    benches = [
        Bench(name=name, sieves=shared, balance=balance)
        for name in ("Alder", "Birch", "Cedar", "Rowan")[: setting.benches]
    ]
    if not setting.shared:
        benches = [
            Bench(
                name=one.name,
                sieves=replace(shared, name=one.name),
                balance=replace(balance, name=one.name),
            )
            for one in benches
        ]
    breakage = Breakage(rate_per_min=0.06, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3)
    return TrialDesign(
        benches=tuple(benches),
        powder=Powder(breakage=breakage, density_g_per_cm3=2.71),
        times_min=tuple(times_min),
        replicates=setting.replicates,
        spread=setting.spread,
        sample_mass_g=setting.sample_mass_g,
        uncertainty=SOURCES,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Reference:
    """Mean ln D, and ln D of the typical true curve, at milling times."""

    milled_min: Array
    mean: Array
    typical: Array

    def reached(self, ln_size: Array) -> Array:
        """Milling times at which the mean has come down to sizes."""
        return np.interp(-ln_size, -self.mean, self.milled_min)


def reference(setting: Setting, *, trials: int, seed: int) -> Reference:
    """The truth of a setting from many trials of one bench with finer sieves added."""
    times = np.concatenate(
        [np.arange(0.0, 24.0, 2.0), np.arange(24.0, 84.0, 4.0), np.arange(84.0, 210.0, 12.0)]
    )
    design = design_of(replace(setting, benches=1, replicates=1), times_min=times)
    bench = design.benches[0]
    deep = replace(bench.sieves, apertures_um=(*FINER_UM, *bench.sieves.apertures_um))
    design = replace(design, benches=(replace(bench, sieves=deep),))
    layout, sizes = lay_out(design), []
    for readings in many_readings(design, layout, trials=trials, seed=seed):
        if setting.rule is None:
            sizes.append(quantities_of(readings.curves.sizes()))
            continue
        true_um = gather(readings.apertures.true_um, layout, pad=np.inf)
        sizes.append(rule_sizes(readings.fraction, true_um, rule=setting.rule))
    column = QUANTITIES.index(setting.quantity)
    typical = quantities_of(mean_curves(design, layout).sizes())[0]
    return Reference(
        milled_min=times,
        mean=np.log(np.concatenate(sizes)[..., column]).mean(axis=0),
        typical=np.log(typical[:, column]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """What is true on one clock: ln D at a time by either truth, and parameters if a curve is.

    `level` is how much coarser the benches of one study are on average, ln.
    """

    clock: str
    source: Reference
    milled_min: tuple[float, ...]
    level: float = 0.0

    @property
    def margin_min(self) -> float:
        """Time after which the size is within the margin of its limit; infinite without one."""
        return MARGIN_MIN if self.clock == CURVED else np.inf

    @classmethod
    def on(cls, clock: str, source: Reference) -> Truth:
        """The truth on a clock, and the milling times behind the times of the study."""
        times = np.array(TIMES_MIN)
        milled = times if clock == MILLED else source.reached(source.mean[0] + fall(times))
        return cls(clock=clock, source=source, milled_min=tuple(float(one) for one in milled))

    def ln_size(self, time_min: float, *, typical: bool = False) -> float:
        """Size at a time of the study, as ln."""
        milled = time_min
        if self.clock == CURVED:
            at = np.array([self.source.mean[0] + fall(np.array([time_min]))[0]])
            milled = float(self.source.reached(at)[0])
        values = self.source.typical if typical else self.source.mean
        return float(np.interp(milled, self.source.milled_min, values)) + self.level


def fall(time_min: Array) -> Array:
    """Fall ln D(t)/D0 of the approach to a limit."""
    fading = np.exp(-RATE_PER_MIN * time_min)
    return np.asarray(np.log(LIMIT_SHARE + (1 - LIMIT_SHARE) * fading))


def simulated(setting: Setting, truth: Truth, rng: np.random.Generator) -> tuple[Study, Truth]:
    """One study, milled by the clock of the mill and dated by that of the truth, and its truth."""
    design = design_of(setting, times_min=truth.milled_min)
    level = _level(design, QUANTITIES.index(setting.quantity), deepcopy(rng))
    study = simulate_study(design, seed=rng).study
    dated = dict(zip(truth.milled_min, TIMES_MIN, strict=True))
    runs = tuple(
        replace(run, milling_time_min=dated[run.milling_time_min or 0.0]) for run in study.runs
    )
    return replace(study, runs=runs, rule=setting.rule), replace(truth, level=level)


def _level(design: TrialDesign, column: int, rng: np.random.Generator) -> float:
    """How much coarser the benches are on average, from the draws that the study will make."""
    layout = lay_out(design)
    benches = replace(design, spread=replace(design.spread, size_run=0.0))
    drawn = random_curves(benches, layout, 1, rng).sizes()[0]
    typical = mean_curves(design, layout).sizes()[0]
    unmilled = layout.time_min == 0
    return float(np.log(drawn / typical)[unmilled, column].mean())
