"""The picture of the report in README.md: there, small, described, and not installed."""

import re
import struct
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_readme_shows_a_small_picture_with_words_for_it():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    ((words, place),) = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", readme)
    assert len(words.split()) > 20
    assert "invented" in readme.partition(place)[2].partition("##")[0]
    picture = (ROOT / place).read_bytes()
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", picture[16:24])[0] == 1280
    assert len(picture) < 200_000


def test_the_picture_is_not_installed():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    assert not any(name.startswith(".") for name in settings["setuptools"]["package-dir"].values())
    assert settings["setuptools"]["include-package-data"] is False
