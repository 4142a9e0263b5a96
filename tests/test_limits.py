"""Numbers that make sense: the limits themselves, and that every function asks them."""

import math
from functools import partial
from pathlib import Path

import pytest
from psdstats_datasets import demo_study

from psdstats import PsdstatsError, comparison, limits, planning, rate, uncertainty
from psdstats import report as whole_report
from psdstats.limits import Limits
from psdstats.planning import bench
from psdstats.planning.attained import attained
from psdstats.study import read_study
from psdstats.study.settings import Declared
from psdstats.uncertainty.conformity import Specification

NOWHERE = (math.nan, math.inf, -math.inf, 1e308, -1e308, 10**400, 1e-300, True, "5")
NOT_WHOLE = (*NOWHERE, 1e20, 10**20, 250.5, -1)
KINDS = {name: one for name, one in vars(limits).items() if isinstance(one, Limits)}


@pytest.mark.parametrize("name", KINDS)
def test_limits_hold_what_they_say(name):
    one = KINDS[name]
    inside = (one.least + one.most) // 2 if one.whole else math.sqrt(max(one.least, 1e-6)) or 1.0
    ends = {one.least: not one.above, one.most: not one.below}
    for value, is_in in ends.items():
        assert (value in one) == is_in
    assert one.least - 1 not in one
    assert one.most * 1.01 + 1 not in one
    assert (inside in one) or one.least < 0
    assert not any(value in one for value in NOWHERE)
    with pytest.raises(PsdstatsError, match=rf"^the number is nan; give {one}\.$"):
        one.require("the number", math.nan)


@pytest.fixture(scope="module")
def study():
    return read_study(demo_study("one_bench"))


POWDER = planning.ExpectedPowder(name="p", d10_um=70, d50_um=150, d90_um=300)
STACK = (45, 90, 180, 355)
JAR, BALLS = (
    bench.Jar(diameter_mm=100, volume_ml=1000),
    bench.Balls(diameter_mm=20, density_g_per_cm3=7.8),
)
WORK = planning.Variation(run_percent=2.0)
OF_STUDY = {
    "compare": (comparison.compare, {"level": NOWHERE, "margin_percent": NOWHERE}),
    "groups": (comparison.group_agreement, {"level": NOWHERE, "margin_percent": NOWHERE}),
    "whole": (
        comparison.compare_distributions,
        {"level": NOWHERE, "permutations": NOT_WHOLE, "seed": NOT_WHOLE},
    ),
    "fits": (comparison.fit_study, {"coverage": NOWHERE}),
    "precision": (
        lambda study, **option: comparison.group_precision(
            study.runs_frame(), value="milling_time_min", group="group", **option
        ),
        {"coverage": NOWHERE},
    ),
    "rate": (
        rate.fit_rate,
        dict.fromkeys(("level", "target_um", "margin_percent", "powder_g", "balls_g"), NOWHERE),
    ),
    "propagate": (
        uncertainty.propagate,
        {"coverage": NOWHERE} | dict.fromkeys(("seed", "draws", "max_draws", "workers"), NOT_WHOLE),
    ),
    "bands": (uncertainty.undersize_bands, {"coverage": NOWHERE}),
    "ratios": (
        lambda study, **option: uncertainty.ratio_intervals(
            study, [((study.runs[0].name,), (study.runs[1].name,))], **option
        ),
        {"coverage": NOWHERE, "draws": NOT_WHOLE, "workers": NOT_WHOLE},
    ),
    "report": (
        lambda study, **option: whole_report(study, Path("taken"), **option),
        {"level": NOWHERE, "target_um": NOWHERE},
    ),
}
ALONE = {
    "attained": (partial(attained, None), dict.fromkeys(("trials", "seed", "workers"), NOT_WHOLE)),
    "declared": (partial(Declared, percent=2.0, df=5.0), {"percent": NOWHERE, "df": (math.nan, 0)}),
    "limit": (
        partial(Specification, upper=150.0),
        dict.fromkeys(("upper", "lower", "share_above_um", "guard_k"), NOWHERE),
    ),
    "power": (
        partial(planning.power, WORK),
        dict.fromkeys(("change_percent", "margin_percent", "alpha", "wanted_power"), NOWHERE)
        | dict.fromkeys(("trials", "seed", "groups", "times", "replicates"), NOT_WHOLE),
    ),
    "variation": (
        partial(planning.Variation, run_percent=1.0),
        dict.fromkeys(("run_percent", "group_percent", "drift_percent", "sieves_percent"), NOWHERE),
    ),
    "expected": (
        partial(planning.ExpectedPowder, name="p", d10_um=70, d50_um=150, d90_um=300),
        dict.fromkeys(("d10_um", "d50_um", "d90_um"), NOWHERE),
    ),
    "weighing": (
        planning.PlannedWeighing,
        dict.fromkeys(
            ("density_g_per_cm3", "shape_factor", "resolution_g", "repeatability_d",
             "certified_u_percent"), NOWHERE),
    ),
    "plan precision": (
        partial(planning.precision, POWDER, STACK, wanted_percent=1.0),
        {"wanted_percent": NOWHERE, "to": NOWHERE[:7], "trials": NOT_WHOLE, "seed": NOT_WHOLE},
    ),
    "sieves": (
        partial(planning.choose_sieves, [POWDER], STACK),
        dict.fromkeys(("sample_g", "frame_diameter_mm", "fullest_share"), NOWHERE)
        | dict.fromkeys(("trials", "seed", "sieves", "most_sieves"), NOT_WHOLE),
    ),
    "jar": (
        partial(bench.Jar, diameter_mm=100, volume_ml=1000),
        dict.fromkeys(
            ("diameter_mm", "volume_ml", "outer_diameter_mm", "roller_diameter_mm"), NOWHERE
        ),
    ),
    "balls": (
        partial(bench.Balls, diameter_mm=20, density_g_per_cm3=7.8),
        dict.fromkeys(("diameter_mm", "density_g_per_cm3", "parts"), NOWHERE),
    ),
    "charge": (
        partial(bench.mill_charge, JAR, [BALLS]),
        dict.fromkeys(
            ("ball_fill", "bed_voidage", "ball_to_powder", "powder_bulk_density_g_per_cm3",
             "speed_rpm", "speed_fraction"), NOWHERE),
    ),
    "steps": (bench.BenchTimes, dict.fromkeys(("shake_min", "spread_percent"), NOWHERE)),
    "timeline": (
        partial(bench.timeline, [0, 6]),
        {"charges": NOT_WHOLE[:7], "day_min": NOWHERE, "simulated_days": NOT_WHOLE,
         "seed": NOT_WHOLE},
    ),
}  # fmt: skip


def slips(function, options):
    """What a function takes although it makes no sense, and what it breaks on."""
    found = []
    for name, values in options.items():
        for value in values:
            try:
                function(**{name: value})
            except PsdstatsError:
                continue
            except Exception as fault:
                found.append((name, str(value)[:12], repr(fault)[:60]))
            else:
                found.append((name, str(value)[:12], "taken"))
    return found


@pytest.mark.parametrize("name", OF_STUDY)
def test_functions_of_a_study_refuse_nonsense(name, study, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    function, options = OF_STUDY[name]
    assert slips(partial(function, study), options) == []


@pytest.mark.parametrize("name", ALONE)
def test_functions_refuse_nonsense(name):
    function, options = ALONE[name]
    assert slips(function, options) == []
