"""Tables and the rules of their columns."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import OutputError
from psdstats.output.table import Column, Show, Table, columns_of, interval
from psdstats.words.numbers import Numerals


def test_headings_and_units_come_from_the_names() -> None:
    frame = pd.DataFrame({"d50_um": [1.0], "milling_time_min": [1], "p": [0.2], "run": ["a"]})
    found = [(c.heading, c.unit, c.show) for c in columns_of(frame)]
    assert found == [
        ("d50", "µm", Show.NUMBER),
        ("milling time", "min", Show.COUNT),
        ("p", "", Show.P_VALUE),
        ("run", "", Show.TEXT),
    ]


def test_a_column_that_is_not_there_is_named() -> None:
    column = Column(name="d50_um", heading="D50", show=Show.MEASURED, u="u_um")
    with pytest.raises(OutputError, match="no column 'u_um' \\(it has d50_um\\)"):
        Table(name="sizes", frame=pd.DataFrame({"d50_um": [1.0]}), caption="", columns=(column,))


def test_two_columns_of_one_name_are_refused() -> None:
    frame = pd.DataFrame([[1, 2]], columns=["a", "a"])
    with pytest.raises(OutputError, match="column 'a' twice"):
        Table(name="twins", frame=frame, caption="")


def test_the_frame_is_a_copy() -> None:
    frame = pd.DataFrame({"a": [1.0]})
    table = Table(name="t", frame=frame, caption="")
    frame.loc[0, "a"] = 2.0
    assert table.grid() == [["1.000"]]


@pytest.mark.parametrize(
    ("column", "text"),
    [
        (Column(name="x", heading="x", show=Show.MEASURED, u="u"), "231.4"),
        (Column(name="x", heading="x", show=Show.MEASURED, u="u", expanded="U", lower="lo",
                upper="hi"), "231.4 ± 2.4"),
        (Column(name="x", heading="x", show=Show.MEASURED, u="u", expanded="gap", lower="lo",
                upper="hi"), "231.4 −2.4 +2.4"),
        (Column(name="x", heading="x", show=Show.MEASURED, lower="lo", upper="hi"),
         "231.4 (229.1 to 233.8)"),
        (Column(name="x", heading="x", show=Show.NUMBER, decimals=0), "231"),
        (Column(name="x", heading="x", show=Show.NUMBER), "231.4"),
        (Column(name="r", heading="r", show=Show.RATIO, lower="rl", upper="rh"),
         "0.824 (0.771 to 0.881)"),
        (Column(name="r", heading="r", show=Show.CHANGE), "−18 %"),
        (Column(name="r", heading="r", show=Show.PER_CENT, decimals=1), "82.4 %"),
        (Column(name="x", heading="x", show=Show.SIGNED, decimals=1), "+231.4"),
        (Column(name="flag", heading="flag"), "yes"),
        (Column(name="nothing", heading="nothing"), "–"),
        (Column(name="x", heading="x", show=Show.MEASURED, u="u", side="side"), "> 231.4"),
    ],
)  # fmt: skip
def test_rules(column: Column, text: str) -> None:
    frame = pd.DataFrame(
        {
            "x": [231.4159],
            "u": [1.23],
            "U": [2.41],
            "gap": [float("nan")],
            "lo": [229.06],
            "hi": [233.79],
            "r": [0.8241],
            "rl": [0.7712],
            "rh": [0.8806],
            "flag": [np.True_],
            "nothing": [None],
            "side": [">"],
        }
    )
    table = Table(name="t", frame=frame, caption="", columns=(column,))
    assert table.grid() == [[text]]


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ((0.0, 0.41172), "< 0.4118"),
        ((1.21459, np.inf), "> 1.214"),
        ((0.7712, 0.8806), "0.771 to 0.881"),
        ((0.0, np.inf), "–"),
        ((0.0, 1.0), "–"),  # no more than that it fell, which the verdict says
        ((0.9995, np.inf), "–"),
        ((0.0, 0.9985), "< 0.9985"),
        ((np.nan, np.nan), "–"),
    ],
)
def test_a_ratio_without_a_value_is_told_by_its_bounds(
    limits: tuple[float, float], text: str
) -> None:
    frame = pd.DataFrame({"r": [np.nan], "rl": limits[:1], "rh": limits[1:]})
    column = Column(name="r", heading="r", show=Show.RATIO, lower="rl", upper="rh")
    assert Table(name="t", frame=frame, caption="", columns=(column,)).grid() == [[text]]


def test_names_and_messages_keep_their_point() -> None:
    frame = pd.DataFrame({"says": ["6.0 % lost in run-1.5"], "run": ["run 1.5"], "lost": [6.5]})
    columns = (
        Column(name="says", heading="found"),
        Column(name="run", heading="run"),
        Column(name="lost", heading="lost", show=Show.NUMBER, decimals=1),
    )
    table = Table(name="checks", frame=frame, caption="Found.", columns=columns)
    assert table.grid(say=Numerals(",")) == [["6.0 % lost in run-1.5", "run 1.5", "6,5"]]
    assert [column.is_number for column in columns] == [False, False, True]


def test_a_size_beyond_the_sieves_is_told_by_its_bound():
    column = interval("size", "end", "µm")
    ends = {"size": math.nan, "lower": 0.0, "upper": 37.99999999999999}
    assert column.text(ends) == "< 38"
    assert column.text(ends | {"lower": 500.0, "upper": math.inf}) == "> 500"
    assert column.text(ends | {"upper": math.nan}) == "–"
