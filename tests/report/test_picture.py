"""The picture of the report in README.md: there, small and described."""

import re
import struct
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
