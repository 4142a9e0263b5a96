"""How often the 95 % intervals of the rate of loss above a sieve hold the planted rate.

Every powder loses the mass above every sieve by one first-order law, R = R0(x) exp(-K t) with K a
power of the aperture.  A run that is finer or coarser shifts its curve along ln x (or its ln R by
the same amount at every sieve, as a check of that assumption); benches differ in R0, and where
said in their rates.  Every class is weighed on a balance of 0.01 g.

    python tests/calibration/loss_rates.py --out tests/calibration/results
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd
from sharing import add_sharing, shared

from psdstats.rate.first_order import loss_rates
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study

SEED, DATE = 20261201, "2026-11-30"
APERTURES_UM = np.array([500.0, 355.0, 250.0, 180.0, 125.0, 90.0, 63.0])
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)
RATES_PER_MIN = 0.06 * (APERTURES_UM / 500.0) ** 1.2
START_UM, START_WIDTH = 400.0, 1.6
LEVEL_SD, SAMPLE_G, RESOLUTION_G, REPEATABILITY_G = 0.03, 50.0, 0.01, 0.008


@dataclass(frozen=True)
class Setting:
    """Spreads are standard deviations: of ln x of a run, of ln R of a run, of ln K of a bench."""

    name: str
    benches: int
    replicates: int = 2
    size_sd: float = 0.02
    share_sd: float = 0.0
    rate_sd: float = 0.0


NAMES = ("1 bench", "2 benches", "3 benches", "4 benches")
SETTINGS = (
    *(Setting(name, benches) for benches, name in enumerate(NAMES, start=1)),
    Setting("1 bench, single runs", 1, replicates=1),
    *(
        Setting(f"{name}, ln R scatters alike", benches, size_sd=0.0, share_sd=0.03)
        for benches, name in enumerate(NAMES[:2], start=1)
    ),
    *(
        Setting(f"{name}, rates 8 % apart", benches, rate_sd=0.08)
        for benches, name in enumerate(NAMES, start=1)
    ),
)


def simulated(setting: Setting, rng: np.random.Generator) -> tuple[Study, float]:
    """One study, and the mean rate of its benches over that of all such benches."""
    runs, faster = [], np.exp(setting.rate_sd * rng.standard_normal(setting.benches))
    for bench in range(setting.benches):
        coarser = LEVEL_SD * rng.standard_normal()
        for time in TIMES_MIN:
            for replicate in range(setting.replicates):
                shift = np.exp(-setting.size_sd * rng.standard_normal())
                start = (APERTURES_UM * shift * np.exp(-coarser) / START_UM) ** START_WIDTH
                lost = faster[bench] * RATES_PER_MIN * shift**1.2 * time
                noise = setting.share_sd * rng.standard_normal()
                share = np.minimum(np.exp(noise - start - lost), 0.999)
                net = SAMPLE_G * np.diff([0.0, *share, 1.0])
                name = f"{bench}-{time:g}-{replicate}"
                runs.append(_run(name, f"bench {bench}", time, replicate, net, rng))
    sieves = {one.sieve: Sieve(key=one.sieve, nominal_um=one.aperture_um)
              for run in runs for one in run.readings if one.aperture_um}  # fmt: skip
    balance = Balance(name="b", resolution_g=RESOLUTION_G, repeatability_g=REPEATABILITY_G)
    study = Study(
        title="planted first-order loss",
        rule="semilog",
        runs=tuple(runs),
        sieves=MappingProxyType(sieves),
        balances=MappingProxyType({"b": balance}),
    )
    return study, float(faster.mean())


def _run(
    name: str, group: str, time: float, replicate: int, net: np.ndarray, rng: np.random.Generator
) -> Run:
    tare, gross = (
        np.round(
            (mass + REPEATABILITY_G * rng.standard_normal(len(net))) / RESOLUTION_G
        ) * RESOLUTION_G
        for mass in (np.full(len(net), 300.0), 300.0 + net)
    )  # fmt: skip
    readings = tuple(
        Reading(
            sieve=f"{group} {um:g}",
            aperture_um=float(um),
            tare_g=float(empty),
            gross_g=float(full),
            place=Place("weighings.csv", 2),
        )
        for um, empty, full in zip((*APERTURES_UM, 0.0), tare, gross, strict=True)
    )
    return Run(
        name=name,
        group=group,
        milling_time_min=time,
        readings=readings,
        balance="b",
        replicate=str(replicate),
        sample_mass_g=SAMPLE_G,
        factors=MappingProxyType({}),
    )


def row_of(setting: Setting, *, trials: int, seed: int) -> dict[str, object]:
    """Coverage of both meanings of the rate, over all sieves; its error is that of whole trials."""
    place = [one.name for one in SETTINGS].index(setting.name)
    of_these, of_all, half = list[float](), list[float](), list[float]()
    for child in np.random.SeedSequence([seed, place]).spawn(trials):
        study, mean = simulated(setting, np.random.default_rng(child))
        found = loss_rates(study).frame
        rate = RATES_PER_MIN[np.searchsorted(-APERTURES_UM, -found["aperture_um"])]
        for held, true in ((of_these, mean * rate), (of_all, rate)):
            held.append(found["lower_per_min"].le(true).mul(found["upper_per_min"].ge(true)).mean())
        reach = (found["upper_per_min"] - found["lower_per_min"]) / (2 * rate)
        half.append(100 * float(reach.median()))
    errors = [100 * float(np.std(one)) / np.sqrt(trials) for one in (of_these, of_all)]
    return {
        "setting": setting.name,
        "trials": trials,
        "these_benches_percent": 100 * np.mean(of_these),
        "these_benches_error": errors[0],
        "such_benches_percent": 100 * np.mean(of_all),
        "such_benches_error": errors[1],
        "half_width_percent": float(np.median(half)),
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every setting and write the table as CSV and Markdown."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    add_sharing(parser)
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    found = partial(row_of, trials=options.trials, seed=options.seed)
    table = pd.DataFrame(list(shared(options)(found, SETTINGS)))
    table.to_csv(options.out / "loss_rates.csv", index=False, float_format="%.5g")
    command = f"loss_rates.py --trials {options.trials} --seed {options.seed}"
    lines = [
        "# Coverage of the rate of loss above a sieve",
        "",
        f"`python tests/calibration/{command}`, {DATE}. Per cent of intervals of 95 %, over all "
        "sieves, with its Monte Carlo error (of whole trials, whose sieves go together); half "
        "width: median, per cent of the rate.",
        "",
        "| setting | mean of these benches | mean of all such benches | half width, % |",
        "|---|---|---|---|",
    ]
    for row in table.to_dict("records"):
        these, such = (
            f"{row[f'{name}_benches_percent']:.1f} ± {row[f'{name}_benches_error']:.1f}"
            for name in ("these", "such")
        )
        lines.append(f"| {row['setting']} | {these} | {such} | {row['half_width_percent']:.1f} |")
    text = "\n".join([*lines, "", MEANING, ""])
    (options.out / "loss_rates.md").write_text(text, encoding="utf-8")


MEANING = (
    "One bench and two tell of themselves as they ran, and the answer says so: where rates differ "
    "from bench to bench, that is no interval for benches such as these. Three benches and more "
    "count the spread of their rates."
)


if __name__ == "__main__":
    main()
