"""Whole designs with planted truth: what must be found stands first, then what is asked.

Sizes are means of the conditions with groups, charges and runs scattered about them by chance;
estimates are held against four of their own standard errors.
"""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

import psdstats
from psdstats.columns import TIME
from psdstats.comparison import compare
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.answers import AdviceRemark, differs
from psdstats.comparison.plan import PlanRemark
from psdstats.comparison.result import Route, condition_sizes
from psdstats.errors import ModelError
from psdstats.findings import Ending, Verdict
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage
from psdstats.study.records import Balance
from psdstats.words.comparison import finding_sentence

TIMES = (0.0, 6.0, 24.0)
RUN, GROUP = 0.01, 0.1  # standard deviations of ln size


def _rows(groups=("Alder", "Birch", "Cedar"), times=TIMES, replicates=1, **factors):
    names = list(factors)
    cells = itertools.product(groups, times, *factors.values(), range(replicates))
    return [
        {"group": group, "milling_time_min": time, **dict(zip(names, rest, strict=False))}
        for group, time, *rest in cells
    ]


def _sizes(rows, mean, *, seed=1, of="group", spread=GROUP):
    """Planted means with a value of each group (or charge) and of each run."""
    generator = np.random.default_rng(seed)
    own = {name: generator.normal(0, spread) for name in dict.fromkeys(row[of] for row in rows)}
    return np.array([mean(row) + own[row[of]] + generator.normal(0, RUN) for row in rows])


def _changes(found, family="against first"):
    """Estimates and standard errors of a family by (high, where)."""
    effects = found["D50"].to_frame(family).set_index(["high", "where"])
    return np.log(effects["ratio"]), effects["u"]


def test_runs_alike_are_seen_where_each_group_has_a_ratio_of_its_own(planted):
    """Group and ratio are one, but the replicates of a cell are runs alike all the same."""
    rows = [
        row
        for group, ratio in (("Alder", 5.0), ("Birch", 10.0))
        for row in _rows((group,), replicates=4, ball_ratio=(ratio,))
    ]
    y = _sizes(rows, lambda row: 5.5 - 0.01 * row["milling_time_min"])
    spread = planted(rows, y).analysis["D50"].spread
    within = pd.DataFrame(rows).assign(y=y).groupby(["group", "milling_time_min"])["y"].var()
    assert spread.basis is SpreadBasis.REPLICATES
    assert spread.run == pytest.approx(within.mean() ** 0.5, rel=0.05)


def test_a_fall_is_told_where_each_of_three_groups_has_a_ratio_of_its_own(planted):
    """Drift and cells lie within the conditions: allowed for as with two groups, not sought."""
    rows = [
        row
        for group, ratio in (("Alder", 5.0), ("Birch", 10.0), ("Cedar", 15.0))
        for row in _rows((group,), replicates=2, ball_ratio=(ratio,))
    ]
    found = planted(rows, _sizes(rows, lambda row: 5.5 - 0.03 * row["milling_time_min"]))["D50"]
    assert [one.verdict for one in found.courses] == [Verdict.CHANGED] * 3
    assert AdviceRemark.KNOW_DRIFT(is_own=True) in found.advice


GROUPS_OF_FOUR = ("Alder", "Birch", "Cedar", "Dogwood")


def _slower(planted, rates):
    """Answers of groups whose ln size falls by so much a minute."""
    rows = _rows(GROUPS_OF_FOUR, times=(0.0, 8.0, 16.0, 24.0), replicates=2)
    fallen = [5.5 - rates[row["group"]] * row["milling_time_min"] for row in rows]
    noise = np.random.default_rng(2).normal(0, 0.015, len(rows))
    found = planted(rows, fallen + noise)["D50"]
    looked_at = {one["group"] for one in found.advice if one.kind is AdviceRemark.LOOK_AT_GROUP}
    return {one.group: one for one in found.benches}, looked_at


