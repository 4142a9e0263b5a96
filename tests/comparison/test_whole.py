"""Whole distributions: common classes, verdicts, sensitivity, different stacks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from psdstats.comparison.classes import class_names, common_classes, stack_families
from psdstats.comparison.whole import compare_distributions
from psdstats.errors import ModelError
from psdstats.findings import FindingKind, Verdict
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.words.remarks import sentence
from psdstats.words.sizes import verdict_sentence, whole_sentences

FULL = (0.0, 45.0, 90.0, 180.0, 355.0)


def make_run(name: str, group: str, time: float, nets: dict[float, float]) -> Run:
    readings = tuple(
        Reading(
            sieve=f"{group} {um:g}",
            aperture_um=um,
            tare_g=300.0,
            gross_g=300.0 + net,
            place=Place("w", 2),
        )
        for um, net in sorted(nets.items())
    )
    return Run(name=name, group=group, milling_time_min=time, readings=readings, balance="b")


def make_study(runs: list[Run]) -> Study:
    sieves = {
        r.sieve: Sieve(key=r.sieve, nominal_um=r.aperture_um)
        for run in runs
        for r in run.readings
        if r.aperture_um
    }
    return Study(
        title="made for a test",
        rule="semilog",
        runs=tuple(runs),
        sieves=sieves,
        balances={"b": Balance(name="b", resolution_g=0.01)},
    )


def trial(seed=1, shift=0.0, stacks=None, replicates=3, empty=False) -> Study:
    """Two groups, two times; `shift` g move from the coarsest class to the pan with time."""
    rng = np.random.default_rng(seed)
    runs = []
    for group in ("Alder", "Rowan"):
        apertures = (stacks or {}).get(group, FULL)
        for time in (0.0, 6.0):
            for number in range(replicates):
                nets = np.array([8.0, 12, 16, 10, 4])[: len(apertures)]
                nets = np.round(nets * np.exp(rng.normal(0, 0.03, len(nets))), 2)
                nets[0] += shift * (time > 0)
                nets[-1] -= shift * (time > 0)
                if empty and number == 0:
                    nets[-1] = 0.0
                runs.append(
                    make_run(
                        f"{group}-{time:g}-{number}",
                        group,
                        time,
                        dict(zip(apertures, nets, strict=True)),
                    )
                )
    return make_study(runs)


def test_merging_keeps_mass_and_never_splits_a_class():
    fine = make_run("a", "A", 0, {0: 1, 45: 2, 63: 3, 90: 4, 125: 5, 180: 6})
    coarse = make_run("b", "B", 0, {0: 7, 63: 8, 125: 9, 250: 10})
    found = common_classes([fine, coarse])
    np.testing.assert_array_equal(found.limits_um, [63, 125])
    np.testing.assert_allclose(found.mass_g, [[3, 7, 11], [7, 8, 19]])
    assert class_names(found.limits_um) == ("< 63 µm", "63 to 125 µm", "≥ 125 µm")
    assert found.remarks[0]["apertures"] == (45, 90, 180, 250)
    assert "45, 90, 180, 250 µm" in sentence(found.remarks[0])
    np.testing.assert_allclose(found.fractions.sum(axis=1), 1)


def test_classes_empty_in_every_run_are_joined():
    runs = [
        make_run("a", "A", 0, {0: 0, 45: 2, 90: 0, 180: 3, 355: 0}),
        make_run("b", "A", 6, {0: 0, 45: 1, 90: 0, 180: 2, 355: 0}),
    ]
    found = common_classes(runs)
    np.testing.assert_allclose(found.mass_g, [[2, 3], [1, 2]])
    np.testing.assert_array_equal(found.limits_um, [180])
    assert "45, 90, 355 µm" in sentence(found.remarks[0])


def test_fractions_of_classes():
    found = common_classes([make_run("a", "A", 0, {0: 1, 90: 3})])
    assert found.fractions.tolist() == [[0.25, 0.75]]


def test_no_common_aperture_and_no_mass():
    one, two = make_run("a", "A", 0, {0: 1, 90: 1}), make_run("b", "B", 0, {0: 1, 75: 1})
    with pytest.raises(ModelError, match="no aperture in common"):
        common_classes([one, two])
    with pytest.raises(ModelError, match="Run c has no mass"):
        common_classes([make_run("c", "A", 0, {0: 0, 90: 0})])


def test_families_of_stacks():
    same = trial(stacks={"Rowan": (0.0, 45, 90, 180, 500)})
    assert len(stack_families(same)) == 1
    apart = trial(stacks={"Rowan": (0.0, 53, 75, 150, 300)})
    assert [len(family) for family in stack_families(apart)] == [6, 6]


def test_a_change_is_found_and_the_classes_named():
    found = compare_distributions(trial(shift=2.0))
    assert found.finding.kind is FindingKind.DISTRIBUTION
    assert found.finding.verdict is Verdict.CHANGED
    assert found.finding.numbers.p == found.test.p
    assert verdict_sentence(found).startswith("The whole distribution changes with milling time: ")
    table = found.to_frame().set_index("class")
    assert table.loc["< 45 µm", "moved"]
    assert table.loc["≥ 355 µm", "moved"]
    assert table.loc["< 45 µm", "change_percent"] == pytest.approx(4, abs=1)
    assert (found.sensitivity["empty_classes"] == 0).all()
    assert found.sensitivity["p"].nunique() == 1


def test_no_change_is_not_called_one():
    found = compare_distributions(trial(seed=5))
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert verdict_sentence(found).startswith("No change of the whole distribution")


def test_empty_classes_are_replaced_and_the_sensitivity_shown():
    found = compare_distributions(trial(shift=2.0, empty=True))
    assert list(found.sensitivity["delta_factor"]) == [0.5, 1.0, 2.0]
    assert (found.sensitivity["empty_classes"] == 4).all()
    assert found.sensitivity["pseudo_f"].nunique() == 3
    (note,) = map(sentence, found.notes)
    assert "4 empty classes were given 0.65 of the balance resolution" in note
    assert found.summary() == "\n".join([*whole_sentences(found), f"Note: {note}"])


def test_different_stacks_keep_their_own_classes_and_one_test():
    stacks = {"Rowan": (0.0, 53, 75, 150, 300)}
    found = compare_distributions(trial(shift=2.0, stacks=stacks))
    assert [part.name for part in found.parts] == ["Alder", "Rowan"]
    assert found.test.df_factor == 2
    # 20 rearrangements in each group
    assert found.test.arrangements == 400
    assert found.test.p <= 0.05
    assert any("share too few apertures" in sentence(note) for note in found.notes)
    assert whole_sentences(found)[1].startswith("Alder, 0 to 6 min: ")


def test_joint_test_of_two_stacks_adds_the_sums_of_squares():
    """Pseudo-F of the joint test from two separate ones: SS add up, df add up."""
    stacks = {"Rowan": (0.0, 53, 75, 150, 300)}
    study = trial(shift=0.3, stacks=stacks)
    joint = compare_distributions(study).test
    factor = residual = 0.0
    for group in ("Alder", "Rowan"):
        part = compare_distributions(make_study([r for r in study.runs if r.group == group])).test
        # r² = factor / (factor + residual); scale from the variation of the coordinates
        total = _variation(study, group)
        factor += part.r_squared * total
        residual += (1 - part.r_squared) * total
    assert joint.pseudo_f == pytest.approx((factor / 2) / (residual / joint.df_residual))


def _variation(study: Study, group: str) -> float:
    nets = np.array([[r.net_g for r in run.readings] for run in study.runs if run.group == group])
    logs = np.log(nets)
    centred = logs - logs.mean(axis=1, keepdims=True)
    return float(np.sum((centred - centred.mean(axis=0)) ** 2))


def test_pairs_of_levels():
    runs = [
        make_run(f"{g}-{t}-{k}", g, t, {0: 5 + t / 10 + k / 50, 90: 5 - k / 90, 180: 3})
        for g in "AB"
        for t in (0, 6, 12)
        for k in range(2)
    ]
    study = make_study(runs)
    first = compare_distributions(study).parts[0].moved
    assert [(one.low, one.high) for one in first] == [(0, 6), (0, 12)]
    after = compare_distributions(study, against="successive").parts[0].moved
    assert [(one.low, one.high) for one in after] == [(0, 6), (6, 12)]


def test_a_pair_that_no_group_holds_is_untold():
    runs = [make_run(f"A{k}", "A", 0, {0: 5 + k / 9, 90: 5}) for k in range(3)]
    runs += [make_run(f"A6{k}", "A", 6, {0: 6 + k / 9, 90: 4}) for k in range(3)]
    runs += [make_run(f"B{k}", "B", 12, {0: 7 + k / 9, 90: 3}) for k in range(3)]
    found = compare_distributions(make_study(runs))
    (untold,) = found.parts[0].untold
    assert (untold["low"], untold["high"], untold["unit"]) == (0, 12, "min")
    assert sentence(untold).startswith(
        "0 to 12 min: it cannot be told which classes moved. No group"
    )


def test_too_small_a_design_cannot_be_told():
    study = trial(shift=2.0, replicates=1)
    alone = compare_distributions(make_study([r for r in study.runs if r.group == "Alder"]))
    assert alone.test is None
    assert alone.finding.verdict is Verdict.CANNOT_BE_TOLD
    assert "leave nothing to judge the difference by" in verdict_sentence(alone)
    assert alone.sensitivity.empty
    assert alone.to_frame().empty
    found = compare_distributions(study)
    assert found.finding.verdict is Verdict.CANNOT_BE_TOLD
    assert found.finding.reasons[0]["smallest_p"] == 0.25
    assert "cannot give a p below 0.25" in verdict_sentence(found)


def test_groups_compared_within_times():
    """The other way round: groups as factor, runs exchanged within milling times."""
    study = trial(seed=2)
    found = compare_distributions(study, by="group", within="milling_time_min")
    assert found.test.df_factor == 1
    assert found.test.arrangements == 400
    assert found.parts[0].moved[0].low == "Alder"
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert found.finding.subject.high == "group"


def test_groups_on_different_stacks_have_no_class_in_common():
    stacks = {"Rowan": (0.0, 53, 75, 150, 300)}
    found = compare_distributions(trial(stacks=stacks), by="group", within="milling_time_min")
    assert found.finding.verdict is Verdict.CANNOT_BE_TOLD


@pytest.mark.parametrize("options", [{"by": "humidity"}, {"within": "lab"}])
def test_missing_columns(options):
    with pytest.raises(ModelError, match="no column"):
        compare_distributions(trial(), **options)


def test_same_seed_same_result():
    first, second = (compare_distributions(trial(replicates=6), permutations=199) for _ in "ab")
    assert first.test == second.test
    assert not first.test.exact


def test_a_run_without_a_level_is_set_aside_and_named():
    study = trial()
    *runs, last = (
        dataclasses.replace(run, factors={"mill": "ab"[i % 2]}) for i, run in enumerate(study.runs)
    )
    bare = dataclasses.replace(last, factors={})
    found = compare_distributions(make_study([*runs, bare]), by="mill", permutations=199)
    assert found.notes[0]["runs"] == (bare.name,)
    assert sentence(found.notes[0]) == f"1 run has no mill and was set aside: {bare.name}."
    assert found.test == compare_distributions(make_study(runs), by="mill", permutations=199).test
    with pytest.raises(ModelError, match=f"'mill' has no value in 1 rows.*{bare.name}"):
        compare_distributions(make_study([*runs, bare]), within="mill")
