"""Whether intervals of fitted distributions hold what they promise.

Simulated weighings of powders that follow a known curve (invented): true apertures within the
tolerance or certificate of each sieve, readings with repeatability error and rounding.  Written
apart from `psdstats.simulate`.  Every study goes through `fit_study` as a user's would.

    python tests/calibration/distribution_fits.py --out tests/calibration/results

writes distribution_fits.csv and distribution_fits.md.
"""

import argparse
import operator
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri
from sharing import add_sharing, shared

from psdstats.comparison.whole import fit_study
from psdstats.sieves import Sieve, tolerance_um
from psdstats.study.records import Balance, Place, Reading, Run, Study

DATE = "2026-11-25"
APERTURES = np.array([45.0, 63, 90, 125, 180, 250, 355])
LEVELS = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Truth:
    """A curve with its parameters."""

    family: str
    parameters: tuple[float, float]

    def undersize(self, x):
        """Mass fraction finer than x."""
        a, b = self.parameters
        if self.family == "log-normal":
            return ndtr(np.log(x / a) / np.log(b))
        if self.family == "rosin-rammler-bennett":
            return -np.expm1(-((x / a) ** b))
        return np.minimum(1.0, (x / a) ** b)

    def size(self, level):
        """Size at a level, µm."""
        a, b = self.parameters
        if self.family == "log-normal":
            return a * b ** ndtri(level)
        if self.family == "rosin-rammler-bennett":
            return a * (-np.log1p(-level)) ** (1 / b)
        return a * level ** (1 / b)


@dataclass(frozen=True)
class Bench:
    """Sample, balance and certificate."""

    name: str
    total_g: float
    resolution_g: float
    repeatability_g: float
    certificate_percent: float | None


BENCHES = (
    Bench("50 g, balance 0.01 g, sieves to tolerance", 50.0, 0.01, 0.01, None),
    Bench("25 g, balance 0.1 g, certified sieves (U = 1 %)", 25.0, 0.1, 0.05, 1.0),
)
TRUTHS = (
    Truth("rosin-rammler-bennett", (150.0, 1.3)),
    Truth("log-normal", (130.0, 1.9)),
    Truth("gates-gaudin-schuhmann", (420.0, 0.8)),
)


def simulate(truth: Truth, bench: Bench, rng) -> Study:
    sieves, true_um = {}, []
    for um in APERTURES:
        if bench.certificate_percent is None:
            sieve = Sieve(key=f"{um:g}", nominal_um=um)
            true = um + rng.uniform(-1, 1) * tolerance_um(um)
        else:
            expanded = bench.certificate_percent / 100 * um
            true = um + rng.uniform(-1, 1) * tolerance_um(um)
            certified = true + rng.normal(0, expanded / 2)
            sieve = Sieve(
                key=f"{um:g}",
                nominal_um=um,
                certified_um=certified,
                expanded_uncertainty_um=expanded,
            )
        sieves[sieve.key] = sieve
        true_um.append(true)
    finer = truth.undersize(np.array(true_um))
    net = bench.total_g * rng.uniform(0.95, 1.05) * np.diff(np.concatenate([[0], finer, [1]]))
    tare = rng.uniform(280, 420, len(net))

    def read(load):
        seen = load + rng.normal(0, bench.repeatability_g, len(load))
        return np.round(seen / bench.resolution_g) * bench.resolution_g

    tare_g, gross_g = read(tare), read(tare + net)
    readings = tuple(
        Reading(
            sieve=f"{um:g}" if um else "pan",
            aperture_um=um,
            tare_g=float(empty),
            gross_g=float(full),
            place=Place("simulated", 2),
        )
        for um, empty, full in zip([0.0, *APERTURES], tare_g, gross_g, strict=True)
    )
    run = Run(name="run", group="A", milling_time_min=0.0, readings=readings, balance="b")
    balance = Balance(
        name="b", resolution_g=bench.resolution_g, repeatability_g=bench.repeatability_g
    )
    return Study(title="simulated", runs=(run,), sieves=sieves, balances={"b": balance})


def calibrate(truth: Truth, bench: Bench, studies: int, seed: int) -> dict[str, object]:
    rng = np.random.default_rng(seed)
    hits, hits_default, poor, estimates = [], [], 0, []
    wanted = np.array([*truth.parameters, *truth.size(np.array(LEVELS))])
    for _ in range(studies):
        study = simulate(truth, bench, rng)
        for allowed, kept in ((False, hits), (True, hits_default)):
            fit = fit_study(study, families=[truth.family], misfit=allowed).fits[
                "run", truth.family
            ]
            lower = np.array([*fit.lower, *(one.lower_um for one in fit.sizes)])
            upper = np.array([*fit.upper, *(one.upper_um for one in fit.sizes)])
            kept.append((lower <= wanted) & (wanted <= upper))
        poor += fit.p < 0.05
        estimates.append(fit.parameters)
    coverage = 100 * np.mean(hits, axis=0)
    default = 100 * np.mean(hits_default, axis=0)
    bias = 100 * (np.mean(estimates, axis=0) / np.array(truth.parameters) - 1)
    row = {
        "family": truth.family,
        "bench": bench.name,
        "studies": studies,
        "true_1": truth.parameters[0],
        "true_2": truth.parameters[1],
        "bias_1_percent": bias[0],
        "bias_2_percent": bias[1],
    }
    names = ("parameter_1", "parameter_2", "D10", "D50", "D90")
    row |= {f"coverage_{name}": value for name, value in zip(names, coverage, strict=True)}
    row |= {f"with_misfit_{name}": value for name, value in zip(names, default, strict=True)}
    return row | {"called_poor_percent": 100 * poor / studies}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--studies", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=20261125)
    add_sharing(parser)
    options = parser.parse_args()
    start = time.perf_counter()
    tasks = [
        partial(calibrate, truth, bench, options.studies, options.seed + 10 * i + j)
        for i, truth in enumerate(TRUTHS)
        for j, bench in enumerate(BENCHES)
    ]
    table = pd.DataFrame(shared(options)(operator.call, tasks))
    options.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(options.out / "distribution_fits.csv", index=False, float_format="%.4f")
    error = 100 * np.sqrt(0.95 * 0.05 / options.studies)
    shown = table.drop(columns=["studies"])
    lines = [
        "# Calibration of fitted distributions",
        "",
        f"Command: `python tests/calibration/distribution_fits.py --studies {options.studies} "
        f"--seed {options.seed}`, {DATE}; {time.perf_counter() - start:.0f} s.",
        f"{options.studies} simulated studies a row (invented); coverage of 95 % intervals in",
        f"per cent, Monte Carlo error {error:.2f} % (one standard error). `coverage_...` is",
        "without an allowance for misfit (the family is right here), `with_misfit_...` with the",
        "default, which adds one where p < 0.05. `called_poor_percent` should not exceed 5 (errors",
        "within a tolerance are bounded, which keeps it lower). Sizes outside 45 to 355 µm are",
        "extrapolated.",
        "",
        "| " + " | ".join(shown.columns) + " |",
        "|" + "---|" * len(shown.columns),
    ]
    for row in shown.itertuples(index=False):
        cells = [f"{one:.2f}" if isinstance(one, float) else str(one) for one in row]
        lines.append("| " + " | ".join(cells) + " |")
    (options.out / "distribution_fits.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