def test_one_slow_group_does_not_put_the_others_in_doubt(planted):
    """The slow one lies in the mean that each other is against: these differ beside it alone."""
    told, looked_at = _slower(planted, dict.fromkeys(GROUPS_OF_FOUR, 0.03) | {"Dogwood": 0.02})
    apart = {name: one.beside for name, one in told.items() if differs(one)}
    assert len(apart) > 1
    assert apart == {"Dogwood": ""} | dict.fromkeys(apart.keys() - {"Dogwood"}, "Dogwood")
    assert looked_at == {"Dogwood"}


def test_two_groups_apart_are_both_looked_at(planted):
    rates = {"Alder": 0.03, "Birch": 0.03, "Cedar": 0.04, "Dogwood": 0.015}
    told, looked_at = _slower(planted, rates)
    assert (told["Cedar"].beside, told["Dogwood"].beside) == ("", "")
    assert looked_at == {"Cedar", "Dogwood"}


def test_a_step_within_charges_is_found_that_independent_runs_miss(planted):
    """Planted: −7.5 % by 6 min in charges that differ by 20 %; found within charges alone."""
    rows = [
        {"group": group, "milling_time_min": time, "charge": f"{group} {number}"}
        for group, number, time in itertools.product(("Alder", "Birch"), range(3), (0.0, 6.0))
    ]
    y = _sizes(
        rows, lambda row: 5.5 + np.log(0.925) * (row["milling_time_min"] > 0), of="charge",
        spread=0.2,
    )  # fmt: skip
    found = planted(rows, y, leave_out=["cell"])
    assert found.plan.blocks == ("group", ("group", "charge"))
    (course,) = found["D50"].courses
    assert course.fallen.verdict is Verdict.CHANGED
    assert course.fallen.numbers.estimate == pytest.approx(np.log(0.925), abs=4 * RUN / np.sqrt(3))
    pairs = y.reshape(6, 2)
    paired = stats.ttest_rel(pairs[:, 1], pairs[:, 0])
    effect = found["D50"].to_frame().iloc[0]
    assert effect["p"] == pytest.approx(paired.pvalue, rel=1e-6)
    # groups may also differ from time to time: one difference between the two says how much
    cells = planted(rows, y)["D50"]
    assert cells.courses[0].fallen.verdict is Verdict.CHANGED
    assert cells.to_frame()["p"].iloc[0] > paired.pvalue
    alone = planted(rows, y, leave_out=["group", "charge"])
    assert alone["D50"].courses[0].fallen.verdict is not Verdict.CHANGED
    left = [one["column"] for one in alone.plan.remarks if one.kind is PlanRemark.LEFT_OUT_ASKED]
    assert left == ["group", "charge"]


def test_a_factor_nested_in_groups_is_answered_level_by_level(planted):
    """Planted: −0.2 by 24 min at ratio 5 (two groups), −0.5 at ratio 10 (the other two)."""
    ratio = {"Alder": 5.0, "Birch": 5.0, "Cedar": 10.0, "Rowan": 10.0}
    rows = [{**row, "ball_ratio": ratio[row["group"]]} for row in _rows(tuple(ratio))]
    fall = {5.0: 0.2, 10.0: 0.5}
    y = _sizes(rows, lambda row: 5.5 - fall[row["ball_ratio"]] * row["milling_time_min"] / 24)
    found = planted(rows, y)
    assert PlanRemark.NESTED(column="ball_ratio") in found.plan.remarks
    assert [one.where for one in found["D50"].courses] == ["5", "10"]
    change, u = _changes(found)
    for level, size in fall.items():
        at = ("24", f"{level:g}")
        assert change[at] == pytest.approx(-size, abs=4 * u[at])
        assert u[at] < 0.02  # the 10 per cent between groups do not enter
    # two groups of each: levels cannot be told apart from groups, so no answer on the factor
    assert found["D50"].factors == ()


def test_two_groups_with_a_level_each_have_a_course_each(planted):
    """Planted: −0.2 in Alder at ratio 5, −0.5 in Birch at ratio 10; two runs a cell."""
    ratio = {"Alder": 5.0, "Birch": 10.0}
    rows = [{**row, "ball_ratio": ratio[row["group"]]} for row in _rows(tuple(ratio), replicates=2)]
    fall = {5.0: 0.2, 10.0: 0.5}
    y = _sizes(rows, lambda row: 5.5 - fall[row["ball_ratio"]] * row["milling_time_min"] / 24)
    change, u = _changes(planted(rows, y))
    for level, size in fall.items():
        at = ("24", f"{level:g}")
        assert change[at] == pytest.approx(-size, abs=4 * u[at])


