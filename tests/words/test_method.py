"""The method of a report says what was done, with its settings, and cites nothing else."""

from dataclasses import replace

import pytest
from psdstats_datasets import demo_study

from psdstats import compare, propagate, read_study
from psdstats.comparison.result import Route
from psdstats.findings import Verdict
from psdstats.study.settings import Declared
from psdstats.words import report as words
from psdstats.words.comparison import verdict_meanings

SAID = {
    "restricted maximum likelihood": {"calibrated", "kenward-roger", "group"},
    "held at its largest rate": {"calibrated", "group"},
    "Kenward and Roger": {"kenward-roger"},
    "those of Student's t": {"single runs", "declared"},
    "smooth courses": {"single runs"},
    "measurement alone": {"measurement"},
    "paired t": {"each contrast"},
    "Holm's rule": {"each contrast"},
    "Run-to-run variation was declared as 2 % with 9 degrees of freedom": {"declared"},
    "When to stop": {"calibrated", "kenward-roger", "single runs", "measurement", "declared"},
    "against a margin of 4 %": {"calibrated"},
    "Equivalence is judged": {"calibrated"},
    "largest of their t ratios": {
        "calibrated", "kenward-roger", "single runs", "measurement", "declared", "group",
    },
    "hold at 95 %": {
        "calibrated", "single runs", "measurement", "declared", "each contrast", "group",
    },
    "hold at 90 %": {"kenward-roger"},
}  # fmt: skip
CITED = {"Kenward": "kenward-roger", "Schuirmann": "calibrated"}


def _some(study, runs):
    return replace(study, runs=tuple(runs), rule="semilog", compare={})


@pytest.fixture(scope="module")
def compared():
    """A comparison of D50 of each kind, by the linear law."""
    four, one = (read_study(demo_study(name)) for name in ("four_benches", "one_bench"))
    two = _some(
        four,
        (
            run
            for run in four.runs
            if run.group in ("Alder", "Birch") and run.factors["ball_ratio"] == 5
            if run.milling_time_min in (0, 12, 24)
        ),
    )
    at_24 = _some(four, (run for run in four.runs if run.milling_time_min == 24))
    few = _some(one, list(one.runs)[:3])

    def of(study, **options):
        sizes = propagate(study, method="linear")
        return compare(study, quantities=("D50",), propagation=sizes, **options)

    return {
        "calibrated": of(two, margin_percent=4),
        "kenward-roger": of(two, test="kenward-roger", level=0.9),
        "each contrast": of(two, spread="each contrast"),
        "single runs": of(_some(one, one.runs)),
        "measurement": of(few),
        "declared": of(few, run_to_run=Declared(percent=2.0, df=9.0)),
        "group": of(at_24, by="group", within=[]),
    }


@pytest.mark.parametrize("told", SAID)
def test_the_method_says_what_was_done_and_nothing_else(compared, told):
    found = {
        kind
        for kind, comparison in compared.items()
        if told in " ".join(words.comparison_paragraphs(comparison, words.Works()))
    }
    assert found == SAID[told]


def test_the_kinds_are_what_they_are_called(compared):
    routes = {kind: comparison["D50"].route for kind, comparison in compared.items()}
    assert routes == {
        "calibrated": Route.MIXED_MODEL,
        "kenward-roger": Route.MIXED_MODEL,
        "each contrast": Route.EACH_CONTRAST,
        "single runs": Route.SINGLE_RUNS,
        "measurement": Route.MEASUREMENT_ONLY,
        "declared": Route.SINGLE_RUNS,
        "group": Route.MIXED_MODEL,
    }


@pytest.mark.parametrize("author", CITED)
def test_a_work_is_cited_where_its_method_was_used(compared, author):
    citing = set()
    for kind, comparison in compared.items():
        cite = words.Works()
        text = " ".join(words.comparison_paragraphs(comparison, cite))
        assert [one for one in range(1, 9) if f"[{one}]" in text] == list(
            range(1, len(cite.cited) + 1)
        )
        citing |= {kind for one in cite.cited if author in one}
    assert citing == {CITED[author]}


def test_no_report_speaks_from_memory(compared):
    cite = words.Works()
    told = [one for own in compared.values() for one in words.comparison_paragraphs(own, cite)]
    told += [words.further_paragraph(list(words.Further), cite), *cite.cited]
    told.append(words.unchecked_sentence(list(words.Unchecked)))
    assert not any("memory" in one for one in told)
    assert words.unchecked_sentence([]) == ""


def test_only_verdicts_that_were_given_are_explained():
    told = verdict_meanings([Verdict.CANNOT_BE_TOLD, Verdict.CHANGED, Verdict.CHANGED])
    assert [one.split(":")[0] for one in told] == ["Changed", "Cannot be told"]
