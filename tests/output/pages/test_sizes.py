"""The page of sizes says what the propagation found, with open percentiles left open."""

import math
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from psdstats.output.pages.parts import number_column
from psdstats.output.pages.sizes import (
    curves_table,
    size_drawing,
    sizes_page,
    sizes_table,
    undersize_drawing,
)
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


def test_drawings_tell_the_course_in_words(bench):
    drawing = size_drawing(bench.means, caption="Sizes.")
    d50 = bench.means.query("quantity == 'D50'").set_index("milling_time_min")["value"]
    assert f"D50: {d50.iloc[0]:.3g} µm at 0 min, {d50.iloc[-1]:.3g} µm at 48 min." in (
        drawing.alternative
    )
    curves = undersize_drawing(bench.bands, bench.runs, "all")
    assert curves.caption == "Cumulative undersize by milling time, with uncertainty bands."
    assert "for 5 runs at 0, 6, 12, 24, 48 min" in curves.alternative


def test_group_is_named_where_there_are_several(benches):
    drawing = undersize_drawing(benches.bands, benches.runs, "Rowan")
    assert "undersize of Rowan by milling time" in drawing.caption


def test_every_ball_ratio_has_a_panel_with_its_runs(benches, bench):
    panels = undersize_drawing(benches.bands, benches.runs, "Rowan").figure.axes
    assert [ax.get_title(loc="left") for ax in panels] == ["ball ratio 5", "ball ratio 10"]
    own = benches.runs[benches.runs["group"] == "Rowan"].groupby("ball_ratio")["run"]
    for ax, (_, runs) in zip(panels, own, strict=True):
        drawn = {line.get_label() for line in ax.lines if not line.get_label().startswith("_")}
        assert drawn == set(runs)
    assert len(undersize_drawing(bench.bands, bench.runs, "all").figure.axes) == 1


def test_a_bound_without_end_is_no_bound():
    """Where D50 itself is open the span has no bound: a dash, not "< ∞"."""
    nan = math.nan
    found = pd.DataFrame(
        {"run": ["a", "b"] * 2, "quantity": ["D50"] * 2 + ["span"] * 2, "value": nan, "u": nan,
         "lower": nan, "upper": nan, "expanded": nan, "k": nan, "effective_df": nan,
         "status": "below the finest sieve", "balance_share": nan,
         "bound_lower": 0.0, "bound_upper": [63.0, 63.0, math.inf, 1.784]}
    )  # fmt: skip
    runs = pd.DataFrame({"run": ["a", "b"], "group": "all", "milling_time_min": [0.0, 48.0]})
    told = {"coverage": 0.95, "method": Method.LINEAR, "rule": ""}
    empty = dict.fromkeys(("expanded", "k", "effective_df"), np.full((2, 2), nan))
    sizes = SimpleNamespace(to_frame=lambda: found, quantities=("D50", "span"), **told, **empty)
    assert [row[2:4] for row in sizes_table(sizes, runs).grid()] == [
        ["< 63", "–"],
        ["< 63", "< 1.79"],
    ]


def test_balance_sentence_gives_median_and_largest(benches):
    column = benches.sizes.quantities.index("D50")
    share = 100 * benches.sizes.balance_share[:, column]
    sentence = sizes_page(benches.sizes, benches.runs, benches.bands, benches.means).sentences[0]
    found = re.search(r"balance makes (.+) % \(median\), at most (.+) %\.", sentence)
    assert float(found[1]) == pytest.approx(np.median(share), abs=0.051)
    assert float(found[2]) == pytest.approx(share.max(), abs=0.051)


def test_balance_that_does_not_matter_is_said_shortly():
    sizes = _sizes()
    sizes.balance_share = np.array([[0.00099]])
    shortly = "Of that variance the balance makes less than 0.1 % in every run."
    assert balance_sentence(sizes).endswith(shortly)
    sizes.balance_share = np.array([[0.00101]])
    assert not balance_sentence(sizes).endswith(shortly)


@pytest.mark.parametrize(
    ("values", "texts"),
    [([0.01, 0.1], ["0.01", "0.10"]), ([6.0, 12.0], ["6", "12"]), ([0.5, 24.0], ["0.5", "24.0"])],
)
def test_declared_numbers_keep_their_decimals(values, texts):
    column = number_column(pd.Series(values), name="x", heading="x", unit="g")
    assert [column.text({"x": value}) for value in values] == texts


def test_section_has_a_figure_for_each_group(benches):
    page = sizes_page(benches.sizes, benches.runs, benches.bands, benches.means)
    names = [block.name for block in page.blocks if hasattr(block, "figure")]
    assert names == [
        "sizes against milling time",
        *(f"undersize {group}" for group in ("Alder", "Birch", "Cedar", "Rowan")),
    ]
    told = notes_in_words(benches.sizes.notes)
    assert page.notes[: len(told)] == told
