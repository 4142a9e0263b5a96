"""Results show themselves: in words, as a figure, as a page."""

import pytest
from psdstats_datasets import demo_study

import psdstats
from psdstats.errors import OutputError
from psdstats.output.presenter import FORMS, PAGES, SENTENCES, page_of
from psdstats.present import present
from psdstats.rate import fit_rate
from psdstats.rate.first_order import loss_rates
from psdstats.words.numbers import Numerals


@pytest.fixture(scope="module")
def study():
    return psdstats.read_study(demo_study("one_bench"))


@pytest.fixture(scope="module")
def rate(study):
    sizes = psdstats.propagate(study, method="linear")
    return fit_rate(study, propagation=sizes)


def test_summary_is_what_the_page_says(rate):
    told = str(present("summary", rate)).splitlines()
    page = page_of(rate)
    assert told[: len(page.sentences)] == list(page.sentences)
    assert told[len(page.sentences) :] == [f"Note: {note}" for note in page.notes]


def test_plot_is_its_first_figure_and_html_its_page(rate):
    assert present("plot", rate).get_ylabel() == "D50 / µm"
    text = present("html", rate, say=Numerals(","))
    assert "How fast does it grind?" in text
    assert text.count("<figure") == len(page_of(rate).drawings)


def test_a_result_that_fills_no_page_has_words_alone(study):
    loss = loss_rates(study)
    assert "rate of loss" in present("summary", loss)
    with pytest.raises(OutputError, match="a LossRates has no page; these have: Budget"):
        present("plot", loss)


def test_every_entry_names_a_function_that_is_there():
    from importlib import import_module

    for folder, table in (("output.pages", PAGES), ("words", SENTENCES)):
        for module, *names in table.values():
            found = import_module(f"psdstats.{folder}.{module}")
            assert all(getattr(found, name) for name in names if name)
    assert set(FORMS) == {"summary", "plot", "html"}


def test_a_report_is_one_call(study, tmp_path):
    sizes = psdstats.propagate(study, method="linear")
    stages = []
    written = psdstats.report(
        study, tmp_path / "report", propagation=sizes, target_um=120.0, stage=stages.append
    )
    assert written.path.name == "report.html"
    assert {path.name for path in written.path.parent.glob("[!.]*")} == {
        "report.html",
        "tables",
        "figures",
        "provenance.json",
    }
    text = written.path.read_text(encoding="utf-8")
    for one in written.sheet.answers:
        assert f"<dt>{one.question}</dt>" in text
    assert written.sheet.line
    assert len(stages) == 3
    with pytest.raises(OutputError, match="exists already"):
        psdstats.report(study, tmp_path / "report", propagation=sizes)


def test_where_a_report_goes_is_decided_before_anything_is_computed(tmp_path, study, monkeypatch):
    monkeypatch.setattr("psdstats.output.report.collect", None)  # not reached
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "notes.txt").touch()
    with pytest.raises(OutputError, match="exists already"):
        psdstats.report(study, tmp_path / "theirs")
    with pytest.raises(OutputError, match="holds files that psdstats did not write"):
        psdstats.report(study, tmp_path / "theirs", replace=True)
