"""Intraclass correlation: P. E. Shrout and J. L. Fleiss, Psychological Bulletin 86 (1979) 420-428.

Six targets, four judges; data and coefficients from memory: ICC(1,1) .17, ICC(2,1) .29,
ICC(3,1) .71, here the kinds of groups interchangeable, absolute agreement and consistency.
"""

from __future__ import annotations

import pandas as pd
import pytest

from psdstats.comparison.consistency import intraclass_correlation

RATINGS = [
    (9, 2, 5, 8),
    (6, 1, 3, 2),
    (8, 4, 6, 8),
    (7, 1, 2, 6),
    (10, 5, 6, 9),
    (6, 2, 4, 7),
]


def test_six_targets_four_judges():
    frame = pd.DataFrame(
        [
            {"target": target, "judge": f"J{judge}", "rating": float(rating)}
            for target, row in enumerate(RATINGS)
            for judge, rating in enumerate(row)
        ]
    )
    found = intraclass_correlation(
        frame, value="rating", group="judge", level="target", scale="raw"
    )
    table = found.table.set_index("kind")
    assert found.obstacle is None
    for kind, printed in [
        ("groups interchangeable", 0.17),
        ("absolute agreement", 0.29),
        ("consistency", 0.71),
    ]:
        assert table.loc[kind, "icc"] == pytest.approx(printed, abs=0.0051)
    assert table.loc["consistency", "lower"] < 0.71 < table.loc["consistency", "upper"]
