"""Ways of rounding first base: M. Hollander and D. A. Wolfe (1973), page 140.

Also on the help page of R's friedman.test.  Data and result (chi-square 11.143, df 2, p 0.003805)
are quoted from memory; the recalled data give the recalled result to every printed digit.
"""

import numpy as np
import pandas as pd
import pytest

from psdstats.models.diagnostics import friedman_check

# fmt: off
SECONDS = np.array(
    [
        [5.40, 5.50, 5.55], [5.85, 5.70, 5.75], [5.20, 5.60, 5.50],
        [5.55, 5.50, 5.40], [5.90, 5.85, 5.70], [5.45, 5.55, 5.60],
        [5.40, 5.40, 5.35], [5.45, 5.50, 5.35], [5.25, 5.15, 5.00],
        [5.85, 5.80, 5.70], [5.25, 5.20, 5.10], [5.65, 5.55, 5.45],
        [5.60, 5.35, 5.45], [5.05, 5.00, 4.95], [5.50, 5.50, 5.40],
        [5.45, 5.55, 5.50], [5.55, 5.55, 5.35], [5.45, 5.50, 5.55],
        [5.50, 5.45, 5.25], [5.65, 5.60, 5.40], [5.70, 5.65, 5.55],
        [6.30, 6.30, 6.25],
    ]
)
# fmt: on


def test_rounding_times():
    runners, ways = np.indices(SECONDS.shape)
    frame = pd.DataFrame(
        {"runner": runners.ravel(), "way": ways.ravel(), "time_s": SECONDS.ravel()}
    )
    row = friedman_check(frame, response="time_s", within="way", group="runner").table.iloc[0]
    assert row["q"] == pytest.approx(11.143, abs=5e-4)
    assert row["df"] == 2
    assert row["p"] == pytest.approx(0.003805, abs=5e-7)
