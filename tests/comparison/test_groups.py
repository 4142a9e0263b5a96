"""Agreement of groups: least squares as reference, shared and separate sieves, verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from psdstats.comparison.consistency import intraclass_correlation
from psdstats.comparison.groups import GroupRemark, group_agreement, run_scatter, sizes_by_run
from psdstats.errors import ModelError
from psdstats.findings import FindingKind, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.sieves.sieve import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.words.groups import agreement_sentences, group_sentence
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


def test_without_measurement_error_it_is_ordinary_least_squares():
    """Cell means model in statsmodels; differences, standard errors and df are the same."""
    study = make_study(REPLICATED)
    result = propagate(study, method="linear", sources=[])
    found = group_agreement(study, result)
    frame = study.runs_frame().assign(y=np.log(result.value[:, 1]))
    frame["cell"] = frame["group"] + frame["milling_time_min"].astype(str)
    fit = smf.ols("y ~ cell - 1", frame).fit()
    names = [name[5:-1] for name in fit.params.index]
    for one in found.groups:
        weights = [0.5 if name.startswith(one.group) else -0.25 for name in names]
        test, numbers = fit.t_test(np.array(weights)), one.finding.numbers
        assert numbers.estimate == pytest.approx(float(test.effect[0]))
        assert numbers.u == pytest.approx(float(np.squeeze(test.sd)))
        assert numbers.df == pytest.approx(fit.df_resid)
        assert one.zeta == pytest.approx(float(np.squeeze(test.tvalue)))
        assert numbers.p == pytest.approx(float(np.squeeze(test.pvalue)))
        assert numbers.p <= numbers.p_adjusted <= 3 * numbers.p + 1e-9
    assert found.scatter.source == "replicates"


def test_the_group_that_reads_high_is_named():
    found = agreement(make_study(REPLICATED))
    (cedar,) = [one for one in found.groups if one.group == "Cedar"]
    assert cedar.finding.verdict is Verdict.CHANGED
    assert cedar.finding.kind is FindingKind.GROUP
    said = group_sentence(cedar)
    assert said.startswith("Cedar reads D50 10.0 % (")
    assert said.endswith("higher than the others.")
    assert "from replicates" in agreement_sentences(found)[3]
    assert found.summary() == "\n".join(agreement_sentences(found))


def test_joint_interval_and_adjusted_p_agree():
    for one in agreement(make_study(REPLICATED)).groups:
        numbers = one.finding.numbers
        assert (numbers.p_adjusted < 0.05) == (numbers.lower > 0 or numbers.upper < 0)
        assert one.e_n == pytest.approx(one.zeta / 2)


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
    u_common, u_weighed = (one.groups[0].finding.numbers.u for one in (common, weighed))
    assert u_common == pytest.approx(u_weighed)
    assert apart.groups[0].u_measurement == pytest.approx(np.sqrt(2) * u_ln)


def test_e_n_is_larger_with_common_sieves():
    """The same readings: the difference weighs more when its sieves cancel."""
    sizes = {("Alder", 0): [120], ("Birch", 0): [122]}
    (reason,) = agreement(make_study(sizes), sources=[]).groups[0].finding.reasons
    assert reason == GroupRemark.NO_UNCERTAINTY()
    common = agreement(make_study(sizes)).groups[1]
    apart = agreement(make_study(sizes, shared=False)).groups[1]
    assert common.finding.numbers.estimate == pytest.approx(apart.finding.numbers.estimate)
    assert common.e_n > 3 * apart.e_n
    assert abs(apart.e_n) < 1


def test_scatter_takes_the_measurement_off_once():
    """E yᵀMy = tr(MV) + νσ² held by simulation: 4,000 draws, seed 6."""
    rng = np.random.default_rng(6)
    group = np.repeat([0, 1, 2], 4)
    condition = np.tile([0, 0, 1, 1], 3)
    root = np.column_stack([np.where(group == g, 0.04, 0) for g in range(3)] + [0.02 * np.eye(12)])
    known, sigma = root @ root.T, 0.03
    errors = rng.normal(size=(4000, root.shape[1])) @ root.T + rng.normal(0, sigma, (4000, 12))
    found = [run_scatter(y, group, condition, known) for y in errors]
    unclipped = np.mean([one.mean_square for one in found]) - 0.02**2
    assert unclipped == pytest.approx(sigma**2, rel=0.04)
    assert found[0].df == 6


def test_without_replicates_the_table_serves():
    sizes = {(g, t): [d] for (g, t), (d, _) in REPLICATED.items()} | {
        ("Alder", 12.0): [80],
        ("Birch", 12.0): [81],
        ("Cedar", 12.0): [88],
    }
    found = agreement(make_study(sizes), sources=[])
    assert found.scatter.source == "group by condition table"
    assert found.scatter.df == 4
    frame = pd.DataFrame([{"g": g, "t": str(t), "y": np.log(d[0])} for (g, t), d in sizes.items()])
    fit = smf.ols("y ~ g + t", frame).fit()
    assert found.scatter.mean_square == pytest.approx(
        fit.mse_resid, rel=0.06
    )  # sizes by interpolation
    assert "no replicates" in agreement_sentences(found)[3]


def test_single_runs_are_not_called_different_for_a_difference_that_runs_may_have():
    close = agreement(make_study({("Alder", 0): [120], ("Birch", 0): [126]}))
    finding = close.groups[0].finding
    assert finding.verdict is Verdict.CANNOT_BE_TOLD
    # c² (u² + 2 s²) = d², with c u the half width of the interval
    half, (reason,) = (finding.numbers.upper - finding.numbers.lower) / 2, finding.reasons
    critical = half / finding.numbers.u
    undone = np.sqrt((finding.numbers.estimate**2 - half**2) / 2) / critical
    assert reason.kind is VerdictRemark.UNDONE
    assert reason["percent"] == pytest.approx(100 * undone)
    assert f"{100 * undone:.2g} % of it would undo the difference" in group_sentence(
        close.groups[0]
    )
    assert "not estimated" in agreement_sentences(close)[2]
    far = agreement(make_study({("Alder", 0): [90], ("Birch", 0): [150]}))
    assert far.groups[0].finding.verdict is Verdict.CHANGED


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
    assert {one.finding.verdict for one in found.groups} == {Verdict.EQUIVALENT}
    assert all(one.finding.within_margin for one in found.groups)
    assert "agrees with the others within ±5 %" in group_sentence(found.groups[0])
    rough = {key: [d[0], d[0] * 1.06] for key, d in sizes.items()}
    found = agreement(make_study(rough), margin_percent=2)
    assert "as large as the margin could easily have been missed" in group_sentence(found.groups[0])


def test_one_time_and_unknown_time():
    study = make_study(REPLICATED)
    found = agreement(study, time=6)
    assert found.groups[0].conditions == 1
    assert set(found.by_condition["milling_time_min"]) == {6}
    with pytest.raises(ModelError, match="No run has the milling time 7 min"):
        agreement(study, time=7)


def test_a_group_alone_or_unbracketed_cannot_be_told():
    sizes = REPLICATED | {("Rowan", 24.0): [70, 71], ("Hazel", 0): [20, 20]}
    found = agreement(make_study(sizes))
    sentences = {one.group: group_sentence(one) for one in found.groups}
    assert "because no other group has results" in sentences["Rowan"]
    assert "not bracketed by its sieves" in sentences["Hazel"]
    assert set(found.set_aside) == {"Hazel-0-0", "Hazel-0-1"}
    assert "Hazel-0-0" in agreement_sentences(found)[-1]


def test_one_group_only():
    found = agreement(make_study({("Alder", 0): [120, 121]}))
    assert found.groups[0].finding.verdict is Verdict.CANNOT_BE_TOLD
    assert found.by_condition.empty


def test_groups_that_never_meet_are_told_what_keeps_them_apart():
    made = make_study({("a", 0): [100, 101], ("b", 0): [103, 104]})
    runs = [replace(r, factors={"ball_ratio": {"a": 5.0, "b": 10.0}[r.group]}) for r in made.runs]
    found = agreement(replace(made, runs=tuple(runs)))
    (reason,) = found.groups[0].finding.reasons
    assert reason["columns"] == ("milling_time_min", "ball_ratio")
    said = group_sentence(found.groups[0])
    assert said.endswith("at the same milling time and ball ratio.")
    assert list(found.by_condition.columns) == ["milling_time_min", "ball_ratio", "group"]


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
    from psdstats.comparison.precision import precision

    study = make_study(REPLICATED)
    result = propagate(study, method="linear")
    table = sizes_by_run(study, result)
    assert list(table["D50"]) == list(result.value[:, 1])
    found = precision(table, value="D50", group="group", level="milling_time_min").to_frame()
    assert list(found["milling_time_min"]) == [0, 6]
    assert (found["groups"] == 3).all()


def test_propagation_of_another_study():
    study, other = make_study(REPLICATED), make_study({("Alder", 0): [120]})
    with pytest.raises(ModelError, match="propagate it anew"):
        group_agreement(study, propagate(other, method="linear"))


def test_unknown_condition_column():
    with pytest.raises(ModelError, match="no column 'humidity'"):
        agreement(make_study(REPLICATED), conditions=["humidity"])


def test_family_wise_error_of_the_verdicts():
    """4,000 null trials of 3 groups, 2 times, 2 replicates without measurement error, seed 21."""
    from psdstats.comparison.groups import difference_scores
    from psdstats.models.multiplicity import simultaneous

    rng = np.random.default_rng(21)
    group, condition = np.repeat([0, 1, 2], 4), np.tile([0, 0, 1, 1], 3)
    weights = np.array([np.where(group == g, 0.25, -0.125) for g in range(3)])
    joint = weights @ weights.T
    sd = np.sqrt(np.diag(joint))
    critical = simultaneous(np.zeros(3), joint / np.outer(sd, sd), 6).critical[0]
    hits = 0
    for y in rng.normal(0, 0.02, (4000, 12)):
        scatter = run_scatter(y, group, condition, np.zeros((12, 12)))
        zeta = difference_scores(y, scatter.variance * np.eye(12), weights).zeta
        hits += bool(np.max(np.abs(zeta)) > critical)
    assert hits / 4000 == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 4000))


def test_intraclass_correlation_says_why_not():
    frame = pd.DataFrame({"y": [1.0, 2, 3], "g": ["A", "B", "A"], "t": [0, 0, 6]})
    found = intraclass_correlation(frame, value="y", group="g", level="t")
    assert "1 are missing" in sentence(found.obstacle)
    assert found.table.empty
    found = intraclass_correlation(frame[:1], value="y", group="g", level="t")
    assert "two groups and two levels" in sentence(found.obstacle)
    full = pd.DataFrame({"y": [1.0, 2, 3, 4], "g": ["A", "B"] * 2, "t": [0, 0, 6, 6]})
    found = intraclass_correlation(full, value="y", group="g", level="t")
    assert "at least 5 results" in sentence(found.obstacle)
