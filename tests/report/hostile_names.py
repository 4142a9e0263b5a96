"""A study whose names try everything: markup, formulas, other alphabets, controls, great length.

``python tests/report/hostile_names.py DIR`` writes it into an existing folder; needs Python alone.
"""

from __future__ import annotations

import csv
import sys
from itertools import pairwise
from pathlib import Path

GROUPS = (
    '<script>alert("1")</script>',
    "=1+1",
    "@SUM(A1) A/B\\C 'q'",
    "粉砕 😀🙂",
    "粒度",
    "a$b$c_{x}^2%&#~ \\frac{$",
    "\x1b[31m_ring\x07\u202e",
    "L" + "o" * 150 + "ng",
    "[1] | ` * http://example.org",
)
TITLE = "Trial <img src=x onerror=alert(1)> & 'quotes' $x$ 😀"
SHARES = {0: (2.0, 30.0, 55.0, 80.0), 48: (9.0, 60.0, 85.0, 97.0)}  # per cent finer, invented
APERTURES = (63, 125, 250, 500)


def _readings(number: int, time: int) -> list[tuple[int, float]]:
    finer = [0.0, *(share + 0.4 * (number % 5) / 5 for share in SHARES[time]), 100.0]
    masses = [high - low for low, high in pairwise(finer)]
    return list(zip((0, *APERTURES), masses, strict=True))[::-1]


def write_study(folder: Path) -> Path:
    """A small study of these names; its readings are invented."""
    runs, weighings = [], []
    for at, group in enumerate(GROUPS):
        for time in SHARES:
            for replicate in (1, 2):
                run = f"{group} {time} {replicate}"
                runs.append((run, group, time, replicate))
                weighings += [
                    (run, f"{group} {aperture}", aperture, "400.00", f"{400 + mass:.2f}")
                    for aperture, mass in _readings(3 * at + replicate, time)
                ]
    for name, head, rows in (
        ("runs.csv", ("run", "group", "milling_time_min", "replicate"), runs),
        ("weighings.csv", ("run", "sieve", "aperture_um", "tare_g", "gross_g"), weighings),
    ):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([head, *rows])
    (folder / "study.toml").write_text(
        f'title = "{TITLE}"\nmaterial = "</p><b>chalk</b>"\n', "utf-8"
    )
    return folder


if __name__ == "__main__":
    write_study(Path(sys.argv[1]))
