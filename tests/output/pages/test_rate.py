"""The page of the rate: when to stop, curves, loss above the sieves, withdrawn powder."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.comparison import compare
from psdstats.output.pages.rate import (
    collect_loss,
    loss_drawings,
    parameters_table,
    rate_drawings,
    rate_factor,
    rate_page,
    scatter_table,
    stopping_table,
    withdrawal_table,
)
from psdstats.rate import fit_rate
from psdstats.rate.fit_rate import UNITS
from psdstats.uncertainty import propagate
from psdstats.words.rate import rate_sentences


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
    shown = stopping_table(result).frame["time_shown"].dropna().tolist()
    assert shown
    said = " ".join(rate_sentences(result)).lower()
    assert all(f"after {text} min (" in said for text in shown)


def test_open_and_impossible_times_are_words(benches):
    found = fit_rate(benches.study, quantity="D10", target_um=30.0, propagation=benches.sizes)
    frame = stopping_table(found).frame
    for row in frame.to_dict("records"):
        assert row["shown"].startswith("> ") == bool(row["upper_open"] and not row["excluded"])
    never = fit_rate(
        benches.study,
        curve="approach to a limit",
        target_um=40.0,
        propagation=benches.sizes,
    )
    shown = stopping_table(never).frame
    assert list(shown.loc[shown["excluded"], "shown"]) == ["never", "never"]


def test_curve_and_points_are_drawn(result):
    drawings = rate_drawings(result)
    for drawing, one in zip(drawings, result.series, strict=True):
        ax = drawing.figure.axes[0]
        (line,) = [line for line in ax.lines if line.get_label() == "fitted D50"]
        (dashed,) = [line for line in ax.lines if line.get_label().startswith("D50 beyond")]
        for drawn in (line, dashed):
            fitted = np.exp(one.fit.log_size(np.asarray(drawn.get_xdata(), dtype=float)))
            assert drawn.get_ydata() == pytest.approx(fitted)
        assert line.get_xdata().max() <= 48 <= dashed.get_xdata().min()
        assert dashed.get_xdata().max() > one.target.value  # the reader sees where it gets there
        target = [line for line in ax.lines if line.get_gid() == "hover: target 90 µm"]
        assert len(target) == 1


def test_scatter_table_is_the_spread_of_the_comparison(benches, result):
    compared = compare(benches.study, quantities=["D50"], propagation=benches.sizes)
    table = compared.variance_frame().set_index("component")["sd_percent"]
    (row,) = scatter_table(result).frame.to_dict("records")
    assert row["run_sd_percent"] == pytest.approx(table["residual"])
    assert set(parameters_table(result).frame["parameter"]) <= set(UNITS)


def test_a_size_below_the_target_from_the_start_is_not_never(benches):
    found = fit_rate(benches.study, target_um=400.0, propagation=benches.sizes)
    frame = stopping_table(found).frame
    assert list(frame.loc[frame["asked_unit"] == "µm", "shown"]) == ["0 to 0", "0 to 0"]


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


def test_section_and_files_share_the_tables(result, loss):
    page = rate_page(result, loss, notes=("A note.",))
    assert page.blocks[0].name == "when to stop"
    section = page.whole()
    shown = [block.name for block in section.blocks if hasattr(block, "row_headings")]
    files = [table.name for table in page.files]
    assert shown == ["when to stop", "rate parameters", "rate scatter", "rate curves"]
    assert set(files) == {"rate residuals D50", "loss above each sieve", "ball-to-powder ratio"}
    assert [table.name for table in page.tables] == [*shown, *files]
    assert "A note." in section.sections[0].blocks[0].items


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
        rate_sentences(fit_rate(study, target_um=target, propagation=sizes))[0]
        for target in (90.0, 900.0)
    )
    assert coarse == "Ball ratio 5: No change of D50 is shown, so no time to 90 µm can be given."
    assert fine == "Ball ratio 5: D50 is below 900 µm before any milling, and no change is shown."
