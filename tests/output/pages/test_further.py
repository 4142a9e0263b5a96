"""Groups, whole distribution and rate: a page where a study can answer, and why not where it can't.

A study that does not ask for one (one group, one time, two times) has no page of it.
"""

import dataclasses

import pytest

from psdstats import propagate
from psdstats.output.collect import gather
from psdstats.output.content import Note
from psdstats.output.report import report_pages
from psdstats.uncertainty.inputs import measurement_sources

GROUPS = "Do the groups agree?"
WHOLE = "Did the whole distribution change with milling time?"
RATE = "How fast does it grind?"


def _pages(study, sizes, **given):
    """The pages of groups, whole distribution and rate among those of the report, in its order."""
    found = report_pages(gather(study, propagation=sizes, **given))
    return [page for page in found if page.heading in (GROUPS, WHOLE, RATE)]


@pytest.fixture(scope="module")
def found(benches):
    return _pages(benches.study, benches.sizes, comparison=benches.comparison)


def _some_runs(study, keep):
    part = dataclasses.replace(study, runs=tuple(run for run in study.runs if keep(run)))
    return part, propagate(part, method="linear", sources=measurement_sources(part))


def _two_times(study):
    return _some_runs(study, lambda run: run.milling_time_min in (0.0, 6.0))


def test_large_study_answers_all_three(found):
    assert [page.heading for page in found] == [GROUPS, WHOLE, RATE]
    for page in found:
        assert not any("Not computed" in getattr(block, "text", "") for block in page.blocks)
        assert page.files


def test_names_of_tables_and_figures_are_used_once(found):
    tables = [table.name for page in found for table in page.tables]
    drawings = [drawing.name for page in found for drawing in page.drawings]
    assert len(set(tables)) == len(tables)
    assert len(set(drawings)) == len(drawings)


def test_one_bench_has_no_question_about_groups(bench):
    pages = _pages(bench.study, bench.sizes, comparison=bench.comparison)
    assert [page.heading for page in pages] == [WHOLE, RATE]


def test_two_times_give_no_rate_and_one_time_no_change(benches):
    two = _pages(*_two_times(benches.study))
    assert [page.heading for page in two] == [GROUPS, WHOLE]
    one = _pages(*_some_runs(benches.study, lambda run: run.milling_time_min == 6.0))
    assert [page.heading for page in one] == [GROUPS]


def test_a_page_that_cannot_be_computed_gives_its_reason(benches):
    """The study names a factor that it does not have: neither groups nor rate, but the rest."""
    odd = dataclasses.replace(benches.study, compare={"also": ["colour"]})
    pages = {page.heading: page for page in _pages(odd, benches.sizes)}
    for heading in (GROUPS, RATE):
        (note,) = pages[heading].blocks
        assert isinstance(note, Note)
        assert note.text.startswith("Not computed: ")
        assert "colour" in note.text
        assert pages[heading].back().blocks == (note,)
    assert len(pages[WHOLE].blocks) > 2


def test_target_gives_the_time_to_stop(benches, found):
    given = {"comparison": benches.comparison, "target_um": 120.0}
    (asked,) = (
        page for page in _pages(benches.study, benches.sizes, **given) if page.heading == RATE
    )
    assert "120 µm" not in " ".join(found[-1].sentences)
    assert "reaches 120 µm after" in " ".join(asked.sentences)


def test_a_target_asks_for_the_rate_of_two_times_which_no_run_can_check(benches):
    *_, page = _pages(*_two_times(benches.study), target_um=120.0)
    assert page.heading == RATE
    assert "reaches 120 µm after" in page.sentences[0]
    assert "beyond the trial (6 min), by the curve alone" in page.sentences[0]
    assert page.lead[0].endswith("rests on the form of the curve, which no run can check there.")
    assert any("its form cannot be checked" in note for note in page.notes)
