"""The rows of a recording sheet: the tables of a study whose masses are still empty."""

from __future__ import annotations

from psdstats.study.records import TareHandling
from psdstats.study.sheet_plan import SheetPlan
from psdstats.study.tables_out import OutCell, OutTable, balance_settings

__all__ = ["first_rows", "plan_runs", "plan_settings", "plan_sieves", "plan_weighings"]


def plan_settings(plan: SheetPlan) -> dict[str, object]:
    """Settings of the study to be recorded; factors are set aside where times are compared."""
    settings: dict[str, object] = {"title": plan.title, "tares": str(plan.tares)}
    if plan.material:
        settings["material"] = plan.material
    if plan.balance is not None:
        settings["balances"] = {plan.balance.name: balance_settings(plan.balance)}
    apart = [name for name, levels in plan.factors.items() if len(levels) > 1]
    if apart:
        settings["compare"] = {"also": apart}
    return settings


def plan_runs(plan: SheetPlan) -> OutTable:
    """One row a planned run; the sample mass is to be weighed."""
    names = ["run", "group", "milling_time_min"]
    names += ["replicate"] if plan.replicates > 1 else []
    names += ["sample_mass_g"]
    names += ["shaking_time_min"] if plan.shaking_time_min is not None else []
    names += ["balance"] if plan.balance is not None else []
    names += list(plan.factors)
    rows: list[list[OutCell]] = []
    for run in plan.runs():
        cells: dict[str, OutCell] = {
            "run": run.name,
            "group": run.group,
            "milling_time_min": run.milling_time_min,
            "replicate": run.replicate,
            "sample_mass_g": None,
            "shaking_time_min": plan.shaking_time_min,
            "balance": plan.balance.name if plan.balance is not None else None,
            **run.factors,
        }
        rows.append([cells[name] for name in names])
    return names, rows


def plan_weighings(plan: SheetPlan) -> OutTable:
    """One row a sieve and run, from coarse to fine and then the pan; masses are to be weighed."""
    names = ["run", "sieve", "aperture_um", "tare_g", "gross_g"]
    names += ["gross_again_g"] if plan.second_shaking else []
    names += ["remark"]
    empty: list[OutCell] = [None] * (len(names) - 3)
    rows: list[list[OutCell]] = []
    for run in plan.runs():
        rows += [[run.name, sieve.key, sieve.nominal_um, *empty] for sieve in plan.stack(run.group)]
        rows.append([run.name, plan.pan(run.group), 0.0, *empty])
    return names, rows


def plan_sieves(plan: SheetPlan) -> OutTable:
    """One row a physical sieve, to be completed from its certificate."""
    names = ["sieve", "nominal_um", "certified_um", "expanded_uncertainty_um", "coverage_factor"]
    sieves = {sieve.key: sieve for group in plan.groups for sieve in plan.stack(group)}
    rows: list[list[OutCell]] = [
        [
            sieve.key,
            sieve.nominal_um,
            sieve.certified_um,
            sieve.expanded_uncertainty_um,
            sieve.coverage_factor,
            sieve.standard,
        ]
        for sieve in sieves.values()
    ]
    return [*names, "standard"], rows


def first_rows(plan: SheetPlan) -> dict[str, int]:
    """Index of the row of `plan_weighings` in which each sieve is first weighed empty."""
    first: dict[str, int] = {}
    if plan.tares is TareHandling.ONCE:
        for index, row in enumerate(plan_weighings(plan)[1]):
            first.setdefault(str(row[1]), index)
    return first
