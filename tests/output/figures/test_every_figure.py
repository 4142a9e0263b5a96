"""Every figure: an Axes in and out, any names, no trace left, units, and a test that reads it."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from doctest import DocTestFinder
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from psdstats.output import figures
from psdstats.output.figures.save import svg_text
from psdstats.output.style import INK
from psdstats.words.numbers import Numerals

DRAWING = sorted(
    name for name in figures.__all__ if "ax" in inspect.signature(getattr(figures, name)).parameters
)
TESTS = "\n".join(
    path.read_text(encoding="utf-8")
    for path in sorted(Path(__file__).parent.glob("test_*.py"))
    if path.name != Path(__file__).name
)
NO_UNIT = {"jar_section", "bench_bars"}  # drawn to scale; clock times
NAMES = (
    "$\\frac{ $",
    "_hidden 粉砕 \x07",
    "a bench with a name of more than fifty signs, and more",
)
A, B, C = NAMES
GIVEN = ("63.5 µm", "[<≥] 63.5", "70.5 rpm", "0.01 g")  # names, which keep their point


def _frame(**columns: object) -> pd.DataFrame:
    return pd.DataFrame(columns)


TIMES = [0.0, 2.5, 7.5]
DAYS = ["2026-01-05", "2026-02-05", "2026-05-05"]
SIZES = _frame(
    milling_time_min=TIMES * 3,
    quantity="D50",
    group=np.repeat(NAMES, 3),
    value=[300.5, 200.0, 120.0, 310.0, 210.0, 125.0, 290.0, 190.0, 112.0],
).assign(lower=lambda f: 0.95 * f["value"], upper=lambda f: 1.05 * f["value"])
RATIOS = _frame(
    contrast=NAMES, ratio=[0.7, 0.95, np.nan], ratio_lower=[0.65, 0.9, np.nan],
    ratio_upper=[0.76, np.inf, np.nan], verdict=["changed", "not shown", "cannot be told"],
    quantity=NAMES,
)  # fmt: skip
RESIDUALS = _frame(
    run=NAMES, group=NAMES, fitted=[5.0, 5.1, 5.2], standardised=[-1.0, 0.2, 0.9],
    normal_quantile=[-0.97, 0.0, 0.97],
)  # fmt: skip
CURVE = _frame(
    series=np.repeat([A, B], 3), milling_time_min=TIMES * 2, size_um=[300.0, 210.0, 120.0] * 2
).assign(lower_um=lambda f: 0.9 * f["size_um"], upper_um=lambda f: 1.1 * f["size_um"])
POWDER = _frame(powder="fine", size_um=[20.5, 63.0, 125.0], undersize=[0.01, 0.2, 0.9])
PLANNED = _frame(series="0.01 g", sample_g=[25.0, 50.0], u_percent=[1.5, 0.7])

EXAMPLES: dict[str, Callable[[Axes], Axes]] = {
    "bench_bars": lambda ax: figures.bench_bars(
        _frame(resource=["mill"], start_min=[0.0], end_min=[24.5], step=["mill"], charge=["A"],
               attended=[False]), ax,
    ),
    "bench_deviations": lambda ax: figures.bench_deviations(
        _frame(milling_time_min=TIMES * 2, operator=np.repeat([A, B], 3),
               difference_percent=[0.5, -2.5, 9.5] * 2, lower_percent=[-4.5, -8.5, 2.5] * 2,
               upper_percent=[5.5, 3.5, 16.5] * 2,
               verdict=["not shown", "not shown", "changed"] * 2), ax,
        conditions=("milling_time_min", "operator"), margin_percent=5.0,
    ),
    "class_changes": lambda ax: figures.class_changes(
        _frame(**{"class": ["< 63.5 µm", "≥ 63.5 µm"], "from_um": [np.nan, 63.5],
                  "to_um": [63.5, np.nan], "pair": A, "change_percent": [2.5, -2.5],
                  "lower": [1.0, -4.0], "upper": [4.0, -1.0], "moved": [True, False]}), ax,
    ),
    "control_chart": lambda ax: figures.control_chart(
        _frame(path=NAMES, date=DAYS, size=[100.5, 101.5, 130.5], lower=90.5, upper=110.5,
               is_outside=[False, False, True]), ax, mean=101.5,
    ),
    "undersize_curves": lambda ax: figures.undersize_curves(
        _frame(run=np.repeat(NAMES, 2), milling_time_min=np.repeat(TIMES, 2),
               aperture_um=[63.5, 125.0] * 3, undersize=[0.1, 0.6, 0.2, 0.7, 0.3, 0.8])
        .assign(lower=lambda f: f["undersize"] - 0.02, upper=lambda f: f["undersize"] + 0.02), ax,
    ),
    "effect_ratios": lambda ax: figures.effect_ratios(RATIOS, ax, margin=1.05),
    "expected_undersize": lambda ax: figures.expected_undersize(
        POWDER, ax, apertures_um=[63.0, 125.0], points=POWDER.iloc[1:]
    ),
    "fit_misfit": lambda ax: figures.fit_misfit(
        _frame(run=NAMES, milling_time_min=TIMES, aperture_um=[63.5, 125.0, 250.0],
               misfit_percent=[0.5, -0.25, 1.5]), ax,
    ),
    "jar_section": lambda ax: figures.jar_section(
        ax, jar_mm=200.5, fill=0.35, balls=[(20.5, 12)], speed="70.5 rpm"
    ),
    "loss_against_size": lambda ax: figures.loss_against_size(
        _frame(series=NAMES, aperture_um=[63.5, 125.0, 250.0], rate_per_min=[0.004, 0.016, 0.064],
               lower_per_min=[0.003, 0.012, 0.05], upper_per_min=[0.005, 0.02, 0.08],
               verdict="not shown"), ax,
    ),
    "power_curves": lambda ax: figures.power_curves(
        _frame(design="two", change_percent=[0.0, 2.5], power=[0.05, 0.5],
               power_lower=[0.04, 0.45], power_upper=[0.06, 0.55]), ax,
    ),
    "residual_quantiles": lambda ax: figures.residual_quantiles(RESIDUALS, ax),
    "residuals_against_fitted": lambda ax: figures.residuals_against_fitted(RESIDUALS, ax),
    "size_against_time": lambda ax: figures.size_against_time(SIZES, ax),
    "size_rate": lambda ax: figures.size_rate(
        CURVE, CURVE[["series", "milling_time_min", "size_um"]], ax, target_um=150.5,
        reached_min={A: (5.5, 4.5, 8.5), B: (6.5, 5.5, np.inf)},
    ),
    "tare_course": lambda ax: figures.tare_course(
        _frame(sieve=list(NAMES) * 2, run_number=[1, 1, 1, 2, 2, 2], run=A,
               tare_g=[400.0, 410.0, 420.0, 400.01, 410.0, 419.99]), ax,
    ),
    "trials_over_dates": lambda ax: figures.trials_over_dates(
        _frame(path=NAMES, date=DAYS, material=NAMES, start_size=[200.5, 210.5, np.nan],
               start_lower=190.5, start_upper=215.5, end_size=[90.5, 99.5, 101.5],
               end_lower=80.5, end_upper=110.5), ax,
    ),
    "uncertainty_against_sample": lambda ax: figures.uncertainty_against_sample(
        PLANNED, ax, points=PLANNED.assign(u_error_percent=0.02), wanted_percent=0.5,
        label="u(D50) / %",
    ),
    "uncertainty_shares": lambda ax: figures.uncertainty_shares(
        _frame(label=[A, A, B, B], source=["balance rounding", "aperture"] * 2,
               share=[0.25, 0.75, 0.5, 0.5], u_percent=1.5, balance_limited=[True, False] * 2), ax,
        changes=_frame(label=[A, B], change="certified sieves", u_then_percent=[0.5, 1.5]),
    ),
}  # fmt: skip


def _texts(ax: Axes) -> list[str]:
    """Every text that is drawn, hover texts included."""
    shown = [text.get_text() for text in ax.findobj(mpl.text.Text) if text.get_visible()]
    dots = [text for points in ax.collections for text in points.get_urls() if text]
    return shown + dots + [str(artist.get_gid()) for artist in ax.findobj() if artist.get_gid()]


def test_every_figure_has_an_example() -> None:
    assert len(DRAWING) == 19
    assert sorted(EXAMPLES) == DRAWING


@pytest.mark.parametrize("name", DRAWING)
def test_it_takes_an_axes_and_gives_it_back(name: str) -> None:
    signature = inspect.signature(getattr(figures, name))
    assert signature.parameters["ax"].annotation == "Axes"
    assert signature.return_annotation == "Axes"


@pytest.mark.parametrize("name", DRAWING)
def test_its_docstring_shows_it_drawn_on_an_axes(name: str) -> None:
    """The example runs with the doctests and says what it drew."""
    (example,) = DocTestFinder(recurse=False).find(getattr(figures, name), name)
    called = [one for one in example.examples if f"{name}(" in one.source]
    assert len(called) == 1
    assert "new_axes()" in called[0].source
    assert example.examples[-1].want


@pytest.mark.parametrize("name", DRAWING)
def test_a_test_of_its_own_reads_what_it_drew(name: str) -> None:
    assert f"{name}(" in TESTS


@pytest.mark.parametrize("name", DRAWING)
def test_three_lines_draw_it_and_leave_no_trace(name: str) -> None:
    """As in a notebook: an Axes of one's own, one call, one look; a warning would fail it."""
    before = dict(mpl.rcParams)
    ax = Figure(layout="constrained").subplots()
    assert EXAMPLES[name](ax) is ax
    ax.figure.canvas.draw()
    assert dict(mpl.rcParams) == before
    assert "matplotlib.pyplot" not in inspect.getsource(inspect.getmodule(getattr(figures, name)))


