"""The report's further sections appear where a study can answer, and say why where it cannot."""

import dataclasses

import pytest

from psdstats import propagate
from psdstats.output.content import Note
from psdstats.output.report import further_pages
from psdstats.uncertainty.registry import measurement_sources


@pytest.fixture(scope="module")
def found(benches):
    return further_pages(benches.study, benches.sizes)


def _some_runs(study, keep):
    part = dataclasses.replace(study, runs=tuple(run for run in study.runs if keep(run)))
    return part, propagate(part, method="linear", sources=measurement_sources(part))


def test_large_study_answers_all_three(found):
    assert [section.heading for section in found] == [
        "Do the groups agree?",
        "Did the whole distribution change with milling time?",
        "How fast does it grind?",
    ]
    for page in found:
        assert not any("Not computed" in getattr(block, "text", "") for block in page.blocks)
        assert page.files


def test_names_of_tables_and_figures_are_used_once(found):
    tables = [table.name for page in found for table in page.tables]
    drawings = [drawing.name for page in found for drawing in page.drawings]
    assert len(set(tables)) == len(tables)
    assert len(set(drawings)) == len(drawings)


def test_one_bench_has_no_question_about_groups(bench):
    headings = [section.heading for section in further_pages(bench.study, bench.sizes)]
    assert headings == [
        "Did the whole distribution change with milling time?",
        "How fast does it grind?",
    ]


def test_two_times_give_no_rate_and_one_time_no_change(benches):
    two, sizes = _some_runs(benches.study, lambda run: run.milling_time_min in (0.0, 6.0))
    assert len(further_pages(two, sizes)) == 2
    one, sizes = _some_runs(benches.study, lambda run: run.milling_time_min == 6.0)
    assert [section.heading for section in further_pages(one, sizes)] == ["Do the groups agree?"]


def test_a_section_that_cannot_be_computed_gives_its_reason(benches):
    """The study names a factor that it does not have: neither groups nor rate, but the rest."""
    odd = dataclasses.replace(benches.study, compare={"also": ["colour"]})
    sections = {section.heading: section for section in further_pages(odd, benches.sizes)}
    for heading in ("Do the groups agree?", "How fast does it grind?"):
        (note,) = sections[heading].blocks
        assert isinstance(note, Note)
        assert note.text.startswith("Not computed: ")
        assert "colour" in note.text
    assert len(sections["Did the whole distribution change with milling time?"].blocks) > 2


def test_target_gives_the_time_to_stop(benches, found):
    said = {}
    for name, sections in (
        ("without", found),
        ("with", further_pages(benches.study, benches.sizes, target_um=120.0)),
    ):
        rate = next(each for each in sections if each.heading == "How fast does it grind?")
        said[name] = " ".join(rate.sentences)
    assert "120 µm" not in said["without"]
    assert "reaches 120 µm after" in said["with"]


def test_target_without_enough_times_says_why_there_is_no_answer(benches):
    two, sizes = _some_runs(benches.study, lambda run: run.milling_time_min in (0.0, 6.0))
    headings = [each.heading for each in further_pages(two, sizes, target_um=120.0)]
    assert headings[-1] == "How fast does it grind?"