def test_a_factor_that_changes_with_time_is_part_of_it(planted):
    """Planted: −0.3 from 6 min on, when the ratio changes too; one course, and it is said."""
    rows = _rows(replicates=2)
    rows = [{**row, "ball_ratio": 5.0 + 5.0 * (row["milling_time_min"] > 0)} for row in rows]
    found = planted(rows, _sizes(rows, lambda row: 5.5 - 0.3 * (row["milling_time_min"] > 0)))
    assert found.plan.at_each == ()
    said = PlanRemark.PART_OF_FACTOR(column="ball_ratio", factor="milling_time_min")
    assert said in found.plan.remarks
    (course,) = found["D50"].courses
    assert course.fallen.verdict is Verdict.CHANGED
    assert course.since == "6"
    assert course.stop.ending is Ending.LITTLE_LEFT


def test_two_crossed_factors_are_answered_at_each_combination(planted):
    """Planted: falls by 24 min of 0.1, 0.2, 0.3, 0.4 at four combinations of two factors."""
    rows = _rows(("Alder", "Birch"), ball_ratio=(5.0, 10.0), powder=("dry", "wet"))
    fall = {"5, dry": 0.1, "5, wet": 0.2, "10, dry": 0.3, "10, wet": 0.4}

    def mean(row):
        where = f"{row['ball_ratio']:g}, {row['powder']}"
        return 5.5 - fall[where] * row["milling_time_min"] / 24

    found = planted(rows, _sizes(rows, mean))
    assert found.plan.at_each == ("ball_ratio", "powder")
    change, u = _changes(found)
    for where, size in fall.items():
        assert change["24", where] == pytest.approx(-size, abs=4 * u["24", where])
    # 5, dry against 10, wet would be two factors at once
    assert {frozenset((one.low, one.high)) for one in found["D50"].factors} == {
        frozenset(pair)
        for pair in (
            ("5, dry", "10, dry"),
            ("5, wet", "10, wet"),
            ("5, dry", "5, wet"),
            ("10, dry", "10, wet"),
        )
    }
    assert {one.where for one in found["D50"].courses} == set(fall)


def test_one_level_is_finer_at_late_times_and_the_control_is_not(planted):
    """Planted: ratio 10 is 0.1 finer from 6 min on, alike at 0 min."""
    rows = _rows(ball_ratio=(5.0, 10.0))
    y = _sizes(
        rows,
        lambda row: (
            5.5
            - 0.01 * row["milling_time_min"]
            - 0.1 * (row["ball_ratio"] == 10 and row["milling_time_min"] > 0)
        ),
    )
    (answer,) = planted(rows, y)["D50"].factors
    assert (answer.factor, answer.high, answer.low) == ("ball_ratio", "10", "5")
    assert answer.control.verdict is not Verdict.CHANGED
    assert [one.verdict for one in answer.at] == [Verdict.CHANGED] * 2
    assert answer.since == "6"
    for one in answer.at:
        assert one.numbers.estimate == pytest.approx(-0.1, abs=4 * one.numbers.u)


def test_by_a_factor_beside_time_is_answered_at_each_time(planted):
    """Planted: ratio 10 is 0.1 finer at 24 min and as coarse at 0 min (t-test of pairs, scipy)."""
    rows = _rows(times=(0.0, 24.0), ball_ratio=(5.0, 10.0))
    y = _sizes(rows, lambda row: 5.5 - 0.1 * (row["milling_time_min"] * row["ball_ratio"] == 240))
    found = planted(rows, y, by="ball_ratio")
    assert found.plan.at_each == ("milling_time_min",)
    change, u = _changes(found, "all pairs")
    assert change["10", "24"] == pytest.approx(-0.1, abs=4 * u["10", "24"])
    assert abs(change["10", "0"]) < 4 * u["10", "0"]
    verdicts = found["D50"].to_frame().set_index(["high", "where"])["verdict"]
    assert verdicts.loc[("10", "24")] == "changed"


