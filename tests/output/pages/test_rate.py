"""The page of the rate: when to stop, curves, loss above the sieves, withdrawn powder."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import PathCollection

from psdstats.comparison import compare
from psdstats.output.content import Paragraph
from psdstats.output.pages.rate import (
    collect_loss,
    loss_drawings,
    parameters_table,
    rate_drawing,
    rate_factor,
    rate_page,
    scatter_table,
    stopping_table,
    withdrawal_table,
)
from psdstats.output.table import Table
from psdstats.rate import fit_rate
from psdstats.rate.fit_rate import UNITS
from psdstats.uncertainty import propagate
from psdstats.words.rate import time_words, when_sentences


@pytest.fixture(scope="module")
def result(benches):
    return fit_rate(
        benches.study,
        target_um=90.0,
        margin_percent=5.0,
        powder_g=500.0,
        propagation=benches.sizes,
    )


@pytest.fixture(scope="module")
def loss(benches):
    return collect_loss(benches.study, at_each=["ball_ratio"], level=0.95)[0]


def test_factor_is_the_one_that_is_crossed_with_time(benches, bench):
    assert rate_factor(benches.study) == ("ball_ratio",)
    assert rate_factor(bench.study) == ()


def test_stopping_table_agrees_with_the_curve(result):
    """At the time of the table the fitted curve has the target size."""
    frame = stopping_table(result).frame
    for one in result.series:
        own = frame[(frame["series"] == one.label) & (frame["asked_unit"] == "µm")]
        (time,) = own["time_min"]
        assert np.exp(one.fit.log_size(np.array([time]))[0]) == pytest.approx(90.0, rel=1e-6)


def test_table_and_sentence_give_a_time_with_the_same_digits(result):
    shown = stopping_table(result).frame["shown"].tolist()
    assert len(shown) == 4
    said = " ".join(when_sentences(result))
    known = [one for *_, one in result.stopping if one.value is not None]
    assert len(known) > 1
    for one in known:
        time, _, ends = time_words(one).partition(" (")
        assert f"after {time} min" in said
        assert f"({ends}" in said
        assert time_words(one) in shown


def test_open_and_impossible_times_are_words(benches):
    found = fit_rate(benches.study, quantity="D10", target_um=30.0, propagation=benches.sizes)
    frame = stopping_table(found).frame
    for row in frame.to_dict("records"):
        is_open = bool(row["upper_open"] and not row["excluded"])
        assert ("or longer" in row["shown"]) == is_open
    never = fit_rate(
        benches.study,
        curve="approach to a limit",
        target_um=40.0,
        propagation=benches.sizes,
    )
    shown = stopping_table(never).frame
    assert list(shown.loc[shown["excluded"], "shown"]) == ["never", "never"]


def test_all_levels_are_drawn_in_one(result):
    drawing = rate_drawing(result)
    ax = drawing.figure.axes[0]
    lines = [line for line in ax.lines if len(line.get_xdata()) > 3]
    assert [line.get_linestyle() for line in lines] == ["-", "--"] * 2
    for one, line, dashed in zip(result.series, lines[::2], lines[1::2], strict=True):
        for drawn in (line, dashed):
            fitted = np.exp(one.fit.log_size(np.asarray(drawn.get_xdata(), dtype=float)))
            assert drawn.get_ydata() == pytest.approx(fitted)
        assert line.get_xdata().max() <= 48 <= dashed.get_xdata().min()
        assert dashed.get_xdata().max() > one.target.value  # the reader sees where it gets there
        assert any(
            f"{one.label}: {one.target.value:.0f} min (" in text.get_text() for text in ax.texts
        )
    target = [line for line in ax.lines if line.get_gid() == "hover: target 90 µm"]
    assert len(target) == 1
    dots = [one for one in ax.collections if isinstance(one, PathCollection)]
    drawn = sorted(y for one in dots for _, y in one.get_offsets())
    assert drawn == pytest.approx(sorted(result.points_frame()["size_um"]))


def test_the_figure_is_told_by_the_ends_of_its_curves(result):
    told = rate_drawing(result).alternative
    for one in result.series:
        start = float(np.exp(one.fit.log_size(np.zeros(1))[0]))
        assert f"D50 at {one.label}: {start:.3g} µm at 0 min to " in told
        assert f"target after {time_words(one.target, unit=' min')}" in told


def test_scatter_table_is_the_spread_of_the_comparison(benches, result):
    compared = compare(benches.study, quantities=["D50"], propagation=benches.sizes)
    table = compared.variance_frame().set_index("component")["sd_percent"]
    (row,) = scatter_table(result).frame.to_dict("records")
    assert row["run_sd_percent"] == pytest.approx(table["residual"])
    assert set(parameters_table(result).frame["parameter"]) <= set(UNITS)


def test_a_size_below_the_target_from_the_start_is_not_never(benches):
    found = fit_rate(benches.study, target_um=400.0, propagation=benches.sizes)
    frame = stopping_table(found).frame
    assert list(frame.loc[frame["asked_unit"] == "µm", "shown"]) == ["0", "0"]


def test_loss_points_are_the_rates(loss):
    ax = loss_drawings(loss)[0].figure.axes[0]
    drawn = sorted(line.get_ydata()[0] for line in ax.lines if line.get_gid())
    assert drawn == pytest.approx(sorted(loss.frame["rate_per_min"]))
    assert ax.get_yscale() == "log"


def test_ball_to_powder_ratio_follows_from_the_masses(result):
    frame = withdrawal_table(result).frame
    ratio = frame["charge"].str.rsplit(" ", n=1).str[-1].astype(float).to_numpy()
    expected = 500 * ratio / frame["left_g"].to_numpy()
    assert frame["ball_to_powder"].to_numpy() == pytest.approx(expected)
    assert set(ratio) == {5.0, 10.0}
    assert (frame["withdrawn_g"] + frame["left_g"]).to_numpy() == pytest.approx(500.0)


def test_front_section_and_files_share_the_tables(result, loss):
    page = rate_page(result, loss, notes=("A note.",))
    assert [one.name for one in page.first] == ["when to stop"]
    front = [block.name for block in page.front().blocks if not isinstance(block, Paragraph)]
    assert front == ["rate D50", "when to stop"]
    section = page.back()
    shown = [block.name for block in section.blocks if isinstance(block, Table)]
    files = [table.name for table in page.files]
    assert shown == ["rate curves", "rate parameters", "rate scatter"]
    assert set(files) == {"rate residuals D50", "loss above each sieve", "ball-to-powder ratio"}
    assert [table.name for table in page.tables] == ["when to stop", *shown, *files]
    assert "A note." in section.sections[0].blocks[0].items


def test_where_nobody_asks_when_it_stands_in_the_appendix(benches, result):
    page = rate_page(replace(result, target_um=None, margin_percent=None))
    assert page.front() is None
    assert page.back().blocks[0].name == "rate D50"


def test_a_terminal_gives_numbers_whatever_was_asked(result):
    """How fast it grinds where nobody asks when; else when, and the rate with all tables."""
    (when,) = rate_page(result).first
    (rate,) = rate_page(replace(result, target_um=None, margin_percent=None)).first
    assert (when.name, rate.name) == ("when to stop", "rate parameters")


def test_levels_are_told_together(result, loss):
    page = rate_page(result, loss)
    assert len(page.lead) == 1
    *told, sampled, which = page.sentences  # target and margin, each for both ball ratios
    assert len(told) == 2
    assert all("ball ratio 5" in one and "ball ratio 10" in one for one in told)
    assert sampled.startswith("Sampling raised the ball-to-powder ratio")
    assert which.startswith("That is charge")
    rates = [one for one in page.notes if one.startswith("The rate grows with size")]
    assert len(rates) == 1
    assert not any("first order" in one for one in (*page.sentences, *page.notes))


def test_loss_that_cannot_be_found_is_a_note(bench):
    early = type(bench.study)(
        title="two times",
        runs=tuple(run for run in bench.study.runs if run.milling_time_min < 10),
        sieves=bench.study.sieves,
        balances=bench.study.balances,
    )
    found, notes = collect_loss(early, at_each=(), level=0.95)
    assert found is None
    assert notes[0].startswith("No sieve holds a weighable mass")


def test_residual_is_measured_over_fitted(result):
    frame = rate_page(result).files[0].frame
    expected = 100 * (frame["size_um"] / frame["fitted_um"] - 1)
    assert frame["residual_percent"].to_numpy() == pytest.approx(expected.to_numpy())


def test_sieves_that_lost_nothing_have_no_figure(loss):
    gained = replace(loss, frame=loss.frame.assign(rate_per_min=-0.001))
    assert [len(loss_drawings(one)) for one in (loss, gained, None)] == [1, 0, 0]


def test_a_size_that_does_not_change_has_no_time_to_the_target(benches):
    runs = [run for run in benches.study.runs if run.milling_time_min == 0.0]
    later = [
        replace(run, name=f"{run.name}-{time:g}", milling_time_min=time)
        for time in (0.0, 10.0, 20.0, 40.0)
        for run in runs
    ]
    study = replace(benches.study, runs=tuple(later))
    sizes = propagate(study, method="linear", sources=["rounding"])
    coarse, fine = (
        when_sentences(fit_rate(study, target_um=target, propagation=sizes))[0]
        for target in (90.0, 900.0)
    )
    levels = "ball ratio 5 and ball ratio 10"
    assert coarse == f"No change of D50 is shown at {levels}, so no time to 90 µm can be given."
    assert fine == f"D50 is below 900 µm before any milling at {levels}."