@pytest.mark.parametrize("name", DRAWING)
def test_a_key_looks_the_same_on_axes_of_any_style(name: str) -> None:
    with mpl.rc_context({"legend.frameon": True, "legend.fontsize": 20, "text.color": "red"}):
        ax = EXAMPLES[name](Figure(layout="constrained").subplots())
    assert ax.figure.legends == []
    if (key := ax.get_legend()) is not None:
        looks = {(one.get_fontsize(), to_hex(one.get_color())) for one in key.get_texts()}
        assert (key.get_frame_on(), looks) == (False, {(8.0, INK)})


@pytest.mark.parametrize("name", DRAWING)
def test_numbers_on_an_axis_have_a_name_and_sizes_a_unit(name: str) -> None:
    ax = EXAMPLES[name](figures.new_axes())
    if name in NO_UNIT:
        return
    for axis in (ax.xaxis, ax.yaxis):
        ticks = [label.get_text() for label in axis.get_ticklabels()]
        label = axis.get_label_text()
        if any(re.fullmatch(r"−?[\d.]+", tick) for tick in ticks):
            assert label
        if re.search(r"aperture|size|time|tare|mass|share", label):
            assert " / " in label or "class" in label or "ratio" in label, label


@pytest.mark.parametrize("name", DRAWING)
def test_a_decimal_comma_reaches_every_text(name: str) -> None:
    ax = EXAMPLES[name](figures.new_axes(say=Numerals(",")))
    ax.figure.canvas.draw()
    written = [re.sub("|".join(GIVEN), "", text) for text in _texts(ax)]
    assert [text for text in written if re.search(r"\d\.\d", text)] == []


@pytest.mark.parametrize("name", DRAWING)
def test_its_svg_holds_names_as_text(name: str) -> None:
    svg = svg_text(EXAMPLES[name](figures.new_axes()).figure, title=A + B + C)
    assert "\x07" not in svg
    assert "<image" not in svg
