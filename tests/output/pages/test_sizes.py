"""The page of sizes says what the propagation found, with open percentiles left open."""

import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from psdstats import compare, propagate
from psdstats.output.pages.sizes import (
    conditions_page,
    course_drawing,
    curves_table,
    means_table,
    sizes_drawing,
    sizes_page,
    sizes_table,
    undersize_drawing,
)
from psdstats.output.table import written
from psdstats.uncertainty.propagation import Method
from psdstats.words.numbers import Numerals
from psdstats.words.sizes import balance_sentence, notes_in_words, size_sentence


def test_table_holds_the_propagation_in_full(benches):
    table = sizes_table(benches.sizes, benches.runs)
    expected = benches.sizes.to_frame().set_index(["run", "quantity"])
    for row in table.rows():
        for quantity, name in (("D50", "D50_um"), ("span", "span")):
            own = expected.loc[(row["run"], quantity)]
            if np.isfinite(own["value"]):
                assert row[name] == own["value"]
                assert row[f"u_{name}"] == own["u"]
                assert row[f"side_{name}"] == ""


def _by_hand(row):
    """Rounded to the second digit of u (JCGM 100:2008, 7.2.6); ± where both ends agree to it."""
    value, u, lower, upper = (row[name] for name in ("value", "u", "lower", "upper"))
    decimals = 1 - math.floor(math.log10(u))
    half = (upper - lower) / 2
    is_symmetric = abs(upper + lower - 2 * value) / 2 <= 10.0**-decimals
    parts = (value, half) if is_symmetric else (value, value - lower, upper - value)
    texts = [f"{round(one, decimals):.{max(decimals, 0)}f}" for one in parts]
    return " ± ".join(texts) if is_symmetric else "{} −{} +{}".format(*texts)


def test_the_table_shows_an_expanded_u_or_both_ends(benches):
    table = sizes_table(benches.sizes, benches.runs)
    said = {
        (row["run"], row["quantity"]): _by_hand(row)
        for row in benches.sizes.to_frame().to_dict("records")
        if np.isfinite(row["value"])
    }
    at = {column.name: index for index, column in enumerate(table.columns)}
    for row in table.grid():
        run = row[at["run"]]
        assert row[at["D50_um"]] == said[run, "D50"]
        assert row[at["D90_um"]] == said[run, "D90"]


def test_u_k_and_degrees_of_freedom_are_in_the_table(benches):
    frame = sizes_table(benches.sizes, benches.runs).frame
    stated = frame["expanded_D50_um"].notna()
    assert stated.any()
    products = (frame["k_D50"] * frame["u_D50_um"])[stated]
    assert products.to_numpy() == pytest.approx(frame["expanded_D50_um"][stated].to_numpy())
    half = (frame["upper_D50_um"] - frame["lower_D50_um"])[stated] / 2
    assert half.to_numpy() == pytest.approx(frame["expanded_D50_um"][stated].to_numpy())
    assert {"effective_df_D50", "coverage", "method"} <= set(frame)


def _sizes(**changed):
    """One run of an invented study."""
    numbers = {"value": 248.66, "u": 5.6, "expanded": 10.98, "k": 1.96, "effective_df": 25.7,
               "lower": 237.68, "upper": 259.64} | changed  # fmt: skip
    arrays = {name: np.array([[one]]) for name, one in numbers.items()}
    told = {"coverage": 0.95, "method": Method.LINEAR, "rule": ""}
    return SimpleNamespace(runs=("a",), quantities=("D50",), **told, **arrays)


def test_a_ready_sentence():
    assert size_sentence(_sizes(), "a", "D50") == (
        "D50 of a = (248.7 ± 11.0) µm, expanded uncertainty with k = 1.96 (ν_eff = 25), coverage "
        "95 %, by the linear law."
    )
    unlike = _sizes(expanded=np.nan, lower=238.9, upper=261.2)
    assert size_sentence(unlike, "a", "D50", Numerals(",")) == (
        "D50 of a = 248,7 µm, 95 % interval 238,9 to 261,2 µm, not symmetric (u = 5,6 µm), by the "
        "linear law."
    )
    below = _sizes(value=np.nan, u=np.nan, expanded=np.nan, lower=0.0, upper=45.0)
    assert size_sentence(below, "a", "D50") == "D50 of a: < 45 µm; the sieves do not bracket it."


