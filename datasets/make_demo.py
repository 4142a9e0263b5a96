"""Makes the demo studies from stated seeds: python datasets/make_demo.py [FOLDER].

Everything in them is invented: powder, mill, benches and blemishes.  The files are written as a
person would type them, with the decimals of the balance.  Units: µm, g, min.
"""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study.records import Balance, Reading, Run, Study

__all__ = ["demo_files", "write_demo"]

SEED_FOUR_BENCHES = 20261125
SEED_ONE_BENCH = 48
SIEVE_CERTIFICATE = "S 26-041, 2026-01-20 (invented)"
HERE = Path(__file__).resolve().parent

R20_3_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
R40_3_UM = (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0, 600.0)
BREAKAGE = Breakage(rate_per_min=0.09, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3)
POWDER = Powder(
    name="calcite filler (invented)",
    breakage=BREAKAGE,
    feed_d50_um=250.0,
    feed_gsd=1.42,
    density_g_per_cm3=2.71,
)
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)


def demo_files() -> dict[str, str]:
    """Text of every file that is made here, by path below the demo folder."""
    study = _blemish(simulate_study(_four_benches(), seed=SEED_FOUR_BENCHES).study)
    small = simulate_study(_one_bench(), seed=SEED_ONE_BENCH).study
    return {
        "four_benches/runs.csv": _runs_text(study),
        "four_benches/weighings.csv": _weighings_text(study),
        "four_benches/sieves.csv": _sieves_text(study),
        "one_bench/one_bench.csv": _flat_text(small),
    }


def write_demo(target: Path) -> None:
    """Write every file of `demo_files` below a folder."""
    for name, text in demo_files().items():
        path = target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="")


def _four_benches() -> TrialDesign:
    fine = Balance(
        name="alder-1", resolution_g=0.01, repeatability_g=0.008, capacity_g=2200.0,
        slope_u=1e-5, linearity_g=0.02, certificate="W 26-118, 2026-02-10 (invented)",
    )  # fmt: skip
    coarse = replace(fine, name="cedar-1", resolution_g=0.1, repeatability_g=0.05, linearity_g=0.1)
    benches = (
        Bench(name="Alder", sieves=SieveSet(name="Alder", apertures_um=R20_3_UM), balance=fine),
        Bench(
            name="Birch",
            sieves=SieveSet(name="Birch", apertures_um=R20_3_UM, certificate_percent=1.0),
            balance=replace(fine, name="birch-1"),
        ),
        Bench(name="Cedar", sieves=SieveSet(name="Cedar", apertures_um=R20_3_UM), balance=coarse),
        Bench(
            name="Rowan",
            sieves=SieveSet(name="Rowan", apertures_um=R40_3_UM),
            balance=replace(fine, name="rowan-1"),
        ),
    )
    return TrialDesign(
        title="Calcite filler in a jar mill (invented demo)",
        benches=benches,
        powder=POWDER,
        times_min=TIMES_MIN,
        replicates=2,
        ball_ratios=MappingProxyType({5.0: 0.7, 10.0: 1.0}),
        spread=Spread(rate_bench=0.06, rate_run=0.05, size_bench=0.012, size_run=0.012),
        sample_mass_g=50.0,
        loss_percent=(0.2, 1.4),
    )


def _one_bench() -> TrialDesign:
    return TrialDesign(
        title="One bench, one run a time (invented demo)",
        benches=(
            Bench(
                name="Bench",
                sieves=SieveSet(name="Bench", apertures_um=R20_3_UM),
                balance=Balance(name="bench-1", resolution_g=0.01, repeatability_g=0.008),
            ),
        ),
        powder=replace(POWDER, breakage=replace(BREAKAGE, rate_per_min=0.06)),
        times_min=TIMES_MIN,
        spread=Spread(rate_run=0.05, size_run=0.012),
        sample_mass_g=50.0,
        loss_percent=(0.2, 1.4),
    )


