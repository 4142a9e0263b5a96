"""Agreement of groups: least squares as reference, shared and separate sieves, verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from psdstats.comparison import compare
from psdstats.comparison.benches import GroupRemark
from psdstats.comparison.consistency import intraclass_correlation
from psdstats.comparison.groups import group_agreement, overall, sizes_by_run
from psdstats.errors import ModelError
from psdstats.findings import FindingKind, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.words.groups import agreement_sentences
from psdstats.words.remarks import sentence

APERTURES = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0)


def masses(d50: float) -> list[float]:
    """Net masses of a log-normal powder of geometric SD 1.8, pan first, 50 g in all."""
    from scipy.stats import lognorm

    finer = lognorm(np.log(1.8), scale=d50).cdf(APERTURES)
    return list(50 * np.diff(np.concatenate([[0], finer, [1]])))


def make_study(sizes: dict[tuple[str, float], list[float]], *, shared: bool = True) -> Study:
    """Build a study from D50 by (bench, time); benches share their sieves or have their own."""
    runs, sieves = [], {}
    for (bench, time), values in sizes.items():
        owner = "all" if shared else bench
        for number, d50 in enumerate(values):
            readings = []
            for um, net in zip((0.0, *APERTURES), masses(d50), strict=True):
                key = f"{owner} {um:g}"
                if um:
                    sieves[key] = Sieve(key=key, nominal_um=um)
                readings.append(
                    Reading(
                        sieve=key,
                        aperture_um=um,
                        tare_g=300.0,
                        gross_g=300.0 + net,
                        place=Place("w", 2),
                    )
                )
            runs.append(
                Run(
                    name=f"{bench}-{time:g}-{number}",
                    group=bench,
                    milling_time_min=time,
                    replicate=str(number),
                    readings=tuple(readings),
                    balance="b",
                )
            )
    return Study(
        title="made for a test",
        rule="semilog",
        runs=tuple(runs),
        sieves=sieves,
        balances={"b": Balance(name="b", resolution_g=0.01, repeatability_g=0.005)},
    )


def agreement(study: Study, sources=None, **options):
    result = propagate(study, method="linear", sources=sources)
    return group_agreement(study, result, **options)


REPLICATED = {
    ("Alder", 0): [120, 123],
    ("Alder", 6): [101, 99],
    ("Birch", 0): [121, 119],
    ("Birch", 6): [98, 100],
    ("Cedar", 0): [133, 131],
    ("Cedar", 6): [109, 111],
}


def at_first(answer):
    """What is said at the first condition."""
    first, *_ = answer.at
    return first


def by_name(found):
    return {one.group: one for one in found.answers}


def test_without_measurement_error_it_is_ordinary_least_squares():
    """Groups and times on the means of the cells in statsmodels: the same averages, u and df."""
    study = make_study(REPLICATED)
    result = propagate(study, method="linear", sources=[])
    found = group_agreement(study, result)
    frame = study.runs_frame().assign(y=np.log(result.value[:, 1]))
    cells = frame.groupby(["group", "milling_time_min"], as_index=False)["y"].mean()
    fit = smf.ols("y ~ group + C(milling_time_min) - 1", cells).fit()
    for one in found.answers:
        own = {name: name == f"group[{one.group}]" for name in fit.params.index}
        weights = [(1.5 * own[name] - 0.5) * name.startswith("group[") for name in own]
        test, numbers = fit.t_test(np.array(weights)), one.average.numbers
        assert numbers.estimate == pytest.approx(float(test.effect[0]))
        assert numbers.u == pytest.approx(float(np.squeeze(test.sd)))
        assert numbers.df == pytest.approx(fit.df_resid)
        assert numbers.p == pytest.approx(float(np.squeeze(test.pvalue)), rel=1e-6)
        assert numbers.p <= numbers.p_adjusted <= 3 * numbers.p + 1e-9
    assert found.spread.basis == "replicates"


def test_the_group_that_reads_high_is_named():
    found = agreement(make_study(REPLICATED))
    cedar = by_name(found)["Cedar"]
    assert overall(cedar) is Verdict.CHANGED
    assert cedar.average.verdict is Verdict.CHANGED
    assert cedar.average.kind is FindingKind.GROUP
    first, *_, last = agreement_sentences(found)
    assert first.startswith("Cedar differs from the other groups: its D50 is ")
    assert "from replicates" in last
    assert found.summary() == "\n".join(agreement_sentences(found))


def test_a_comparison_of_the_trial_gives_the_same_answers():
    study = make_study(REPLICATED)
    sizes = propagate(study, method="linear")
    compared = compare(study, propagation=sizes, quantities=["D50"])
    found = group_agreement(study, sizes)
    assert compared["D50"].benches == found.answers
    again = group_agreement(study, sizes, analysis=compared.analysis)
    assert again.answers == found.answers


def test_a_group_off_at_one_condition_is_told_there_with_its_action_signal():
    """9.9 % at the last of four times: 2.5 % on average, which shows nothing."""
    rng = np.random.default_rng(8)
    course = {0.0: 160.0, 6.0: 130.0, 12.0: 110.0, 24.0: 100.0}
    sizes = {
        (group, time): list(
            d50 * (1.099 if (group, time) == ("Alder", 24.0) else 1.0)
            * np.exp(rng.normal(0, 0.01, 2))
        )
        for group in ("Alder", "Birch", "Cedar")
        for time, d50 in course.items()
    }  # fmt: skip
    found = agreement(make_study(sizes))
    alder = by_name(found)["Alder"]
    (told,) = [one for one in alder.at if one.verdict is Verdict.CHANGED]
    assert told.subject.where == "24"
    assert alder.average.verdict is not Verdict.CHANGED
    table = found.by_condition.set_index(["milling_time_min", "group"])
    assert table.loc[(24.0, "Alder"), ["verdict", "finding"]].tolist() == [
        "changed",
        "action signal",
    ]
    assert table["verdict"].eq("changed").groupby("group").sum()["Alder"] == 1
    assert agreement_sentences(found)[0].startswith(
        "Alder differs from the other groups: its D50 is "
    )
    assert " at 24 min" in agreement_sentences(found)[0]


def test_groups_that_differ_in_rate_and_not_in_level_are_told_so():
    """Alder falls by a tenth more from first to last time, about the same middle."""
    rng = np.random.default_rng(9)
    times = (0.0, 10.0, 20.0, 30.0)
    sizes = {
        (group, time): list(
            150.0
            * np.exp(-0.1 * place - 0.105 * (group == "Alder") * (place / 3 - 0.5))
            * np.exp(rng.normal(0, 0.008, 2))
        )
        for group in ("Alder", "Birch", "Cedar")
        for place, time in enumerate(times)
    }
    found = agreement(make_study(sizes))
    alder = by_name(found)["Alder"]
    assert alder.rate.kind is FindingKind.BENCH_RATE
    assert (alder.rate.subject.high, alder.rate.subject.low) == ("30", "0")
    assert alder.rate.verdict is Verdict.CHANGED
    assert alder.rate.numbers.lower < -0.105 < alder.rate.numbers.upper
    assert alder.average.verdict is Verdict.NOT_SHOWN
    assert "the ratio of its D50 at 30 min to that at 0 min is " in agreement_sentences(found)[0]


def test_joint_interval_and_adjusted_p_agree():
    for one in agreement(make_study(REPLICATED)).answers:
        for finding in (*one.at, one.rate, one.average):
            numbers = finding.numbers
            assert (numbers.p_adjusted < 0.05) == (numbers.lower > 0 or numbers.upper < 0)
    table = agreement(make_study(REPLICATED)).by_condition
    assert table["e_n"].to_numpy() == pytest.approx(table["zeta"].to_numpy() / 2)


def test_common_sieves_cancel_and_separate_sieves_do_not():
    """Equal powders: of aperture errors nothing is left, or √2 times one run's uncertainty."""
    sizes = {("Alder", 0): [120], ("Birch", 0): [120]}
    readings = ["rounding", "repeatability"]
    common = agreement(make_study(sizes), sources=["aperture", *readings])
    weighed = agreement(make_study(sizes), sources=readings)
    study = make_study(sizes, shared=False)
    apart = agreement(study, sources=["aperture"])
    single = propagate(study, method="linear", sources=["aperture"])
    u_ln = np.sqrt(single.covariance("D50", log=True).iloc[0, 0])
    u_common, u_weighed = (at_first(one.answers[0]).numbers.u for one in (common, weighed))
    assert u_common == pytest.approx(u_weighed)
    assert at_first(apart.answers[0]).numbers.u == pytest.approx(np.sqrt(2) * u_ln)