def test_groups_alone_are_compared_where_nothing_else_differs(planted):
    """Planted: Birch 0.1 coarser than Alder; Tukey of scipy over three groups."""
    rows = _rows(times=(6.0,), replicates=4)
    y = _sizes(rows, lambda row: 5.0 + 0.1 * (row["group"] == "Birch"), spread=0.0)
    found = planted(rows, y)
    assert found.plan.by == "group"
    expected = stats.tukey_hsd(*y.reshape(3, 4)).pvalue[1, 0]
    row = found["D50"].to_frame().set_index(["high", "low"]).loc[("Birch", "Alder")]
    assert row["verdict"] == "changed"
    assert row["p_adjusted"] == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("test", ["calibrated", "kenward-roger"])
def test_two_benches_at_two_times_are_the_t_test_of_their_cells(planted, test):
    """One spread and nothing known: both laws are Student's t of the two-way table (by hand)."""
    rows = _rows(("Alder", "Birch"), times=(0.0, 24.0), replicates=2)
    y = _sizes(rows, lambda row: 5.5 - 0.2 * (row["milling_time_min"] > 0))
    row = planted(rows, y, leave_out=["cell"], test=test)["D50"].to_frame().iloc[0]
    cells = y.reshape(2, 2, 2)
    estimate = (cells[:, 1] - cells[:, 0]).mean()
    fitted = cells.mean(axis=(1, 2), keepdims=True) + cells.mean(axis=(0, 2))[None, :, None]
    rest = cells - fitted + cells.mean()
    error = np.sqrt((rest**2).sum() / 5 * (1 / 4 + 1 / 4))
    assert np.log(row["ratio"]) == pytest.approx(estimate)
    assert row["df"] == pytest.approx(5.0, rel=1e-4)
    assert row["p"] == pytest.approx(2 * stats.t.sf(abs(estimate / error), 5), rel=1e-4)


def test_a_missing_run_and_a_missing_time_leave_the_rest(planted):
    """Planted: −0.2 at ratio 5, −0.4 at ratio 10, which was never run at 6 min."""
    rows = [
        row
        for k, row in enumerate(_rows(ball_ratio=(5.0, 10.0)))
        if k != 4 and (row["milling_time_min"], row["ball_ratio"]) != (6.0, 10.0)
    ]
    fall = {5.0: 0.2, 10.0: 0.4}
    y = _sizes(rows, lambda row: 5.5 - fall[row["ball_ratio"]] * row["milling_time_min"] / 24)
    found = planted(rows, y)
    change, u = _changes(found)
    for level, size in fall.items():
        at = ("24", f"{level:g}")
        assert change[at] == pytest.approx(-size, abs=4 * u[at])
    assert [one.times for one in found["D50"].courses] == [("0", "6", "24"), ("0", "24")]
    verdicts = found["D50"].to_frame("against first").set_index(["high", "where"])["verdict"]
    assert verdicts["6", "10"] == "cannot be told"


def test_means_of_single_runs_are_those_of_the_runs_despite_blocks(planted):
    """Two groups of one ratio each, one run a time: each mean is its run."""
    ratio = {"Alder": 5.0, "Birch": 10.0}
    rows = [{**row, "ball_ratio": ratio[row["group"]]} for row in _rows(tuple(ratio))]
    y = _sizes(rows, lambda row: 5.5 - row["milling_time_min"] / 100)
    found = planted(rows, y, 1e-4 * np.eye(6))
    assert found["D50"].route in (Route.MEASUREMENT_ONLY, Route.SINGLE_RUNS)
    assert sorted(np.log(found["D50"].means["value"])) == pytest.approx(sorted(y))