def _blemish(study: Study) -> Study:
    """Three things that happen at a bench and that the checks must find; certificates are named."""
    changes: dict[str, Callable[[Run], Run]] = {
        # powder left in the mesh: empty and loaded weighing are both too heavy
        "alder-10to1-12min-b": lambda run: _with_reading(run, 63.0, tare_g=0.42, gross_g=0.42),
        # a stack knocked over: 6 % of the sample is gone
        "birch-5to1-24min-a": lambda run: _with_loss(run, share=0.06),
        # a decimal that this balance cannot show
        "cedar-5to1-6min-b": lambda run: _with_reading(run, 180.0, gross_g=0.04),
    }
    runs = tuple(changes[run.name](run) if run.name in changes else run for run in study.runs)
    named = {
        key: replace(sieve, certificate=SIEVE_CERTIFICATE) if sieve.is_certified else sieve
        for key, sieve in study.sieves.items()
    }
    return replace(study, runs=runs, sieves=named)


def _with_reading(run: Run, aperture_um: float, **added_g: float) -> Run:
    readings = tuple(
        replace(
            reading, **{name: round(getattr(reading, name) + g, 2) for name, g in added_g.items()}
        )
        if reading.aperture_um == aperture_um
        else reading
        for reading in run.readings
    )
    return replace(run, readings=readings)


def _with_loss(run: Run, *, share: float) -> Run:
    """The same run with that share of its sample lost, in proportion from every class."""
    sample_g = run.sample_mass_g or run.total_g
    kept = (1 - share) * sample_g / run.total_g
    readings = tuple(
        replace(reading, gross_g=round(reading.tare_g + kept * reading.net_g, 2))
        for reading in run.readings
    )
    return replace(run, readings=readings)


def _table(header: tuple[str, ...], rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def _mass(value_g: float, resolution_g: float) -> str:
    """A reading with the decimals of its balance, or with its own where it has more."""
    decimals = -int(Decimal(str(resolution_g)).normalize().as_tuple().exponent)
    short = f"{value_g:.{decimals}f}"
    return short if abs(float(short) - value_g) < 1e-9 else f"{value_g:g}"


def _runs_text(study: Study) -> str:
    header = ("run", "group", "milling_time_min", "ball_ratio", "replicate", "charge",
              "sample_mass_g", "shaking_time_min", "balance")  # fmt: skip
    return _table(
        header,
        (
            (
                run.name, run.group, f"{run.milling_time_min:g}", f"{run.factors['ball_ratio']:g}",
                run.replicate, run.charge, _mass(run.sample_mass_g or 0.0, _step_g(study, run)), 10,
                run.balance,
            )
            for run in study.runs
        ),
    )  # fmt: skip


def _weighings_text(study: Study) -> str:
    return _table(
        ("run", "sieve", "aperture_um", "tare_g", "gross_g"),
        (
            (run.name, reading.sieve, *_readings(reading, _step_g(study, run)))
            for run in study.runs
            for reading in reversed(run.readings)
        ),
    )


def _flat_text(study: Study) -> str:
    return _table(
        ("run", "milling_time_min", "charge", "aperture_um", "tare_g", "gross_g"),
        (
            (
                f"mill-{run.milling_time_min:g}",
                f"{run.milling_time_min:g}",
                f"filling-{number}",
                *_readings(reading, _step_g(study, run)),
            )
            for number, run in enumerate(study.runs, start=1)
            for reading in reversed(run.readings)
        ),
    )


def _readings(reading: Reading, step_g: float) -> tuple[str, str, str]:
    return (
        f"{reading.aperture_um:g}",
        _mass(reading.tare_g, step_g),
        _mass(reading.gross_g, step_g),
    )


def _sieves_text(study: Study) -> str:
    header = ("sieve", "nominal_um", "certified_um", "expanded_uncertainty_um", "coverage_factor",
              "standard", "certificate")  # fmt: skip
    return _table(
        header,
        (
            (key, f"{sieve.nominal_um:g}", f"{sieve.certified_um:.1f}",
             f"{sieve.expanded_uncertainty_um:.1f}", f"{sieve.coverage_factor:g}", sieve.standard,
             sieve.certificate)
            for key, sieve in study.sieves.items()
            if sieve.is_certified
        ),
    )  # fmt: skip


def _step_g(study: Study, run: Run) -> float:
    return study.balances[run.balance].resolution_g


if __name__ == "__main__":
    write_demo(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "demo")
