"""One thing has one number: records and tables of a trial, gathered; none tells it differently."""

import csv
from math import isfinite, log

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.columns import QUANTITIES
from psdstats.comparison import compare, group_agreement
from psdstats.comparison.beside import gains, without_runs
from psdstats.findings import Verdict
from psdstats.output.report import report
from psdstats.planning.designs import variation_of
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import Balance, read_study

KEYS = ("quantity", "contrast", "high", "low", "ball_ratio", "where", "factor", "time_min", "group")
KEYS += ("condition", "column", "left_out")


@pytest.fixture(scope="module")
def study():
    return read_study(demo_study("four_benches"))


@pytest.fixture(scope="module")
def found(study):
    return compare(study)


def _numbers(found):
    """Every number that a record states of a thing: (thing, value)."""
    for one in found.results:
        name = one.quantity
        places = one.means.columns[: len(one.means.columns) - 3]
        for row in one.means.to_dict("records"):
            yield (name, "size", *(row[place] for place in places)), log(row["value"])
        for finding in one.findings:
            pair = finding.subject
            change, numbers = (name, "change", pair.high, pair.low, pair.where), finding.numbers
            yield change, numbers.estimate
            yield (*change, "u"), numbers.u
            told = isfinite(numbers.estimate)  # else the bound of a size beyond the sieves
            yield (*change, "from"), numbers.lower_single if told else numbers.lower
            yield (*change, "to"), numbers.upper_single if told else numbers.upper
        for course in one.courses:
            for time, size in ((course.times[0], course.start), (course.times[-1], course.end)):
                cell = (course.where, time) if course.where else (time,)
                yield (name, "size", *cell), size.estimate
            change = (name, "change", course.times[-1], course.times[0], course.where)
            yield change, course.fallen.numbers.estimate
            yield (*change, "u"), course.fallen.numbers.u
            if course.fallen.verdict is not Verdict.CANNOT_BE_TOLD:
                yield (*change, "from"), course.fallen.numbers.lower
                yield (*change, "to"), course.fallen.numbers.upper
        for factor in one.factors:
            for at in (factor.control, *factor.at):
                key = (name, "factor", factor.high, factor.low, at.subject.where)
                yield key, at.numbers.estimate
        for bench in one.benches:
            for at in (*bench.at, bench.rate, bench.average):
                if at is not None:
                    key = (name, "bench", bench.group, at.kind, at.subject.where)
                    yield key, at.numbers.estimate


def _told_once(found, fewest):
    told: dict[tuple[str, ...], float] = {}
    twice = 0
    for thing, value in _numbers(found):
        if not isfinite(value):
            continue
        twice += thing in told
        assert value == pytest.approx(told.setdefault(thing, value), rel=1e-6, abs=1e-9), thing
    assert len(told) > fewest
    assert twice > fewest / 5  # the same thing is told in several records


def test_no_quantity_of_a_comparison_has_two_values(found):
    _told_once(found, fewest=100)


FINE_UM, COARSE_UM = (32.0, 63.0, 125.0, 180.0, 250.0, 355.0), (45.0, 90.0, 180.0, 355.0, 500.0)
TRIALS = {
    "two benches, whose drift is not known": {"Elm": FINE_UM, "Oak": FINE_UM},
    "three benches, sizes beyond some sieves": {"Elm": FINE_UM, "Oak": FINE_UM, "Fir": COARSE_UM},
}


def _invented(stacks, ratios):
    balance = Balance(name="b", resolution_g=0.01, repeatability_g=0.008)
    breakage = Breakage(rate_per_min=0.08, size_exponent=1.3, fines_share=0.3, fines_exponent=1.1)
    design = TrialDesign(
        benches=tuple(
            Bench(name=name, sieves=SieveSet(name=name, apertures_um=one), balance=balance)
            for name, one in stacks.items()
        ),
        powder=Powder(breakage=breakage, feed_d50_um=220.0, feed_gsd=1.6),
        times_min=(0.0, 10.0, 30.0),
        replicates=2,
        ball_ratios=ratios,
        spread=Spread(size_bench=0.03, rate_bench=0.06, size_run=0.02),
    )
    return simulate_study(design, seed=903).study


@pytest.mark.parametrize("trial", TRIALS)
def test_a_change_is_told_once(trial):
    """Where drift is allowed for, or sizes lie beyond the sieves, tables hold what is claimed."""
    stacks = TRIALS[trial]
    one = compare(_invented(stacks, {4.0: 0.8, 8.0: 1.0} if len(stacks) > 2 else {}))
    _told_once(one, fewest=20)
    for result in one.results:
        changes = {(c.times[-1], c.times[0], c.where): c for c in result.courses}
        for finding in result.findings:
            own, pair = finding.numbers, finding.subject
            if isfinite(own.estimate):
                assert (
                    own.lower <= own.lower_single <= own.estimate <= own.upper_single <= own.upper
                )
                assert finding.verdict is not Verdict.CHANGED or not own.lower < 0.0 < own.upper
            change = changes.get((pair.high, pair.low, pair.where))
            if change is not None and not isfinite(change.fallen.numbers.estimate):
                assert finding.verdict is change.verdict
                assert not isfinite(own.estimate)


@pytest.mark.parametrize("quantity", ["D50", "D90"])
def test_what_would_help_and_what_is_left_out_start_from_the_changes(found, quantity):
    changes = {one.where: one.fallen.numbers for one in found[quantity].courses}
    for one in without_runs(found, ["birch-5to1-24min-a"]):
        if one.quantity == quantity:
            assert one.effect == changes[one.where].estimate
    u = np.array([own.u for own in changes.values()])
    for one in gains(found, quantity):
        assert one.u_now_percent == pytest.approx(100 * np.sqrt(np.mean(u**2)), rel=1e-12)


@pytest.mark.parametrize("quantity", ["D50", "D90"])
def test_groups_and_plans_read_the_spread_of_the_comparison(study, found, quantity):
    spread = found.analysis[quantity].spread
    agreed = group_agreement(study, quantity=quantity, margin_percent=5.0, analysis=found.analysis)
    assert repr(agreed.answers) == repr(found[quantity].benches)  # no NaN is equal to another
    planned = variation_of(study, quantity=quantity)
    assert planned.run_percent == pytest.approx(100 * np.nan_to_num(spread.run), rel=1e-9)
    printed = found.variance_frame().set_index(["quantity", "component"])["sd_percent"]
    assert printed[quantity, "residual"] == pytest.approx(100 * spread.run, rel=1e-9)


def test_tables_of_a_report_agree(study, found, tmp_path):
    """The same column of the same quantity and condition has one value in all tables."""
    written = report(study, tmp_path / "report", comparison=found)
    told: dict[tuple[str, ...], tuple[str, str]] = {}
    pages = 0
    for path in sorted(written.path.parent.rglob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        if not rows or not {"quantity", "ratio"} <= set(rows[0]):
            continue
        pages += 1
        for row in rows:
            # the family says how it is adjusted, not what it is
            thing = tuple(row.get(key, "") for key in KEYS)
            ratio = told.setdefault(thing, (row["ratio"], path.name))
            assert ratio[0] == row["ratio"], (thing, ratio, path.name)
    assert pages > 2
    assert {key[0] for key in told} >= set(QUANTITIES)
