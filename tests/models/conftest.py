"""Small invented trials for the mixed-model tests."""

import numpy as np
import pandas as pd
import pytest


@pytest.fixture
def trial():
    """Three groups, four times, ln D50 (invented)."""
    rng = np.random.default_rng(20261125)
    group, time = np.repeat(["a", "b", "c"], 4), np.tile([0, 5, 10, 20], 3)
    shift = np.repeat(rng.normal(0, 0.08, 3), 4)
    y = 6.2 - 0.04 * time + shift + rng.normal(0, 0.03, 12)
    return pd.DataFrame({"ln_d50": y, "time": time, "group": group})


@pytest.fixture
def crossed():
    """Four groups, three times, two ball ratios, two replicates, rows missing (invented)."""
    rng = np.random.default_rng(7)
    grid = np.array(np.meshgrid(range(4), range(3), range(2), range(2))).reshape(4, -1)
    group, time, ball, _ = grid
    y = 6 - 0.3 * time + 0.1 * ball + rng.normal(0, 0.2, 4)[group] + rng.normal(0, 0.1, 48)
    frame = pd.DataFrame(
        {
            "y": y,
            "group": [f"g{k}" for k in group],
            "time": time * 5,
            "ball": np.where(ball, "10:1", "5:1"),
        }
    )
    return frame.iloc[np.sort(rng.permutation(48)[:40])].reset_index(drop=True)