def test_times_that_no_group_links_are_told_so(planted):
    """Two groups did 0 and 6 min, two others 24 and 48 min: only steps inside are told."""
    rows = _rows(("Alder", "Birch"), (0.0, 6.0), 2) + _rows(("Cedar", "Rowan"), (24.0, 48.0), 2)
    y = _sizes(rows, lambda row: 5.5 - row["milling_time_min"] / 100)
    found = planted(rows, y)
    effects = found["D50"].to_frame("successive").set_index(["high", "low"])
    assert effects.loc[("6", "0"), "verdict"] == "changed"
    assert effects.loc[("24", "6"), "verdict"] == "cannot be told"
    (untold,) = (
        one
        for one in found["D50"].findings
        if one.subject.family == "successive" and one.verdict is Verdict.CANNOT_BE_TOLD
        and one.subject.high == "24"
    )  # fmt: skip
    assert "because no group holds runs of both levels" in finding_sentence(untold, found.plan)


def test_the_same_twice_and_in_any_order_of_the_rows(planted_study, planted_sizes):
    """All four sizes at once, on threads: the same bits twice, 1e-9 in another order."""
    rows = _rows(("Alder", "Birch"), (0.0, 24.0), ball_ratio=(5.0, 10.0))
    y = _sizes(rows, lambda row: 5.5 - row["milling_time_min"] / 100)
    order = np.random.default_rng(3).permutation(len(rows))

    def tabled(chosen):
        study = planted_study([rows[k] for k in chosen])
        sizes = planted_sizes(study, y[chosen], 1e-5 * np.eye(len(rows)))
        return compare(study, propagation=sizes).to_frame()

    plain = tabled(np.arange(len(rows)))
    pd.testing.assert_frame_equal(plain, tabled(np.arange(len(rows))), check_exact=True)
    pd.testing.assert_frame_equal(plain, tabled(order), rtol=1e-9, atol=1e-9)


def _odd(seed):
    """A small design with holes, odd charges and odd factors."""
    generator = np.random.default_rng(seed)
    kind = generator.choice(["none", "crossed", "nested", "with time", "everywhere", "some"])
    charged = generator.choice(["none", "group", "half", "fresh", "one"])
    rows = []
    groups = ("Alder", "Birch", "Cedar")[: generator.integers(1, 4)]
    for place, group in enumerate(groups):
        for time in TIMES[: generator.integers(2, 4)]:
            for _ in range(generator.integers(0, 4)):
                row = {"group": group, "milling_time_min": time}
                if kind == "crossed" or (kind == "some" and generator.random() < 0.7):
                    row["ball_ratio"] = 5.0 * generator.integers(1, 3)
                if kind in ("nested", "with time"):
                    row["ball_ratio"] = 5.0 + (place if kind == "nested" else time > 0)
                if kind == "everywhere":
                    row["room_c"] = 20.0 + len(rows)
                if charged == "half" and place % 2 == 0:
                    row["charge"] = f"{len(rows) % 2}"
                elif charged in ("group", "fresh", "one"):
                    names = {"group": group, "fresh": str(len(rows)), "one": "one"}
                    row["charge"] = names[charged]
                rows.append(row)
    y = 5.5 - 0.01 * np.array([row["milling_time_min"] for row in rows])
    y = y + generator.normal(0, 0.02, len(rows))
    if generator.random() < 0.3:
        y[generator.random(len(rows)) < 0.2] = np.nan
    return rows, y


@pytest.mark.parametrize("seed", range(12))
def test_odd_designs_are_answered_or_refused_in_a_sentence(planted, seed):
    rows, y = _odd(seed)
    refusal, found = None, None
    try:
        found = planted(rows, y, test="kenward-roger" if seed % 4 else "calibrated")
    except ModelError as error:
        refusal = str(error)
    if found is None:
        assert refusal is not None
        assert refusal.endswith(".")
        assert len(refusal) > 40
        return
    effects = found["D50"].to_frame()
    told = effects["verdict"] != "cannot be told"
    assert np.isfinite(effects.loc[told, ["ratio", "ratio_lower", "ratio_upper"]]).all(axis=None)