def test_e_n_is_larger_with_common_sieves():
    """The same readings: the difference weighs more when its sieves cancel."""
    sizes = {("Alder", 0): [120], ("Birch", 0): [122]}
    (reason,) = at_first(agreement(make_study(sizes), sources=[]).answers[0]).reasons
    assert reason == GroupRemark.NO_UNCERTAINTY()
    common = agreement(make_study(sizes)).by_condition.iloc[0]
    apart = agreement(make_study(sizes, shared=False)).by_condition.iloc[0]
    # the sensitivities are those of the mean curve of runs alike, which are those of both
    assert common["difference_percent"] == pytest.approx(apart["difference_percent"])
    assert abs(common["e_n"]) > 3 * abs(apart["e_n"])
    assert abs(apart["e_n"]) < 1


def test_without_replicates_the_table_serves():
    sizes = {(g, t): [d] for (g, t), (d, _) in REPLICATED.items()} | {
        ("Alder", 12.0): [80],
        ("Birch", 12.0): [81],
        ("Cedar", 12.0): [88],
    }
    found = agreement(make_study(sizes), sources=[])
    assert found.spread.basis == "residual"
    assert by_name(found)["Alder"].average.numbers.df == pytest.approx(4)
    # its own cell is set aside: one degree of freedom less
    assert at_first(by_name(found)["Alder"]).numbers.df == pytest.approx(3)
    assert "no replicates" in agreement_sentences(found)[-1]


