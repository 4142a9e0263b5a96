"""Results show themselves: in words, as a figure, in a console and in a notebook."""

import base64
import re
from dataclasses import fields, is_dataclass, replace

import pytest
from matplotlib.figure import Figure
from psdstats_datasets import demo_study

import psdstats
from psdstats import comparison, distribution, planning, uncertainty
from psdstats.errors import OutputError
from psdstats.output.content import page_of
from psdstats.planning.bench import Balls, Jar, mill_charge, timeline
from psdstats.present import Shown, present
from psdstats.rate import fit_rate
from psdstats.rate.first_order import LossRates, loss_rates
from psdstats.words.numbers import Numerals
from psdstats.words.remarks import told_of

POWDER = planning.ExpectedPowder(name="<b>raw</b>", d10_um=80, d50_um=200, d90_um=450)
SIEVES = [63, 125, 250, 500]
GROUPS = ("Alder", "Birch")
WITHOUT = {"CheckReport", "DistributionFit", "Fineness", "SizeTable", "StudyFits"}  # a figure


@pytest.fixture(scope="module")
def study():
    return psdstats.read_study(demo_study("one_bench"))


@pytest.fixture(scope="module")
def rate(study):
    sizes = psdstats.propagate(study, method="linear")
    return fit_rate(study, propagation=sizes)


@pytest.fixture(scope="module")
def results(study, rate):
    """One result of every class that shows itself."""
    trial = psdstats.read_study(demo_study("four_benches"))
    runs = (one for one in trial.runs if one.group in GROUPS and one.factors["ball_ratio"] == 5)
    trial = replace(trial, runs=tuple(runs))
    whole = comparison.compare_distributions(trial, permutations=99)
    compared = psdstats.compare(trial, quantities=["D50"])
    fits = comparison.fit_study(study)
    first, *_, last = (run.name for run in study.runs)
    found = [
        study,
        trial,
        psdstats.check_study(trial),
        psdstats.propagate(study, method="linear"),
        uncertainty.budget(study),
        uncertainty.ratio_intervals(study, [(last, first)], method="linear"),
        distribution.sizes(study, rule="semilog"),
        distribution.fineness([63, 125, 250], [0.1, 0.4, 0.9]),
        compared,
        compared["D50"],
        compared["D50"].fit,
        compared["D50"].fit.contrasts("milling_time_min"),
        comparison.group_agreement(trial),
        whole,
        fits,
        next(iter(fits.fits.values())),
        rate,
        planning.choose_sieves([POWDER], SIEVES, sample_g=50, trials=100),
        planning.precision(POWDER, SIEVES, wanted_percent=1, trials=100),
        mill_charge(
            Jar(diameter_mm=100, volume_ml=1000), [Balls(diameter_mm=10, density_g_per_cm3=7.8)]
        ),
        timeline([0, 6, 12]),
    ]
    return {type(one).__name__: one for one in found}


def test_a_repr_has_one_to_five_lines_no_longer_than_a_line(results):
    for name, result in results.items():
        first, *lines = repr(result).split("\n")
        assert first == name
        assert 1 <= len(lines) <= 4, name
        assert max(map(len, lines)) <= 102, name
        assert lines[0].strip()[:20] == result.summary()[:20], name


def test_a_notebook_shows_words_table_and_figure(results):
    pytest.importorskip("IPython")
    from IPython.core.formatters import DisplayFormatter

    for name, result in results.items():
        shown, _ = DisplayFormatter().format(result)
        assert shown["text/plain"] == repr(result)
        markup = shown["text/html"]
        assert f"<b>{name}</b>" in markup
        assert "<b>raw</b>" not in markup
        assert ("<table" in markup) is (name != "Fineness"), name
        image = re.search(r'src="data:image/png;base64,([^"]+)"', markup)
        assert (image is None) is (name in WITHOUT), name
        if image is not None:
            assert base64.b64decode(image[1]).startswith(b"\x89PNG")
        assert len(markup) < 200_000, name


def test_every_figure_goes_onto_axes_of_somebodys_own(results):
    for name, result in results.items():
        ax = Figure(figsize=(6, 4)).add_subplot(1, 2, 2)
        if name in WITHOUT:
            with pytest.raises(OutputError, match="nothing to draw"):
                result.plot(ax)
            continue
        assert result.plot(ax) is ax, name
        assert ax.figure.axes == [ax], name
        assert ax.has_data() or ax.patches, name


def test_a_figure_shows_the_quantity_asked_for(results):
    sizes = results["Propagation"]
    values = sizes.to_frame().query("quantity == 'D90'")["value"]
    (line,) = [one for one in sizes.plot(quantity="D90").lines if len(one.get_xdata()) > 2]
    assert line.get_ydata() == pytest.approx(values.to_numpy())
    with pytest.raises(OutputError, match="there is no 'D42' here; choose from D10, D50"):
        sizes.plot(quantity="D42")
    with pytest.raises(OutputError, match="leave out quantity"):
        results["Budget"].plot(quantity="D50")


def test_every_class_with_a_page_or_sentences_shows_itself():
    for own in {*page_of.registry, *told_of.registry} - {object, LossRates}:
        assert issubclass(own, Shown)
        assert "__repr__" not in vars(own), own
        assert not is_dataclass(own) or fields(own)


def test_summary_is_what_the_page_says(rate):
    told = rate.summary().splitlines()
    page = page_of(rate)
    assert told[: len(page.sentences)] == list(page.sentences)
    assert told[len(page.sentences) :] == [f"Note: {note}" for note in page.notes]


def test_numbers_take_the_decimal_sign_asked_for(rate):
    assert "0,0" in present("notebook", rate, say=Numerals(","))


def test_a_result_that_fills_no_page_has_words_alone(study):
    loss = loss_rates(study)
    assert "rate of loss" in present("summary", loss)
    with pytest.raises(OutputError, match="a LossRates has no page; these have: Attained, Budget"):
        page_of(loss)
    with pytest.raises(OutputError, match="a LossRates of this study has nothing to draw"):
        present("plot", loss)


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
    assert len(stages) == 2
    with pytest.raises(OutputError, match="exists already"):
        psdstats.report(study, tmp_path / "report", propagation=sizes)


def test_where_a_report_goes_is_decided_before_anything_is_computed(tmp_path, study, monkeypatch):
    monkeypatch.setattr("psdstats.output.report.gather", None)  # not reached
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "notes.txt").touch()
    with pytest.raises(OutputError, match="exists already"):
        psdstats.report(study, tmp_path / "theirs")
    with pytest.raises(OutputError, match="holds files that psdstats did not write"):
        psdstats.report(study, tmp_path / "theirs", replace=True)