def test_open_percentiles_are_bounds(benches):
    table = sizes_table(benches.sizes, benches.runs)
    frame = table.frame.set_index("run")
    is_open = np.isnan(benches.sizes.value[:, 0])
    assert is_open.any()
    assert ((frame["side_D10_um"] == "<").to_numpy() == is_open).all()
    column = [c.heading for c in table.columns].index("D10")
    for run, texts in zip(table.frame["run"], table.grid(), strict=True):
        assert texts[column].startswith("<") == bool(frame.loc[run, "side_D10_um"])


def test_open_span_is_rounded_outwards(benches):
    frame = sizes_table(benches.sizes, benches.runs).frame
    own = benches.sizes.to_frame().query("quantity == 'span'").reset_index(drop=True)
    below = frame["side_span"] == "<"
    assert below.any()
    shown, bound = frame.loc[below, "span"], own.loc[below.to_numpy(), "bound_upper"]
    assert (shown.to_numpy() >= bound.to_numpy()).all()
    assert (shown.to_numpy() - bound.to_numpy() < 0.01).all()


def test_group_is_left_out_where_names_tell_it(benches):
    headings = [c.heading for c in sizes_table(benches.sizes, benches.runs).columns]
    assert "group" not in headings
    renamed = benches.runs.assign(group=benches.runs["group"].map(lambda name: f"Bench {name}"))
    assert "group" in [c.heading for c in sizes_table(benches.sizes, renamed).columns]


def test_curves_are_the_cumulative_undersize(bench):
    frame = curves_table(bench.bands).frame
    run = bench.study.runs[0]
    nets = [reading.net_g for reading in run.readings]
    expected = np.cumsum(nets)[:-1] / sum(nets)
    own = frame[(frame["run"] == run.name) & (frame["aperture_um"] > 0)].sort_values("aperture_um")
    assert own["undersize"].to_numpy() == pytest.approx(expected, abs=1e-12)


def _runs_drawn(ax):
    """Places of single runs in a panel: the first points drawn together."""
    return np.asarray(ax.collections[0].get_offsets())


def test_every_level_is_told_from_its_first_to_its_last_mean(benches):
    """The alternative has the means of the comparison, not those of some bench."""
    drawing = course_drawing(benches.study, benches.sizes, benches.comparison)
    means = benches.comparison["D50"].means.astype({"ball_ratio": float, "milling_time_min": float})
    own = means.set_index(["ball_ratio", "milling_time_min"])["value"]
    ends = {ratio: (own[ratio, 0.0], own[ratio, 48.0]) for ratio in (5.0, 10.0)}
    lines = [f"at {r:g}:1 from {a:.0f} µm at 0 min to {b:.0f} µm at 48 min" for r, (a, b) in
             ends.items()]  # fmt: skip
    assert f"D50: {'; '.join(lines)}." in drawing.alternative
    bound = float(np.exp(benches.comparison["D10"].courses[0].end.upper))
    assert f"to below {math.ceil(100 * bound) / 100} µm at 48 min" in drawing.alternative
    assert "a line per ball ratio" in drawing.caption
    assert "Arrows mark bounds" in drawing.caption


def test_the_panels_draw_means_runs_and_the_sieves_beyond(benches):
    panels = course_drawing(benches.study, benches.sizes, benches.comparison).figure.axes
    assert [ax.get_title(loc="left") for ax in panels] == ["D10", "D50", "D90"]
    lines = {one.get_label(): one for one in panels[1].lines}
    means = benches.comparison["D50"].means.astype({"ball_ratio": float})
    for ratio, own in means.groupby("ball_ratio"):
        assert lines[f"{ratio:g}:1"].get_ydata() == pytest.approx(own["value"].to_numpy())
    column = benches.sizes.quantities.index("D50")
    drawn = sorted(_runs_drawn(panels[1])[:, 1])
    assert drawn == pytest.approx(sorted(benches.sizes.value[:, column]))
    (band,) = panels[0].patches
    finest = [min(r.aperture_um for r in run.readings if r.aperture_um > 0) for run in
              benches.study.runs]  # fmt: skip
    assert band.get_y() + band.get_height() == pytest.approx(max(finest))