def _two_ratios(folder, medians_um, *, finest_um=45):
    """Log-normal powders at two ball ratios, sieved as far down as the finest sieve."""
    sieves = [one for one in (32, 45, 63, 90, 125, 180, 250, 355) if one >= finest_um]
    rng, rows = np.random.default_rng(5), []
    for ratio, medians in medians_um.items():
        for time, median in zip((0, 12, 48), medians, strict=True):
            for bench in ("Alder", "Birch"):
                for run in (1, 2):
                    size = median * np.exp(rng.normal(0.0, 0.01))
                    finer = special.ndtr(np.log(np.array(sieves) / size) / 0.65)
                    for sieve, mass in zip(
                        (0, *sieves), 100 * np.diff([0, *finer, 1]), strict=True
                    ):
                        name = f"{bench}-{ratio}-{time}-{run}"
                        rows.append((name, bench, time, ratio, sieve, 300.0, 300 + round(mass, 2)))
    columns = ["run", "group", TIME, "ball_ratio", "aperture_um", "tare_g", "gross_g"]
    path = folder / f"trial-{finest_um}.csv"
    pd.DataFrame(rows, columns=columns).to_csv(path, index=False)
    return psdstats.read_study(path)


def test_a_size_below_the_sieves_decides_whether_a_factor_matters(tmp_path):
    """D10 is 0.43 of D50: 61 µm at one ratio, 26 µm and below the finest sieve at the other."""
    truth = {5: (250, 216, 141), 10: (250, 174, 60)}
    (answer,) = compare(_two_ratios(tmp_path, truth), quantities=["D10"])["D10"].factors
    assert [one.subject.where for one in answer.at] == ["12", "48"]
    assert answer.since == "12"
    *_, bound = answer.at
    assert bound.verdict is Verdict.CHANGED
    assert np.isnan(bound.numbers.estimate)
    assert bound.numbers.lower == -np.inf
    assert np.log(45 / 61) < bound.numbers.upper < 0.0
    finer = compare(_two_ratios(tmp_path, truth, finest_um=32), quantities=["D10"])["D10"]
    *_, further = finer.factors[0].at
    assert further.numbers.upper < bound.numbers.upper
    # one family has no error left beside the order
    together = compare(_two_ratios(tmp_path, truth), quantities=["D10"], one_family=True)["D10"]
    assert [one.subject.where for one in together.factors[0].at] == ["12"]


def test_sizes_below_the_sieves_at_both_levels_tell_nothing_of_a_factor(tmp_path):
    truth = {5: (250, 216, 80), 10: (250, 174, 60)}
    (answer,) = compare(_two_ratios(tmp_path, truth), quantities=["D10"])["D10"].factors
    assert [one.subject.where for one in answer.at] == ["12"]


def test_a_size_that_cannot_be_compared_has_means_of_its_runs_at_each_level(tmp_path):
    """D90 is above the coarsest sieve until the end, so that one milling time is left."""
    study = _two_ratios(tmp_path, {5: (250, 216, 60), 10: (250, 190, 60)})
    found = compare(study, quantities=["D90"])
    assert found["D90"].route is Route.NONE
    told = condition_sizes(found).query("at == '48'")
    assert told["level"].tolist() == ["5", "10"]
    assert told["value"].between(110, 160).all()


def test_no_third_group_is_asked_for_where_the_sieves_hide_it():
    """Of three groups too few hold a span at all times: sieves are missing, no group."""
    series = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
    stacks = series, (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0), (32.0, *series[:-1])
    benches = tuple(
        Bench(
            name=name,
            sieves=SieveSet(name=name, apertures_um=stack),
            balance=Balance(name="b", resolution_g=0.01, repeatability_g=0.01),
        )
        for name, stack in zip(("Alder", "Birch", "Cedar"), stacks, strict=True)
    )
    breakage = Breakage(rate_per_min=0.06, size_exponent=1.4, fines_share=0.3, fines_exponent=1.2)
    powder = Powder(breakage=breakage, feed_d50_um=280.0, feed_gsd=1.5)
    times = (0.0, 10.0, 20.0, 40.0, 80.0)
    trial = TrialDesign(benches=benches, powder=powder, times_min=times, replicates=2)
    found = compare(simulate_study(trial, seed=1).study, quantities=["span"])
    assert len(found.analysis["span"].frame) < len(found.analysis["span"].response.placed)
    assert AdviceRemark.KNOW_DRIFT() not in found["span"].advice
