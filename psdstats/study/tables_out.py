"""The tables of a study as rows of cells, ready for a CSV file or a sheet.

Units are in the column names.  Columns that no run uses are left out; computed values are never
among them.
"""

from __future__ import annotations

from decimal import Decimal

from psdstats.errors import OutputError
from psdstats.study.cells import decimals_written, number_text
from psdstats.study.columns import COMPUTED_COLUMNS, FLAT_COLUMNS, RUN_COLUMNS
from psdstats.study.records import Balance, Run, Study

__all__ = [
    "MASS_COLUMNS",
    "OutCell",
    "OutTable",
    "balance_settings",
    "flat_table",
    "mass_decimals",
    "run_table",
    "settings_of",
    "sieve_table",
    "step_decimals",
    "weighing_table",
]

MASS_COLUMNS = ("tare_g", "gross_g", "gross_again_g")
"""Columns written with the decimals of the balance."""

OutCell = str | float | None
OutTable = tuple[list[str], list[list[OutCell]]]
"""Column names, and rows of cells (None where empty)."""


def settings_of(study: Study, *, with_sieves: bool) -> dict[str, object]:
    """Everything of a study that is not in its tables, as settings.

    Parameters
    ----------
    study : Study
        The study.
    with_sieves : bool
        Whether the sieves are among the settings (where there is no sieve table).
    """
    settings: dict[str, object] = {
        "title": study.title,
        "material": study.material or None,
        "density_g_per_cm3": study.density_g_per_cm3,
        "shape_factor": study.shape_factor,
        "tares": str(study.tares),
        "rule": study.rule,
        "notes": list(study.notes) or None,
        "balances": {name: balance_settings(each) for name, each in study.balances.items()} or None,
        "uncertainty": study.uncertainty or None,
        "checks": study.checks or None,
        "compare": study.compare or None,
    }
    if with_sieves and study.sieves:
        names, rows = sieve_table(study)
        settings["sieves"] = {
            str(row[0]): {
                name: cell
                for name, cell in zip(names[1:], row[1:], strict=True)
                if cell is not None
            }
            for row in rows
        }
    return {key: value for key, value in settings.items() if value is not None}


def balance_settings(balance: Balance) -> dict[str, object]:
    """Describe a balance as `[balances.NAME]` of the settings does."""
    fields: dict[str, object] = {
        "resolution_g": balance.resolution_g,
        "repeatability_g": balance.repeatability_g,
        "capacity_g": balance.capacity_g,
        "slope_u": balance.slope_u,
        "linearity_g": balance.linearity_g,
    }
    return {name: value for name, value in fields.items() if value is not None}


def run_table(study: Study) -> OutTable:
    """One row a run."""
    names = _run_columns(study)
    return names, [_run_row(run, names) for run in study.runs]


def weighing_table(study: Study) -> OutTable:
    """One row a reading, in the order in which the readings were written down."""
    names = ["run", *_weighing_columns(study)]
    rows = [[run.name, *row] for run in study.runs for row in _weighing_rows(run, names[1:])]
    return names, rows


def flat_table(study: Study) -> OutTable:
    """One row a reading, with everything about its run repeated on it."""
    of_run, of_reading = _run_columns(study), _weighing_columns(study)
    rows = [
        [*_run_row(run, of_run), *row]
        for run in study.runs
        for row in _weighing_rows(run, of_reading)
    ]
    return [*of_run, *of_reading], rows


def sieve_table(study: Study) -> OutTable:
    """One row a physical sieve."""
    names = [
        "sieve",
        "nominal_um",
        "certified_um",
        "expanded_uncertainty_um",
        "coverage_factor",
        "standard",
    ]
    rows: list[list[OutCell]] = [
        [
            key,
            sieve.nominal_um,
            sieve.certified_um,
            sieve.expanded_uncertainty_um,
            sieve.coverage_factor,
            sieve.standard,
        ]
        for key, sieve in study.sieves.items()
    ]
    return names, rows


def step_decimals(resolution_g: float) -> int:
    """Decimals of a balance's display."""
    return decimals_written(Decimal(number_text(resolution_g)))


def mass_decimals(study: Study) -> int:
    """Decimals with which readings are written: those of the finest balance."""
    return max((step_decimals(each.resolution_g) for each in study.balances.values()), default=0)


def _run_columns(study: Study) -> list[str]:
    factors = list(dict.fromkeys(name for run in study.runs for name in run.factors))
    taken = (set(FLAT_COLUMNS) | set(COMPUTED_COLUMNS)) - {"shaking_time_min"}
    for name in factors:
        if name in taken or name != name.strip() or not name:
            raise OutputError(
                f"A factor cannot be named {name!r}: the tables use that name. Rename it."
            )
    columns = ["run", "group", "milling_time_min"]
    columns += ["replicate"] if any(run.replicate is not None for run in study.runs) else []
    columns += ["sample_mass_g"] if any(run.sample_mass_g is not None for run in study.runs) else []
    return [*columns, "balance", *factors]


def _run_row(run: Run, names: list[str]) -> list[OutCell]:
    fields: dict[str, OutCell] = {
        "run": run.name,
        "group": run.group,
        "milling_time_min": run.milling_time_min,
        "replicate": run.replicate,
        "sample_mass_g": run.sample_mass_g,
        "balance": run.balance,
    }
    return [
        fields[name] if name in RUN_COLUMNS and name in fields else run.factors.get(name)
        for name in names
    ]


def _weighing_columns(study: Study) -> list[str]:
    readings = [reading for run in study.runs for reading in run.readings]
    columns = ["sieve", "aperture_um", "tare_g", "gross_g"]
    if any(reading.gross_again_g is not None for reading in readings):
        columns.append("gross_again_g")
    if any(reading.remark for reading in readings):
        columns.append("remark")
    return columns


def _weighing_rows(run: Run, names: list[str]) -> list[list[OutCell]]:
    as_written = sorted(run.readings, key=lambda reading: reading.place.row)
    return [[getattr(reading, name) for name in names] for reading in as_written]