def test_single_runs_are_not_called_different_for_a_difference_that_runs_may_have():
    close = agreement(make_study({("Alder", 0): [120], ("Birch", 0): [126]}))
    finding = at_first(close.answers[0])
    assert finding.verdict is Verdict.CANNOT_BE_TOLD
    # c² (u² + 2 s²) = d², with c u the half width of the interval
    half, (reason,) = (finding.numbers.upper - finding.numbers.lower) / 2, finding.reasons
    critical = half / finding.numbers.u
    undone = np.sqrt((finding.numbers.estimate**2 - half**2) / 2) / critical
    assert reason.kind is VerdictRemark.UNDONE
    assert reason["percent"] == pytest.approx(100 * undone)
    told, rests = agreement_sentences(close)
    assert f"a standard deviation of {100 * undone:.2g} % would undo it" in told
    assert "not estimated" in rests
    far = agreement(make_study({("Alder", 0): [90], ("Birch", 0): [150]}))
    assert at_first(far.answers[0]).verdict is Verdict.CHANGED
    assert agreement_sentences(far)[0].startswith("Alder differs from Birch: its D50 is ")


def test_margin():
    sizes = {
        (g, t): [d, d * 1.01]
        for g, t, d in [
            ("Alder", 0, 120),
            ("Alder", 6, 100),
            ("Birch", 0, 120.4),
            ("Birch", 6, 100.5),
        ]
    }
    found = agreement(make_study(sizes), margin_percent=5)
    assert {overall(one) for one in found.answers} == {Verdict.EQUIVALENT}
    assert all(at.within_margin for one in found.answers for at in one.at)
    assert "The groups agree in D50 within ±5 % at every condition." in agreement_sentences(found)
    rough = {key: [d[0], d[0] * 1.06] for key, d in sizes.items()}
    found = agreement(make_study(rough), margin_percent=2)
    assert {overall(one) for one in found.answers} == {Verdict.CANNOT_BE_TOLD}
    said = agreement_sentences(found)[0]
    assert said.startswith("It cannot be told whether the groups agree in D50 within ±2 %; ")
    assert said.endswith(" at one condition remain possible.")