def test_one_bench_has_a_line_without_a_level(bench):
    drawing = sizes_drawing(
        SimpleNamespace(study=bench.study, propagation=bench.sizes, compared=bench.comparison)
    )
    own = bench.comparison["D50"].means["value"].to_numpy()
    assert f"D50: from {own[0]:.0f} µm at 0 min to {own[-1]:.0f} µm at 48 min." in (
        drawing.alternative
    )
    assert "Arrows" not in drawing.caption
    texts = [text.get_text() for text in drawing.figure.axes[1].texts]
    assert f"{own[-1]:.0f} µm" in texts


def test_without_a_comparison_lines_go_through_the_means_of_the_runs(benches):
    drawing = course_drawing(benches.study, benches.sizes)
    d50 = pd.Series(benches.sizes.value[:, benches.sizes.quantities.index("D50")])
    keys = [benches.runs["ball_ratio"], benches.runs["milling_time_min"]]
    means = np.exp(np.log(d50).groupby(keys).mean())
    told = [f"at {r}:1 from {means[r, 0]:.0f} µm at 0 min to {means[r, 48]:.0f} µm at 48 min"
            for r in (5, 10)]  # fmt: skip
    assert f"D50: {'; '.join(told)}." in drawing.alternative
    assert "overlap" not in drawing.caption


def test_the_figure_is_another_for_another_factor(benches):
    by_ratio = course_drawing(benches.study, benches.sizes, benches.comparison)
    runs = tuple(replace(run, factors={}) for run in benches.study.runs)
    pooled = course_drawing(replace(benches.study, runs=runs), benches.sizes)
    assert by_ratio.alternative != pooled.alternative
    assert by_ratio.svg != pooled.svg


def test_groups_at_one_time_stand_side_by_side(benches):
    at_end = [run for run in benches.study.runs if run.milling_time_min == 24.0]
    study = replace(benches.study, runs=tuple(replace(one, factors={}) for one in at_end))
    sizes = propagate(study, method="linear")
    drawing = course_drawing(study, sizes, compare(study, "group", propagation=sizes))
    (first, *_) = drawing.figure.axes
    names = [label.get_text() for label in first.get_xticklabels()]
    assert names == ["Alder", "Birch", "Cedar", "Rowan"]
    assert drawing.alternative.startswith("D10: Alder ")
    assert "a larger mark per mean" in drawing.caption


def test_means_stand_time_by_time_with_their_intervals(benches):
    table = means_table(benches.comparison)
    grid = {tuple(row[:2]): row[2:] for row in table.grid()}
    assert list(grid)[:3] == [("0", "5:1"), ("0", "10:1"), ("6", "5:1")]
    own = benches.comparison["D50"].means.astype({"ball_ratio": float})
    for row in own.to_dict("records"):
        cell = grid[f"{float(row['milling_time_min']):g}", f"{row['ball_ratio']:g}:1"][1]
        told = [float(one) for one in re.findall(r"[\d.]+", cell)]
        assert told == pytest.approx([row["value"], row["lower"], row["upper"]], abs=0.051)
    assert grid["48", "5:1"][0].startswith("< ")
    assert grid["48", "5:1"][3].startswith("between ")
    assert table.is_front
    assert [column.heading for column in table.columns] == [
        "milling time", "ball ratio", "D10", "D50", "D90", "span"
    ]  # fmt: skip
    assert len(table.frame) == 10


def test_curves_have_a_panel_for_each_group_and_ball_ratio(benches, bench):
    drawing = undersize_drawing(benches.bands, benches.runs)
    titles = [ax.get_title(loc="left") for ax in drawing.figure.axes]
    groups = ("Alder", "Birch", "Cedar", "Rowan")
    assert titles == [f"{group}, {ratio}" for ratio in ("5:1", "10:1") for group in groups]
    rowan = benches.runs[(benches.runs["group"] == "Rowan") & (benches.runs["ball_ratio"] == 10)]
    told = {text for one in drawing.figure.axes[-1].collections for text in one.get_urls() if text}
    assert told == {f"hover: {r.run}, {r.milling_time_min:g} min" for r in rowan.itertuples()}
    assert "A panel per group and ball ratio." in drawing.caption
    alone = undersize_drawing(bench.bands, bench.runs)
    assert [ax.get_title(loc="left") for ax in alone.figure.axes] == [""]
    assert "panel" not in alone.caption


