"""Saved figures: the same bytes, nothing from outside, hover texts in place."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import matplotlib as mpl
import pandas as pd
import pytest
from matplotlib.axes import Axes
from PIL import Image

from psdstats.errors import OutputError
from psdstats.output.figures import save_figure, size_against_time, uncertainty_shares
from psdstats.output.figures.save import svg_text
from psdstats.output.style import INK, new_axes

SVG = "{http://www.w3.org/2000/svg}"


def test_same_data_same_bytes_whatever_the_users_settings(
    shares: pd.DataFrame, tmp_path: Path
) -> None:
    folders = []
    for name, settings in (("a", {}), ("b", {"lines.linewidth": 9, "svg.fonttype": "none"})):
        folder = tmp_path / name
        folder.mkdir()
        with mpl.rc_context(settings):
            ax = uncertainty_shares(shares, new_axes())
            save_figure(ax.figure, folder, "shares", title="Shares")
        folders.append({path.name: path.read_bytes() for path in folder.iterdir()})
    assert sorted(folders[0]) == ["shares.png", "shares.svg"]
    assert folders[0] == folders[1]


def test_svg_holds_no_style_no_date_and_no_outside_reference(
    shares: pd.DataFrame, ax: Axes
) -> None:
    text = svg_text(uncertainty_shares(shares, ax).figure, title="A <title>")
    ET.fromstring(text)
    assert "style" not in text
    assert "metadata" not in text
    assert set(re.findall(r"https?://[^\"]*", text)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }


def test_svg_keeps_the_presentation_as_attributes(shares: pd.DataFrame, ax: Axes) -> None:
    root = ET.fromstring(svg_text(uncertainty_shares(shares, ax).figure))
    fills = {element.get("fill") for element in root.iter(f"{SVG}path")}
    assert {INK, "#cc7a45"} <= fills


def test_hover_texts_become_titles_of_their_marks(sizes: pd.DataFrame, ax: Axes) -> None:
    root = ET.fromstring(svg_text(size_against_time(sizes, ax).figure, title="All"))
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == "All"
    marks = [group for group in root.iter(f"{SVG}g") if group.get("class") == "mark"]
    assert len(marks) == len(sizes)
    assert "D50, Alder, 0 min: 300 µm (270 to 360)" in [mark[0].text for mark in marks]


def test_png_has_report_resolution(ax: Axes, tmp_path: Path) -> None:
    save_figure(ax.figure, tmp_path, "empty")
    with Image.open(tmp_path / "empty.png") as image:
        assert image.size[0] == 1299  # 165 mm at 200 dots an inch
        assert "Software" not in image.info


def test_a_figure_is_never_written_over_unasked(ax: Axes, tmp_path: Path) -> None:
    theirs = tmp_path / "mine.png"
    theirs.write_text("mine")
    with pytest.raises(OutputError, match=r"mine\.png exists already"):
        save_figure(ax.figure, tmp_path, "mine")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.png"]
    assert theirs.read_text() == "mine"
    save_figure(ax.figure, tmp_path, "mine", replace=True)
    assert theirs.read_bytes().startswith(b"\x89PNG")