def test_a_group_alone_or_unbracketed_cannot_be_told():
    sizes = REPLICATED | {("Rowan", 24.0): [70, 71], ("Hazel", 0): [20, 20]}
    found = agreement(make_study(sizes))
    told = by_name(found)
    assert sentence(at_first(told["Rowan"]).reasons[0]).startswith("no other group has results")
    assert at_first(told["Hazel"]).reasons == (GroupRemark.NOT_BRACKETED(),)
    assert set(found.set_aside) == {"Hazel-0-0", "Hazel-0-1"}
    assert "Hazel-0-0" in agreement_sentences(found)[-1]
    assert told["Cedar"].average.verdict is Verdict.CHANGED


def test_one_group_only():
    found = agreement(make_study({("Alder", 0): [120, 121]}))
    assert overall(found.answers[0]) is Verdict.CANNOT_BE_TOLD
    assert found.by_condition.empty


def test_a_group_that_never_meets_another_is_told_what_keeps_it_apart():
    made = make_study(
        {(g, t): [d, d * 1.01] for g in "abc" for t, d in ((0, 100), (6, 90), (12, 80))}
    )
    ratio = {"a": 5.0, "b": 10.0, "c": 10.0}
    runs = [replace(r, factors={"ball_ratio": ratio[r.group]}) for r in made.runs]
    found = agreement(replace(made, runs=tuple(runs)))
    alone, met = found.answers
    (reason,) = at_first(alone).reasons
    assert (alone.group, reason["columns"]) == ("a", ("milling_time_min", "ball_ratio"))
    assert "at the same milling time and ball ratio" in " ".join(agreement_sentences(found))
    assert (met.group, met.average.subject.low) == ("b", "c")
    assert set(found.by_condition["ball_ratio"]) == {10.0}


def test_by_condition_holds_each_difference():
    found = agreement(make_study(REPLICATED), sources=[])
    table = found.by_condition.set_index(["milling_time_min", "group"])
    logs = {key: np.mean(np.log(values)) for key, values in REPLICATED.items()}
    expected = logs["Cedar", 0] - (logs["Alder", 0] + logs["Birch", 0]) / 2
    # percentiles by interpolation differ a little from the true medians
    assert table.loc[(0, "Cedar"), "difference_percent"] == pytest.approx(
        100 * np.expm1(expected), abs=1.0
    )


def test_sizes_by_run_feed_the_precision():
    from psdstats.comparison.groups import group_precision

    study = make_study(REPLICATED)
    result = propagate(study, method="linear")
    table = sizes_by_run(study, result)
    assert list(table["D50"]) == list(result.value[:, 1])
    found = group_precision(table, value="D50", group="group", level="milling_time_min").to_frame()
    assert list(found["milling_time_min"]) == [0, 6]
    assert (found["groups"] == 3).all()


def test_propagation_of_another_study():
    study, other = make_study(REPLICATED), make_study({("Alder", 0): [120]})
    with pytest.raises(ModelError, match="propagate it anew"):
        group_agreement(study, propagate(other, method="linear"))


def test_unknown_condition_column():
    with pytest.raises(ModelError, match="no column 'humidity'"):
        agreement(make_study(REPLICATED), at_each=["humidity"])


def test_intraclass_correlation_says_why_not():
    frame = pd.DataFrame({"y": [1.0, 2, 3], "g": ["A", "B", "A"], "t": [0, 0, 6]})
    found = intraclass_correlation(frame, value="y", group="g", level="t")
    assert "1 is missing" in sentence(found.obstacle)
    assert found.table.empty
    found = intraclass_correlation(frame[:1], value="y", group="g", level="t")
    assert "two groups and two levels" in sentence(found.obstacle)
    full = pd.DataFrame({"y": [1.0, 2, 3, 4], "g": ["A", "B"] * 2, "t": [0, 0, 6, 6]})
    found = intraclass_correlation(full, value="y", group="g", level="t")
    assert "at least 5 results" in sentence(found.obstacle)