def test_curves_are_told_at_a_middle_sieve(benches):
    told = undersize_drawing(benches.bands, benches.runs).alternative
    own = benches.bands[benches.bands["nominal_um"] == 180.0]
    finer = own.groupby("milling_time_min")["undersize"].median()
    assert "80 runs at 0, 6, 12, 24, 48 min" in told
    assert (
        f"Finer than 180 µm: {100 * finer[0.0]:.0f} % at 0 min, {100 * finer[48.0]:.0f} % at 48"
        in (told)
    )


def test_a_bound_without_end_is_no_bound():
    """Where D50 itself is open the span has no bound: a dash, not "< ∞"."""
    nan = math.nan
    found = pd.DataFrame(
        {"run": ["a", "b"] * 2, "quantity": ["D50"] * 2 + ["span"] * 2, "value": nan, "u": nan,
         "lower": nan, "upper": nan, "expanded": nan, "k": nan, "effective_df": nan,
         "status": "below the finest sieve", "balance_share": nan,
         "bound_lower": 0.0, "bound_upper": [63.0, 63.0, math.inf, 1.784]}
    )  # fmt: skip
    runs = pd.DataFrame(
        {"run": ["a", "b"], "group": "all", "milling_time_min": [0.0, 48.0], "charge": None,
         "balance": "bench"}
    )  # fmt: skip
    told = {"coverage": 0.95, "method": Method.LINEAR, "rule": "", "sources": ("readings",)}
    empty = dict.fromkeys(("expanded", "k", "effective_df"), np.full((2, 2), nan))
    sizes = SimpleNamespace(to_frame=lambda: found, quantities=("D50", "span"), **told, **empty)
    assert [row[2:4] for row in sizes_table(sizes, runs).grid()] == [
        ["< 63", "–"],
        ["< 63", "< 1.79"],
    ]


def test_balance_answer_gives_median_and_largest(benches):
    column = benches.sizes.quantities.index("D50")
    share = 100 * benches.sizes.balance_share[:, column]
    sentence = balance_sentence(benches.sizes)
    found = re.search(r"for (.+) % of that variance \(median\), at most (.+) %\.", sentence)
    assert float(found[1]) == pytest.approx(np.median(share), abs=0.051)
    assert float(found[2]) == pytest.approx(share.max(), abs=0.051)


def test_balance_that_does_not_matter_is_said_shortly():
    sizes = _sizes()
    sizes.balance_share = np.array([[0.00099]])
    shortly = "The balance accounts for less than 0.1 % of that variance in every run."
    assert balance_sentence(sizes).endswith(shortly)
    sizes.balance_share = np.array([[0.00101]])
    assert not balance_sentence(sizes).endswith(shortly)


@pytest.mark.parametrize(
    ("values", "texts"),
    [([0.01, 0.1], ["0.01", "0.10"]), ([6.0, 12.0], ["6", "12"]), ([0.5, 24.0], ["0.5", "24.0"])],
)
def test_declared_numbers_keep_their_decimals(values, texts):
    column = written("x", "x", "g").settled(pd.Series(values))
    assert [column.text({"x": value}) for value in values] == texts


def test_means_are_in_front_and_every_run_behind(benches):
    page = sizes_page(benches.sizes, benches.runs, benches.bands, comparison=benches.comparison)
    front, back = page.front(), page.back()
    assert [one.name for one in front.blocks if hasattr(one, "name")] == [
        "mean sizes of conditions"
    ]
    assert [one.name for one in back.blocks if hasattr(one, "name")] == ["sizes", "undersize"]
    assert back.heading == "Sizes of every run"
    covariances = [f"covariance {one}" for one in ("D10", "D50", "D90", "span")]
    assert [one.name for one in page.files] == ["undersize", *covariances]
    told = notes_in_words(benches.sizes.notes)
    assert page.notes[: len(told)] == told


def test_without_a_comparison_nothing_is_in_front(bench):
    page = sizes_page(bench.sizes, bench.runs, bench.bands)
    assert page.front() is None
    assert not [note for note in page.notes if note.count("mill-") > 4]


def test_means_of_the_sizes_command_are_called_plain(benches):
    """The means of a comparison are weighed, so the two may differ: the heads say which it is."""
    (table,) = conditions_page(benches.sizes, benches.runs).blocks
    assert [one.heading for one in table.columns][-4:] == [
        f"plain mean {name}" for name in ("D10", "D50", "D90", "span")
    ]
